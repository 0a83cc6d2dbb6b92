"""A stream as it stands and as it would stand, side by side in one scale."""

from __future__ import annotations

from typing import Any

from dashboard.charts.plotly_axes import Figure, level_axis
from dashboard.charts.plotly_figures import drawn_levels, stream
from dashboard.queries.stored_documents import iso, with_times
from ingest.config.lab import Lab
from ingest.evaluation.evaluate_streams import Evaluated

__all__ = ["before_and_after", "shown"]

Document = dict[str, Any]


def shown(evaluated: Evaluated, lab: Lab) -> Document:
    """What a stream's figure draws of an evaluation that is not stored."""
    points = [{"tested_at": iso(tested, lab.zone), **document} for _, tested, _, document in evaluated.points]
    return {**with_times(evaluated.document, lab), "points": points}


def before_and_after(before: Document, after: Document) -> tuple[Figure, Figure]:
    """Two figures with the same axes, so that what moves is the limits."""
    both = stream(before, with_strips=False), stream(after, with_strips=False)
    levels = drawn_levels(before) + drawn_levels(after)
    for figure in both:
        level_axis(figure["layout"]["yaxis"], levels, before["scale"])
    return both
