"""One supplier: its streams and alerts, the lots of a quarter, and its scorecards."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html

from dashboard.components.alert_card import alert_group, group_by_stream
from dashboard.components.html_parts import empty, filter_links, link, lot_link, table, word
from dashboard.pages.board import rows_table
from dashboard.pages.cases import case_table
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import wording
from dashboard.text.formatting import characteristic, counted, day, listed
from dashboard.text.urls import SCORECARDS, SUPPLIER, with_query
from ingest.decisions.cases import cases
from ingest.documents.lot import TestedLot
from ingest.quarter.lots import quarter as quarter_named
from ingest.quarter.notices import asked_in, totals
from spc.vocabulary.enums import Verdict

__all__ = ["layout"]

QUARTERS_SHOWN = 6
WORST_FIRST = (Verdict.FAIL, Verdict.UNDECIDED, Verdict.INVALID, Verdict.PASS, Verdict.UNLIMITED)


def layout(lab_reader: LabReader, name: str = "", quarter: str = "", **_other: str) -> html.Div:
    """The page of a supplier."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        rows = [row for row in lab_reader.board(connection) if row["supplier"] == name]
        streams = [(name, row["product"], row["characteristic"]) for row in rows]
        sparklines = stored_documents.sketches(connection, streams)
        ids = page_queries.alert_ids(connection, supplier=name)
        every_alert = stored_documents.alerts_named(connection, lab, ids)
        alerts = [alert for alert in every_alert if alert["state"] != "closed"]
        entries = page_queries.entries(connection, lab, [f"alert:{alert['id']}" for alert in alerts])
        quarters = stored_documents.quarters(connection, lab)
        every_case = cases(connection, lab, closed_too=True, supplier=name)
        reasons, looked_at = lab_reader.reasons(connection), page_queries.reviewed(connection, lab)
        chosen = quarter or (quarters[0] if quarters else "")
        lots = []
        if chosen:
            span = quarter_named(chosen, lab)
            lots = page_queries.lots_tested(connection, lab, name, span.start_us, span.end_us)
    if not rows:
        return html.Div(empty(f'No supplier "{name}".', "The board lists all suppliers."))
    notices = totals(asked_in(every_case))
    standing_cases = [case for case in every_case if case["state"] != "closed"]
    notices_text = wording.notices(notices)
    return html.Div(
        [
            html.H1(name),
            html.P(f"{counted(len(rows), 'stream')}, {counted(len(alerts), 'alert')} not closed.", className="lead"),
            rows_table(rows, sparklines, reasons, looked_at, lab),
            html.H2("Cases"),
            case_table(standing_cases, looked_at) if standing_cases else html.P("No open case."),
            html.H2("Notices"),
            html.P(f"{notices_text[:1].upper()}{notices_text[1:]}."),
            html.Ul([html.Li(line) for line in wording.notice_lines(notices)]),
            html.H2("Alerts"),
            *[alert_group(group, entries, {}) for group in group_by_stream(alerts)],
            None if alerts else html.P("No alert is open."),
            html.H2(f"Lots of {chosen}", id="lots"),
            filter_links(
                [
                    (one, with_query(SUPPLIER, {"name": name, "quarter": one}), one == chosen)
                    for one in quarters[:QUARTERS_SHOWN]
                ],
                "Quarter",
            ),
            html.P(link(f"Scorecard of {chosen}", SCORECARDS, quarter=chosen, supplier=name)),
            _lots(name, lots),
        ]
    )


def _lots(supplier: str, lots: Sequence[TestedLot]) -> html.Component:
    """The lots of the quarter, each with its worst verdict and the characteristics that have it."""
    if not lots:
        return html.P("No lot was tested in this quarter.")
    rows = []
    for lot in lots:
        worst = min(lot["verdicts"].values(), key=WORST_FIRST.index)
        names = [characteristic(name) for name, verdict in lot["verdicts"].items() if verdict == worst]
        rows.append([word(worst), lot_link(supplier, lot["lot"]), lot["product"], day(lot["tested_at"]), listed(names)])
    return table(("verdict", "lot", "product", "tested", "in"), rows, "Lots of the quarter")
