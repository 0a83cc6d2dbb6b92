"""The weekly board: which suppliers to call this week."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence, Set
from dataclasses import replace
from typing import Any

from dash import dcc, html
from sqlalchemy import Connection

from dashboard.charts.sparkline import SparklineData
from dashboard.components.entry_form import hidden_field
from dashboard.components.html_parts import (
    empty,
    empty_part,
    filter_links,
    link,
    overdue_calibration,
    supplier_link,
    word,
)
from dashboard.components.next_step import decide_on_bags, next_step
from dashboard.components.stream_rows import rows_table, stream_of
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import STATES, Stream
from dashboard.text.case_text import standings, suppliers_headline
from dashboard.text.formatting import (
    LEAST_CHANCE,
    chance_text,
    characteristic,
    counted,
    day,
    happenings,
    listed,
    weekday,
)
from dashboard.text.retest_text import headline
from dashboard.text.stock_text import near_date
from dashboard.text.urls import BENCH, BOARD, RETESTS, STOCK, with_query
from ingest.alerts.shared_shift_alerts import FALSE_FINDINGS_PER_YEAR
from ingest.config.lab import Lab
from ingest.documents.alert import Alert, AlertReason
from ingest.documents.case import Case
from ingest.documents.retest import Retest
from ingest.documents.rounds import Week
from ingest.documents.stock import ShelfCounts
from ingest.documents.stream import ProductRow
from spc.vocabulary.enums import AlertState, Grade, Kind, StreamState

__all__ = ["layout"]

BENCH_KINDS = (Kind.BENCH, Kind.CLIMATE, Kind.FEED)
# The filters of the board: the key in the address and how a value reads.
FILTERS: dict[str, Callable[[str], str]] = {
    "supplier": str, "product": str, "characteristic": characteristic, "class": str, "chamber": str, "state": str,
}  # fmt: skip
# States that need somebody; the others are quiet and fold, a line a supplier.
BUSY = (StreamState.ACT, StreamState.LOOK)
# More rows than a person reads in a week; the least urgent ones are behind a link.
MOST_ROWS = 60
# More chips of one kind are slower to read than the search.
MOST_CHIPS = 12


def layout(lab_reader: LabReader, **query: str) -> html.Div:
    """The board, filtered as the address says: filtered, it shows every fitting stream as a row."""
    query = {name: value for name, value in query.items() if value}
    lab, filtered = lab_reader.lab, bool(query.keys() - {"rows"})
    with lab_reader.reading() as connection:
        rows = lab_reader.board(connection)
        in_chamber = lab_reader.tested_in(connection, query["chamber"]) if "chamber" in query else None
        fitting = [row for row in rows if _fits(row, query, in_chamber)]
        held = lab_reader.held_by_bags(connection)
        busy = [row for row in fitting if _is_busy(row, held)]
        listed_rows = fitting if filtered else busy
        quiet = [] if filtered else [row for row in fitting if not _is_busy(row, held)]
        shown = listed_rows if query.get("rows") == "all" else listed_rows[:MOST_ROWS]
        week, reasons = lab_reader.last_week(connection), lab_reader.reasons(connection)
        chambers = page_queries.chambers(connection)
        unfolded = quiet if len(quiet) <= MOST_ROWS else []
        sparklines = stored_documents.sketches(connection, map(stream_of, [*shown, *unfolded]))
        looked_at = page_queries.reviewed(connection, lab)
        alerts = _open_alerts(lab_reader, connection, rows, shown)
        bench_alerts = _bench_alerts(lab_reader, connection)
        cases = lab_reader.cases(connection)
        retests, out = lab_reader.retests(connection), lab_reader.chambers_to_wait_for(connection)
        shelf = lab_reader.shelf_counts(connection)
        uncalibrated = lab_reader.instruments_to_calibrate(connection)
    if not rows:
        return html.Div(empty("No stream yet.", "Put CSV files into the drop folders and run lotdrift run."))
    waiting = len(listed_rows) - len(shown)
    in_cases = standings(cases)
    steps = {
        stream: replace(step, detail=in_cases.get(stream, step.detail))
        for stream, some in alerts.items()
        if (step := next_step(some, cases)) is not None
    }
    # An alert comes first; a lot that passes with bags outside the limit has none.
    steps = {stream_of(row): decide_on_bags(row) for row in shown if stream_of(row) in held} | steps
    table = rows_table(shown, sparklines, reasons, looked_at, lab, steps, with_supplier=True)
    return html.Div(
        [
            html.P([_data_text(rows, week), *_retest_text(retests)], className="crumb"),
            html.H1(_headline(rows, cases)),
            html.P(_lead(_advice(rows, reasons, cases, held, lab), retests, shelf), className="lead"),
            html.P([f"{' '.join(out)} ", link("See the bench", BENCH)], className="caution") if out else None,
            overdue_calibration(uncalibrated),
            *_bench_strip(bench_alerts),
            _filters(rows, query, chambers),
            table if shown else empty_part("Nothing found.", "Clear a filter.") if filtered else None,
            html.P(link(f"Show {counted(waiting, 'more stream')}, less urgent", BOARD, **{**query, "rows": "all"}))
            if waiting
            else None,
            *_quiet(quiet, sparklines, reasons, looked_at, lab),
            html.P(_false_alarms(rows, lab), className="quiet"),
        ],
        className="wide-page",
    )


def _is_busy(row: ProductRow, held: Set[Stream]) -> bool:
    """Whether a stream is listed above the quiet ones: it has an alert, or its last lot passes with bags outside the limit."""
    return row["state"] in BUSY or stream_of(row) in held


def _open_alerts(
    lab_reader: LabReader, connection: Connection, rows: Sequence[ProductRow], shown: Sequence[ProductRow]
) -> dict[Stream, list[Alert]]:
    """The alerts that are not closed, by stream: of the streams shown, and of all that are urgent."""
    wanted = {stream_of(row) for row in [*shown, *(row for row in rows if row["state"] == StreamState.ACT)]}
    ids = [
        alert["id"]
        for alert in lab_reader.every_alert(connection)
        if alert["state"] != AlertState.CLOSED
        and (alert["supplier"], alert["product"], alert["characteristic"]) in wanted
    ]
    by_stream: dict[Stream, list[Alert]] = {}
    for alert in stored_documents.alerts_named(connection, lab_reader.lab, ids):
        stream = alert["supplier"] or "", alert["product"] or "", alert["characteristic"] or ""
        by_stream.setdefault(stream, []).append(alert)
    return by_stream


def _bench_alerts(lab_reader: LabReader, connection: Connection) -> list[Alert]:
    """The alerts about our bench that somebody has to look at."""
    ids = [
        alert["id"]
        for alert in lab_reader.every_alert(connection)
        if alert["state"] != AlertState.CLOSED
        and alert["kind"] in BENCH_KINDS
        and alert["grade"] != Grade.NOTE
        and alert["held_under"] is None
    ]
    return urgent_first(stored_documents.alerts_named(connection, lab_reader.lab, ids))


# Sentences


def _data_text(rows: Sequence[ProductRow], week: Week | None) -> str:
    """The day of the last test, and the lots and alerts of the last week."""
    last = max((row["last_tested_at"] for row in rows if row["last_tested_at"]), default=None)
    parts = [f"Data to {weekday(last)}." if last else "No valid test yet."]
    return " ".join([*parts, _week_text(week)] if week else parts)


def _headline(rows: Sequence[ProductRow], cases: Sequence[Case]) -> str:
    """The suppliers to call and to watch, by what nobody has responded to."""
    suppliers = [row for row in rows if not row["check_standard"]]
    # The rows come in order of urgency.
    order = list(dict.fromkeys(row["supplier"] for row in suppliers))
    urgency = {stream_of(row): place for place, row in enumerate(suppliers)}
    worst_first = sorted(cases, key=lambda case: urgency.get(_case_stream(case), len(urgency)))
    return suppliers_headline(worst_first, order, len(suppliers))


def _case_stream(case: Case) -> Stream:
    return case["supplier"] or "", case["product"] or "", case["characteristic"] or ""


def _lead(first: str, retests: Sequence[Retest], shelf: ShelfCounts) -> list[object]:
    """What to do first, and the lots on the shelf that are past their date or come near it, as the page Stock counts them."""
    # Where nobody counts the stock, every tested lot is taken as held: that belongs on a page of its own, not in the first lines.
    near = near_date(shelf) if shelf["source"] == "counts" else ""
    parts = [first, link(f"In stock: {near}.", STOCK) if near else ""]
    if not any(parts) and not retests:
        return ["Nothing to do here until the next lots are tested."]
    return [part for each in parts if each for part in (each, " ")][:-1]


def _advice(
    rows: Sequence[ProductRow],
    reasons: Mapping[Stream, list[AlertReason]],
    cases: Sequence[Case],
    held: Set[Stream],
    lab: Lab,
) -> str:
    """The case to start with, else the lots that pass with bags outside the limit; empty where nothing waits."""
    waiting = [case for case in cases if case["waiting"] and case["grade"] in (Grade.ACT, Grade.LOOK)]
    urgent = {_case_stream(case) for case in waiting if case["grade"] == Grade.ACT}
    wanted = urgent or {_case_stream(case) for case in waiting}
    first = next((row for row in rows if not row["check_standard"] and stream_of(row) in wanted), None)
    if first is None:
        lots = [f"{row['supplier']} {row['last_lot']}" for row in rows if stream_of(row) in held]
        verb = "passes" if len(lots) == 1 else "each passes"
        return f"Decide on {listed(lots)}: {verb} on the mean with bags outside the limit." if lots else ""
    name = f"{first['supplier']} {first['product']}, {characteristic(first['characteristic'])}"
    happened = happenings(reasons.get(stream_of(first), []), lab.alerts.breach_probability)
    share = first["breach_probability"] or 0.0
    risk = (
        ""
        if share < LEAST_CHANCE
        else f" ({chance_text(share)} chance of a failing lot within {lab.alerts.horizon_weeks:g} weeks)"
    )
    return f"Start with {name}: {happened}{risk}."


def _retest_text(retests: Sequence[Retest]) -> list[object]:
    """The lots to test again, as a link to their list."""
    return [" ", link(headline(retests), RETESTS)] if retests else []


def _week_text(week: Week) -> str:
    """The lots and the alerts since last week."""
    tested = f"{counted(week['lots'], 'lot')} of {counted(week['suppliers'], 'supplier')}" if week["lots"] else "No lot"
    text = f"{tested} tested since {day(week['since'])}"
    raised = week["raised"]
    if not raised:
        return f"{text}; no new alert."
    names = [f"{alert['supplier']} {alert['product']}" if alert["product"] else alert["kind"] for alert in raised]
    return f"{text}; {counted(len(raised), 'new alert')}: {listed(list(dict.fromkeys(names)))}."


def _false_alarms(rows: Sequence[ProductRow], lab: Lab) -> str:
    streams = sum(not row["check_standard"] for row in rows)
    budget = lab.alerts.false_alerts_per_stream_year
    return (
        f"Expected false alarms: about {budget * streams / 4:.1f} a quarter ({counted(streams, 'stream')}, {budget:g} a year "
        f"each), plus about {FALSE_FINDINGS_PER_YEAR:g} a year from the bench check."
    )


def _bench_strip(alerts: Sequence[Alert]) -> list[html.P]:
    """One line about our own bench where something is open on it."""
    if not alerts:
        return []
    more = f" {len(alerts) - 1} more." if len(alerts) > 1 else ""
    parts = [word("bench", "Our bench"), html.Span(f"{alerts[0]['message']}.{more}"), link("See the bench", "/bench")]
    return [html.P(parts, className="strip")]


# Filters


def _fits(row: Mapping[str, Any], query: dict[str, str], in_chamber: set[Stream] | None) -> bool:
    if any(name in row and row[name] != query[name] for name in FILTERS if name in query):
        return False
    if in_chamber is not None and (row["supplier"], row["product"], row["characteristic"]) not in in_chamber:
        return False
    names = (row["supplier"], row["product"], characteristic(row["characteristic"]), row["class"], str(row["last_lot"]))
    return query.get("find", "").casefold() in " ".join(names).casefold()


def _filters(rows: Sequence[ProductRow], query: dict[str, str], chambers: list[str]) -> html.Details:
    """One search, chips for the states, and the other choices folded. Everything stands in the address, to be kept and mailed."""
    counts = Counter(row["state"] for row in rows)
    kept = {name: value for name, value in query.items() if name in FILTERS}
    states = [
        (f"{counts[state]} {state}", _toggled(query, "state", state), query.get("state") == state)
        for state in STATES
        if counts[state]
    ]
    removable = [
        (f"{name}: {FILTERS[name](value)} ×", _toggled(query, name, value), True)
        for name, value in kept.items()
        if name != "state"
    ]
    search = html.Form(
        [
            *[hidden_field(name, value) for name, value in kept.items()],
            html.Label(
                [
                    "find a stream",
                    dcc.Input(
                        name="find",
                        value=query.get("find", ""),
                        type="search",
                        placeholder="product, supplier or lot",
                    ),
                ]
            ),
            html.Button("Find", type="submit"),
        ],
        method="get",
        action=BOARD,
        className="choose",
    )
    parts = [
        search,
        filter_links([*states, *removable], "Streams by state"),
        link("clear all filters", BOARD) if query else None,
        _more_filters(rows, query, chambers),
    ]
    # A narrow screen folds the choices until one is made: the search at the top of the page finds a stream too.
    return html.Details(
        [html.Summary("Find and filter streams"), html.Div(parts, className="filters")],
        open=True,
        className="bare" if query else "bare fold-narrow",
    )


def _more_filters(rows: Sequence[ProductRow], query: dict[str, str], chambers: list[str]) -> html.Details:
    """Chips for supplier, class, characteristic and chamber; a long list is left to the search."""
    parts: list[object] = [html.Summary("More filters")]
    offered: dict[str, list[str]] = {
        "supplier": sorted({row["supplier"] for row in rows}),
        "class": sorted({row["class"] for row in rows if row["class"]}),
        "characteristic": sorted({row["characteristic"] for row in rows}),
        "chamber": chambers,
    }
    for name, options in offered.items():
        if 1 < len(options) <= MOST_CHIPS:
            chips = [
                (FILTERS[name](option), _toggled(query, name, option), query.get(name) == option) for option in options
            ]
            parts += [html.Span(name, className="quiet"), filter_links(chips, f"Streams by {name}")]
    return html.Details(parts)


def _toggled(query: dict[str, str], name: str, value: str) -> str:
    """The address of the board with a filter set, or without it where it is set already."""
    others = {key: kept for key, kept in query.items() if key not in (name, "rows")}
    return with_query(BOARD, others if query.get(name) == value else {**others, name: value})


# Quiet streams


def _quiet(
    rows: Sequence[ProductRow],
    sparklines: Mapping[Stream, SparklineData],
    reasons: Mapping[Stream, list[AlertReason]],
    looked_at: str | None,
    lab: Lab,
) -> list[object]:
    """The streams on which nothing is open, folded into a line a supplier; check standards come last."""
    if not rows:
        return []
    groups: dict[str, list[ProductRow]] = {}
    for row in sorted(
        rows, key=lambda row: (row["check_standard"], row["supplier"], row["product"], row["characteristic"])
    ):
        groups.setdefault(row["supplier"], []).append(row)
    items = [
        html.Li(_folded(supplier, group, sparklines, reasons, looked_at, lab, number))
        for number, (supplier, group) in enumerate(list(groups.items())[:MOST_ROWS])
    ]
    chances = [row["breach_probability"] for row in rows if row["breach_probability"] is not None]
    most = max(chances, default=0.0)
    each = "each" if len(chances) == len(rows) else f"on the {counted(len(chances), 'stream')} with a forecast"
    sure = f"Nothing to act on or to look at; chance of a failing lot in {lab.alerts.horizon_weeks:g} weeks: "
    return [
        html.Div(
            [
                html.H2(f"{counted(len(rows), 'quiet stream')}"),
                html.P(
                    f"{sure}{'' if most < LEAST_CHANCE else 'at most '}{chance_text(most)} {each}.",
                    className="quiet",
                ),
            ],
            className="head",
        ),
        html.Ul(items, className="fold"),
        html.P(f"{counted(len(groups) - len(items), 'more supplier')}: find one above.")
        if len(groups) > len(items)
        else None,
    ]


def _folded(
    supplier: str,
    rows: Sequence[ProductRow],
    sparklines: Mapping[Stream, SparklineData],
    reasons: Mapping[Stream, list[AlertReason]],
    looked_at: str | None,
    lab: Lab,
    number: int,
) -> html.Details:
    """One supplier's quiet streams: a line with their products and states, and the rows when it is unfolded."""
    counts = Counter(row["state"] for row in rows)
    products = list(dict.fromkeys(row["product"] for row in rows))
    kind = "check standards, " if all(row["check_standard"] for row in rows) else ""
    states = [part for state in STATES if counts[state] for part in (word(state, f"{counts[state]} {state}"), " ")]
    summary = html.Summary(
        [
            html.B(supplier),
            html.Span(f"{kind}{counted(len(rows), 'stream')} of {listed(products)}"),
            html.Span(states),
            html.Span(className="turn"),
        ]
    )
    there = [row for row in rows if stream_of(row) in sparklines]
    table = rows_table(there, sparklines, reasons, looked_at, lab, name=f"quiet-{number}") if there else None
    return html.Details([summary, table, html.P(["Page of ", supplier_link(supplier)], className="quiet")])
