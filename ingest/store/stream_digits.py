"""The significant digits of streams, as their rows on the board hold them."""

from __future__ import annotations

import json
from collections.abc import Iterable

from sqlalchemy import Connection, bindparam, text

from ingest.common.number_format import LEAST_DIGITS, digits_of

__all__ = ["stored_digits"]


def stored_digits(connection: Connection, streams: Iterable[int]) -> dict[int, int]:
    """Digits of each of these streams; the fewest for one that is not evaluated."""
    wanted = set(streams)
    query = text("SELECT stream_id, board FROM evaluation WHERE stream_id IN :streams").bindparams(
        bindparam("streams", expanding=True)
    )
    rows = connection.execute(query, {"streams": sorted(wanted)}).fetchall() if wanted else []
    return dict.fromkeys(wanted, LEAST_DIGITS) | {row.stream_id: digits_of(json.loads(row.board)) for row in rows}
