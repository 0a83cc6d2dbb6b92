"""Read the humidity and temperature cells of a chamber log, in percent and degrees Celsius."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from ingest.common.text import quoted
from ingest.common.units import logger_unit
from ingest.config.models import Source
from ingest.parsing.cells import Column, Numbers, floats_as_written, numbers
from ingest.parsing.columns import Layout
from ingest.parsing.csv_table import NotATableError
from ingest.parsing.rejections import RejectedRows
from spc.bench.moisture import humidity_from_dew_point

__all__ = ["humidities", "humidities_from_dew_points", "temperatures"]

Floats = NDArray[np.float64]

ABSOLUTE_ZERO_C = -273.15


def humidities(column: Column, layout: Layout, source: Source, refused: RejectedRows) -> Floats:
    """Read relative humidity in percent; entries outside 0 to 100 are refused."""
    unit = _unit_of("humidity_percent", "%", layout, source)
    read = numbers(column, _decimal("humidity_percent", layout, source), {})
    values = floats_as_written(read)

    def why(value: float) -> str:
        return "" if 0 <= value <= 100 else "is outside 0 to 100 %; correct it, or check the sensor"

    return _checked(column, "humidity_percent", read, values, unit, why, refused)


def humidities_from_dew_points(
    name: str, column: Column, temperature: Floats, layout: Layout, source: Source, refused: RejectedRows
) -> Floats:
    """Compute relative humidity in percent from a dew point (over water) or frost point (over ice) and the temperature of the air.

    A point above the temperature of the air is refused.
    """
    point = temperatures(column, layout, source, refused, name)
    over: Literal["water", "ice"] = "ice" if name == "frost_point_c" else "water"
    readable = np.flatnonzero(refused.fine)
    for row in readable[point[readable] > temperature[readable]].tolist():
        refused.add(row, name, "is above the temperature of the air; correct it, or check which column is which")
    result = np.full(len(point), np.nan)
    rows = np.flatnonzero(refused.fine)
    # A log repeats its values: each pair is computed once.
    pairs, place = np.unique(np.stack([point[rows], temperature[rows]], axis=1), axis=0, return_inverse=True)
    values = np.array([humidity_from_dew_point(one, air, over) for one, air in pairs.tolist()], dtype=np.float64)
    # To a thousandth of a percent: the Magnus form promises no more.
    result[rows] = np.minimum(np.round(values, 3), 100.0)[place.ravel()] if len(rows) else 0.0
    return result


def temperatures(
    column: Column, layout: Layout, source: Source, refused: RejectedRows, name: str = "temperature_c"
) -> Floats:
    """Read temperature in degrees Celsius, from either scale; entries below absolute zero are refused."""
    unit = _unit_of(name, "degC", layout, source)
    read = numbers(column, _decimal(name, layout, source), {})
    values = floats_as_written(read)
    if unit == "degF":
        # Rounded to 1e-9 so that 78.8 degF is exactly 26 degC, not slightly above a tolerance of 26.
        values = np.round((values - 32) * 5 / 9, 9)

    def why(value: float) -> str:
        if value < ABSOLUTE_ZERO_C:
            return "is below absolute zero; correct it, or check the unit"
        return "" if np.isfinite(value) else "is not finite; correct it"

    return _checked(column, name, read, values, unit, why, refused)


def _decimal(name: str, layout: Layout, source: Source) -> str:
    """The decimal mark of a column; a column that is not in the file has a declared value, with the declared mark."""
    return layout.decimals.get(layout.positions.get(name, -1), source.decimal or ".")


def _checked(
    column: Column,
    name: str,
    read: Numbers,
    values: Floats,
    unit: str,
    why: Callable[[float], str],
    refused: RejectedRows,
) -> Floats:
    reasons = dict(read.reasons)
    texts = column.each()
    for code, text in enumerate(texts):
        if code in reasons:
            continue
        cell_unit = read.units.get(code)
        if cell_unit is not None and logger_unit(cell_unit) != unit:
            reasons[code] = (
                f"{quoted(text)} carries another unit than the column, which is in {unit}; write one of them"
            )
        elif read.bounds[code]:
            reasons[code] = f"{quoted(text)} is bounded; write a number"
        elif reason := why(float(values[code])):
            reasons[code] = f"{quoted(text)} {reason}"
    refused.add_where(name, column.codes, reasons)
    return values[column.codes]


def _unit_of(name: str, default: str, layout: Layout, source: Source) -> str:
    declared = source.units.get(name)
    in_header = layout.units.get(name)
    header_unit = logger_unit(in_header) if in_header is not None else None
    if in_header is not None and (header_unit is None or (declared is not None and header_unit != declared)):
        raise NotATableError(
            f"has {quoted(in_header)} as unit of {name} in its header; write {declared or default}, or map it in units"
        )
    return declared or header_unit or default
