"""A stream before and after a change, side by side on the same axes."""

from __future__ import annotations

from dashboard.charts.plotly_axes import Figure, level_axis
from dashboard.charts.plotly_figures import drawn_levels, stream
from dashboard.queries.stream_document import point
from ingest.config.lab import Lab
from ingest.documents.served import served
from ingest.documents.stream import StreamChart
from ingest.evaluation.evaluate_streams import Evaluated

__all__ = ["before_after_figures"]


def before_after_figures(before: Evaluated, after: Evaluated, lab: Lab) -> tuple[Figure, Figure]:
    """The figures of two evaluations of one stream, which the store need not hold."""
    documents: list[StreamChart] = []
    for evaluated in (before, after):
        points = [point(tested, document, None, [], None, lab) for _, tested, _, document in evaluated.points]
        documents.append({**served(evaluated.document, lab.zone), "points": points})
    levels = [level for document in documents for level in drawn_levels(document)]
    figures = [stream(document, with_strips=False) for document in documents]
    for figure in figures:
        level_axis(figure["layout"]["yaxis"], levels, documents[0]["scale"])
    return figures[0], figures[1]
