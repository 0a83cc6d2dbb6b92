"""What may be tested now, and when the rest: the first page in the morning, and on a phone beside the chamber."""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from sqlalchemy import Connection

from dashboard.components.html_parts import link, lot_link, overdue_calibration, word
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.bench.instrument_text import overdue_line
from dashboard.text.bench.ready_text import (
    PROMISE,
    chamber_line,
    headline,
    load_line,
    next_step,
    not_put_in_line,
    plan_line,
    sensor_warning,
    when,
)
from dashboard.text.urls import LOADS, READY, alert_address
from ingest.common.clock import now
from ingest.documents.alert import Alert
from ingest.documents.bench.ready import PlannedLoad, ReadyChamber, ReadyDocument, ReadyLoad, ReadyLot
from ingest.sessions.ready import moment_in, ready
from spc.vocabulary.enums import AlertState, Grade, Kind

__all__ = ["layout"]

# The shape and colour of a state, in the words that pages share.
STATES = {"ready": "pass", "waiting": "learning", "broken": "act", "silent": "silent"}


def layout(lab_reader: LabReader, at: str = "", **_other: str) -> html.Div:
    """Every chamber with its loads, by the log and the record of loads at this moment, or at the one in the address."""
    with lab_reader.reading() as connection:
        document = ready(connection, lab_reader.lab, moment_in("at", at, lab_reader.lab) if at else now())
        slowing = _slowing(connection, lab_reader)
    chambers = [part for chamber in document["chambers"] for part in _chamber(chamber, slowing.get(chamber["name"]))]
    return html.Div(
        [
            html.H1(headline(document)),
            html.P(next_step(document), className="lead"),
            overdue_calibration(overdue_line(document["overdue"])),
            html.P(dcc.Link("Put in or take out a load", href=LOADS, className="button")),
            html.P(f"As of {when(document['at'])}. {PROMISE}", className="quiet"),
            _last_known(document),
            *(chambers or [html.P("No chamber log yet.", className="quiet")]),
            html.H2("Planned, but not put in") if document["not_put_in"] else None,
            *[_not_put_in(plan, document["at"]) for plan in document["not_put_in"]],
        ]
    )


def _last_known(document: ReadyDocument) -> html.P | None:
    """A link to the last log entry, where no log goes on to this moment."""
    if not document["chambers"] or any(chamber["state"] != "silent" for chamber in document["chambers"]):
        return None
    last = max(chamber["last_at"] for chamber in document["chambers"])
    return html.P(link(f"Show the state at the last log entry, {when(last)}", READY, at=last))


def _slowing(connection: Connection, lab_reader: LabReader) -> dict[str, Alert]:
    """The open alert about a recovery that slows, by its chamber."""
    ids = [
        one["id"]
        for one in lab_reader.every_alert(connection)
        if one["state"] != AlertState.CLOSED and one["kind"] == Kind.BENCH
    ]
    slowing = {}
    for alert in stored_documents.alerts_named(connection, lab_reader.lab, ids):
        evidence = alert["evidence"]
        if evidence["what"] == Kind.BENCH and evidence.get("shown_by") == "recovery":
            slowing[evidence["suspect"]] = alert
    return slowing


def _chamber(chamber: ReadyChamber, slowing: Alert | None) -> list[object]:
    return [
        html.H2(f"Chamber {chamber['name'] or 'not named'}"),
        html.P(chamber_line(chamber)),
        html.P(html.Strong(warning)) if (warning := sensor_warning(chamber)) else None,
        html.P([word(slowing["grade"]), " ", link(slowing["message"], alert_address(slowing["id"]))])
        if slowing
        else None,
        *[_load(load) for load in chamber["loads"]],
    ]


def _load(load: ReadyLoad) -> html.Article:
    share = min(1.0, load["hours"] / load["required_hours"])
    laid = f", {load['laid']}" if load["laid"] else ""
    return html.Article(
        [
            html.H3([word(STATES[load["state"]], load["state"]), f" {load['load']}"]),
            html.P(load_line(load)),
            _plan(load),
            html.Progress(value=f"{share:.3f}", max="1", **{"aria-label": f"Hours of {load['load']}"}),
            html.P(
                [
                    *_lots(load["lots"]),
                    f". In since {when(load['in_since'])}{laid}. Recorded in: {load['recorded_in']}.",
                ],
                className="quiet",
            ),
        ],
        className="sheet",
    )


def _lots(lots: Sequence[ReadyLot]) -> list[object]:
    return [
        part
        for lot in lots
        for part in (
            ", ",
            lot_link(lot["supplier"], lot["lot"]),
            f" {lot['supplier']} {lot['product']}" + (f" ({lot['specimens']})" if lot["specimens"] else ""),
        )
    ][1:] or ["Lots not named"]


def _not_put_in(plan: PlannedLoad, at: str) -> html.Article:
    """A test that is planned of a load that is in no chamber, with the way to put it in or to change the plan."""
    return html.Article(
        [
            html.H3([word(Grade.LOOK, "not put in"), f" {plan['load']}"]),
            html.P(not_put_in_line(plan, at)),
            html.P(
                [
                    link("Put it in", LOADS, load=plan["load"], chamber=plan["chamber"]),
                    " or ",
                    dcc.Link("change the plan", href=LOADS),
                    ".",
                ]
            ),
            html.P([*_lots(plan["lots"]), f". Recorded in: {plan['recorded_in']}."], className="quiet"),
        ],
        className="sheet",
    )


def _plan(load: ReadyLoad) -> html.P | None:
    """When the test is planned, with the mark of something to look at where that is too early."""
    if not (line := plan_line(load)):
        return None
    if not load["too_early"]:
        return html.P(line)
    return html.P([word(Grade.LOOK), " ", html.Strong(line), " ", dcc.Link("Change the plan", href=LOADS)])
