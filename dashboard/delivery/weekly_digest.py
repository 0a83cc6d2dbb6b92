"""The week on one page: what changed, what is open, which streams are closest to a limit, which were silent.

It is made for Monday at seven in the lab's time zone. The same document becomes a mail, a page that suits a phone, and the
page of the dashboard.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TypedDict

from markupsafe import Markup
from sqlalchemy import Connection, text

from dashboard.charts.sparkline import SparklineData, sparkline
from dashboard.delivery.alert_messages import FIRST_READING, Message
from dashboard.paper.html_page import render_paper
from dashboard.queries import retest_list, stored_documents
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.new_alerts import new_alert_ids
from dashboard.text import urls
from dashboard.text.bench.instrument_text import overdue_line
from dashboard.text.bench.ready_text import headline as ready_headline
from dashboard.text.bench.ready_text import next_step
from dashboard.text.case_text import case_name, due_text, owner_text, standing
from dashboard.text.formatting import (
    CAUTIONS,
    LEAST_CHANCE,
    chance_text,
    characteristic,
    counted,
    day,
    room_to_limit,
    stream_level,
    weeks,
)
from dashboard.text.retest_text import headline as retest_headline
from dashboard.text.stock_text import advice, headline
from ingest.common.instants import microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.decisions.cases import cases
from ingest.documents.alert import Alert
from ingest.documents.bench.instrument import OverdueInstrument
from ingest.documents.case import Case
from ingest.documents.retest import Retest
from ingest.documents.scorecard import NoticeRow
from ingest.documents.stream import BoardRow, StreamNames
from ingest.quarter.notices import ANSWER_DAYS, asked_in, overdue
from ingest.sessions.calibration_due import overdue_instruments
from ingest.sessions.ready import ready
from ingest.stock.shelf_list import stock_document
from ingest.store.first_reading import first_reading
from spc.vocabulary.enums import AlertState, Grade, Kind, StreamState

__all__ = ["HOUR", "as_html", "as_message", "document", "due_at"]

Pictures = Mapping[tuple[str, str, str], SparklineData]

HOUR = time(7)
WEEK = timedelta(days=7)
# In each part, of streams that come closest and of all others.
CLOSEST, LISTED = 5, 15
PICTURE_WIDTH, PICTURE_HEIGHT = 480, 110
NO_LIMIT = "No forecast shows a chance of a failing lot of 1 % or more."


class ClosedAlert(Alert):
    """An alert that a person closed, with the reason."""

    reason: str


# `from` is a word of the language: only this form of a TypedDict can declare it as a key.
_From = TypedDict("_From", {"from": str})


class DigestWeek(_From):
    """A week and the present state; `lots` are those tested, `tested` their test sessions and those of check standards by verdict."""

    lab: str
    to: str
    horizon_weeks: float
    lots: int
    tested: dict[str, int]
    new: list[Alert]
    settled: list[ClosedAlert]
    open: list[Alert]
    unanswered: list[NoticeRow]
    cases: list[Case]
    retests: list[Retest]
    closest: list[BoardRow]
    silent: list[BoardRow]
    stock: str
    loads: str
    overdue: list[OverdueInstrument]
    first_reading: bool


@dataclass(frozen=True, slots=True)
class Line:
    """A line of the digest, with the page that it leads to and a picture where it has them.

    `link` are the words of the line that lead there, as a page of underlined sentences is hard to read; without them the whole
    line does.
    """

    text: str
    path: str = ""
    picture: Markup | None = None
    link: str = ""

    @property
    def parts(self) -> tuple[str, str, str]:
        """What stands before the linked words, these, and what stands after them."""
        return self.text.partition(self.link) if self.link and self.link in self.text else ("", self.text, "")


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the digest."""

    title: str
    lines: list[Line]


def due_at(now: datetime, lab: Lab) -> datetime:
    """The latest Monday at seven, in the lab's time zone, that is not in the future."""
    local = now.astimezone(lab.zone)
    monday = local.date() - timedelta(days=local.weekday())
    this_week = datetime.combine(monday, HOUR, tzinfo=lab.zone)
    # Compared as instants: Python compares two times of one zone by their clock faces.
    if this_week.timestamp() <= now.timestamp():
        return this_week
    return datetime.combine(monday - WEEK, HOUR, tzinfo=lab.zone)


# The document


