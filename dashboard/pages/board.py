"""The weekly board: which suppliers need me this week."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from itertools import groupby
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.html_parts import empty, filter_links, legend, link, picture, stream_link, supplier_link, word
from dashboard.queries import page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import (
    age,
    amount,
    change,
    characteristic,
    counted,
    day,
    listed,
    percent,
    room_to_limit,
    shortly,
    weeks,
)
from ingest.config.lab import Lab

__all__ = ["layout", "rows_table"]

Document = dict[str, Any]
Key = tuple[str, str, str]

STATE_ORDER = ("act", "look", "silent", "learning", "steady")
SKETCH_KEY = (
    ("━", "edge", "limit of the document"),
    ("┄", "grey", "usual level"),
    ("●", "accent", "last lot, and the line of the last year"),
    ("▒", "accent", "outlook: 8 and 5 of 10 coming lots"),
)
# More rows than a person reads in a week; the least urgent ones wait behind a link.
MOST_ROWS = 60
# A longer list is no help in choosing: search, or choose the supplier first.
MOST_OPTIONS = 200


def layout(desk: LabReader, **chosen: str) -> html.Div:
    """The board, narrowed to what the address asks for."""
    with desk.reading() as connection:
        rows = desk.board(connection)
        week, why = desk.last_week(connection), desk.reasons(connection)
        chambers = page_queries.chambers(connection)
        inside = desk.tested_in(connection, chosen["chamber"]) if chosen.get("chamber") else None
        fitting = [row for row in rows if _belongs(row, chosen, inside)]
        shown = fitting if chosen.get("rows") == "all" else fitting[:MOST_ROWS]
        sketches = stored_documents.sketches(connection, map(_key, shown))
        looked_at = page_queries.reviewed(connection, desk.lab)
    if not rows:
        return html.Div(empty("No stream yet.", "Put CSV files into the drop folders and run lotdrift run."))
    return html.Div(
        [
            html.H1(_headline(rows)),
            html.P(_week(week), className="lead") if week else None,
            _states(rows, chosen),
            _choices(rows, chosen, chambers),
            rows_table(shown, sketches, why, looked_at, desk.lab)
            if shown
            else empty("No stream fits.", "Widen the choice above."),
            legend(*SKETCH_KEY),
            _more(len(fitting) - len(shown), chosen),
            html.P(stored_documents.expected_false_alerts(rows, desk.lab), className="quiet"),
        ]
    )


def _headline(rows: list[Document]) -> str:
    suppliers = [row for row in rows if not row["check_standard"]]
    act = {row["supplier"] for row in suppliers if row["state"] == "act"}
    look = {row["supplier"] for row in suppliers if row["state"] == "look"} - act
    if not act and not look:
        return f"No supplier needs a call this week: nothing has moved in {counted(len(suppliers), 'stream')}."
    parts = [f"{listed(sorted(act))} {'needs' if len(act) == 1 else 'need'} a call this week"] if act else []
    parts += [f"{listed(sorted(look))} {'is' if len(look) == 1 else 'are'} worth a look"] if look else []
    return "; ".join(parts) + "."


def _week(week: Document) -> str:
    """What came since last week."""
    tested = f"{counted(week['lots'], 'lot')} of {counted(week['suppliers'], 'supplier')}" if week["lots"] else "No lot"
    lots = f"{tested} tested since {day(week['since'])}"
    raised = week["raised"]
    if not raised:
        return f"{lots}; no new alert."
    about = [f"{alert['supplier']} {alert['product']}" if alert["product"] else alert["kind"] for alert in raised]
    return f"{lots}; {counted(len(raised), 'new alert')}: {listed(list(dict.fromkeys(about)))}."


def _states(rows: list[Document], chosen: dict[str, str]) -> html.Nav:
    """How many streams stand where; each count leads to them."""
    counts = Counter(row["state"] for row in rows)
    kept = {key: value for key, value in chosen.items() if key not in ("state", "rows") and value}
    states = [(f"{counts[state]} {state}", state) for state in STATE_ORDER if counts[state]]
    entries = [(f"all {len(rows)}", ""), *states]
    return filter_links(
        (
            (text, f"/?{urlencode({**kept, **({'state': state} if state else {})})}", chosen.get("state", "") == state)
            for text, state in entries
        ),
        "Streams by state",
    )


# Choices

FIELDS: tuple[tuple[str, Callable[[str], str]], ...] = (
    ("supplier", str),
    ("product", str),
    ("characteristic", characteristic),
    ("class", str),
)


def _belongs(row: Document, chosen: dict[str, str], inside: set[Key] | None) -> bool:
    exact = all(row[key] == chosen[key] for key in (*(key for key, _ in FIELDS), "state") if chosen.get(key))
    if not exact or (inside is not None and _key(row) not in inside):
        return False
    sought = chosen.get("find", "").casefold()
    if not sought:
        return True
    read = (
        f"{row['supplier']} {row['product']} {characteristic(row['characteristic'])} {row['class']} {row['last_lot']}"
    )
    return sought in read.casefold()


def _key(row: Document) -> Key:
    return row["supplier"], row["product"], row["characteristic"]


def _choices(rows: list[Document], chosen: dict[str, str], chambers: list[str]) -> html.Form:
    """A plain form: the choice stands in the address, so a view can be kept and mailed."""
    fields = [_choice(key, _options(key, rows, chosen), chosen.get(key, ""), told) for key, told in FIELDS]
    search = dcc.Input(name="find", value=chosen.get("find", ""), type="search", placeholder="lot, product …")
    return html.Form(
        [
            *fields,
            _choice("chamber", chambers, chosen.get("chamber", ""), str),
            _choice("state", list(STATE_ORDER), chosen.get("state", ""), str),
            html.Label(["find", search]),
            html.Button("Show", type="submit"),
            *([link("show everything", "/")] if any(chosen.values()) else []),
        ],
        method="get",
        action="/",
        className="choose",
    )


def _options(key: str, rows: list[Document], chosen: dict[str, str]) -> list[str]:
    """What there is to choose, of the chosen supplier; what is chosen is always among it."""
    supplier = chosen.get("supplier") if key != "supplier" else None
    there = {row[key] for row in rows if row[key] and (not supplier or row["supplier"] == supplier)}
    kept = {chosen[key]} if chosen.get(key) else set()
    return sorted((there if len(there) <= MOST_OPTIONS else set()) | kept)


def _choice(name: str, options: list[str], value: str, told: Callable[[str], str]) -> html.Label:
    entries = [html.Option("all", value="")] + [
        html.Option(told(option), value=option, selected=option == value) for option in options
    ]
    return html.Label([name, html.Select(entries, name=name)])


def _more(waiting: int, chosen: dict[str, str]) -> html.P | None:
    if not waiting:
        return None
    every = {**{key: value for key, value in chosen.items() if value}, "rows": "all"}
    return html.P(link(f"{counted(waiting, 'stream')} more, less urgent: show all", "/", **every))


# Rows


def rows_table(
    rows: list[Document],
    sketches: dict[Key, SparklineData],
    why: dict[Key, list[Document]],
    looked_at: str | None,
    lab: Lab,
) -> html.Table:
    """A row a stream, grouped by supplier; references of the bench stand last."""
    heads = (
        "state",
        "stream",
        "last year and outlook",
        "level",
        "change a month",
        f"breach in {lab.alerts.horizon_weeks:g} weeks",
        "to the limit",
        "last lot",
    )
    by_supplier = sorted(rows, key=lambda row: row["supplier"])
    groups = [(supplier, list(own)) for supplier, own in groupby(by_supplier, key=lambda row: row["supplier"])]
    bodies = []
    for supplier, own in sorted(groups, key=_group_urgency):
        head = html.Th([supplier_link(supplier), html.Span(_group_told(own))], colSpan=len(heads), scope="rowgroup")
        lines = [_row(row, sketches, why, looked_at, heads) for row in sorted(own, key=_row_urgency)]
        bodies.append(html.Tbody([html.Tr(head, className="group"), *lines]))
    head = html.Thead(html.Tr([html.Th(name, scope="col") for name in heads]))
    return html.Table([head, *bodies], className="board", id="board")


def _group_urgency(group: tuple[str, list[Document]]) -> tuple[bool, int]:
    """The supplier that needs a person first."""
    rows = group[1]
    return all(row["check_standard"] for row in rows), min(STATE_ORDER.index(row["state"]) for row in rows)


def _row_urgency(row: Document) -> tuple[int, float]:
    return STATE_ORDER.index(row["state"]), -(row["breach_probability"] or 0.0)


def _group_told(rows: list[Document]) -> str:
    counts = Counter(row["state"] for row in rows)
    told = ", ".join(f"{counts[state]} {state}" for state in STATE_ORDER if counts[state])
    return f"reference of the bench, {told}" if all(row["check_standard"] for row in rows) else told


def _row(
    row: Document,
    sketches: dict[Key, SparklineData],
    why: dict[Key, list[Document]],
    looked_at: str | None,
    heads: tuple[str, ...],
) -> html.Tr:
    title = f"{row['product']}, {characteristic(row['characteristic'])}: the last year between usual level and limit"
    last = f"{day(row['last_tested_at'])}, {age(row['last_tested_at'], looked_at)}"
    cells = [
        word(row["state"]),
        [stream_link(row), html.Span(_because(why.get(_key(row), [])), className="quiet why")],
        picture(sketches[_key(row)], title),
        [amount(row["level"], row["unit"]), html.Span(room_to_limit(row), className="quiet")],
        change(row["change_percent_per_month"]),
        percent(row["breach_probability"]),
        weeks(row["weeks_to_limit"]),
        [str(row["last_lot"]), html.Span(last, className="quiet")],
    ]
    labels = ["", "", "", *heads[3:]]
    return html.Tr(
        [
            html.Td(content, **{"data-label": label} if label else {})
            for label, content in zip(labels, cells, strict=True)
        ],
        className=row["state"],
    )


def _because(reasons: list[Document]) -> str:
    """Why the stream stands where it does, in a few words."""
    return "; ".join(
        dict.fromkeys(
            shortly(reason["kind"], reason["evidence"])
            + (", attributed to the bench" if reason["evidence"].get("explained_by") else "")
            for reason in reasons[:3]
        )
    )
