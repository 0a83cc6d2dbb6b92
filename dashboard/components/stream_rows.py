"""Streams in a table: state, what happened, the picture of 12 months, level and limit, chance, last lot, next step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dash import dcc, html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.html_parts import sparkline_image, stream_link, word
from dashboard.components.next_step import NextStep
from dashboard.queries.stored_documents import Stream
from dashboard.text.formatting import (
    LEAST_CHANCE,
    age,
    amount,
    chance_text,
    change,
    characteristic,
    day,
    digits_of,
    happenings,
    room_to_limit,
    stream_level,
    weeks,
)
from ingest.common.text import capitalised
from ingest.config.lab import Lab
from ingest.documents.alert import AlertReason
from ingest.documents.stream import BoardRow, ProductRow
from ingest.evaluation.alert_text import outside_text

__all__ = ["last_bags", "rows_table", "stream_of", "time_to_limit", "what_happened"]


def stream_of(row: BoardRow) -> Stream:
    """The names of a row's stream."""
    return row["supplier"], row["product"], row["characteristic"]


def last_bags(row: BoardRow) -> str:
    """The bags of the last lot outside the limit, of all; empty where all are inside."""
    return outside_text(row["last_bags_outside"], row["last_bags"])


def time_to_limit(row: BoardRow) -> str:
    """When the limit is likely to be reached, as a sentence; empty where that is not expected."""
    span = row["weeks_to_limit"]
    if span is None or span["p50"] is None:
        return ""
    return "Limit passed." if span["p50"] == 0 else f"Limit {weeks(span)}."


def what_happened(reasons: Sequence[AlertReason], lab: Lab) -> str:
    """The reasons for a stream's state in one line."""
    text = happenings(reasons, lab.alerts.breach_probability)
    return f"{capitalised(text)}." if text else ""


def rows_table(
    rows: Sequence[ProductRow],
    sparklines: Mapping[Stream, SparklineData],
    reasons: Mapping[Stream, list[AlertReason]],
    looked_at: str | None,
    lab: Lab,
    steps: Mapping[Stream, NextStep] | None = None,
    *,
    with_supplier: bool = False,
    name: str = "board",
) -> html.Table:
    """A row a stream, in the order of `rows`; the column of next steps is there where `steps` are."""
    heads = [
        ("state", ""),
        ("stream, and what happened", "about"),
        ("12 months and forecast", "picture"),
        ("level", "level"),
        ("change a month", "number change"),
        (f"chance of a failing lot, {lab.alerts.horizon_weeks:g} weeks", "number chance"),
        ("last lot", "last"),
        *([("next step", "next")] if steps is not None else []),
    ]
    body = [
        _row(
            row, sparklines[stream_of(row)], reasons.get(stream_of(row), []), looked_at, heads, steps,
            lab, with_supplier=with_supplier,
        )
        for row in rows
    ]  # fmt: skip
    head = html.Thead(html.Tr([html.Th(text, scope="col", className=style) for text, style in heads]))
    return html.Table([head, html.Tbody(body)], className="board", id=name)


def _row(
    row: ProductRow,
    sparkline: SparklineData,
    reasons: Sequence[AlertReason],
    looked_at: str | None,
    heads: Sequence[tuple[str, str]],
    steps: Mapping[Stream, NextStep] | None,
    lab: Lab,
    *,
    with_supplier: bool,
) -> html.Tr:
    limit = _nearer_limit(row, sparkline)
    why = " ".join(part for part in (what_happened(reasons, lab), time_to_limit(row)) if part)
    last = f"{day(row['last_tested_at'])}, {age(row['last_tested_at'], looked_at)}"
    cells: list[object] = [
        word(row["state"]),
        [
            html.Span(f"{row['supplier']} ", className="who") if with_supplier else None,
            stream_link(row),
            html.Span(why, className="why") if why else None,
        ],
        sparkline_image(
            sparkline, f"{row['supplier']} {row['product']}, {characteristic(row['characteristic'])}", limit or " "
        ),
        [stream_level(row), html.Span(room_to_limit(row), className="quiet")],
        change(row["change_percent_per_month"], digits_of(row)),
        _chance_mark(row, lab),
        [
            str(row["last_lot"]),
            html.Span(f"{last}{f', {bags}' if (bags := last_bags(row)) else ''}", className="quiet"),
        ],
    ]
    if steps is not None:
        step = steps.get(stream_of(row))
        cells.append(
            [dcc.Link(step.text, href=step.address), html.Span(step.detail, className="quiet")] if step else "–"
        )
    # On a narrow screen a row is a card, and the cells from the fourth on need their labels.
    labels = ["", "", "", *(text for text, _ in heads[3:])]
    return html.Tr(
        [
            html.Td(content, className=style, **{"data-label": label} if label else {})
            for (_, style), label, content in zip(heads, labels, cells, strict=True)
        ],
        className=row["state"],
    )


def _chance_mark(row: BoardRow, lab: Lab) -> html.Span | str:
    """The chance of a failing lot, large only where it is one that raises an alert; a small one is left out of the table."""
    share = row["breach_probability"] or 0.0
    if share < LEAST_CHANCE:
        return "–"
    return html.Span(chance_text(share), className="large" if share >= lab.alerts.breach_probability else "")


def _nearer_limit(row: BoardRow, sparkline: SparklineData) -> str:
    """The words at the limit's line of the small picture, which draws the limit that the last lot is nearer to."""
    ends = [(sparkline.lower, row["limit_lower"]), (sparkline.upper, row["limit_upper"])]
    drawn = [(charted, limit) for charted, limit in ends if charted is not None and limit is not None]
    if not drawn:
        return ""
    level = drawn[-1][0] if sparkline.last is None else sparkline.last
    return f"limit {amount(min(drawn, key=lambda end: abs(end[0] - level))[1], digits=digits_of(row))}"
