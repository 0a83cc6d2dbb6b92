"""The weekly board: which suppliers to call this week."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from itertools import groupby
from typing import Any

from dash import dcc, html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.html_parts import (
    empty,
    filter_links,
    legend,
    link,
    sparkline_image,
    stream_link,
    supplier_link,
    word,
)
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import STATES, Stream
from dashboard.text.case_text import standings, suppliers_headline
from dashboard.text.formatting import (
    age,
    change,
    characteristic,
    counted,
    day,
    digits_of,
    in_unit,
    listed,
    percent,
    room_to_limit,
    shortly,
    weeks,
)
from dashboard.text.retest_text import headline
from dashboard.text.urls import BENCH, BOARD, RETESTS, with_query
from ingest.alerts.shared_shift_alerts import FALSE_FINDINGS_PER_YEAR
from ingest.config.lab import Lab
from ingest.documents.alert import AlertReason
from ingest.documents.case import Case
from ingest.documents.retest import Retest
from ingest.documents.rounds import Week
from ingest.documents.stream import ProductRow

__all__ = ["layout", "rows_table"]

KEY = (
    ("━", "edge", "specification limit"),
    ("┄", "grey", "centre line"),
    ("●", "accent", "last lot, with the line of 12 months"),
    ("▒", "accent", "forecast: 80 % and 50 % of coming lots"),
)
# The filters of the board: the key in the address and how a value reads.
FILTERS: dict[str, Callable[[str], str]] = {
    "supplier": str, "product": str, "characteristic": characteristic, "class": str, "chamber": str, "state": str,
}  # fmt: skip
# More rows than a person reads in a week; the least urgent ones are behind a link.
MOST_ROWS = 60
# A longer list of choices is slower than a search.
MOST_OPTIONS = 200


def layout(lab_reader: LabReader, **query: str) -> html.Div:
    """The board, filtered as the address says."""
    query = {name: value for name, value in query.items() if value}
    with lab_reader.reading() as connection:
        rows = lab_reader.board(connection)
        in_chamber = lab_reader.tested_in(connection, query["chamber"]) if "chamber" in query else None
        fitting = [row for row in rows if _fits(row, query, in_chamber)]
        shown = fitting if query.get("rows") == "all" else fitting[:MOST_ROWS]
        week, reasons = lab_reader.last_week(connection), lab_reader.reasons(connection)
        chambers = page_queries.chambers(connection)
        sparklines = stored_documents.sketches(connection, map(_stream, shown))
        looked_at = page_queries.reviewed(connection, lab_reader.lab)
        cases = lab_reader.cases(connection)
        retests, out = lab_reader.retests(connection), lab_reader.chambers_to_wait_for(connection)
    if not rows:
        return html.Div(empty("No stream yet.", "Put CSV files into the drop folders and run lotdrift run."))
    waiting = len(fitting) - len(shown)
    return html.Div(
        [
            html.H1(_headline(rows, cases)),
            html.P([_week_text(week), *_retest_text(retests)], className="lead") if week else None,
            html.P([f"{' '.join(out)} ", link("See the bench", BENCH)], className="caution") if out else None,
            _state_links(rows, query),
            _filter_form(rows, query, chambers),
            rows_table(shown, sparklines, reasons, looked_at, lab_reader.lab, standings(cases))
            if shown
            else empty("Nothing found.", "Clear a filter."),
            legend(*KEY),
            html.P(link(f"Show {counted(waiting, 'more stream')}, less urgent", BOARD, **{**query, "rows": "all"}))
            if waiting
            else None,
            html.P(_false_alarms(rows, lab_reader.lab), className="quiet"),
        ]
    )


def _stream(row: ProductRow) -> Stream:
    return row["supplier"], row["product"], row["characteristic"]


# Sentences


def _headline(rows: list[ProductRow], cases: list[Case]) -> str:
    """The suppliers to call and to watch, by what nobody has responded to."""
    suppliers = [row for row in rows if not row["check_standard"]]
    # The rows come in order of urgency.
    order = list(dict.fromkeys(row["supplier"] for row in suppliers))
    urgency = {_stream(row): place for place, row in enumerate(suppliers)}
    worst_first = sorted(
        cases,
        key=lambda case: urgency.get(
            (case["supplier"] or "", case["product"] or "", case["characteristic"] or ""), len(urgency)
        ),
    )
    return suppliers_headline(worst_first, order, len(suppliers))


def _week_text(week: Week) -> str:
    """The lots and the alerts since last week."""
    tested = f"{counted(week['lots'], 'lot')} of {counted(week['suppliers'], 'supplier')}" if week["lots"] else "No lot"
    text = f"{tested} tested since {day(week['since'])}"
    raised = week["raised"]
    if not raised:
        return f"{text}; no new alert."
    names = [f"{alert['supplier']} {alert['product']}" if alert["product"] else alert["kind"] for alert in raised]
    return f"{text}; {counted(len(raised), 'new alert')}: {listed(list(dict.fromkeys(names)))}."


def _retest_text(retests: list[Retest]) -> list[Any]:
    """The lots to test again, as a link to their list."""
    return [" ", link(headline(retests), RETESTS)] if retests else []


def _false_alarms(rows: list[ProductRow], lab: Lab) -> str:
    streams = sum(not row["check_standard"] for row in rows)
    budget = lab.alerts.false_alerts_per_stream_year
    return (
        f"Expected false alarms: about {budget * streams / 4:.1f} a quarter ({counted(streams, 'stream')}, {budget:g} a year "
        f"each), plus about {FALSE_FINDINGS_PER_YEAR:g} a year from the bench check."
    )


# Filters


def _fits(row: Mapping[str, Any], query: dict[str, str], in_chamber: set[Stream] | None) -> bool:
    if any(name in row and row[name] != query[name] for name in FILTERS if name in query):
        return False
    if in_chamber is not None and (row["supplier"], row["product"], row["characteristic"]) not in in_chamber:
        return False
    names = (row["supplier"], row["product"], characteristic(row["characteristic"]), row["class"], str(row["last_lot"]))
    return query.get("find", "").casefold() in " ".join(names).casefold()


def _state_links(rows: list[ProductRow], query: dict[str, str]) -> html.Nav:
    """The number of streams in each state, as links to them."""
    counts = Counter(row["state"] for row in rows)
    others = {name: value for name, value in query.items() if name not in ("state", "rows")}
    choices = [("", f"all {len(rows)}"), *((state, f"{counts[state]} {state}") for state in STATES if counts[state])]
    return filter_links(
        (
            (text, with_query(BOARD, {**others, "state": state}), query.get("state", "") == state)
            for state, text in choices
        ),
        "Streams by state",
    )


def _filter_form(rows: Sequence[Mapping[str, Any]], query: dict[str, str], chambers: list[str]) -> html.Form:
    """A plain form: the filters stand in the address, so a view can be bookmarked and mailed."""
    choices = []
    for name, words in FILTERS.items():
        # Of the chosen supplier only; the chosen value itself is always offered.
        supplier = query.get("supplier") if name != "supplier" else None
        there = {row[name] for row in rows if row.get(name) and (not supplier or row["supplier"] == supplier)}
        options = chambers if name == "chamber" else STATES if name == "state" else sorted(there)
        offered = [*(options if len(options) <= MOST_OPTIONS else ())]
        if name in query and query[name] not in offered:
            offered = sorted([*offered, query[name]])
        entries = [html.Option(words(option), value=option, selected=option == query.get(name)) for option in offered]
        choices.append(html.Label([name, html.Select([html.Option("all", value=""), *entries], name=name)]))
    search = dcc.Input(name="find", value=query.get("find", ""), type="search", placeholder="lot, product …")
    return html.Form(
        [
            *choices,
            html.Label(["find", search]),
            html.Button("Show", type="submit"),
            link("clear all filters", BOARD) if query else None,
        ],
        method="get",
        action=BOARD,
        className="choose",
    )


# Rows


def rows_table(
    rows: list[ProductRow],
    sparklines: dict[Stream, SparklineData],
    reasons: dict[Stream, list[AlertReason]],
    looked_at: str | None,
    lab: Lab,
    in_cases: Mapping[Stream, str] | None = None,
) -> html.Table:
    """A row a stream, grouped by supplier, the most urgent first; check standards come last.

    `in_cases` says how the open case of a stream stands.
    """
    heads = (
        "state",
        "stream",
        "12 months and forecast",
        "level",
        "change a month",
        f"chance of a failing lot, {lab.alerts.horizon_weeks:g} weeks",
        "time to the limit",
        "last lot",
    )

    def urgency(row: ProductRow) -> tuple[int, float]:
        return STATES.index(row["state"]), -(row["breach_probability"] or 0.0)

    def group_urgency(group: tuple[str, list[ProductRow]]) -> tuple[bool, int]:
        return all(row["check_standard"] for row in group[1]), min(STATES.index(row["state"]) for row in group[1])

    by_supplier = groupby(sorted(rows, key=lambda row: row["supplier"]), key=lambda row: row["supplier"])
    bodies = []
    for supplier, group in sorted(((supplier, list(group)) for supplier, group in by_supplier), key=group_urgency):
        counts = Counter(row["state"] for row in group)
        text = ", ".join(f"{counts[state]} {state}" for state in STATES if counts[state])
        if all(row["check_standard"] for row in group):
            text = f"check standards, {text}"
        head = html.Th([supplier_link(supplier), html.Span(text)], colSpan=len(heads), scope="rowgroup")
        lines = [
            _row(
                row,
                sparklines[_stream(row)],
                reasons.get(_stream(row), []),
                (in_cases or {}).get(_stream(row), ""),
                looked_at,
                heads,
            )
            for row in sorted(group, key=urgency)
        ]
        bodies.append(html.Tbody([html.Tr(head, className="group"), *lines]))
    head = html.Thead(html.Tr([html.Th(name, scope="col") for name in heads]))
    return html.Table([head, *bodies], className="board", id="board")


def _row(
    row: ProductRow,
    sparkline: SparklineData,
    reasons: list[AlertReason],
    in_case: str,
    looked_at: str | None,
    heads: tuple[str, ...],
) -> html.Tr:
    why = "; ".join(
        dict.fromkeys(
            shortly(reason["kind"], reason["evidence"])
            + (", attributed to the bench" if reason["evidence"].get("explained_by") else "")
            for reason in reasons[:3]
        )
    )
    last = f"{day(row['last_tested_at'])}, {age(row['last_tested_at'], looked_at)}"
    cells = [
        word(row["state"]),
        [
            stream_link(row),
            html.Span(why, className="quiet why"),
            html.Span(f"Case: {in_case}", className="quiet") if in_case else None,
        ],
        sparkline_image(sparkline, f"{row['product']}, {characteristic(row['characteristic'])}"),
        [in_unit(row, row["level"]), html.Span(room_to_limit(row), className="quiet")],
        change(row["change_percent_per_month"], digits_of(row)),
        percent(row["breach_probability"]),
        weeks(row["weeks_to_limit"]),
        [str(row["last_lot"]), html.Span(last, className="quiet")],
    ]
    # On a narrow screen a row is a card, and the cells from the fourth on need their labels.
    labels = ["", "", "", *heads[3:]]
    return html.Tr(
        [
            html.Td(content, **{"data-label": label} if label else {})
            for label, content in zip(labels, cells, strict=True)
        ],
        className=row["state"],
    )
