"""Put a load in, move it or take it out: the page for a phone beside the chamber."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dash import dcc, html

from dashboard.components.current_user import current_user
from dashboard.components.entry_form import ENTRY_PATH, field, form, hidden_field, name_fields
from dashboard.components.html_parts import link, lot_link, table
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.load_names import LoadNames, load_names
from dashboard.text.bench.load_text import event_line, in_chamber_line, outcome_line
from dashboard.text.bench.ready_text import not_put_in_line, when
from dashboard.text.urls import READY
from ingest.common.clock import now
from ingest.decisions.load_entries import MOVE, PLAN, PUT_IN, TAKE_BACK_EVENT, TAKE_OUT, load_events
from ingest.documents.bench.load_events import LoadEvent
from ingest.documents.bench.ready import PlannedLoad, ReadyChamber, ReadyLoad
from ingest.parsing.rows.load_rows import LAID
from ingest.sessions.ready import ready

__all__ = ["layout"]

EVENTS_SHOWN = 12
LAID_WORDS = {"": "not recorded", "hung": "hung", "open": "laid open", "piled": "piled", "closed": "closed bags"}
LATE = "A time that has passed is a late record: the next round judges the tests of the load again."


def layout(
    lab_reader: LabReader,
    load: str = "",
    chamber: str = "",
    at: str = "",
    laid: str = "",
    planned_test: str = "",
    done: str = "",
    **_other: str,
) -> html.Div:
    """The loads in the chambers, a form to put one in, and the latest events with the form or file of each.

    The names in the address are those of the event that was entered last, so that the next lot of the load needs only its own, or of a load
    that is to be put in.
    """
    lab, moment = lab_reader.lab, now()
    with lab_reader.reading() as connection:
        document = ready(connection, lab, moment)
        events = load_events(connection, lab, EVENTS_SHOWN)
        names = load_names(connection, lab)
    inside = [(one, each) for one in document["chambers"] for each in one["loads"]]
    may_enter = current_user().may_enter
    return html.Div(
        [
            html.H1("Put in or take out a load"),
            html.P(outcome_line(done, load, document), role="status", className="lead") if done else None,
            html.P(["What may be tested: ", link("Ready", READY), "."]),
            None if may_enter else html.P("Your account may see everything but may not make entries."),
            _put_in(names, load if done in ("", "stored") else "", chamber, at, laid, planned_test)
            if may_enter
            else None,
            html.H2("In the chambers now"),
            *[_inside(one, each, names, may_enter=may_enter) for one, each in inside],
            None if inside else html.P("No load is in a chamber.", className="quiet"),
            html.H2("Planned, but not put in") if document["not_put_in"] else None,
            *[_not_put_in(plan, document["at"], may_enter=may_enter) for plan in document["not_put_in"]],
            html.H2("Latest events"),
            *_events(events, may_enter=may_enter),
        ]
    )


def _put_in(names: LoadNames, load: str, chamber: str, at: str, laid: str, planned_test: str) -> html.Form:
    """The form to put a lot in; the load that was entered last is filled in, for its next lot."""
    lists = [
        html.Datalist([html.Option(value=name) for name in offered], id=f"known-{key}")
        for key, offered in (("suppliers", names.suppliers), ("products", names.products), ("lots", names.lots))
    ]
    return html.Form(
        [
            *lists,
            field("load", "load", load, required=True, autoComplete="off"),
            _chamber_field(names.chambers, chamber),
            field("supplier", "supplier", list="known-suppliers", autoComplete="off"),
            field("product", "product", list="known-products", autoComplete="off"),
            field("lot", "load_lot", list="known-lots", autoComplete="off"),
            field("bags", "specimens", placeholder="such as 6, or 1 to 6", autoComplete="off"),
            html.Label(
                [
                    "how they lie",
                    html.Select(
                        [html.Option(LAID_WORDS[one], value=one, selected=one == laid) for one in LAID], name="laid"
                    ),
                ]
            ),
            _time_field(at),
            _plan_field(planned_test),
            *name_fields(),
            html.Div(
                html.Button("Put in", type="submit", name="what", value=PUT_IN, className="button first"),
                className="buttons",
            ),
            html.P(LATE, className="quiet"),
        ],
        method="post",
        action=ENTRY_PATH,
        className="choose load-form",
    )


def _chamber_field(chambers: Sequence[str], chosen: str) -> html.Label:
    if not chambers:
        return field("chamber", "chamber", chosen, required=True)
    options = [html.Option(name, value=name, selected=name == chosen) for name in chambers]
    return html.Label(["chamber", html.Select(options, name="chamber")])


def _time_field(at: str = "") -> html.Label:
    return field("time, if not now", "at", at, type="datetime-local")


def _inside(chamber: ReadyChamber, load: ReadyLoad, names: LoadNames, *, may_enter: bool) -> html.Article:
    lots = [part for lot in load["lots"] for part in (", ", lot_link(lot["supplier"], lot["lot"]))][1:]
    others = [name for name in names.chambers if name != chamber["name"]]
    return html.Article(
        [
            html.H3(f"{load['load']} in {chamber['name']}"),
            html.P([*lots, ". " if lots else "", in_chamber_line(load)]),
            _out_form(chamber["name"], load["load"]) if may_enter else None,
            html.Details([html.Summary("Plan the test"), _plan_form(chamber["name"], load["load"], load["planned_at"])])
            if may_enter
            else None,
            html.Details([html.Summary("Move it to another chamber"), _move_form(load["load"], others)])
            if may_enter and others
            else None,
        ],
        className="sheet",
    )


def _plan_field(planned_test: str = "") -> html.Label:
    return field("test planned for, if known", "planned_test", planned_test, type="datetime-local")


def _not_put_in(plan: PlannedLoad, at: str, *, may_enter: bool) -> html.Article:
    """A load that is to be put in above, or whose plan is to be changed or ended."""
    change = _plan_form(plan["chamber"], plan["load"], plan["planned_at"])
    return html.Article(
        [
            html.H3(plan["load"]),
            html.P(not_put_in_line(plan, at)),
            html.Details([html.Summary("Change the plan; without a time it ends"), change]) if may_enter else None,
        ],
        className="sheet",
    )


def _plan_form(chamber: str, load: str, planned_at: str | None) -> html.Form:
    """The time of the test, filled in with the present plan; a blank one ends it."""
    planned = "" if planned_at is None else planned_at[:16]
    fields = [hidden_field("load", load), hidden_field("chamber", chamber), _plan_field(planned)]
    button = html.Button(f"Plan the test of {load}", type="submit", name="what", value=PLAN)
    return _small_form(fields, button, timed=False)


def _out_form(chamber: str, load: str) -> html.Form:
    button = html.Button(f"Take out {load}", type="submit", name="what", value=TAKE_OUT)
    return _small_form([hidden_field("load", load), hidden_field("chamber", chamber)], button)


def _move_form(load: str, chambers: Sequence[str]) -> html.Form:
    button = html.Button(f"Move {load}", type="submit", name="what", value=MOVE)
    return _small_form([hidden_field("load", load), _chamber_field(chambers, "")], button)


def _small_form(fields: Sequence[Any], button: html.Button, *, timed: bool = True) -> html.Form:
    return html.Form(
        [*fields, *([_time_field()] if timed else []), *name_fields(), html.Div(button, className="buttons")],
        method="post",
        action=ENTRY_PATH,
        className="choose load-form",
    )


def _events(events: Sequence[LoadEvent], *, may_enter: bool) -> list[Any]:
    if not events:
        return [html.P("No event of a load is on record.", className="quiet")]
    rows = [
        [
            when(one["at"]),
            event_line(one),
            html.Span([html.Strong("form") if one["by_form"] else "file", f": {one['source']}"]),
            _take_back(one) if may_enter else "",
        ]
        for one in events
    ]
    return [table(("at", "event", "recorded by", "mistake"), rows, "Latest events of loads")]


def _take_back(event: LoadEvent) -> html.Details:
    """Take out of the record what was entered by mistake; the event stays among the earlier ones."""
    fields = [hidden_field("event", event["key"]), dcc.Input(type="hidden", name="load", value=event["load"])]
    return html.Details([html.Summary("Take back"), form("", {TAKE_BACK_EVENT: "Take back this event"}, fields)])
