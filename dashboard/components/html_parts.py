"""Parts that several pages share: state words, links, facts, tables, figures, sparklines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html

from dashboard.charts.plotly_axes import Figure
from dashboard.charts.plotly_figures import CONFIG
from dashboard.charts.sparkline import SparklineData, as_image_address, sparkline
from dashboard.text.formatting import characteristic
from dashboard.text.urls import INSTRUMENTS

__all__ = [
    "empty",
    "empty_part",
    "facts",
    "filter_links",
    "graph",
    "legend",
    "link",
    "lot_link",
    "mark",
    "overdue_calibration",
    "sparkline_image",
    "stream_link",
    "supplier_link",
    "table",
    "word",
]


def mark(name: str) -> html.Span:
    """A shape from the style sheet, so that colour is never alone; the word beside it says the same."""
    return html.Span(className=f"mark mark-{name}", **{"aria-hidden": "true"})


def word(state: str, text: str = "") -> html.Span:
    """A state as shape and word; `text` replaces the word where the page says more."""
    return html.Span([mark(state), text or state], className=f"word {state}" if text else f"word state {state}")


def link(text: str, path: str, **query: str) -> dcc.Link:
    """A link within the dashboard; names from files are query values."""
    return dcc.Link(text, href=f"{path}?{urlencode(query)}" if query else path)


def supplier_link(supplier: str) -> dcc.Link:
    """A link to the page of a supplier."""
    return link(supplier, "/supplier", name=supplier)


def overdue_calibration(line: str) -> html.P | None:
    """The line about instruments past their calibration date, with the way to their page; None for an empty line."""
    return html.P([f"{line} ", link("Instruments", INSTRUMENTS)], className="caution") if line else None


def stream_link(document: Mapping[str, Any], text: str | None = None) -> dcc.Link:
    """A link to the page of a stream."""
    names = {key: document[key] for key in ("supplier", "product", "characteristic")}
    return link(text or f"{names['product']} · {characteristic(names['characteristic'])}", "/stream", **names)


def lot_link(supplier: str, lot: str) -> dcc.Link:
    """A link to the page of a lot."""
    return link(lot, "/lot", supplier=supplier, lot=lot)


def filter_links(choices: Iterable[tuple[str, str, bool]], name: str) -> html.Nav:
    """Links that filter a list, each as (text, address, whether it is active)."""
    items = [
        html.Li(dcc.Link(text, href=address, className="chip here" if here else "chip"))
        for text, address, here in choices
    ]
    return html.Nav(html.Ul(items, className="inline"), **{"aria-label": name})


def facts(items: Sequence[tuple[str, object, str]]) -> html.Dl:
    """Named values, each as (name, value, one line of explanation or "")."""
    return html.Dl(
        [
            html.Div([html.Dt(name), html.Dd(value), *([html.Dd(why, className="why")] if why else [])])
            for name, value, why in items
        ],
        className="facts",
    )


# Fewer columns fit a phone as they are; in a longer table of more columns, cards would hide what stands below it.
FEW_COLUMNS, MOST_CARDS = 3, 40


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[object]],
    name: str,
    numbers: Sequence[str] = (),
    row_styles: Sequence[str] = (),
    most_cards: int = MOST_CARDS,
) -> html.Div:
    """A table whose columns in `numbers` are aligned right; `row_styles` are the classes of the rows, where some are marked.

    On a narrow screen each row becomes a card: the first cell is its title, and the others follow with the head of their column
    as a label. A table of more than `most_cards` rows stays one and scrolls sideways, also by keyboard, which a line above says.
    """
    rows = list(rows)
    shape = "" if len(heads) <= FEW_COLUMNS else " cards" if len(rows) <= most_cards else " wide"
    styles = ["number" if head in numbers else "" for head in heads]
    head = html.Tr([html.Th(text, scope="col", className=style) for text, style in zip(heads, styles, strict=True)])
    body = [
        html.Tr(
            [
                html.Td(cell, className=style, **_label(text, cell, place))
                for place, (text, cell, style) in enumerate(zip(heads, row, styles, strict=True))
            ],
            className=row_styles[number] if row_styles else "",
        )
        for number, row in enumerate(rows)
    ]
    return html.Div(
        html.Table([html.Thead(head), html.Tbody(body)]),
        className=f"scroll{shape}",
        tabIndex=0,
        role="region",
        **{"aria-label": name},
    )


def _label(head: str, cell: Any, place: int) -> dict[str, str]:
    """The head of a cell's column as the label of the cell on a card; a title in words has none, nor has an empty cell."""
    is_title = place == 0 and not (isinstance(cell, str) and cell.isdecimal())
    return {} if is_title or cell in ("", None) else {"data-label": head}


def graph(figure: Figure, name: str, description: str) -> html.Div:
    """A figure on a page; `description` is a sentence for readers who can't see it."""
    chart = dcc.Graph(
        figure=figure, id=name, config=CONFIG, responsive=True, style={"height": f"{figure['layout']['height']}px"}
    )
    return html.Div(chart, role="img", className="figure", **{"aria-label": description})


def folded(heading: str, parts: Sequence[object], anchor: str = "") -> html.Details:
    """A part of the page that a narrow screen folds under its heading: the finding and what to do stand first."""
    named = {"id": anchor} if anchor else {}
    return html.Details([html.Summary(html.H2(heading, **named)), *parts], open=True, className="fold-narrow")


def legend(*entries: tuple[str, str, str]) -> html.Ul:
    """The key of a figure, each entry as (shape, class of its colour, meaning)."""
    items = [
        html.Li([html.Span(shape, className=f"shape {style}", **{"aria-hidden": "true"}), words])
        for shape, style, words in entries
    ]
    return html.Ul(items, className="key")


def sparkline_image(data: SparklineData, name: str, limit: str = "") -> html.Img:
    """The sparkline of a stream: 12 months and the forecast, with centre line and specification limit.

    `limit` is written at the end of the line of the specification limit.
    """
    title = f"{name}: 12 months and forecast"
    width = 290 if limit else 240
    return html.Img(src=as_image_address(sparkline(data, title, width, limit=limit)), alt=title, className="sketch")


def empty(sentence: str, advice: str) -> html.Div:
    """A page with nothing to show."""
    return html.Div([html.H1(sentence), html.P(advice)], className="empty")


def empty_part(sentence: str, advice: str) -> html.Div:
    """A part of a page with nothing to show; the page has its own heading."""
    return html.Div([html.H2(sentence), html.P(advice)], className="empty")
