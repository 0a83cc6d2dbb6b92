"""Lot levels of the candidates of a comparison side by side, as SVG; lots of one load are joined."""

from __future__ import annotations

from datetime import date
from html import escape

from dashboard.charts.svg_shapes import Edges, Frame, drawing, level_ticks
from dashboard.paper.palette import DARK, LIGHT, Scheme
from dashboard.text.formatting import amount
from ingest.documents.verdict.comparison import Comparison
from spc.vocabulary.enums import Scale

__all__ = ["comparison_chart"]

WIDTH, HEIGHT = 520, 260
DAYS = (date(2000, 1, 1), date(2000, 1, 2))
LONGEST_NAME = 16
# Room for the words of the levels, also in the larger letters of a phone, which shrinks the picture.
LEFT, MOST_IN_LARGE_LETTERS = 84, 3


def comparison_chart(result: Comparison, title: str, *, paper: bool = False) -> str:
    """The picture; empty without a lot."""
    levels = [lot["level"] for one in result["candidates"] for lot in one["lots"]]
    if not levels:
        return ""
    limits = {edge for one in result["candidates"] for edge in (one["limit_lower"], one["limit_upper"])}
    near = [limit for limit in limits if limit is not None and min(levels) / 2 <= limit <= max(levels) * 2]
    frame = Frame.around(
        [*levels, *near], DAYS, Edges(LEFT, WIDTH - 8, 12, HEIGHT - 24), is_log=Scale(result["scale"]) == Scale.LOG
    )
    columns = len(result["candidates"])
    width = (frame.edges.right - frame.edges.left) / columns
    centres = [frame.edges.left + width * (place + 0.5) for place in range(columns)]
    parts = level_ticks(frame, result["unit"])
    for limit in near:
        y = frame.y(limit)
        parts.append(
            f'<line class="limit" x1="{frame.edges.left}" x2="{frame.edges.right}" y1="{y:.1f}" y2="{y:.1f}"/>'
        )
        parts.append(
            f'<text class="edge" x="{frame.edges.right - 2}" y="{y - 4:.1f}" text-anchor="end">limit {escape(amount(limit, result["unit"]))}</text>'
        )
    if columns == 2:
        parts += _joined(result, frame, centres)
    for centre, one in zip(centres, result["candidates"], strict=True):
        for number, lot in enumerate(one["lots"]):
            # Spread sideways by order of test, so that lots of one level stay apart.
            x = centre + (number / max(len(one["lots"]) - 1, 1) - 0.5) * 0.3 * width if columns > 2 else centre
            parts.append(f'<circle class="lot" cx="{x:.1f}" cy="{frame.y(lot["level"]):.1f}" r="3"/>')
        if one["level"] is not None:
            y, half = frame.y(one["level"]), min(0.3 * width, 40)
            parts.append(
                f'<line class="mean" x1="{centre - half:.1f}" x2="{centre + half:.1f}" y1="{y:.1f}" y2="{y:.1f}"/>'
            )
        name = f"{one['product']} {one['time']}".strip()
        short = name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…"
        parts.append(f'<text x="{centre:.1f}" y="{HEIGHT - 8}" text-anchor="middle">{escape(short)}</text>')
    style = _style(LIGHT)
    if not paper:
        style += f"@media (prefers-color-scheme:dark){{{_style(DARK)}}}"
        # The names of more candidates would lie on each other.
        style += "@media (max-width:480px){text{font-size:15px}}" if columns <= MOST_IN_LARGE_LETTERS else ""
    return drawing(WIDTH, HEIGHT, title, parts, style)


def _joined(result: Comparison, frame: Frame, centres: list[float]) -> list[str]:
    """Lines between lots of the two candidates that shared a load."""
    first, second = result["candidates"]
    return [
        f'<line class="load" x1="{centres[0]:.1f}" y1="{frame.y(a["level"]):.1f}" x2="{centres[1]:.1f}" y2="{frame.y(b["level"]):.1f}"/>'
        for a in first["lots"]
        for b in second["lots"]
        if a["block"] == b["block"]
    ]


def _style(scheme: Scheme) -> str:
    return (
        f"text{{font:11px system-ui,sans-serif;fill:{scheme.ink}}}.edge{{fill:{scheme.act}}}"
        f".limit{{stroke:{scheme.act};stroke-width:2}}.load{{stroke:{scheme.hair};stroke-width:1}}"
        f".lot{{fill:{scheme.accent};opacity:.6}}.mean{{stroke:{scheme.ink};stroke-width:2.5}}"
    )
