"""What a message about alerts says: one alert in full, or many as a count with the most urgent first.

The first line says what moved, how much, and what to look at. Names come from files: they stay text, without control
characters, and the picture takes them as data.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from dashboard.charts.sparkline import SparklineData, sparkline
from dashboard.queries.alert_order import urgent_first
from dashboard.text.formatting import (
    CAUTIONS,
    amount,
    change,
    characteristic,
    counted,
    day,
    percent,
    room_to_limit,
    weeks,
)
from ingest.common.text import printable
from spc.vocabulary.enums import Grade, Kind

__all__ = ["Message", "Surroundings", "about_many", "about_one"]

Document = Any

SUBJECT_CHARACTERS = 140
# In a message that counts, more than this are not read one by one.
LISTED = 20
WIDTH, HEIGHT = 560, 170

LOOK_AT = {
    Kind.LIMIT: "Look at lot {lot}: its readings and its conditioning, then at what your procedure asks for",
    Kind.POINT: "Look at lot {lot}: its readings, and whether the bench was in order that day",
    Kind.PATTERN: "Look at the lots up to {lot}, and at the check standards: film or bench",
    Kind.DRIFT: "Look at the lots up to {lot}, and at the check standards: film or bench",
    Kind.SPREAD: "Look at the bags of lot {lot}: one odd bag, or all of them",
    Kind.FORECAST: "Look at the outlook of the stream, and talk to the supplier before the limit is reached",
    Kind.BENCH: "Look at the chamber, the instrument and the check standards before any supplier",
    Kind.CLIMATE: "Look at the chamber log: these tests may have to be done again",
    Kind.FEED: "Look at the export and at the drop folder",
}
TYPST = b"""#set page(width: auto, height: auto, margin: 8pt, fill: white)
#set text(size: 9pt)
#block(width: 420pt)[*#sys.inputs.title*]
#image(bytes(sys.inputs.svg), width: 420pt, format: "svg", alt: sys.inputs.title)
#block(width: 420pt)[#sys.inputs.legend]
"""


@dataclass(frozen=True, slots=True)
class Message:
    """A message before it is put into an envelope; `picture` is a PNG, empty where there is none."""

    subject: str
    text: str
    picture: bytes = b""
    html: str = ""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What letters need beside the alerts: the board's rows and pictures by stream, the lab, and the dashboard's address."""

    lab_name: str
    horizon_weeks: float
    dashboard: str | None
    rows: Mapping[tuple[str, str, str], Document]
    pictures: Mapping[tuple[str, str, str], SparklineData]
    held: Mapping[str, int]


# One alert


def about_one(alert: Document, around: Surroundings) -> Message:
    """The letter about one alert."""
    first = f"{alert['grade']}: {alert['message']}. {_look_at(alert)}."
    shown = _picture(alert, around)
    parts = [first, _figures(alert, around), LEGEND_NOTE if shown else "", *_foot(around, _page(alert))]
    return Message(_subject(f"{alert['grade']}: {alert['message']}"), _text(parts), shown)


LEGEND_NOTE = "The picture shows the lots of the last year, what is usual, the limit and the outlook."


def _look_at(alert: Document) -> str:
    return LOOK_AT[Kind(alert["kind"])].format(lot=alert["lot"] or "not named")


def _figures(alert: Document, around: Surroundings) -> str:
    """The numbers as text, a line each."""
    lines = [
        ("kind", f"{alert['kind']}, grade {alert['grade']}"),
        *[(name, alert[name]) for name in ("supplier", "product")],
        ("characteristic", characteristic(alert["characteristic"] or "")),
        ("lot", alert["lot"]),
        ("tested" if alert["lot"] else "since", day(alert["raised_at"])),
        *_evidence(alert["evidence"], around),
        *_outlook(around.rows.get(_stream(alert))),
    ]
    held = around.held.get(alert["id"], 0)
    lines += [("held under it", counted(held, "supplier alert"))] if held else []
    return "\n".join(f"{name}: {value}" for name, value in lines if value)


