"""The week on one page: what changed, what is open, which streams come closest, what was silent.

Made for Monday at seven by the lab's zone; the same document is told as text, as a page that a phone shows well, and at
`/digest` of the dashboard at any time.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, time, timedelta
from html import escape
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, text

from dashboard.charts.sparkline import SparklineData, sparkline
from dashboard.delivery.alert_messages import Message
from dashboard.queries import stored_documents
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import CAUTIONS, amount, characteristic, counted, day, percent, room_to_limit, weeks
from ingest.common import clock
from ingest.common.instants import microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.quarter.notices import ANSWER_DAYS, asked_in, overdue
from spc.vocabulary.enums import AlertState, Grade, Kind, StreamState

if TYPE_CHECKING:
    from flask import Flask, Response

__all__ = ["HOUR", "add_digest", "as_html", "as_message", "document", "due_at"]

Document = Any
Part = tuple[str, list[str]]

HOUR = time(7)
WEEK = timedelta(days=7)
SHOWN = 15
CLOSEST = 5
STYLE = """
body{font:1rem/1.5 system-ui,sans-serif;max-width:42rem;margin:0 auto;padding:1rem;color:#1d2730;background:#fff}
h1{font-size:1.3rem;line-height:1.3}h2{font-size:1.1rem;margin:1.6rem 0 .4rem}ul{padding-left:1.1rem;margin:0}
li{margin:.5rem 0;overflow-wrap:anywhere}svg{display:block;width:100%;height:auto;max-width:30rem}
.quiet{color:#566472;font-size:.9rem}
@media(prefers-color-scheme:dark){body{color:#e4e8ec;background:#14191e}.quiet{color:#93a1b0}a{color:#8fc1ef}}
"""


def due_at(now: datetime, lab: Lab) -> datetime:
    """The last Monday at seven, by the lab's zone, that has come."""
    local = now.astimezone(lab.zone)
    monday = local.date() - timedelta(days=local.weekday())
    this_week = datetime.combine(monday, HOUR, tzinfo=lab.zone)
    # Compared as instants: two times of one zone would be compared by their clock faces.
    if this_week.timestamp() <= now.timestamp():
        return this_week
    return datetime.combine(monday - WEEK, HOUR, tzinfo=lab.zone)


# What it holds


def document(connection: Connection, lab: Lab, moment: datetime) -> Document:
    """The week up to `moment` (aware), and how things stand now."""
    board = stored_documents.board(connection, lab)
    alerts = stored_documents.alerts(connection, lab, closed_too=True)
    start = moment - WEEK
    new = _new_since(connection, start, moment)
    told = [alert for alert in alerts if alert["held_under"] is None]
    return {
        "lab": lab.name,
        "from": stored_documents.iso(microseconds(start), lab.zone),
        "to": stored_documents.iso(microseconds(moment), lab.zone),
        "horizon_weeks": lab.alerts.horizon_weeks,
        "tested": _tested(connection, start, moment),
        "new": urgent_first([alert for alert in told if alert["id"] in new and alert["grade"] != Grade.NOTE]),
        "settled": _settled(connection, alerts, start, moment),
        "open": urgent_first([alert for alert in told if alert["state"] != AlertState.CLOSED]),
        "unanswered": [notice for notice in asked_in(alerts) if overdue(notice)],
        "closest": _closest(board),
        "silent": [row for row in board if row["state"] == StreamState.SILENT],
    }


def _new_since(connection: Connection, start: datetime, moment: datetime) -> set[str]:
    """Alerts whose evidence was completed in the week, or that a round of the week found in files that came late."""
    rows = connection.execute(
        text(
            "SELECT id FROM alert WHERE raised_us > :start AND raised_us <= :stop UNION "
            "SELECT about FROM delivery GROUP BY about HAVING min(noted_us) > :start AND min(noted_us) <= :stop"
        ),
        {"start": microseconds(start), "stop": microseconds(moment)},
    )
    return set(rows.scalars())


def _tested(connection: Connection, start: datetime, moment: datetime) -> dict[str, int]:
    """Sessions of the week by verdict."""
    rows = connection.execute(
        text(
            "SELECT verdict, count(*) FROM session WHERE started_us > :start AND started_us <= :stop "
            "AND verdict IS NOT NULL GROUP BY verdict"
        ),
        {"start": microseconds(start), "stop": microseconds(moment)},
    )
    return {row[0]: row[1] for row in rows}


def _settled(connection: Connection, alerts: Sequence[Document], start: datetime, moment: datetime) -> list[Document]:
    """Alerts that people closed in the week and that still are, with their reason."""
    by_id = {alert["id"]: alert for alert in alerts if alert["state"] == AlertState.CLOSED}
    rows = connection.execute(
        text("SELECT subject, reason FROM act WHERE what = 'close' AND at_us > :start AND at_us <= :stop ORDER BY id"),
        {"start": microseconds(start), "stop": microseconds(moment)},
    )
    found = {row[0].removeprefix("alert:"): row[1] for row in rows}
    return [{**by_id[name], "reason": reason} for name, reason in found.items() if name in by_id]


def _closest(board: Sequence[Document]) -> list[Document]:
    """The streams most likely to breach; of those that are as likely, those with fewer weeks left."""
    rows = [row for row in board if row["breach_probability"] is not None and not row["check_standard"]]
    return sorted(rows, key=lambda row: (-row["breach_probability"], _middle(row)))[:CLOSEST]


def _middle(row: Document) -> float:
    middle = (row["weeks_to_limit"] or {}).get("p50")
    return float("inf") if middle is None else float(middle)


# How it is told


def _headline(week: Document) -> str:
    acts = sum(alert["grade"] == Grade.ACT for alert in week["open"])
    return (
        f"Week to {day(week['to'])}: {counted(len(week['new']), 'new alert')}, {len(week['open'])} open, "
        f"{acts} of them to act on; {_told_tested(week['tested'])}."
    )


def _told_tested(tested: dict[str, int]) -> str:
    said = f"{counted(sum(tested.values()), 'test session')}"
    words = (("fail", "outside the limit"), ("undecided", "undecided"), ("invalid", "without valid conditioning"))
    parts = [f"{tested[key]} {told}" for key, told in words if tested.get(key)]
    return f"{said} ({', '.join(parts)})" if parts else said


def _parts(week: Document) -> list[Part]:
    """The four answers, a line an item."""
    waiting = [_unanswered(notice) for notice in week["unanswered"]]
    settled = [f"settled: {alert['message']} ({alert['reason']})" for alert in week["settled"]]
    return [
        ("What changed", _few([_alert(alert) for alert in week["new"]] + settled) or ["Nothing new."]),
        ("What is open", _few(waiting + [_alert(alert) for alert in week["open"]]) or ["Nothing is open."]),
        ("Which streams come closest", [_close(row, week) for row in week["closest"]] or ["None with a limit yet."]),
        ("What was silent", _few(_silent(week)) or ["Nothing: every stream had a lot in its usual time."]),
    ]


def _few(lines: list[str]) -> list[str]:
    more = len(lines) - SHOWN
    return lines if more <= 0 else [*lines[:SHOWN], f"and {more} more"]


def _alert(alert: Document) -> str:
    state = ", acknowledged" if alert["state"] == AlertState.ACKNOWLEDGED else ""
    return f"{alert['grade']}: {alert['message']} ({day(alert['raised_at'])}{state})"


def _unanswered(notice: Document) -> str:
    asked = f"asked {day(notice['asked_on'])}, no answer for {counted(notice['days_open'], 'day')}"
    return f"notice to {_stream(notice)}: {asked} (a notice asks for one within {ANSWER_DAYS})"


def _stream(row: Document) -> str:
    return f"{row['supplier']} {row['product']}, {characteristic(row['characteristic'])}"


def _close(row: Document, week: Document) -> str:
    chance = f"{percent(row['breach_probability'])} chance of a breach within {week['horizon_weeks']:g} weeks"
    level = f"now {amount(row['level'], row['unit'])}, limit {room_to_limit(row)}"
    return f"{_stream(row)}: {chance}; {level}; time to the limit: {weeks(row['weeks_to_limit'])}"


def _silent(week: Document) -> list[str]:
    feeds = [alert["message"] for alert in week["open"] if alert["kind"] == Kind.FEED]
    return [
        f"{_stream(row)}: last lot {row['last_lot']} on {day(row['last_tested_at'])}" for row in week["silent"]
    ] + feeds


def as_message(week: Document, pictures: dict[tuple[str, str, str], SparklineData], dashboard: str | None) -> Message:
    """The digest as mail: text, and the page beside it."""
    where = f"{dashboard.rstrip('/')}/digest" if dashboard else "lotdrift serve"
    blocks = [f"{title}\n" + "\n".join(f"- {line}" for line in lines) for title, lines in _parts(week)]
    paragraphs = [_headline(week), *blocks, f"See it with: {where}", week["lab"], CAUTIONS]
    said = "\n".join(printable(line) for line in "\n\n".join(paragraphs).split("\n"))
    subject = f"[lotdrift] {_headline(week).partition(';')[0]}"
    return Message(subject, f"{said}\n", html=as_html(week, pictures))


def as_html(week: Document, pictures: dict[tuple[str, str, str], SparklineData]) -> str:
    """The digest as one page, for a phone as well; every name in it is escaped."""
    sections = [_section(title, lines) for title, lines in _parts(week)]
    sections[2] = _closest_section(week, pictures)
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>Week to {escape(day(week['to']))}</title><style>{STYLE}</style></head><body>"
        f"<h1>{escape(_headline(week))}</h1>{''.join(sections)}"
        f'<p class="quiet">{escape(printable(week["lab"]))}</p><p class="quiet">{escape(CAUTIONS)}</p></body></html>'
    )


def _section(title: str, lines: Sequence[str], pictures: Sequence[str] = ()) -> str:
    shown = [*pictures, *[""] * (len(lines) - len(pictures))]
    items = [f"<li>{escape(printable(line))}{picture}</li>" for line, picture in zip(lines, shown, strict=True)]
    return f"<h2>{escape(title)}</h2><ul>{''.join(items)}</ul>"


def _closest_section(week: Document, pictures: dict[tuple[str, str, str], SparklineData]) -> str:
    title, lines = _parts(week)[2]
    keys = [(row["supplier"], row["product"], row["characteristic"]) for row in week["closest"]]
    shown = [sparkline(pictures[key], _title(key), 480, 110) if key in pictures else "" for key in keys]
    return _section(title, lines, shown)


def _title(key: tuple[str, str, str]) -> str:
    return printable(f"{key[0]} {key[1]}, {characteristic(key[2])}")


def add_digest(server: Flask, desk: LabReader) -> None:
    """Serve the page as of now at `/digest`."""
    from flask import Response

    @server.get("/digest")
    def digest() -> Response:
        with desk.reading() as connection:
            week, pictures = document(connection, desk.lab, clock.now()), stored_documents.all_sketches(connection)
        return Response(as_html(week, pictures), content_type="text/html; charset=utf-8")
