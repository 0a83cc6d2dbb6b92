"""The weekly board: which suppliers need me this week."""

from __future__ import annotations

from itertools import groupby
from typing import Any

from dash import html

from dashboard import views
from dashboard.desk import Desk
from dashboard.parts import empty, stream_link, supplier_link, word
from dashboard.sentences import amount, change, counted, day, percent, room_to_limit, weeks
from dashboard.svg import Room, as_image_address, room

__all__ = ["layout", "rows_table"]

CHOICES = ("supplier", "product", "characteristic", "state")
STATE_ORDER = ("act", "look", "silent", "learning", "steady")


def layout(desk: Desk, **chosen: str) -> html.Div:
    """The board, narrowed to what the address asks for."""
    with desk.reading() as connection:
        rows = views.board(connection, desk.lab)
        sketches = views.sketches(connection)
    if not rows:
        return html.Div(empty("No stream yet.", "Put CSV files into the drop folders and run lotdrift run."))
    shown = [row for row in rows if _belongs(row, chosen)]
    return html.Div(
        [
            html.H1(_headline(rows)),
            html.P(views.expectation(desk.lab, len(rows)), className="quiet"),
            _choices(rows, chosen),
            rows_table(shown, sketches) if shown else empty("No stream fits.", "Widen the choice above."),
        ]
    )


def _headline(rows: list[dict[str, Any]]) -> str:
    suppliers = [row for row in rows if not row["check_standard"]]
    act = {row["supplier"] for row in suppliers if row["state"] == "act"}
    look = {row["supplier"] for row in suppliers if row["state"] == "look"} - act
    if not act and not look:
        return f"No supplier needs a call this week: nothing has moved in {counted(len(rows), 'stream')}."
    parts = [f"{_listed(sorted(act))} {'needs' if len(act) == 1 else 'need'} a call this week"] if act else []
    parts += [f"{_listed(sorted(look))} {'is' if len(look) == 1 else 'are'} worth a look"] if look else []
    return "; ".join(parts) + "."


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _belongs(row: dict[str, Any], chosen: dict[str, str]) -> bool:
    exact = all(row[key] == chosen[key] for key in CHOICES if chosen.get(key))
    sought = chosen.get("find", "").casefold()
    return (
        exact and sought in f"{row['supplier']} {row['product']} {row['characteristic']} {row['last_lot']}".casefold()
    )


def _choices(rows: list[dict[str, Any]], chosen: dict[str, str]) -> html.Form:
    """A plain form: the choice stands in the address, so a view can be kept and mailed."""
    fields = [_choice(key, sorted({row[key] for row in rows}), chosen.get(key, "")) for key in CHOICES]
    search = html.Label(["find", _input("find", chosen.get("find", ""))])
    return html.Form(
        [*fields, search, html.Button("Show", type="submit")], method="get", action="/", className="choose"
    )


def _input(name: str, value: str) -> Any:
    from dash import dcc

    return dcc.Input(name=name, value=value, type="search", placeholder="lot, product …")


def _choice(name: str, options: list[str], value: str) -> html.Label:
    entries = [html.Option("all", value="")] + [
        html.Option(option.replace("_", " "), value=option, selected=option == value) for option in options
    ]
    return html.Label([name, html.Select(entries, name=name)])


def rows_table(rows: list[dict[str, Any]], sketches: dict[tuple[str, str, str], Room]) -> html.Table:
    heads = (
        "state",
        "stream",
        "last year and outlook",
        "level",
        "change a month",
        "breach within horizon",
        "to the limit",
        "last lot",
    )
    body: list[html.Tr] = []
    by_supplier = sorted(rows, key=lambda row: row["supplier"])
    groups = [(supplier, list(own)) for supplier, own in groupby(by_supplier, key=lambda row: row["supplier"])]
    for supplier, own in sorted(groups, key=_group_urgency):
        body.append(html.Tr(html.Th(supplier_link(supplier), colSpan=len(heads), scope="rowgroup"), className="group"))
        body.extend(_row(row, sketches) for row in sorted(own, key=lambda row: STATE_ORDER.index(row["state"])))
    head = html.Thead(html.Tr([html.Th(name, scope="col") for name in heads]))
    return html.Table([head, html.Tbody(body)], className="board", id="board")


def _group_urgency(group: tuple[str, list[dict[str, Any]]]) -> tuple[bool, int]:
    """The supplier that needs a person first; references of the bench stand last."""
    rows = group[1]
    return all(row["check_standard"] for row in rows), min(STATE_ORDER.index(row["state"]) for row in rows)


def _row(row: dict[str, Any], sketches: dict[tuple[str, str, str], Room]) -> html.Tr:
    sketch = sketches[row["supplier"], row["product"], row["characteristic"]]
    title = f"{row['product']}, {row['characteristic']}: the last year between usual level and limit"
    cells = [
        ("", word(row["state"])),
        ("", stream_link(row)),
        ("", html.Img(src=as_image_address(room(sketch, title)), alt=title)),
        ("level", [amount(row["level"], row["unit"]), html.Span(room_to_limit(row), className="quiet")]),
        ("change a month", change(row["change_percent_per_month"])),
        ("breach within horizon", percent(row["breach_probability"])),
        ("to the limit", weeks(row["weeks_to_limit"])),
        ("last lot", [str(row["last_lot"]), html.Span(day(row["last_tested_at"]), className="quiet")]),
    ]
    return html.Tr([html.Td(content, **{"data-label": label} if label else {}) for label, content in cells])