def _evidence(evidence: Document, around: Surroundings) -> list[tuple[str, str]]:
    """What the alert rests on; kinds without a level leave most of it out."""
    unit = evidence.get("unit", "")
    found = [(name, evidence.get(key)) for name, key in (("level", "level"), ("usual level", "usual"))]
    lines = [(name, amount(value, unit)) for name, value in found if value is not None]
    concerned = evidence.get("lots", 1)
    if isinstance(concerned, list):
        lines.append(("lots", ", ".join(concerned)))
    elif concerned > 1 and "latest_lot" in evidence:
        latest = amount(evidence["latest_level"], unit)
        lines.append(("latest", f"lot {evidence['latest_lot']}, {day(evidence['latest_tested_at'])}, at {latest}"))
    if "limit_upper" in evidence:
        lines.append(("limit", room_to_limit(evidence)))
    if evidence.get("since_at"):
        lines.append(("began about", _span(evidence)))
    if evidence.get("change_percent_per_month") is not None:
        lines.append(("change", f"{change(evidence['change_percent_per_month'])} a month"))
    if evidence.get("breach_probability") is not None:
        chance = percent(evidence["breach_probability"])
        lines.append((f"chance of a breach within {around.horizon_weeks:g} weeks", chance))
    return lines


def _span(evidence: Document) -> str:
    low, high = evidence.get("since_low_at"), evidence.get("since_high_at")
    return day(evidence["since_at"]) + (f" (between {day(low)} and {day(high)})" if low and high else "")


def _outlook(row: Document | None) -> list[tuple[str, str]]:
    if row is None or row["weeks_to_limit"] is None:
        return []
    return [("time to the limit", weeks(row["weeks_to_limit"]))]


def _stream(alert: Document) -> tuple[str, str, str]:
    return alert["supplier"], alert["product"], alert["characteristic"]


def _page(alert: Document) -> str:
    """Where the dashboard shows what the alert is about; names travel as query values."""
    if not alert["characteristic"]:
        return "/alerts"
    names = {name: alert[name] for name in ("supplier", "product", "characteristic")}
    return f"/stream?{urlencode(names)}"


def _picture(alert: Document, around: Surroundings) -> bytes:
    """The stream's last year and outlook as PNG, which every mail program shows; names reach it as data."""
    shown = around.pictures.get(_stream(alert))
    if shown is None or not shown.lots:
        return b""
    import typst

    title = " · ".join([alert["supplier"], alert["product"], characteristic(alert["characteristic"])])
    svg = sparkline(shown, "", WIDTH, HEIGHT, paper=True)
    data = {"svg": svg, "title": printable(title), "legend": _legend(alert["evidence"])}
    return bytes(typst.compile(TYPST, format="png", ppi=144.0, sys_inputs=data, ignore_system_fonts=True))


def _legend(evidence: Document) -> str:
    unit = evidence.get("unit", "")
    usual = f" ({amount(evidence['usual'], unit)})" if evidence.get("usual") is not None else ""
    limit = room_to_limit(evidence) if "limit_upper" in evidence else "no limit"
    return (
        f"Line: lots of the last year. Dashes: usual level{usual}. Thick line: the nearer limit ({limit}). "
        "Fan, right of the last test: where the next lots are likely to lie, inner half and outer four fifths."
    )


# Many alerts


def about_many(alerts: Sequence[Document], around: Surroundings) -> Message:
    """The letter that counts: a storm, or a first look at a long history."""
    ordered = urgent_first(alerts)
    act = sum(alert["grade"] == Grade.ACT for alert in ordered)
    told = f"{counted(len(ordered), 'new alert')}, {act} of them to act on"
    first = f"{told}. The most urgent: {ordered[0]['message']}. {_look_at(ordered[0])}."
    lines = [f"{alert['grade']}: {alert['message']} ({day(alert['raised_at'])})" for alert in ordered[:LISTED]]
    lines += [f"and {len(ordered) - LISTED} more: lotdrift alerts"] if len(ordered) > LISTED else []
    return Message(_subject(told), _text([first, "\n".join(lines), *_foot(around, "/alerts")]))


# Shared


def _subject(said: str) -> str:
    text = printable(f"[lotdrift] {said}")
    return text if len(text) <= SUBJECT_CHARACTERS else f"{text[: SUBJECT_CHARACTERS - 1]}…"


def _foot(around: Surroundings, page: str) -> list[str]:
    where = f"{around.dashboard.rstrip('/')}{page}" if around.dashboard else "lotdrift serve"
    return [f"See it with: {where}", around.lab_name, CAUTIONS]


def _text(parts: Sequence[str]) -> str:
    """Paragraphs with a blank line between; each line without control characters."""
    lines = "\n\n".join(part for part in parts if part).split("\n")
    return "\n".join(printable(line) for line in lines) + "\n"
