"""The document of `lotdrift stream`: one stream, lot by lot. No figure is computed here."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import Connection

from dashboard.queries.stored_documents import iso, rows_of, with_times
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.evaluation.humidity_effect import humidity_of

__all__ = ["stream"]

Document = dict[str, Any]


def stream(connection: Connection, lab: Lab, supplier: str, product: str, characteristic: str) -> Document:
    """One stream, point by point: the document of `lotdrift stream`; CallError if there is no such stream."""
    rows = rows_of(
        connection,
        "SELECT s.id, e.document FROM stream s JOIN evaluation e ON e.stream_id = s.id "
        "WHERE s.supplier = :supplier AND s.product = :product AND s.characteristic = :characteristic",
        supplier=supplier,
        product=product,
        characteristic=characteristic,
    )
    if not rows:
        raise CallError(
            f'stream: not found: supplier "{supplier}", product "{product}", characteristic "{characteristic}"; '
            "lotdrift board lists them all"
        )
    points = rows_of(
        connection, "SELECT tested_us, document FROM point WHERE stream_id = :id ORDER BY ordinal", id=rows[0]["id"]
    )
    stored = json.loads(rows[0]["document"])
    humidity, adjusted = humidity_of(connection, lab, rows[0]["id"])
    return {
        "supplier": supplier,
        "product": product,
        "characteristic": characteristic,
        **with_times({**stored, "humidity": humidity}, lab),
        "points": [
            {"tested_at": iso(row["tested_us"], lab.zone), **json.loads(row["document"]), "adjusted_level": level}
            for row, level in zip(points, adjusted, strict=True)
        ],
    }
