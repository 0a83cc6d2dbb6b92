"""How much a product's level moves with humidity inside its tolerance: estimated, stored, shown as a second look.

The record is what was measured. Beside it stands what each lot would read at the declared humidity, where the lots show
that humidity matters.
"""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.evaluating import as_json
from ingest.lab import Lab
from ingest.results import number
from spc.humidity import Sensitivity, humidity_sensitivity
from spc.verdicts import to_unit

__all__ = ["tell_humidity"]

Document = dict[str, Any]

# A stream's level wanders over a year: only lots of one quarter are held against each other.
QUARTER_US = 13 * 7 * 24 * 3_600_000_000

LOTS_SQL = """
SELECT p.stream_id, p.ordinal, p.tested_us, s.level, s.humidity_mean, s.conditioning
FROM point p JOIN session s ON s.id = p.session_id JOIN stream t ON t.id = p.stream_id
WHERE t.product = ? AND t.characteristic = ? ORDER BY p.stream_id, p.ordinal
"""


def tell_humidity(connection: Connection, lab: Lab, evaluated: set[int]) -> None:
    """Estimate it again for the products of these streams, and store it with all streams of the product."""
    rows = connection.exec_driver_sql("SELECT id, product, characteristic FROM stream").fetchall()
    for product, characteristic in sorted({(str(row[1]), str(row[2])) for row in rows if row[0] in evaluated}):
        _tell(connection, lab, product, characteristic)


def _tell(connection: Connection, lab: Lab, product: str, characteristic: str) -> None:
    rows = [tuple(row) for row in connection.exec_driver_sql(LOTS_SQL, (product, characteristic))]
    lots = pd.DataFrame(rows, columns=["stream", "ordinal", "tested_us", "level", "humidity", "conditioning"])
    lots = lots.astype({"level": np.float64, "humidity": np.float64})
    usable = lots[(lots["conditioning"] == "valid") & lots["level"].notna() & lots["humidity"].notna()]
    block = usable["tested_us"] // QUARTER_US
    groups = [f"{stream}:{number}" for stream, number in zip(usable["stream"], block, strict=True)]
    found = humidity_sensitivity(usable["level"].to_numpy(), usable["humidity"].to_numpy(), groups)
    for stream, own in lots.groupby("stream"):
        _store(connection, int(str(stream)), _document(lab, characteristic, found, own))


def _store(connection: Connection, stream: int, humidity: Document | None) -> None:
    """Lay it into the document of the stream."""
    stored = connection.exec_driver_sql("SELECT document FROM evaluation WHERE stream_id = ?", (stream,)).scalar()
    document = as_json({**json.loads(str(stored)), "humidity": humidity})
    connection.exec_driver_sql("UPDATE evaluation SET document = ? WHERE stream_id = ?", (document, stream))


def _document(lab: Lab, characteristic: str, found: Sensitivity | None, lots: pd.DataFrame) -> Document | None:
    """The slope a percent of humidity (in percent where charted in logs, else in the unit), and the second look."""
    if found is None:
        return None
    declared = lab.characteristic(characteristic)
    log = declared.scale == "log"

    def told(slope: float) -> float | None:
        return number(100.0 * float(np.expm1(slope)) if log else slope)

    standard = lab.conditioning_for(characteristic).humidity_percent
    matters = found.lower > 0 or found.upper < 0
    adjusted = lots["level"].to_numpy() - found.slope * (lots["humidity"].to_numpy() - standard)
    shown = [number(value) for value in to_unit(adjusted, declared.scale)]
    return {
        "slope": told(found.slope),
        "slope_low": told(found.lower),
        "slope_high": told(found.upper),
        "slope_unit": "%" if log else declared.unit,
        "lots": found.lots,
        "matters": matters,
        "adjusted_to": standard,
        "adjusted": shown if matters else [None] * len(shown),
    }
