"""A stream as it stands and as it would stand, side by side in one scale."""

from __future__ import annotations

from dashboard.charts.plotly_axes import Figure, level_axis
from dashboard.charts.plotly_figures import drawn_levels, stream
from dashboard.queries.stored_documents import point
from ingest.config.lab import Lab
from ingest.documents.served import served
from ingest.documents.stream import StreamChart
from ingest.evaluation.evaluate_streams import Evaluated

__all__ = ["before_and_after", "shown"]


def shown(evaluated: Evaluated, lab: Lab) -> StreamChart:
    """What a stream's figure draws of an evaluation that is not stored."""
    points = [point(tested, document, None, lab) for _, tested, _, document in evaluated.points]
    return {**served(evaluated.document, lab.zone), "points": points}


def before_and_after(before: StreamChart, after: StreamChart) -> tuple[Figure, Figure]:
    """Two figures with the same axes, so that what moves is the limits."""
    both = stream(before, with_strips=False), stream(after, with_strips=False)
    levels = drawn_levels(before) + drawn_levels(after)
    for figure in both:
        level_axis(figure["layout"]["yaxis"], levels, before["scale"])
    return both
