"""Two quarters of a stream as one small picture for paper: its lots, their mean with its interval, and the limit.

Shapes carry the meaning, colour only repeats it: the page may be printed in grey.
"""

from __future__ import annotations

import math
from datetime import date, datetime, timedelta
from typing import Any

from dashboard.charts.svg_shapes import EDGE, HAIR, MEAN, Frame, diamond, disc, drawing, line, square, words
from dashboard.text.formatting import amount, characteristic
from spc.vocabulary.enums import Scale
from spc.vocabulary.finite import exp

__all__ = ["chart", "score_bar"]

Document = dict[str, Any]

WIDTH, HEIGHT = 380, 128
LEFT, RIGHT, TOP, BOTTOM = 52, 8, 8, 18


def chart(row: Document, card: Document) -> str:
    """The picture of one stream of a scorecard."""
    frame = _frame(row, card)
    middle = date.fromisoformat(card["first_day"])
    named = f"{row['product']}, {characteristic(row['characteristic'])}"
    title = f"{named}: lots of {card['earlier_quarter']} and {card['quarter']}"
    parts = [
        *_axes(frame, row, card, middle),
        *_mean(frame, row, "earlier_level", frame.start, middle),
        *_mean(frame, row, "level", middle, frame.start + timedelta(days=frame.days)),
        *_limits(frame, row),
        *[_lot(frame, lot) for lot in [*row["earlier_lot_list"], *row["lot_list"]] if lot["level"] is not None],
    ]
    return drawing(WIDTH, HEIGHT, title, parts)


def _frame(row: Document, card: Document) -> Frame:
    is_log = row["scale"] == Scale.LOG
    start = date.fromisoformat(card["earlier_first_day"])
    days = (date.fromisoformat(card["last_day"]) - start).days + 1
    lots = [lot["level"] for lot in [*row["earlier_lot_list"], *row["lot_list"]]]
    near = row["limit_upper"] if row["limit_side"] == "upper" else row["limit_lower"]
    marks = [value for value in [*lots, near] if value is not None and (value > 0 or not is_log)]
    heights = [math.log(mark) if is_log else mark for mark in marks] or [0.0]
    margin = 0.08 * (max(heights) - min(heights)) or 0.5
    edges = LEFT, WIDTH - RIGHT, TOP, HEIGHT - BOTTOM
    return Frame(*edges, start, days, min(heights) - margin, max(heights) + margin, is_log)


def _axes(frame: Frame, row: Document, card: Document, middle: date) -> list[str]:
    base, left, right = HEIGHT - BOTTOM, frame.x(frame.start), float(WIDTH - RIGHT)
    ends = [frame.low + 0.06 * (frame.high - frame.low), frame.high - 0.06 * (frame.high - frame.low)]
    ticks = [exp(end) if frame.is_log else end for end in ends]
    return [
        line(left, base, right, base, HAIR),
        line(frame.x(middle), TOP, frame.x(middle), base, HAIR, dashed=True),
        *[words(left - 4, frame.y(tick) + 3, amount(tick, row["unit"]), "end") for tick in ticks],
        words((left + frame.x(middle)) / 2, HEIGHT - 5, card["earlier_quarter"], "middle"),
        words((right + frame.x(middle)) / 2, HEIGHT - 5, card["quarter"], "middle"),
    ]


def _mean(frame: Frame, row: Document, key: str, start: date, end: date) -> list[str]:
    """A quarter's mean as a line, its interval as a band cut at the picture's edge."""
    value, low, high = row[key], row[f"{key}_low"], row[f"{key}_high"]
    if value is None:
        return []
    x, width = frame.x(start) + 3, frame.x(end) - frame.x(start) - 6
    level = line(x, frame.y(value), x + width, frame.y(value), MEAN, weight=1.4)
    if low is None:
        return [level]
    top, bottom = max(frame.y(high), TOP), min(frame.y(low), HEIGHT - BOTTOM)
    place = f'x="{x:.1f}" y="{top:.1f}" width="{width:.1f}" height="{max(bottom - top, 0):.1f}"'
    return [f'<rect {place} fill="{MEAN}" opacity="0.13"/>', level]


def _limits(frame: Frame, row: Document) -> list[str]:
    """The limits that lie in the picture, each with its value."""
    parts = []
    for key, told in (("limit_upper", "under"), ("limit_lower", "at least")):
        limit = row[key]
        if not frame.holds(limit):
            continue
        y = frame.y(limit)
        below = y < TOP + 14
        parts.append(line(LEFT, y, WIDTH - RIGHT, y, EDGE, weight=1.6))
        parts.append(
            words(WIDTH - RIGHT, y + 10 if below else y - 3, f"{told} {amount(limit, row['unit'])}", "end", EDGE)
        )
    return parts


def _lot(frame: Frame, lot: Document) -> str:
    """One lot: a disc conforms, a filled diamond fails, an open one is undecided, an open square doesn't count."""
    x, y = frame.x(datetime.fromisoformat(lot["tested_at"]).date()) + 1, frame.y(lot["level"])
    if lot["standing"] == "fail":
        return diamond(x, y, f'fill="{EDGE}"')
    if lot["standing"] == "undecided":
        return diamond(x, y, f'fill="#fff" stroke="{EDGE}"')
    if lot["standing"] in ("invalid", "set_aside", "retested"):
        return square(x, y)
    return disc(x, y)


def score_bar(standing: Document, low: float, width: int = 120, height: int = 16) -> str:
    """The score of a supplier as a dot on its interval, on an axis from `low` to 1."""
    middle = height / 2

    def x(score: float) -> float:
        return 3 + (max(score, low) - low) / (1 - low) * (width - 6)

    ends = x(standing["score_low"]), x(standing["score_high"])
    parts = [
        line(x(low), middle, x(1.0), middle, HAIR),
        line(ends[0], middle, ends[1], middle, MEAN, weight=2.4),
        disc(x(standing["score"]), middle, 3.2, f'fill="{MEAN}"'),
    ]
    return drawing(width, height, f"score {100 * standing['score']:.0f} of 100", parts)
