"""A store of thousands of streams, for the benchmark of the pages.

A lab of one part is simulated (log-normal lots about a level of each stream's own, one in ten drifting) and goes through a real
round; then its rows are copied with new ids and suppliers, until there are as many streams as asked for. So every stream has
readings, sessions, points, an evaluation and its alerts as a round writes them, but one part looks like the next.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from sqlalchemy import Connection
from support.labs import Bench, lot_rows

from ingest.common.clock import now
from ingest.store.schema import metadata
from ingest.store.store import known_store

__all__ = ["SUPPLIERS", "lab_of_many_streams", "lot_name", "supplier_name"]

SUPPLIERS, PRODUCTS, LOTS, DRIFTING = 5, 20, 200, 10
# Which columns hold an id of a row that is copied too, beside the `id` of the table itself.
MOVED = {
    "stream": (), "lot": (), "session": ("stream_id", "lot_id"), "reading": ("stream_id", "lot_id"),
    "point": ("stream_id", "session_id"), "evaluation": ("stream_id",), "alert": ("stream_id",),
}  # fmt: skip
# Further apart than any two ids of one part.
STEP = 1_000_000


def supplier_name(part: int, number: int) -> str:
    """A supplier of the lab: `number` counts within a part."""
    return f"Simulated {part:02}-{number}"


def lot_name(product: int, number: int) -> str:
    """A lot of a supplier: `number` counts within a product, in order of time."""
    return f"L{product:02}{number:03}"


def lab_of_many_streams(folder: Path, parts: int) -> Path:
    """A lab folder whose store holds `parts` times `SUPPLIERS * PRODUCTS` streams of `LOTS` lots."""
    bench = Bench(folder)
    last = now().replace(minute=0, second=0, microsecond=0) - timedelta(days=2)
    first = last - timedelta(weeks=LOTS - 1)
    bench.drop_climate("log.csv", first - timedelta(days=4), 24.0 * (7 * LOTS + 4))
    for number in range(SUPPLIERS):
        bench.drop_tests(f"s{number}.csv", _tests(number, first))
    bench.run(now())
    store = known_store(folder)
    assert store is not None
    with store.writing() as connection:
        for part in range(1, parts):
            _copy(connection, part)
    store.close()
    return folder


def _tests(number: int, first: datetime) -> Iterator[dict[str, object]]:
    """Every lot of one supplier, two bags of two readings each."""
    rng = np.random.default_rng(number)
    for product in range(PRODUCTS):
        drift = 0.01 if product % DRIFTING == 0 else 0.0
        levels = rng.uniform(6, 10) * np.exp(np.maximum(np.arange(LOTS) - (LOTS - 50), 0) * drift)
        for lot, level in enumerate(levels):
            day = first + timedelta(weeks=lot, minutes=10 * product)
            energies = (level * np.exp(rng.normal(0, 0.1, (2, 1)) + rng.normal(0, 0.05, (2, 2)))).round(3)
            yield from lot_rows(
                lot_name(product, lot),
                day,
                energies.tolist(),
                supplier=supplier_name(0, number),
                product=f"P{product:02}",
            )


def _copy(connection: Connection, part: int) -> None:
    """The rows of part 0 once more, under the suppliers of another part."""
    for name, moved in MOVED.items():
        columns = [column.name for column in metadata.tables[name].columns]
        values = ", ".join(_copied(name, column, moved, part) for column in columns)
        ids = {"stream": "id", "lot": "id", "session": "id"}.get(name, "stream_id")
        connection.exec_driver_sql(
            f"INSERT INTO {name} ({', '.join(columns)}) SELECT {values} FROM {name} WHERE {ids} < {STEP}"
        )


def _copied(table: str, column: str, moved: tuple[str, ...], part: int) -> str:
    """What a copied row has in a column, as SQL."""
    if column in moved or (column == "id" and table != "alert"):
        return f"{column} + {part * STEP}"
    if column == "id":
        return f"id || '-{part}'"
    if column in ("supplier", "message", "evidence", "held_under"):
        return f"replace({column}, 'Simulated 00-', 'Simulated {part:02}-')"
    return column
