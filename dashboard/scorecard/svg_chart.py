"""The charts of a scorecard on paper: the lots of two quarters of a stream, and a supplier's score with its interval."""

from __future__ import annotations

from datetime import date

from dashboard.charts.svg_shapes import (
    Edges,
    Frame,
    band,
    day_of,
    diamond,
    disc,
    drawing,
    level_ticks,
    line,
    square,
    words,
)
from dashboard.paper.palette import DARK, FIGURE, LIGHT, Scheme
from dashboard.text.formatting import characteristic, in_unit
from ingest.documents.scorecard import CardLot, CardStream, Scorecard, SupplierStanding
from spc.vocabulary.enums import Scale

__all__ = ["chart", "score_bar"]

WIDTH, HEIGHT = 620, 128
# Length of the line beside a lot whose level is open.
OPEN = 9
EDGES = Edges(76, WIDTH - 8, 8, HEIGHT - 18)


def chart(row: CardStream, card: Scorecard) -> str:
    """One stream: its lots, the mean of each quarter with its 95 % interval, and the limit.

    A disc is a lot that passes, a filled diamond one that fails, an open diamond one undecided, an open square one that
    does not count.
    """
    days = card["earlier_first_day"], card["first_day"], card["last_day"]
    start, middle, end = (date.fromisoformat(day) for day in days)
    shown = [(_shown(lot), lot) for lot in [*row["earlier_lot_list"], *row["lot_list"]]]
    lots = [(level, lot) for level, lot in shown if level is not None]
    near = row["limit_upper"] if row["limit_side"] == "upper" else row["limit_lower"]
    levels = [*(level for level, _ in lots), *([] if near is None else [near])]
    frame = Frame.around(levels, (start, end), EDGES, is_log=row["scale"] == Scale.LOG)
    between = frame.x(middle)
    parts = [
        *level_ticks(frame, row["unit"]),
        line(between, EDGES.top, between, EDGES.bottom, LIGHT.hair, dashed=True),
        words((EDGES.left + between) / 2, HEIGHT - 5, card["earlier_quarter"], "middle"),
        words((EDGES.right + between) / 2, HEIGHT - 5, card["quarter"], "middle"),
        *_mean(frame, (row["earlier_level"], row["earlier_level_low"], row["earlier_level_high"]), EDGES.left, between),
        *_mean(frame, (row["level"], row["level_low"], row["level_high"]), between, EDGES.right),
    ]
    for limit, rule in ((row["limit_upper"], "under"), (row["limit_lower"], "at least")):
        if limit is not None and frame.holds(limit):
            y = frame.y(limit)
            parts.append(line(EDGES.left, y, EDGES.right, y, LIGHT.act, 1.6))
            label_y = y + 10 if y < EDGES.top + 14 else y - 3
            parts.append(words(EDGES.right, label_y, f"{rule} {in_unit(row, limit)}", "end", LIGHT.act))
    for level, lot in lots:
        x, y = frame.x(day_of(lot["tested_at"])), frame.y(level)
        if lot["standing"] in ("fail", "undecided"):
            parts.append(diamond(x, y, filled=lot["standing"] == "fail"))
        else:
            parts.append(square(x, y) if lot["standing"] in ("invalid", "set_aside", "retested") else disc(x, y, 2.8))
        if lot["level"] is None and (span := lot["level_range"]) is not None:
            # A short line shows to which side the level is open.
            ends = [end for end, settled in ((y + OPEN, span["low"]), (y - OPEN, span["high"])) if settled is None]
            parts += [line(x, y, x, end, LIGHT.ink, 1.2) for end in ends]
    title = f"{row['product']}, {characteristic(row['characteristic'])}: lots of {card['earlier_quarter']} and {card['quarter']}"
    return drawing(WIDTH, HEIGHT, title, parts)


def _shown(lot: CardLot) -> float | None:
    """The level of a lot, or its known end where bounded readings leave it open: a lot that failed must not be missing."""
    span = lot["level_range"]
    if lot["level"] is not None or span is None:
        return lot["level"]
    return span["low"] if span["low"] is not None else span["high"]


def _mean(frame: Frame, mean: tuple[float | None, float | None, float | None], left: float, right: float) -> list[str]:
    """A quarter's mean as a line, its interval as a band."""
    value, low, high = mean
    if value is None:
        return []
    level = line(left + 3, frame.y(value), right - 3, frame.y(value), LIGHT.accent, 1.4)
    return (
        [level]
        if low is None or high is None
        else [band(left + 3, frame.y(high), right - 3, frame.y(low), 0.13), level]
    )


def score_bar(
    standing: SupplierStanding, low: float, width: int = 120, height: int = 16, *, paper: bool = False
) -> str:
    """The score of a supplier as a dot on its interval, on an axis from `low` to 1; empty without a score.

    `paper` leaves dark mode out.
    """
    score, score_low, score_high = standing["score"], standing["score_low"], standing["score_high"]
    if score is None or score_low is None or score_high is None:
        return ""
    frame, y = Frame(Edges(3, width - 3, 0, height), low, 1.0, 0.0, 1.0), height / 2
    parts = [
        _across("axis", frame.edges.left, frame.edges.right, y),
        _across("span", frame.x(score_low), frame.x(score_high), y),
        f'<circle class="score" cx="{frame.x(score):.1f}" cy="{y:.1f}" r="3.6"/>',
    ]
    style = _style(LIGHT)
    if not paper:
        style += f"@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
    return drawing(width, height, f"score {100 * score:.0f} of 100", parts, style)


def _across(name: str, x1: float, x2: float, y: float) -> str:
    return f'<line class="{name}" x1="{x1:.1f}" x2="{x2:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>'


def _style(scheme: Scheme) -> str:
    return (
        f".axis{{stroke:{FIGURE.grey};stroke-width:1}}.span{{stroke:{scheme.accent};stroke-width:2.6}}"
        f".score{{fill:{scheme.accent}}}"
    )
