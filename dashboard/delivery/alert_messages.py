"""Messages about alerts: one alert in full, or many as a list with the most urgent first.

The first line says what changed, by how much, and what to look at; the subject names supplier, product and subject matter and
has no values, so that no mail program cuts one in two. Names come from files: they stay text, without control characters.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from dashboard.charts.sparkline import SparklineData, sparkline
from dashboard.paper import typeset
from dashboard.queries.alert_order import urgent_first
from dashboard.text import urls
from dashboard.text.formatting import (
    CAUTIONS,
    NEAR_DATE,
    SHORT_WORDS,
    amount,
    amounts,
    chance_text,
    characteristic,
    counted,
    day,
    interval,
    limits_of,
    now_text,
    shown,
    weeks,
)
from ingest.common.number_format import way
from ingest.common.text import printable
from ingest.documents.alert import STOCK_ID, Alert, ShownBy
from ingest.documents.stream import BoardRow
from spc.vocabulary.enums import Grade, Kind

__all__ = ["Message", "MessageContext", "about_many", "about_one"]

Stream = tuple[str, str, str]

OPEN_LEGEND = "Ring with a tail: the known end of a level that readings out of range leave open. "
SUBJECT_CHARACTERS = 140
# A message about many alerts lists no more than this.
LISTED = 20
WIDTH, HEIGHT = 560, 170

LOOK_AT = {
    Kind.LIMIT: "Look at lot {lot}: its readings and its conditioning; then follow your procedure",
    Kind.POINT: "Look at lot {lot}: its readings, and the state of the bench on that day",
    Kind.PATTERN: "Look at the lots up to {lot}, and at the check standards: film or bench",
    Kind.DRIFT: "Look at the lots up to {lot}, and at the check standards: film or bench",
    Kind.SPREAD: "Look at the bags of lot {lot}: one odd bag, or all of them",
    Kind.FORECAST: "Look at the forecast, and talk to the supplier before the limit is reached",
    Kind.BENCH: "Look at the chamber, the instrument and the check standards before any supplier",
    Kind.CLIMATE: "Look at the chamber log: these tests may have to be repeated",
    Kind.FEED: "Look at the export and at the drop folder",
}
# Subjects of the alerts that concern no supplier.
BENCH_SUBJECTS = {
    Kind.BENCH: "bench, shift common to several suppliers",
    Kind.CLIMATE: "bench, conditioning",
    Kind.FEED: "bench, no new data",
}
# Alerts that a record of the bench raises by itself: subject, and what to look at.
BENCH_RECORDS: dict[ShownBy, tuple[str, str]] = {
    "calibration": ("bench, meter found off", "Look at the sheet of its lots on the page Instruments; an authorised person decides about them"),
    "sensor check": ("bench, humidity sensor failed its check", "Do not test from this chamber until the sensor passes its check"),
    "second sensor": ("bench, two humidity sensors read apart", "Check both sensors against a salt"),
    "recovery": ("bench, chamber recovers more slowly", "Look at the dryer and the door seal of the chamber"),
}  # fmt: skip
FIRST_READING = "First reading of the history of this store: what it reports may have happened long ago."
PICTURE_NOTE = "The picture shows the lots of the last 12 months, the normal level, the limit and the forecast."


@dataclass(frozen=True, slots=True)
class Message:
    """Subject and content of a message; `picture` is a PNG, empty if there is none."""

    subject: str
    text: str
    picture: bytes = b""
    html: str = ""


@dataclass(frozen=True, slots=True)
class MessageContext:
    """What messages need beside the alerts.

    `rows` and `pictures` are the board's, by stream; `explained` is the number of supplier alerts that each bench alert
    explains.
    """

    lab_name: str
    horizon_weeks: float
    dashboard: str | None
    rows: Mapping[Stream, BoardRow] = field(default_factory=dict)
    pictures: Mapping[Stream, SparklineData] = field(default_factory=dict)
    explained: Mapping[str, int] = field(default_factory=dict)


# One alert


def about_one(alert: Alert, context: MessageContext, *, of_history: bool = False) -> Message:
    """The message about one alert; `of_history`: it comes from the first reading of the store's history."""
    picture = _picture(alert, context)
    page = urls.stream_address(*_stream(alert)) if alert["characteristic"] else urls.ALERTS
    return Message(
        _subject(f"{alert['grade']}: {_matter(alert)}"),
        _text(
            [
                f"{alert['grade']}: {alert['message']}. {_look_at(alert)}.",
                FIRST_READING if of_history else "",
                _figures(alert, context),
                PICTURE_NOTE if picture else "",
                *_foot(context, page),
            ]
        ),
        picture,
    )


def _look_at(alert: Alert) -> str:
    if alert["id"].startswith(STOCK_ID):
        return "Test the first lots again before anybody uses them: see the page Stock"
    shown_by = shown(alert["evidence"]).get("shown_by")
    if shown_by is not None:
        return BENCH_RECORDS[shown_by][1]
    return LOOK_AT[Kind(alert["kind"])].format(lot=alert["lot"] or "not named")


def _matter(alert: Alert) -> str:
    """Supplier, product and what the alert is about, without values."""
    kind, evidence = Kind(alert["kind"]), shown(alert["evidence"])
    shown_by = evidence.get("shown_by")
    if shown_by is not None:
        return BENCH_RECORDS[shown_by][0]
    if kind in BENCH_SUBJECTS:
        return BENCH_SUBJECTS[kind]
    what = NEAR_DATE if alert["id"].startswith(STOCK_ID) else SHORT_WORDS.get(kind, "")
    if kind == Kind.DRIFT:
        what = way(evidence.get("direction", 0), evidence.get("change_percent_per_month"), evidence.get("digits", 3))
    return f"{alert['supplier']} {alert['product']}, {characteristic(alert['characteristic'] or '')}, {what}"


