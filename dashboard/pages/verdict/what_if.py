"""Another limit over the history, all products at once: which lots would fail, and what is to be expected."""

from __future__ import annotations

import math
from datetime import date
from typing import Literal

from dash import dcc, html

from dashboard.components.html_parts import filter_links, lot_link, stream_link, supplier_link, table
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import amount, counted, day, percent
from dashboard.text.formatting import characteristic as spoken
from dashboard.text.urls import WHAT_IF, with_query
from dashboard.text.verdict import what_if_text
from ingest.common.errors import CallError
from ingest.documents.verdict.what_if import WhatIf
from ingest.verdict.what_if import Request, declared_values, what_if

__all__ = ["layout"]

# A browser draws more rows with links slowly; the command lists more.
MOST_LISTED = 30


def layout(
    lab_reader: LabReader, characteristic: str = "", limit: str = "", side: str = "", since: str = "", **_other: str
) -> html.Div:
    """The page; without a limit, the lowest of the declared ones."""
    lab = lab_reader.lab
    names = [one.name for one in lab.characteristics if one.upper_limit or one.lower_limit]
    if not names:
        raise CallError("whatif: no characteristic has a limit in lab.toml")
    name = characteristic or names[0]
    usual, values = declared_values(lab, name) if lab.is_declared(name) else ("upper", [])
    chosen: Literal["upper", "lower"] = "lower" if side == "lower" else "upper" if side == "upper" else usual
    value = _number(limit) if limit else (values or [1.0])[-1]
    with lab_reader.reading() as connection:
        result = what_if(connection, lab, Request(name, value, chosen, _day(since)))
    query = {"characteristic": name, "side": chosen, "since": since}
    return html.Div(
        [
            html.H1(what_if_text.headline(result)),
            html.P(what_if_text.CAUTION, className="lead"),
            html.Div(
                [
                    filter_links(
                        [(spoken(one), with_query(WHAT_IF, {"characteristic": one}), one == name) for one in names],
                        "Characteristic",
                    ),
                    filter_links(
                        [
                            (
                                amount(one, result["unit"]),
                                with_query(WHAT_IF, {**query, "limit": f"{one:g}"}),
                                one == value,
                            )
                            for one in values
                        ],
                        "Declared limits",
                    ),
                ]
            ),
            _form(query, value, result["unit"]),
            html.P(what_if_text.window(result), className="quiet"),
            html.H2("By supplier"),
            _suppliers(result),
            html.H2("By stream"),
            _streams(result),
            *_changed(result),
        ]
    )


def _suppliers(result: WhatIf) -> html.Div:
    rows = [
        [
            supplier_link(one["supplier"]),
            str(one["lots"]),
            str(one["failing"]),
            str(one["undecided"]),
            str(one["failing_now"]),
            what_if_text.fraction(one),
            percent(one["pooled"]),
        ]
        for one in result["suppliers"]
    ]
    heads = (
        "supplier",
        "lots",
        "would fail",
        "open",
        "failed as judged",
        "would fail, with 95 % interval",
        "pooled with the others",
    )
    return table(heads, rows, "Other limit by supplier", heads[1:])


def _streams(result: WhatIf) -> html.Div:
    rows = [
        [
            stream_link(dict(one), f"{one['supplier']} {one['product']}"),
            day(one["since_at"]),
            str(one["lots"]),
            str(one["failing"]),
            str(one["undecided"]),
            what_if_text.fraction(one),
            what_if_text.by_law(one),
            what_if_text.ahead(one),
        ]
        for one in result["streams"]
    ]
    heads = (
        "stream", "lots since", "lots", "would fail", "open", "by counting", "by the law of its levels",
        f"chance of a failing lot, {result['horizon_weeks']:g} weeks",
    )  # fmt: skip
    return table(heads, rows, "Other limit by stream", ("lots", "would fail", "open"))


def _changed(result: WhatIf) -> list[object]:
    if not result["changed"]:
        return [html.P("No lot would have another verdict.")]
    listed = result["changed"][:MOST_LISTED]
    rows = [
        [
            lot_link(one["supplier"], one["lot"]),
            f"{one['supplier']} {one['product']}",
            day(one["tested_at"]),
            f"{one['before']} → {one['after']}",
        ]
        for one in listed
    ]
    count = len(result["changed"]) + result["changed_more"]
    shown = table(("lot", "product", "tested", "verdict"), rows, "Lots with another verdict")
    rest = f"{counted(count - len(listed), 'older one')} not listed; lotdrift whatif --json lists more."
    more = [html.P(rest, className="quiet")] if count > len(listed) else []
    return [html.Details([html.Summary(f"{counted(count, 'lot')} with another verdict"), shown, *more])]


def _form(query: dict[str, str], value: float, unit: str) -> html.Form:
    return html.Form(
        [
            *[dcc.Input(type="hidden", name=name, value=query[name]) for name in ("characteristic", "side")],
            html.Label(
                [
                    f"another limit, {unit}",
                    dcc.Input(name="limit", type="text", value=f"{value:g}", inputMode="decimal"),
                ]
            ),
            html.Label(
                [
                    "lots tested since",
                    dcc.Input(name="since", type="text", value=query["since"], placeholder="2026-01-01"),
                ]
            ),
            html.Button("Show", type="submit"),
        ],
        method="get",
        action=WHAT_IF,
        className="choose",
    )


def _number(text: str) -> float:
    try:
        number = float(text.replace(",", "."))
    except ValueError as error:
        raise CallError(f"whatif: {text!r} is no number") from error
    if not math.isfinite(number):
        raise CallError(f"whatif: {text!r} is no number that can be used")
    return number


def _day(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise CallError(f"whatif: {text!r} is no day; write it as 2026-03-18") from error
