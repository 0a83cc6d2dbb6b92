"""What was known of a stream at the end of a quarter: its level, its change a month and the chance of a failing lot.

It is computed again from the lots up to that day. A card of a finished quarter shows these figures and none of today.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TypedDict

import numpy as np
from sqlalchemy import Connection, text

from ingest.audit.limit_entries import with_entered_limits
from ingest.config.lab import Lab
from ingest.documents.fields import Bound
from ingest.evaluation.stored_results import number, stated_level
from ingest.sessions.session_columns import for_evaluation, sessions_of
from ingest.sessions.suspect_values import STANDS
from spc.stream.evaluate import Settings, forecast_of
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import Kind

__all__ = ["ForecastThen", "forecasts_at"]


class ForecastThen(TypedDict):
    """The forecast of a stream as of a moment."""

    level: float | None
    level_bound: Bound
    change_percent_per_month: float | None
    breach_probability: float | None


def forecasts_at(
    connection: Connection, lab: Lab, streams: Mapping[int, tuple[str, str]], end_us: int
) -> dict[int, ForecastThen]:
    """The forecast of each stream (number: product, characteristic) after its last lot before a moment."""
    lab = with_entered_limits(connection, lab)
    sessions = sessions_of(connection, list(streams))
    forecasts: dict[int, ForecastThen] = {}
    for stream, (product, characteristic) in streams.items():
        if stream not in sessions:
            continue
        rows = sessions[stream]
        rows = rows.take(rows["started_us"] < end_us)
        if not len(rows):
            continue
        declared = lab.characteristic(characteristic)
        settings = Settings(
            scale=declared.scale,
            judged=declared.judged,
            guard_percent=declared.guard_percent,
            baseline_lots=lab.baseline.lots,
            horizon_weeks=lab.alerts.horizon_weeks,
        )
        prepared = for_evaluation(lab, product, characteristic, rows, _set_aside(connection, stream))
        estimate = forecast_of(prepared, settings, _outliers(connection, stream, end_us))
        behind = np.asarray(prepared["valid"])
        ends = (prepared.floats(name)[behind] for name in ("weeks", "level_low", "level_high"))
        stated, bound = stated_level(estimate.level_now, *ends)
        level = None if stated is None else number(float(to_unit(np.array([stated]), declared.scale)[0]))
        forecasts[stream] = {
            "level": level,
            "level_bound": bound,
            "change_percent_per_month": number(estimate.change_percent_per_month),
            "breach_probability": number(estimate.breach_probability),
        }
    return forecasts


def _outliers(connection: Connection, stream: int, end_us: int) -> dict[int, int]:
    """The tests that the detector named as outliers by then, with the side on which each lies."""
    rows = connection.execute(
        text("SELECT session_id, z, document FROM point WHERE stream_id = :stream AND tested_us < :end"),
        {"stream": stream, "end": end_us},
    )
    return {
        row.session_id: 1 if (row.z or 0.0) > 0 else -1
        for row in rows
        if Kind.POINT in json.loads(row.document)["signals"]
    }


def _set_aside(connection: Connection, stream: int) -> list[int]:
    """The tests whose values may be a slip: those set aside, and those that nobody has cleared."""
    rows = connection.execute(
        text("SELECT session_id FROM mark WHERE stream_id = :stream AND settled <> :stands"),
        {"stream": stream, "stands": STANDS},
    )
    return [int(row.session_id) for row in rows]
