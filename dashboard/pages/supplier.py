"""One supplier: its streams and alerts, the lots of a quarter, and its scorecards."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from dash import html

from dashboard.components.alert_card import alert_group, group_by_stream
from dashboard.components.alert_card import stream_of as alert_stream
from dashboard.components.html_parts import empty, filter_links, link, lot_link, table, word
from dashboard.components.next_step import NextStep, next_step
from dashboard.components.stream_rows import rows_table, stream_of
from dashboard.pages.cases import case_table
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import STATES, Stream
from dashboard.scorecard import wording
from dashboard.text.formatting import characteristic, counted, day, listed, weekday
from dashboard.text.urls import SCORECARDS, SUPPLIER, with_query
from ingest.common.text import capitalised
from ingest.decisions.cases import cases
from ingest.documents.alert import Alert
from ingest.documents.lot import TestedLot
from ingest.documents.stream import ProductRow
from ingest.quarter.lots import quarter as quarter_named
from ingest.quarter.notices import asked_in, totals
from spc.vocabulary.enums import StreamState, Verdict

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
        lots: list[TestedLot] = []
        if chosen:
            span = quarter_named(chosen, lab)
            lots = page_queries.lots_tested(connection, lab, name, span.start_us, span.end_us)
    if not rows:
        return html.Div(empty(f'No supplier "{name}".', "The board lists all suppliers."))
    by_stream: dict[Stream, list[Alert]] = {}
    for alert in alerts:
        if (stream := alert_stream(alert)) is not None:
            by_stream.setdefault(stream, []).append(alert)
    steps = {stream: step for stream, some in by_stream.items() if (step := next_step(some, every_case)) is not None}
    standing_cases = [case for case in every_case if case["state"] != "closed"]
    notices = totals(asked_in(every_case))
    notices_text = wording.notices(notices)
    return html.Div(
        [
            html.P(_last_text(rows), className="crumb"),
            html.H1(f"{name}: {_finding(rows)}."),
            html.P(_advice(rows, steps), className="lead"),
            rows_table(sorted(rows, key=_urgency), sparklines, reasons, looked_at, lab, steps),
            html.H2("Cases"),
            case_table(standing_cases, looked_at) if standing_cases else html.P("No open case."),
            html.H2("Notices"),
            html.P(f"{capitalised(notices_text)}."),
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


def _urgency(row: ProductRow) -> tuple[int, float]:
    return STATES.index(row["state"]), -(row["breach_probability"] or 0.0)


def _last_text(rows: Sequence[ProductRow]) -> str:
    last = max((row["last_tested_at"] for row in rows if row["last_tested_at"]), default=None)
    return f"Data to {weekday(last)}." if last else "No valid test yet."


def _finding(rows: Sequence[ProductRow]) -> str:
    """The number of streams to act on and to look at, of all streams."""
    counts = Counter(row["state"] for row in rows)
    parts = [f"{counts[state]} to {state.value}" for state in (StreamState.ACT, StreamState.LOOK) if counts[state]]
    streams = counted(len(rows), "stream")
    if not parts:
        noted = f"; {counts[StreamState.NOTE]} with a note" if counts[StreamState.NOTE] else ""
        return f"nothing to act on or to look at on {streams}{noted}"
    return f"of {streams}, {listed(parts)}".replace(" to look", " to look at").replace(" to act", " to act on")


def _advice(rows: Sequence[ProductRow], steps: Mapping[Stream, NextStep]) -> str:
    """The next step on the most urgent stream."""
    for row in sorted(rows, key=_urgency):
        if (step := steps.get(stream_of(row))) is not None:
            name = f"{row['product']}, {characteristic(row['characteristic'])}"
            return f"{step.text} ({name}; {step.detail})."
    return "Nothing to do here until the next lots are tested."


def _lots(supplier: str, lots: Sequence[TestedLot]) -> html.Component:
    """The lots of the quarter: a column a characteristic, with the mark of its verdict in place of its name line after line."""
    if not lots:
        return html.P("No lot was tested in this quarter.")
    names = sorted({name for lot in lots for name in lot["verdicts"]})
    rows = []
    for lot in lots:
        worst = min(lot["verdicts"].values(), key=WORST_FIRST.index)
        cells = [word(lot["verdicts"][name]) if name in lot["verdicts"] else "–" for name in names]
        rows.append([word(worst), lot_link(supplier, lot["lot"]), lot["product"], day(lot["tested_at"]), *cells])
    heads = ("verdict", "lot", "product", "tested", *map(characteristic, names))
    return table(heads, rows, "Lots of the quarter")
