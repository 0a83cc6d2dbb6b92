"""How much a product's level moves with humidity inside its tolerance: estimated, stored, shown beside the measured level.

The measured levels stay the record. Where the lots show that humidity matters, each point also gets the level that it would
have at the declared humidity.
"""

from __future__ import annotations

from typing import TypedDict

import numpy as np
from sqlalchemy import Connection

from ingest.common.instants import WEEK_US
from ingest.common.json_text import as_json, from_json
from ingest.config.lab import Lab
from ingest.documents.stream import HumidityEffect, StoredHumidityEffect
from ingest.evaluation.stored_results import number, numbers
from ingest.store.store import get_meta, put_meta
from spc.stream.humidity_effect import Sensitivity, Sums, pooled, sums_within
from spc.stream.verdicts import to_unit

__all__ = ["humidity_of", "humidity_slope", "slope_before", "update_humidity_effect"]

# A stream's level wanders over a year: only lots of one quarter are compared.
QUARTER_US = 13 * WEEK_US
# Without an effect found, the lots show that there is none worth a thought where they exclude more than this a percent of
# humidity: in percent where charted in logs, else in standard deviations of a lot (common practice).
SMALL_PERCENT, SMALL_SIGMAS = 10.0, 0.5

LOTS_SQL = """
SELECT p.tested_us, s.level, s.humidity_mean FROM point p JOIN session s ON s.id = p.session_id
WHERE p.stream_id = ? AND s.conditioning = 'valid' AND s.level IS NOT NULL AND s.humidity_mean IS NOT NULL ORDER BY p.ordinal
"""


class _Kept(TypedDict):
    """What the store keeps of a product: the effect, and the sums of each stream by its number."""

    told: StoredHumidityEffect | None
    sums: dict[str, Sums]


def update_humidity_effect(connection: Connection, lab: Lab, evaluated: set[int]) -> None:
    """Estimate the effect again for the products of these streams; the store keeps one effect a product, with the sums of its streams."""
    rows = connection.exec_driver_sql("SELECT id, product, characteristic FROM stream ORDER BY id").fetchall()
    changed: dict[tuple[str, str], list[int]] = {}
    for stream, product, characteristic in rows:
        if stream in evaluated:
            changed.setdefault((product, characteristic), []).append(stream)
    for (product, characteristic), streams in changed.items():
        known = _kept(connection, product, characteristic)["sums"]
        known |= {str(stream): _sums(connection, stream) for stream in streams}
        found = pooled([Sums(*sums) for sums in known.values()])
        told = None if found is None else _document(lab, characteristic, found)
        put_meta(
            connection,
            _key(product, characteristic),
            as_json({"told": told, "sums": {stream: list(sums) for stream, sums in known.items()}}),
        )


def humidity_slope(connection: Connection, product: str, characteristic: str) -> Sensitivity | None:
    """The change of the level with humidity in the charted scale, with its error; None where the lots do not show one."""
    found = pooled([Sums(*sums) for sums in _kept(connection, product, characteristic)["sums"].values()])
    return found if found is not None and (found.lower > 0 or found.upper < 0) else None


def _kept(connection: Connection, product: str, characteristic: str) -> _Kept:
    stored = get_meta(connection, _key(product, characteristic))
    kept: _Kept = from_json(stored) if stored else {"told": None, "sums": {}}
    return kept


def _sums(connection: Connection, stream: int, before_us: int | None = None) -> Sums:
    rows = connection.exec_driver_sql(LOTS_SQL, (stream,)).fetchall()
    if before_us is not None:
        rows = [row for row in rows if row.tested_us < before_us]
    tested_us, level, humidity = (np.array([row[place] for row in rows], dtype=np.float64) for place in range(3))
    return sums_within(level, humidity, tested_us // QUARTER_US)


def slope_before(connection: Connection, product: str, characteristic: str, before_us: int) -> Sensitivity | None:
    """The effect of humidity on a product by its lots before a moment; None where they do not show it."""
    streams = connection.exec_driver_sql(
        "SELECT id FROM stream WHERE product = ? AND characteristic = ? ORDER BY id", (product, characteristic)
    ).scalars()
    return pooled([_sums(connection, int(stream), before_us) for stream in streams.all()])


def humidity_of(connection: Connection, lab: Lab, stream: int) -> tuple[HumidityEffect | None, list[float | None]]:
    """The effect of humidity on a stream, and the level of each of its points at the declared humidity.

    A level is None where the lots do not show that humidity matters, or where the point has no level.
    """
    product, characteristic = connection.exec_driver_sql(
        "SELECT product, characteristic FROM stream WHERE id = ?", (stream,)
    ).one()
    found = _kept(connection, product, characteristic)["told"]
    rows = connection.exec_driver_sql(
        "SELECT s.level, s.humidity_mean FROM point p JOIN session s ON s.id = p.session_id WHERE p.stream_id = ? "
        "ORDER BY p.ordinal",
        (stream,),
    ).fetchall()
    if not rows or found is None or not found["matters"]:
        return found and _shown(found), [None] * len(rows)
    level, humidity = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    adjusted = to_unit(
        level - found["by_percent"] * (humidity - found["adjusted_to"]), lab.characteristic(characteristic).scale
    )
    return _shown(found), numbers(adjusted)


def _shown(found: StoredHumidityEffect) -> HumidityEffect:
    return {
        "slope": found["slope"],
        "slope_low": found["slope_low"],
        "slope_high": found["slope_high"],
        "slope_unit": found["slope_unit"],
        "lots": found["lots"],
        "matters": found["matters"],
        # A store that was upgraded has this key from its next round on.
        "known": found.get("known", True),
        "adjusted_to": found["adjusted_to"],
    }


def _key(product: str, characteristic: str) -> str:
    return "humidity:" + as_json([product, characteristic])


def _document(lab: Lab, characteristic: str, found: Sensitivity) -> StoredHumidityEffect:
    """The slope a percent of humidity (in percent where charted in logs, else in the unit), and what the second look needs."""
    declared, rule = lab.characteristic(characteristic), lab.conditioning_for(characteristic)
    assert rule is not None  # Only the sessions of a rule have a humidity.
    log = declared.scale == "log"

    def told(slope: float) -> float | None:
        return number(100.0 * float(np.expm1(slope)) if log else slope)

    ends = told(found.lower), told(found.upper)
    small = SMALL_PERCENT if log else SMALL_SIGMAS * found.residual
    matters = found.lower > 0 or found.upper < 0
    return {
        "slope": told(found.slope),
        "slope_low": ends[0],
        "slope_high": ends[1],
        "slope_unit": "%" if log else declared.unit,
        "lots": found.lots,
        "matters": matters,
        "known": matters or all(end is not None and abs(end) <= small for end in ends),
        "adjusted_to": rule.humidity_percent,
        "by_percent": found.slope,
    }
