"""One supplier: all its streams and alerts, the lots of a quarter, and its scorecards."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import urlencode

from dash import html

from dashboard.components.alert_card import alert_group_card, group_by_stream
from dashboard.components.html_parts import empty, filter_links, link, lot_link, table, word
from dashboard.pages.board import rows_table
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import wording
from dashboard.text.formatting import characteristic, counted, day, listed
from ingest.quarter.lots import quarter as quarter_named
from ingest.quarter.notices import asked_in, totals
from spc.vocabulary.enums import Verdict

__all__ = ["layout"]

Document = Any

QUARTERS_SHOWN = 6
WORST_FIRST = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.INVALID, Verdict.PASS, Verdict.UNLIMITED)


def layout(desk: LabReader, name: str = "", quarter: str = "", **_other: str) -> html.Div:
    """The page of a supplier."""
    with desk.reading() as connection:
        rows = [row for row in desk.board(connection) if row["supplier"] == name]
        sketches = stored_documents.sketches(
            connection, [(name, row["product"], row["characteristic"]) for row in rows]
        )
        named = stored_documents.alerts_named(connection, desk.lab, page_queries.alert_ids(connection, supplier=name))
        notices = asked_in(named)
        alerts = [alert for alert in named if alert["state"] != "closed"]
        entries = page_queries.entries(connection, desk.lab, [f"alert:{alert['id']}" for alert in alerts])
        quarters = stored_documents.quarters(connection, desk.lab)
        why = desk.reasons(connection)
        looked_at = page_queries.reviewed(connection, desk.lab)
        chosen = quarter or (quarters[0] if quarters else "")
        lots = []
        if chosen:
            span = quarter_named(chosen, desk.lab)
            lots = page_queries.lots_tested(connection, desk.lab, name, span.start_us, span.end_us)
    if not rows:
        return html.Div(empty(f'No supplier "{name}".', "The board lists them all."))
    return html.Div(
        [
            html.H1(name),
            html.P(
                f"{counted(len(rows), 'stream')}, {counted(len(alerts), 'alert')} not closed.",
                className="lead",
            ),
            rows_table(rows, sketches, why, looked_at, desk.lab),
            html.H2("Notices"),
            html.P(f"{wording.notices(totals(notices))}.".capitalize()),
            html.Ul([html.Li(line) for line in wording.notice_lines(totals(notices))]),
            html.H2("Alerts"),
            *[alert_group_card(matter, entries, {}) for matter in group_by_stream(alerts)],
            *([] if alerts else [html.P("None is open.")]),
            html.H2(f"Lots of {chosen}", id="lots"),
            _quarters(name, quarters[:QUARTERS_SHOWN], chosen),
            html.P(
                link(f"The scorecard of {chosen}, to open and download", "/scorecards", quarter=chosen, supplier=name)
            ),
            _lots(name, lots),
        ]
    )


def _quarters(supplier: str, quarters: Sequence[str], chosen: str) -> html.Nav:
    choices = [
        (name, f"/supplier?{urlencode({'name': supplier, 'quarter': name}, errors='replace')}", name == chosen)
        for name in quarters
    ]
    return filter_links(choices, "Quarter")


def _lots(supplier: str, lots: Sequence[Document]) -> html.Component:
    if not lots:
        return html.P("No lot was tested in this quarter.")
    rows = [_lot(supplier, lot) for lot in lots]
    return table(("verdict", "lot", "product", "tested", "on"), rows, "Lots of the quarter")


def _lot(supplier: str, lot: Document) -> list[Any]:
    """A lot by its worst verdict, and what that was given on."""
    worst = min(lot["verdicts"].values(), key=WORST_FIRST.index)
    on = [characteristic(name) for name, verdict in lot["verdicts"].items() if verdict == worst]
    return [word(worst), lot_link(supplier, lot["lot"]), lot["product"], day(lot["tested_at"]), listed(on)]
