"""All cases in one table: what each is about, how it stands, who has it and until when; one case in full."""

from __future__ import annotations

from dash import html

from dashboard.components.alert_card import stream_of
from dashboard.components.case_card import case_card
from dashboard.components.html_parts import empty, filter_links, link, word
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.case_text import case_message, case_name, cases_headline, due_text, owner_text, standing
from dashboard.text.formatting import age
from dashboard.text.urls import ALERTS, CASES, with_query
from ingest.documents.case import Case

__all__ = ["case_table", "layout"]

HEADS = ("case", "state", "owner", "due", "open for", "what happened")
# More than a person reads; the older closed ones are behind the search.
MOST_ROWS = 300


def layout(lab_reader: LabReader, show: str = "", case: str = "", **_other: str) -> html.Div:
    """The open cases, or all; one of them in full where the address names it."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        cases = lab_reader.cases(connection)
        looked_at = page_queries.reviewed(connection, lab)
        chosen = next((one for one in cases if case and case in (one["id"], *one["alerts"], *one["withdrawn"])), None)
        if chosen is not None:
            alerts = stored_documents.alerts_named(connection, lab, chosen["alerts"])
            subjects = [f"alert:{one}" for one in (*chosen["alerts"], *chosen["withdrawn"])]
            entries = page_queries.entries(connection, lab, subjects)
            streams = {stream for one in alerts if (stream := stream_of(one))}
            sparklines = stored_documents.sketches(connection, streams)
    if case and chosen is None:
        return html.Div(empty("No such case.", "The list of cases has all of them."))
    if chosen is not None:
        sparkline = next(iter(sparklines.values()), None)
        return html.Div(
            [
                html.H1(f"{case_name(chosen)}: {standing(chosen)}"),
                case_card(chosen, alerts, entries, lab, looked_at, sparkline),
                html.P(_ways_on(chosen, cases)),
            ]
        )
    shown = [one for one in cases if show == "all" or one["state"] != "closed"]
    standing_count = sum(one["state"] != "closed" for one in cases)
    return html.Div(
        [
            html.H1(cases_headline(cases)),
            html.P("A case holds all alerts with one cause. It stays until a person closes it or its effect is shown."),
            filter_links(
                [
                    (f"{standing_count} open", CASES, show != "all"),
                    (f"{len(cases)} all", with_query(CASES, {"show": "all"}), show == "all"),
                ],
                "Cases by state",
            ),
            case_table(shown[:MOST_ROWS], looked_at) if shown else html.P("No case."),
        ]
    )


def _ways_on(shown: Case, cases: list[Case]) -> list[object]:
    """The next case that waits, and the lists."""
    following = next((one for one in cases if one["waiting"] and one["id"] != shown["id"]), None)
    parts: list[object] = []
    if following is not None:
        parts += ["Next to respond to: ", link(case_name(following), CASES, case=following["id"]), " · "]
    return [*parts, link("All cases", CASES), " · ", link("Open alerts", ALERTS)]


def case_table(cases: list[Case], looked_at: str | None) -> html.Table:
    """A row a case, with a link to it in full."""
    rows = []
    for case in cases:
        cells = [
            [word(case["grade"]), " ", link(case_name(case), CASES, case=case["id"])],
            html.Span(standing(case), className="trouble" if case["waiting"] else ""),
            owner_text(case),
            due_text(case),
            "–" if case["state"] == "closed" else age(case["opened_at"], looked_at),
            case_message(case, case["message"]),
        ]
        rows.append(html.Tr([html.Td(cell, **{"data-label": head}) for head, cell in zip(HEADS, cells, strict=True)]))
    head = html.Thead(html.Tr([html.Th(name, scope="col") for name in HEADS]))
    return html.Table([head, html.Tbody(rows)], className="stacked")