def _figures(alert: Alert, context: MessageContext) -> str:
    """The figures as text, a line each; a kind of alert has only some of them."""
    evidence, row = shown(alert["evidence"]), context.rows.get(_stream(alert))
    unit, digits = evidence.get("unit", ""), evidence.get("digits", 3)
    lots, explained = evidence.get("lots", 1), context.explained.get(alert["id"], 0)
    level, normal, since = evidence.get("level"), evidence.get("usual"), evidence.get("since_at")
    chance = evidence.get("breach_probability")
    latest = ""
    then, usual, last = amounts([level, normal, evidence.get("latest_level")], unit, digits)
    if isinstance(lots, int) and lots > 1 and "latest_lot" in evidence:
        bound = evidence.get("latest_bound", 0)
        value = amount(evidence["latest_level"], unit, bound, digits) if bound else last
        latest = f"lot {evidence['latest_lot']}, {day(evidence['latest_tested_at'])}, at {value}"
    now, open_level = alert["now"], evidence.get("level_bound", 0)
    began = f"{day(since)}{interval(evidence.get('since_low_at'), evidence.get('since_high_at'))}" if since else ""
    lines = [
        ("kind", f"{alert['kind']}, grade {alert['grade']}"),
        ("supplier", alert["supplier"]),
        ("product", alert["product"]),
        ("characteristic", characteristic(alert["characteristic"] or "")),
        ("lot", alert["lot"]),
        (_when(alert), day(alert["raised_at"])),
        ("level", "" if level is None else then if not open_level else amount(level, unit, open_level, digits)),
        ("normal level", "" if normal is None else usual),
        ("lots", ", ".join(lots) if isinstance(lots, list) else ""),
        ("last lot of it", latest),
        ("now", "" if now is None else now_text(now).removeprefix("now: ")),
        ("limit", limits_of(evidence)),
        ("began about", began),
        (
            f"chance of a failing lot within {context.horizon_weeks:g} weeks",
            "" if chance is None else chance_text(chance),
        ),
        ("to the limit", weeks(row["weeks_to_limit"]) if row is not None and row["weeks_to_limit"] else ""),
        ("explains", counted(explained, "supplier alert") if explained else ""),
    ]
    return "\n".join(f"{name}: {value}" for name, value in lines if value)


def _when(alert: Alert) -> str:
    if alert["id"].startswith(STOCK_ID):
        return "near the date since"
    return "tested" if alert["lot"] else "since"


def _stream(alert: Alert) -> Stream:
    return alert["supplier"] or "", alert["product"] or "", alert["characteristic"] or ""


def _picture(alert: Alert, context: MessageContext) -> bytes:
    """The last 12 months and the forecast of the stream as PNG; names reach it as data."""
    stream = _stream(alert)
    picture, evidence = context.pictures.get(stream), shown(alert["evidence"])
    if picture is None or picture.last is None:
        return b""
    normal = evidence.get("usual")
    normal_level = (
        "" if normal is None else f" ({amount(normal, evidence.get('unit', ''), digits=evidence.get('digits', 3))})"
    )
    data = {
        "svg": sparkline(picture, "", WIDTH, HEIGHT, paper=True),
        "title": printable(" · ".join((stream[0], stream[1], characteristic(stream[2])))),
        "legend": f"Line: lots of the last 12 months. {OPEN_LEGEND if picture.bounded else ''}Dashes: normal level{normal_level}. Thick line: the nearer limit "
        f"({limits_of(evidence) or 'no limit'}). "
        "Fan, right of the last test: forecast for 50 % and 80 % of coming lots.",
    }
    return typeset.as_png("dashboard.delivery", "alert_picture.typ", data)


# Many alerts


def about_many(alerts: Sequence[Alert], context: MessageContext, *, of_history: bool = False) -> Message:
    """The message about many alerts at once; as `about_one`."""
    ordered = urgent_first(alerts)
    urgent = sum(alert["grade"] == Grade.ACT for alert in ordered)
    summary = f"{urgent} urgent of {counted(len(ordered), 'alert')}"
    first = f"{summary}. First: {ordered[0]['message']}. {_look_at(ordered[0])}."
    lines = [f"{alert['grade']}: {alert['message']} ({day(alert['raised_at'])})" for alert in ordered[:LISTED]]
    lines += [f"and {len(ordered) - LISTED} more: lotdrift alerts"] if len(ordered) > LISTED else []
    return Message(
        _subject(summary),
        _text([first, FIRST_READING if of_history else "", "\n".join(lines), *_foot(context, urls.ALERTS)]),
    )


# Shared


def _subject(summary: str) -> str:
    text = printable(f"[lotdrift] {summary}")
    return text if len(text) <= SUBJECT_CHARACTERS else f"{text[: SUBJECT_CHARACTERS - 1]}…"


def _foot(context: MessageContext, page: str) -> list[str]:
    return [f"Open the dashboard: {urls.on_dashboard(context.dashboard, page)}", context.lab_name, CAUTIONS]


def _text(parts: Sequence[str]) -> str:
    """Paragraphs with a blank line between; each line without control characters."""
    lines = "\n\n".join(part for part in parts if part).split("\n")
    return "\n".join(printable(line) for line in lines) + "\n"
