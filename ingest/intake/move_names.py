"""Move what is stored under a name that `lab.toml` declares as an alias to the right name.

Readings, counts, events of loads and captures of a lot move together. A reading that is stored under both names is one reading: the
same value is kept once, and of two values the later one counts, as with a correction. Nothing is lost: the notes keep the name as
written, and the value that gives way stays in the record.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, text

from ingest.common.instants import microseconds
from ingest.common.text import quoted
from ingest.config.lab import Lab
from ingest.config.models import Alias
from ingest.intake.staging import CAPTURES, LOAD_EVENTS, READINGS, STOCK_COUNTS, TableSpec
from ingest.store import schema
from ingest.store.store import ids_of, insert_many

__all__ = ["move_names"]

Names = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class _Move:
    """The columns of the key that change, as they are and as they become."""

    before: Mapping[str, int]
    after: Mapping[str, int]


def move_names(connection: Connection, lab: Lab, now: datetime) -> list[str]:
    """Move every lot that is stored under an alias; one line for each alias that moved something."""
    lines = []
    for alias in lab.aliases:
        lots = [
            row
            for row in _lots(connection, alias)
            if lab.right_names(*row[1:]) != row[1:] and _holds_rows(connection, row[0])
        ]
        for number, *names in lots:
            _move_lot(connection, number, (names[0], names[1], names[2]), lab.right_names(*names), microseconds(now))
        captured = _move_captures(connection, lab, alias, microseconds(now))
        if lots or captured:
            what = "1 lot" if len(lots) == 1 else f"{len(lots)} lots"
            lines.append(f"{alias.column} {quoted(alias.written)} is read as {quoted(alias.name)}: {what} moved")
    return lines


def _lots(connection: Connection, alias: Alias) -> list[tuple[int, str, str, str]]:
    rows = connection.exec_driver_sql(
        f"SELECT id, supplier, product, lot FROM lot WHERE {alias.column} = ? ORDER BY id", (alias.written,)
    )
    return [(row[0], row[1], row[2], row[3]) for row in rows]


def _holds_rows(connection: Connection, lot: int) -> bool:
    """Whether a lot has a session, a count or an event; a lot that was moved has none."""
    return any(
        connection.exec_driver_sql(f"SELECT 1 FROM {table} WHERE lot_id = ? LIMIT 1", (lot,)).first() is not None
        for table in ("session", "stale_lot", "stock_count", "load_event")
    )


def _move_lot(connection: Connection, lot: int, written: Names, right: Names, now_us: int) -> None:
    target = ids_of(connection, schema.lot, [right], ("supplier", "product", "lot"))[right]
    for column in ("received_on", "made_on"):
        connection.exec_driver_sql(
            f"UPDATE lot SET {column} = (SELECT {column} FROM lot WHERE id = ?) WHERE id = ? AND {column} = ''",
            (lot, target),
        )
    streams = connection.exec_driver_sql(
        "SELECT id, characteristic FROM stream WHERE supplier = ? AND product = ?", written[:2]
    ).fetchall()
    for stream, characteristic in streams:
        if not connection.exec_driver_sql(
            "SELECT 1 FROM reading WHERE stream_id = ? AND lot_id = ? LIMIT 1", (stream, lot)
        ).first():
            continue
        key = (right[0], right[1], characteristic)
        other = ids_of(connection, schema.stream, [key], ("supplier", "product", "characteristic"))[key]
        _note_written(connection, stream, lot, written, right)
        move = _Move({"stream_id": stream, "lot_id": lot}, {"stream_id": other, "lot_id": target})
        _move(connection, READINGS, move, now_us)
        stale = [tuple(move.before.values()), tuple(move.after.values())]
        insert_many(connection, "INSERT INTO stale_lot (stream_id, lot_id) VALUES (?, ?) ON CONFLICT DO NOTHING", stale)
    lots = _Move({"lot_id": lot}, {"lot_id": target})
    _move(connection, STOCK_COUNTS, lots, now_us)
    connection.exec_driver_sql(
        "INSERT INTO stale_load (load_id) SELECT DISTINCT load_id FROM load_event WHERE lot_id = ? ON CONFLICT DO NOTHING",
        (lot,),
    )
    _move(connection, LOAD_EVENTS, lots, now_us)
    insert_many(connection, "INSERT INTO stale_stock (lot_id) VALUES (?) ON CONFLICT DO NOTHING", [(lot,), (target,)])
    # The search finds the lot, and a product or supplier without another lot, under the right name only.
    connection.exec_driver_sql("DELETE FROM lot_source WHERE lot_id = ?", (lot,))
    connection.exec_driver_sql(
        "DELETE FROM search_name WHERE kind = 'lot' AND supplier = ? AND product = ? AND name = ?", written
    )
    for kind, product in (("product", written[1]), ("supplier", "")):
        connection.exec_driver_sql(
            "DELETE FROM search_name WHERE kind = ? AND supplier = ? AND product = ? AND NOT EXISTS (SELECT 1 FROM search_name AS other "
            "WHERE other.kind = 'lot' AND other.supplier = search_name.supplier AND search_name.product IN ('', other.product))",
            (kind, written[0], product),
        )


def _note_written(connection: Connection, stream: int, lot: int, written: Names, right: Names) -> None:
    """Keep the names as written in the notes of the readings."""
    named = zip(("supplier", "product", "lot"), written, right, strict=True)
    note = json.dumps({f"{name} as written": old for name, old, new in named if old != new}, ensure_ascii=False)
    connection.exec_driver_sql(
        "UPDATE reading SET notes = CASE WHEN notes = '' THEN ? ELSE ? || substr(notes, 2) END WHERE stream_id = ? AND lot_id = ?",
        (note, f"{note[:-1]}, ", stream, lot),
    )


def _move(connection: Connection, spec: TableSpec, move: _Move, now_us: int) -> None:
    """Move the rows of a table and of its history; of two rows that become one the later counts."""
    if move.before == move.after:
        return
    table, history = spec.table.name, spec.history
    rest = [name for name in spec.identity if name not in move.before]
    values = {
        **{f"before_{name}": value for name, value in move.before.items()},
        **{f"after_{name}": value for name, value in move.after.items()},
        "now_us": now_us,
    }
    # `old` stands under the alias and `new` under the right name.
    pairs = (
        f"{table} AS old JOIN {table} AS new ON {' AND '.join(f'new.{name} = old.{name}' for name in rest)} WHERE "
        + " AND ".join(f"old.{name} = :before_{name} AND new.{name} = :after_{name}" for name in move.before)
    )
    kept = [column.name for column in history.columns if column.name in spec.columns]
    differ = " OR ".join(f"old.{name} <> new.{name}" for name in spec.measured)
    for loser, winner, later in (
        ("new", "old", "old.drop_id > new.drop_id"),
        ("old", "new", "old.drop_id <= new.drop_id"),
    ):
        selected = ", ".join(
            f"CAST(:after_{name} AS BIGINT)" if name in move.after and loser == "old" else f"{loser}.{name}"
            for name in kept
        )
        connection.execute(
            text(
                f"INSERT INTO {history.name} ({', '.join(kept)}, replaced_by_drop_id, replaced_us) "
                f"SELECT {selected}, {winner}.drop_id, CAST(:now_us AS BIGINT) FROM {pairs} AND {later} AND ({differ})"
            ),
            values,
        )
        side = "after" if loser == "new" else "before"
        here = " AND ".join(f"{table}.{name} = :{side}_{name}" for name in move.before)
        same = " AND ".join(f"{loser}.{name} = {table}.{name}" for name in rest)
        connection.execute(
            text(f"DELETE FROM {table} WHERE {here} AND EXISTS (SELECT 1 FROM {pairs} AND {later} AND {same})"), values
        )
    sets = ", ".join(f"{name} = :after_{name}" for name in move.after)
    where = " AND ".join(f"{name} = :before_{name}" for name in move.before)
    for name in (table, history.name):
        connection.execute(text(f"UPDATE {name} SET {sets} WHERE {where}"), values)


def _move_captures(connection: Connection, lab: Lab, alias: Alias, now_us: int) -> bool:
    """Move captures, which name a supplier and a lot; whether there were any."""
    if alias.column == "product":
        return False
    rows = connection.exec_driver_sql(
        f"SELECT n.id, n.supplier, n.lot FROM captured_lot n WHERE n.{alias.column} = ? "
        "AND EXISTS (SELECT 1 FROM capture c WHERE c.captured_lot_id = n.id)",
        (alias.written,),
    ).fetchall()
    moved = False
    for number, supplier, lot in rows:
        right = lab.right_names(supplier, alias.product or "", lot)
        key = (right[0], right[2])
        if key == (supplier, lot):
            continue
        target = ids_of(connection, schema.captured_lot, [key], ("supplier", "lot"))[key]
        _move(connection, CAPTURES, _Move({"captured_lot_id": number}, {"captured_lot_id": target}), now_us)
        insert_many(
            connection,
            "INSERT INTO stale_capture (captured_lot_id) VALUES (?) ON CONFLICT DO NOTHING",
            [(number,), (target,)],
        )
        moved = True
    return moved
