"""Typed rows to rows of the store: names become numbers, and what hangs on new rows is noted to be derived again."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Connection

from ingest.intake.staging import StagedRows
from ingest.store import schema
from ingest.store.store import ids_of, insert_many, label_ids

__all__ = ["add_climate", "add_readings"]

Ints = NDArray[np.int64]

LABELS = ("chamber", "instrument", "operator", "load")


def add_readings(connection: Connection, arrivals: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the readings of one piece; `rows` has the columns of `feeds.read_tests`.

    All lots with a new reading are noted in `stale_lot`.
    """
    if rows.empty:
        return
    newest_lot = connection.exec_driver_sql("SELECT max(id) FROM lot").scalar() or 0
    keyed = _keyed(connection, drop_id, rows)
    # A lot that came with this piece can't be known.
    new = arrivals.add(keyed, keyed["lot_id"].to_numpy() <= newest_lot)
    lots = new[["stream_id", "lot_id"]].drop_duplicates()
    insert_many(
        connection,
        "INSERT INTO stale_lot (stream_id, lot_id) VALUES (?, ?) ON CONFLICT DO NOTHING",
        list(zip(lots["stream_id"].tolist(), lots["lot_id"].tolist(), strict=True)),
    )


def _keyed(connection: Connection, drop_id: int, rows: pd.DataFrame) -> pd.DataFrame:
    """The rows with ids for names, in the order of the table's key, so that pages are filled one after another."""
    keyed = pd.DataFrame(
        {
            "stream_id": _stream_ids(connection, rows),
            "lot_id": _lot_ids(connection, rows),
            "tested_us": rows["tested_at_us"].to_numpy(np.int64),
            "specimen": rows["specimen"].to_numpy(np.int64),
            "reading": rows["reading"].to_numpy(np.int64),
            "value": rows["value"].to_numpy(np.float64),
            "bound": rows["bound"].to_numpy(np.int64),
            "written": rows["written"].array,
            **{f"{kind}_id": _label_codes(connection, kind, rows[kind]) for kind in LABELS},
            "drop_id": np.int64(drop_id),
            "line": rows["line"].to_numpy(np.int64),
            "notes": rows["notes"].array,
        }
    )
    identity = ["stream_id", "lot_id", "tested_us", "specimen", "reading"]
    return keyed.sort_values(identity, kind="stable", ignore_index=True)


def _codes(rows: pd.DataFrame, columns: tuple[str, ...]) -> tuple[Ints, list[tuple[str, ...]]]:
    """A code a row and the distinct keys that the codes count, found without a Python loop over the rows."""
    code = np.zeros(len(rows), dtype=np.int64)
    for column in columns:
        part, names = pd.factorize(rows[column])
        code = pd.factorize(code * len(names) + part)[0]
    first = np.unique(code, return_index=True)[1]
    distinct = rows.iloc[first]
    return code, list(zip(*(distinct[column].astype(object) for column in columns), strict=True))


def _stream_ids(connection: Connection, rows: pd.DataFrame) -> Ints:
    columns = ("supplier", "product", "characteristic")
    code, keys = _codes(rows, columns)
    found = ids_of(connection, schema.stream, keys, columns)
    return np.array([found[key] for key in keys], dtype=np.int64)[code]


def _lot_ids(connection: Connection, rows: pd.DataFrame) -> Ints:
    columns = ("supplier", "product", "lot")
    code, keys = _codes(rows, columns)
    found = ids_of(connection, schema.lot, keys, columns)
    ids = np.array([found[key] for key in keys], dtype=np.int64)
    for column in ("received_on", "made_on"):
        _note_dates(connection, column, ids[code], rows[column])
    return ids[code]


def _note_dates(connection: Connection, column: str, lots: Ints, days: pd.Series) -> None:
    """Note the last day that the rows name for each lot; a blank one takes nothing away."""
    filled = np.flatnonzero((days != "").to_numpy())
    said = dict(zip(lots[filled].tolist(), days.iloc[filled].astype(object), strict=True))
    insert_many(connection, f"UPDATE lot SET {column} = ? WHERE id = ?", [(day, lot) for lot, day in said.items()])


def _label_codes(connection: Connection, kind: str, texts: pd.Series) -> Ints:
    code, names = pd.factorize(texts)
    found = label_ids(connection, kind, [str(name) for name in names])
    return np.array([found[str(name)] for name in names], dtype=np.int64)[code]


# Climate


def add_climate(connection: Connection, arrivals: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the log entries of one piece; `rows` has the columns of `feeds.read_climate`.

    What is new is noted in `stale_climate`, a stretch a chamber, so that the sessions in its reach are judged again.
    """
    if rows.empty:
        return
    entries = _entries(connection, drop_id, rows)
    new = arrivals.add(entries, _may_be_known(connection, entries))
    insert_many(
        connection, "INSERT INTO stale_climate (chamber_id, from_us, to_us) VALUES (?, ?, ?)", list(_stretches(new))
    )


def _entries(connection: Connection, drop_id: int, rows: pd.DataFrame) -> pd.DataFrame:
    """The entries in the order of the table's key."""
    told = {
        "chamber_id": _label_codes(connection, "chamber", rows["chamber"]),
        "logged_us": rows["logged_at_us"].to_numpy(np.int64),
        "humidity_percent": rows["humidity_percent"].to_numpy(np.float64),
        "temperature_c": rows["temperature_c"].to_numpy(np.float64),
        "drop_id": np.int64(drop_id),
        "line": rows["line"].to_numpy(np.int64),
    }
    return pd.DataFrame(told).sort_values(["chamber_id", "logged_us"], kind="stable", ignore_index=True)


def _may_be_known(connection: Connection, entries: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the entries that are not later than all of their chamber: a log mostly goes on where it ended."""
    known = np.zeros(len(entries), dtype=bool)
    chambers, logged = entries["chamber_id"].to_numpy(), entries["logged_us"].to_numpy()
    for chamber in np.unique(chambers).tolist():
        sql = "SELECT max(logged_us) FROM climate WHERE chamber_id = ?"
        newest = connection.exec_driver_sql(sql, (chamber,)).scalar()
        if newest is not None:
            known |= (chambers == chamber) & (logged <= newest)
    return known


def _stretches(entries: pd.DataFrame) -> Iterator[tuple[int, int, int]]:
    """Chamber, first and last time of the entries, a chamber each."""
    ends = entries.groupby("chamber_id")["logged_us"].agg(["min", "max"])
    for chamber, first, last in ends.itertuples(name=None):
        yield int(chamber), int(first), int(last)
