"""The alerts: what is open, what was closed and why."""

from __future__ import annotations

from collections import Counter

from dash import html

from dashboard.components.alert_card import alert_group, group_by_stream, stream_of
from dashboard.components.case_card import case_card
from dashboard.components.html_parts import empty_part, filter_links, link
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.case_text import case_name, cases_headline, standing
from dashboard.text.formatting import counted
from dashboard.text.urls import ALERTS, CASES, with_query
from ingest.documents.alert import AlertSummary
from ingest.documents.case import Case

__all__ = ["layout"]

STATES = ("open", "acknowledged", "closed", "all")
# More than a person handles in a sitting; the older ones are behind a link.
MOST_GROUPS = 40


def layout(lab_reader: LabReader, show: str = "open", kind: str = "", most: str = "", **_other: str) -> html.Div:
    """The cases with an alert of this state and kind; alerts that a bench alert explains are folded under it."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        alerts, cases = lab_reader.every_alert(connection), lab_reader.cases(connection)
        in_state = [alert for alert in alerts if show in ("all", alert["state"])]
        fitting = [alert for alert in in_state if kind in ("", alert["kind"])]
        # An attributed alert is listed under its bench alert, or by itself if the bench alert is not listed.
        fitting_ids = {alert["id"] for alert in fitting}
        groups = _by_case([alert for alert in fitting if alert["held_under"] not in fitting_ids], cases)
        shown = groups if most == "all" else groups[:MOST_GROUPS]
        shown_ids = {alert["id"] for _, group in shown for alert in group}
        held = [alert for alert in alerts if alert["held_under"] in shown_ids]
        ids = list(dict.fromkeys([*shown_ids, *(alert["id"] for alert in held)]))
        documents = {one["id"]: one for one in stored_documents.alerts_named(connection, lab, ids)}
        subjects = {
            *documents,
            *(alert for case, _ in shown if case for alert in (*case["alerts"], *case["withdrawn"])),
        }
        entries = page_queries.entries(connection, lab, [f"alert:{one}" for one in subjects])
        streams = {stream for one in documents.values() if (stream := stream_of(one))}
        sparklines = stored_documents.sketches(connection, streams)
        looked_at = page_queries.reviewed(connection, lab)

    def card(case: Case | None, group: list[AlertSummary]) -> html.Div:
        ids = {alert["id"] for alert in group}
        explained = [documents[alert["id"]] for alert in held if alert["held_under"] in ids]
        own = [documents[alert["id"]] for alert in group]
        stream = stream_of(own[0])
        if case is None:
            # For information: no case is made of it.
            parts: list[object] = [alert_group(own, entries, sparklines)]
        else:
            parts = [case_card(case, own, entries, lab, looked_at, sparklines.get(stream) if stream else None)]
        if explained:
            summary = html.Summary(f"{counted(len(explained), 'supplier alert')} explained by it")
            inner = [alert_group(one, entries, sparklines) for one in group_by_stream(explained)]
            parts.append(html.Details([summary, *inner]))
        return html.Div(parts)

    states = Counter(alert["state"] for alert in alerts) | Counter({"all": len(alerts)})
    kinds = Counter(alert["kind"] for alert in in_state)
    waiting = len(groups) - len(shown)
    return html.Div(
        [
            html.H1(cases_headline(cases)),
            html.P(_next_step(cases), className="lead"),
            filter_links(
                ((f"{states[state]} {state}", _address(state, kind), state == show) for state in STATES),
                "Alerts by state",
            ),
            filter_links(
                [
                    ("every kind", _address(show, ""), not kind),
                    *((f"{kinds[name]} {name}", _address(show, name), name == kind) for name in sorted(kinds)),
                ],
                "By kind",
            ),
            html.P(link("All cases with owner and due date", CASES)),
            *[card(case, group) for case, group in shown if case is not None],
            _for_information(
                [card(case, group) for case, group in shown if case is None], folded=show == "open" and not kind
            ),
            None if shown else empty_part("Nothing found.", "No alert is in this state."),
            html.P(html.A(f"Show {counted(waiting, 'more group')}", href=_address(show, kind, "all")))
            if waiting
            else None,
        ]
    )


def _for_information(cards: list[html.Div], *, folded: bool) -> html.Component | None:
    """The alerts of no case, folded away beside the cases."""
    if not cards:
        return None
    return html.Details([html.Summary(f"{len(cards)} for information"), *cards], open=not folded)


def _by_case(alerts: list[AlertSummary], cases: list[Case]) -> list[tuple[Case | None, list[AlertSummary]]]:
    """The alerts in the order of their cases; those of no case come last, grouped by stream."""
    case_of = {alert: case["id"] for case in cases for alert in case["alerts"]}
    groups: dict[str, list[AlertSummary]] = {}
    for alert in alerts:
        groups.setdefault(case_of.get(alert["id"], ""), []).append(alert)
    loose = groups.pop("", [])
    ordered: list[tuple[Case | None, list[AlertSummary]]] = [
        (case, groups[case["id"]]) for case in cases if case["id"] in groups
    ]
    return [*ordered, *((None, group) for group in group_by_stream(loose))]


def _next_step(cases: list[Case]) -> str:
    """What to do first."""
    first = next((case for case in cases if case["waiting"]), None)
    if first is None:
        return "Nothing waits for a response. Alerts with one cause share a case; a case stays until it is closed."
    return f"Worst first: {case_name(first)}, {standing(first)}. Alerts with one cause share a case."


def _address(show: str, kind: str, most: str = "") -> str:
    return with_query(ALERTS, {"show": show, "kind": kind, "most": most})