def document(connection: Connection, lab: Lab, moment: datetime) -> DigestWeek:
    """The week up to `moment` (aware), and the present state."""
    board = stored_documents.board(connection, lab)
    alerts = stored_documents.alerts(connection, lab, closed_too=True)
    every_case = cases(connection, lab)
    # A person may have agreed on a later day with the supplier.
    overdue_cases = [case for case in every_case if case["overdue_days"]]
    span = {"start": microseconds(moment - WEEK), "stop": microseconds(moment)}
    tested = connection.execute(
        text(
            "SELECT verdict, count(*) FROM session WHERE started_us > :start AND started_us <= :stop "
            "AND verdict IS NOT NULL GROUP BY verdict"
        ),
        span,
    ).all()
    new = new_alert_ids(connection, span["start"], span["stop"])
    history = first_reading(connection)
    lots = {
        row[1:]
        for row in connection.execute(
            text(
                "SELECT l.id, l.supplier, l.product, l.lot FROM session s JOIN lot l ON l.id = s.lot_id "
                "WHERE s.started_us > :start AND s.started_us <= :stop"
            ),
            span,
        )
        if not lab.is_check_standard(row.supplier, row.product)
    }
    unexplained = [alert for alert in alerts if alert["held_under"] is None]
    forecast = [
        row for row in board if (row["breach_probability"] or 0.0) >= LEAST_CHANCE and not row["check_standard"]
    ]
    return {
        "lab": lab.name,
        "from": stored_documents.iso(span["start"], lab.zone),
        "to": stored_documents.iso(span["stop"], lab.zone),
        "horizon_weeks": lab.alerts.horizon_weeks,
        "lots": len(lots),
        "tested": {row[0]: row[1] for row in tested},
        "new": urgent_first([alert for alert in unexplained if alert["id"] in new]),
        "settled": _closed_by_people(connection, alerts, span),
        "open": urgent_first([alert for alert in unexplained if alert["state"] != AlertState.CLOSED]),
        "cases": every_case,
        "retests": retest_list.retests(connection, lab),
        "unanswered": [notice for notice in asked_in(overdue_cases) if overdue(notice)],
        "closest": sorted(forecast, key=lambda row: (-(row["breach_probability"] or 0.0), _weeks_left(row)))[:CLOSEST],
        "silent": [row for row in board if row["state"] == StreamState.SILENT],
        "stock": _stock(connection, lab, moment),
        "loads": _loads(connection, lab, moment),
        "overdue": overdue_instruments(connection, lab, moment),
        "first_reading": history is not None and span["start"] < history.since_us <= span["stop"],
    }


def _closed_by_people(connection: Connection, alerts: Sequence[Alert], span: Mapping[str, int]) -> list[ClosedAlert]:
    """The alerts that people closed in the week and that are still closed, with the reason."""
    by_id = {alert["id"]: alert for alert in alerts if alert["state"] == AlertState.CLOSED}
    rows = connection.execute(
        text("SELECT subject, reason FROM act WHERE what = 'close' AND at_us > :start AND at_us <= :stop ORDER BY id"),
        span,
    )
    reasons = {row[0].removeprefix("alert:"): row[1] for row in rows}
    return [{**by_id[alert], "reason": reason} for alert, reason in reasons.items() if alert in by_id]


def _stock(connection: Connection, lab: Lab, moment: datetime) -> str:
    """One line about the lots in stock; empty where nobody counts them."""
    stock = stock_document(connection, lab, moment.astimezone(lab.zone).date(), most=0)
    return f"{headline(stock)} {advice(stock)}" if stock["source"] == "counts" else ""


def _loads(connection: Connection, lab: Lab, moment: datetime) -> str:
    """One line about the loads in the chambers and those that are planned; empty where none is."""
    document = ready(connection, lab, moment)
    asks = document["not_put_in"] or any(chamber["loads"] for chamber in document["chambers"])
    return f"{ready_headline(document)} {next_step(document)}" if asks else ""


def _weeks_left(row: BoardRow) -> float:
    left = row["weeks_to_limit"]
    return math.inf if left is None or left["p50"] is None else left["p50"]


# The words


def _headline(week: DigestWeek) -> str:
    tested = week["tested"]
    sessions = f"{counted(week['lots'], 'lot')} tested, {counted(sum(tested.values()), 'test session')}"
    words = (("fail", "failed"), ("undecided", "undecided"), ("invalid", "without valid conditioning"))
    results = [f"{tested[key]} {result}" for key, result in words if tested.get(key)]
    details = f" ({', '.join(results)})" if results else ""
    return f"{_subject(week)}; {sessions}{details}."


def _subject(week: DigestWeek) -> str:
    urgent = sum(alert["grade"] == Grade.ACT for alert in week["open"])
    return f"Week to {day(week['to'])}: {counted(len(week['new']), 'new alert')}, {len(week['open'])} open, {urgent} urgent"


