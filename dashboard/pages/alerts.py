"""The alerts: what is open, what was closed and why."""

from __future__ import annotations

from collections import Counter

from dash import html

from dashboard.components.alert_card import alert_group, group_by_stream, stream_of
from dashboard.components.html_parts import empty, filter_links
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import counted
from dashboard.text.urls import ALERTS, with_query
from ingest.documents.alert import AlertSummary

__all__ = ["layout"]

STATES = ("open", "acknowledged", "closed", "all")
# More than a person handles in a sitting; the older ones are behind a link.
MOST_GROUPS = 40


def layout(lab_reader: LabReader, show: str = "open", kind: str = "", most: str = "", **_other: str) -> html.Div:
    """The alerts, filtered by state and kind; supplier alerts that a bench alert explains are folded under it."""
    with lab_reader.reading() as connection:
        alerts = lab_reader.every_alert(connection)
        in_state = [alert for alert in alerts if show in ("all", alert["state"])]
        fitting = [alert for alert in in_state if kind in ("", alert["kind"])]
        # An attributed alert is listed under its bench alert, or by itself if the bench alert is not listed.
        fitting_ids = {alert["id"] for alert in fitting}
        groups = group_by_stream([alert for alert in fitting if alert["held_under"] not in fitting_ids])
        shown = groups if most == "all" else groups[:MOST_GROUPS]
        shown_ids = {alert["id"] for group in shown for alert in group}
        held = [alert for alert in alerts if alert["held_under"] in shown_ids]
        ids = list(dict.fromkeys([*shown_ids, *(alert["id"] for alert in held)]))
        documents = {one["id"]: one for one in stored_documents.alerts_named(connection, lab_reader.lab, ids)}
        entries = page_queries.entries(connection, lab_reader.lab, [f"alert:{one}" for one in documents])
        streams = {stream for one in documents.values() if (stream := stream_of(one))}
        sparklines = stored_documents.sketches(connection, streams)

    def group_with_held(group: list[AlertSummary]) -> html.Div:
        ids = {alert["id"] for alert in group}
        explained = [documents[alert["id"]] for alert in held if alert["held_under"] in ids]
        card = alert_group([documents[alert["id"]] for alert in group], entries, sparklines)
        if not explained:
            return html.Div(card)
        summary = html.Summary(f"{counted(len(explained), 'supplier alert')} explained by it")
        inner = [alert_group(one, entries, sparklines) for one in group_by_stream(explained)]
        return html.Div([card, html.Details([summary, *inner])])

    states = Counter(alert["state"] for alert in alerts) | Counter({"all": len(alerts)})
    kinds = Counter(alert["kind"] for alert in in_state)
    waiting = len(groups) - len(shown)
    return html.Div(
        [
            html.H1(_headline(alerts)),
            filter_links(
                ((f"{states[state]} {state}", _address(state, kind), state == show) for state in STATES), "By state"
            ),
            filter_links(
                [
                    ("every kind", _address(show, ""), not kind),
                    *((f"{kinds[name]} {name}", _address(show, name), name == kind) for name in sorted(kinds)),
                ],
                "By kind",
            ),
            *[group_with_held(group) for group in shown],
            None if shown else empty("Nothing found.", "No alert is in this state."),
            html.P(html.A(f"Show {counted(waiting, 'more group')}", href=_address(show, kind, "all")))
            if waiting
            else None,
        ]
    )


def _headline(alerts: list[AlertSummary]) -> str:
    open_ones = [alert for alert in alerts if alert["state"] == "open"]
    if not open_ones:
        return "No open alert."
    streams = {stream for alert in open_ones if (stream := stream_of(alert))}
    on_streams = f" on {counted(len(streams), 'stream')}" if streams else ""
    act = sum(alert["grade"] == "act" for alert in open_ones)
    return f"{counted(len(open_ones), 'open alert')}{on_streams}, {act} of grade act."


def _address(show: str, kind: str, most: str = "") -> str:
    return with_query(ALERTS, {"show": show, "kind": kind, "most": most})
