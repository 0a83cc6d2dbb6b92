"""The alerts: what is open, what was settled and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from dash import html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.alert_card import alert_group_card, group_by_stream, stream_of
from dashboard.components.html_parts import empty, filter_links
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import counted

__all__ = ["layout"]

Document = dict[str, Any]

STATES = ("open", "acknowledged", "closed", "all")
# More than a person answers in a sitting; the older ones are a click away.
MOST_SHOWN = 40


def layout(desk: LabReader, show: str = "open", kind: str = "", most: str = "", **_other: str) -> html.Div:
    """The desk of alerts, narrowed by state and kind; what a bench alert holds lies beneath it."""
    with desk.reading() as connection:
        alerts = desk.every_alert(connection)
        fitting = [alert for alert in alerts if _fits(alert, show, kind)]
        # What a finding explains stands beneath it, and by itself where the finding is not listed.
        listed_ids = {alert["id"] for alert in fitting}
        matters = group_by_stream([alert for alert in fitting if alert["held_under"] not in listed_ids])
        listed = matters if most == "all" else matters[:MOST_SHOWN]
        shown = [alert["id"] for matter in listed for alert in matter]
        held = [alert["id"] for alert in alerts if alert["held_under"] in set(shown)]
        whole = {alert["id"]: alert for alert in stored_documents.alerts_named(connection, desk.lab, [*shown, *held])}
        entries = page_queries.entries(connection, desk.lab, [f"alert:{one}" for one in whole])
        sketches = stored_documents.sketches(
            connection, {stream for one in whole.values() if (stream := stream_of(one))}
        )
    return html.Div(
        [
            html.H1(_headline(alerts)),
            *_about(alerts),
            _choices(alerts, show, kind),
            *[
                _with_held([whole[one["id"]] for one in matter], [whole[one] for one in held], entries, sketches)
                for matter in listed
            ],
            *([] if shown else [empty("Nothing here.", "No alert stands in this state.")]),
            *_more(len(matters) - len(listed), show, kind),
        ]
    )


def _headline(alerts: list[Document]) -> str:
    open_ones = [alert for alert in alerts if alert["state"] == "open"]
    if not open_ones:
        return "No open alert: nothing has moved that is not settled."
    act = sum(alert["grade"] == "act" for alert in open_ones)
    return f"{counted(len(open_ones), 'open alert')}, {act} of them to act on."


def _about(alerts: list[Document]) -> list[html.P]:
    open_ones = [alert for alert in alerts if alert["state"] == "open"]
    matters = {stream_of(alert) or alert["id"] for alert in open_ones}
    if len(matters) == len(open_ones):
        return []
    said = f"They are about {counted(len(matters), 'matter')}: alerts on one stream stand together."
    return [html.P(said, className="lead")]


def _fits(alert: Document, show: str, kind: str) -> bool:
    return show in ("all", alert["state"]) and (not kind or alert["kind"] == kind)


def _choices(alerts: list[Document], show: str, kind: str) -> html.Div:
    states = Counter(alert["state"] for alert in alerts) | Counter({"all": len(alerts)})
    kinds = Counter(alert["kind"] for alert in alerts if show in ("all", alert["state"]))
    return html.Div(
        [
            filter_links(
                ((f"{states[state]} {state}", _address(state, kind), state == show) for state in STATES), "By state"
            ),
            filter_links(
                [("every kind", _address(show, ""), not kind)]
                + [(f"{kinds[name]} {name}", _address(show, name), name == kind) for name in sorted(kinds)],
                "By kind",
            ),
        ]
    )


def _address(show: str, kind: str) -> str:
    return f"/alerts?{urlencode({'show': show, **({'kind': kind} if kind else {})})}"


def _with_held(
    matter: list[Document],
    all_held: list[Document],
    entries: Mapping[str, list[Document]],
    sketches: Mapping[stored_documents.Stream, SparklineData],
) -> html.Div:
    """A matter, and where it is one of the bench the supplier alerts that it explains beneath it."""
    ids = {alert["id"] for alert in matter}
    beneath = [alert for alert in all_held if alert["held_under"] in ids]
    if not beneath:
        return html.Div(alert_group_card(matter, entries, sketches))
    said = html.Summary(f"{counted(len(beneath), 'supplier alert')} held under it")
    held = [alert_group_card(one, entries, sketches) for one in group_by_stream(beneath)]
    return html.Div([alert_group_card(matter, entries, sketches), html.Details([said, *held])])


def _more(waiting: int, show: str, kind: str) -> list[html.P]:
    if not waiting:
        return []
    return [html.P(html.A(f"{counted(waiting, 'more matter')}: show all", href=f"{_address(show, kind)}&most=all"))]