def _parts(week: DigestWeek, pictures: Pictures) -> list[Part]:
    """The parts, each with at least one line."""
    new = {alert["id"] for alert in week["new"]}
    changed = [_alert(alert) for alert in week["new"]]
    changed += [_alert(alert, f"closed: {alert['message']} ({alert['reason']})") for alert in week["settled"]]
    history = [Line(FIRST_READING)] if week["first_reading"] else []
    in_hand = [_case(case) for case in week["cases"]]
    if week["retests"]:
        in_hand.append(Line(retest_headline(week["retests"]), urls.RETESTS))
    other_open = [_unanswered(notice) for notice in week["unanswered"]]
    other_open += [_alert(alert) for alert in week["open"] if alert["id"] not in new]
    silent = [
        Line(
            f"{_name(row)}: last lot {row['last_lot']} on {day(row['last_tested_at'])}",
            urls.stream_address(*_key(row)),
            link=_name(row),
        )
        for row in week["silent"]
    ]
    overdue = overdue_line(week["overdue"])
    silent += [Line(alert["message"]) for alert in week["open"] if alert["kind"] == Kind.FEED]
    return [
        Part("What changed", [*history, *(_listed(changed) or [Line("Nothing new.")])]),
        Part("Cases", _listed(in_hand) or [Line("No open case.")]),
        Part("What else is open", _listed(other_open) or [Line("Nothing else is open.")]),
        Part("Closest to a limit", [_close(row, week, pictures) for row in week["closest"]] or [Line(NO_LIMIT)]),
        *(
            [Part("In stock", [Line(week["stock"], urls.STOCK, link=week["stock"].partition(". ")[0])])]
            if week["stock"]
            else []
        ),
        *([Part("Instruments", [Line(overdue, urls.INSTRUMENTS)])] if overdue else []),
        *([Part("In the chambers", [Line(week["loads"], urls.READY)])] if week["loads"] else []),
        Part("No new lots", _listed(silent) or [Line("None: every stream had a lot in its usual time.")]),
    ]


def _listed(lines: list[Line]) -> list[Line]:
    more = len(lines) - LISTED
    return lines if more <= 0 else [*lines[:LISTED], Line(f"and {more} more", urls.ALERTS)]


def _alert(alert: Alert, words: str = "") -> Line:
    words = words or f"{alert['grade']}: {alert['message']}{_detected(alert)}"
    stream = f"{alert['supplier']} {alert['product']}, {characteristic(alert['characteristic'] or '')}"
    name = stream if alert["product"] else alert["message"].partition(";")[0]
    return Line(words, urls.alert_address(alert["id"]), link=name)


def _detected(alert: Alert) -> str:
    """The day of an alert and its state, in brackets; a message with the day of its figures is not dated twice."""
    parts = [] if "(as of " in alert["message"] else [day(alert["raised_at"])]
    parts += ["acknowledged"] if alert["state"] == AlertState.ACKNOWLEDGED else []
    return f" ({', '.join(parts)})" if parts else ""


def _case(case: Case) -> Line:
    words = f"{case_name(case)}: {standing(case)}; owner {owner_text(case)}, due {due_text(case)}"
    return Line(words, urls.case_address(case["id"]), link=case_name(case))


def _unanswered(notice: NoticeRow) -> Line:
    asked = f"asked {day(notice['asked_on'])}, no answer for {counted(notice['days_open'] or 0, 'day')}"
    words = f"notice on {_name(notice)}: {asked} (due within {ANSWER_DAYS})"
    return Line(words, urls.alert_address(notice["alert"]), link=_name(notice))


def _close(row: BoardRow, week: DigestWeek, pictures: Pictures) -> Line:
    key = _key(row)
    chance = f"{chance_text(row['breach_probability'])} chance of a failing lot within {week['horizon_weeks']:g} weeks"
    level = f"now {stream_level(row)}, limit {room_to_limit(row)}"
    picture = ""
    if key in pictures:
        # The title is escaped where the picture is drawn.
        picture = sparkline(pictures[key], printable(_name(row)), PICTURE_WIDTH, PICTURE_HEIGHT)
    words = f"{_name(row)}: {chance}; {level}; to the limit: {weeks(row['weeks_to_limit'])}"
    return Line(words, urls.stream_address(*key), Markup(picture), link=_name(row))


def _key(row: StreamNames) -> tuple[str, str, str]:
    return row["supplier"], row["product"], row["characteristic"]


def _name(row: StreamNames) -> str:
    return f"{row['supplier']} {row['product']}, {characteristic(row['characteristic'])}"


def as_message(week: DigestWeek, pictures: Pictures, dashboard: str | None) -> Message:
    """The digest as a mail: text, and the page beside it."""
    blocks = [f"{part.title}\n" + "\n".join(f"- {line.text}" for line in part.lines) for part in _parts(week, pictures)]
    where = f"Open the dashboard: {urls.on_dashboard(dashboard, urls.DIGEST)}"
    paragraphs = [_headline(week), *blocks, where, week["lab"], CAUTIONS]
    plain = "\n".join(printable(line) for line in "\n\n".join(paragraphs).split("\n"))
    page = as_html(week, pictures, None if dashboard is None else dashboard.rstrip("/"))
    return Message(f"[lotdrift] {_subject(week)}", f"{plain}\n", html=page)


def as_html(week: DigestWeek, pictures: Pictures, base: str | None = None) -> str:
    """The digest as one page.

    Parameters
    ----------
    week : DigestWeek
        The week to show.
    pictures : mapping
        The small picture of each stream.
    base : str, optional
        What comes before the address of a page; empty on the dashboard itself. Without it the page has no links.
    """
    return render_paper(
        "delivery/digest.html",
        title=f"Week to {day(week['to'])}",
        headline=_headline(week),
        parts=_parts(week, pictures),
        base=base,
        lab=week["lab"],
        cautions=CAUTIONS,
        dark_too=True,
    )
