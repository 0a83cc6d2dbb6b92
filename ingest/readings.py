"""Typed rows into the store: each row counted once as stored, duplicate or corrected, and the lots it touches noted.

A reading is known by its identity (stream, lot, time, specimen, reading). Only lots that were there before can hold it
already, so only theirs are looked up; whatever is new goes in in the order of the table's key.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray
from sqlalchemy import Connection

from ingest import schema
from ingest.dialect import among, insert_frame, upsert_frame
from ingest.progress import Watch, unwatched
from ingest.store import KEYS_AT_ONCE, fetch_frame, ids_of, insert_many, label_ids

__all__ = ["Counts", "store_climate", "store_readings"]

Ints = NDArray[np.int64]

LABELS = ("chamber", "instrument", "operator", "load")
IDENTITY = ("stream_id", "lot_id", "tested_us", "specimen", "reading")
SAID = (
    "value", "bound", "written", "chamber_id", "instrument_id", "operator_id", "load_id", "drop_id", "line", "notes",
)  # fmt: skip
KNOWN = dict.fromkeys(IDENTITY, "i8") | {"value": "f8", "bound": "i8"}
CLIMATE = {"chamber_id": "i8", "logged_us": "i8", "humidity_percent": "f8", "temperature_c": "f8"}
# As Python objects, a million rows at once would take a gigabyte.
ROWS_AT_ONCE = 50_000
# What can become of a reading; of the readings of one wide row the strongest, the last here, counts.
DUPLICATE, STORED, CORRECTED = range(3)


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of the data rows of one drop."""

    stored: int = 0
    duplicate: int = 0
    corrected: int = 0


def store_readings(
    connection: Connection, drop_id: int, rows: pd.DataFrame, now_us: int, watch: Watch = unwatched
) -> Counts:
    """Store the readings of one drop; `rows` has the columns of `feeds.read_tests`.

    A correction keeps what the reading said before in `earlier_value`. All lots with a new or changed value are noted
    in `stale_lot`.
    """
    if rows.empty:
        return Counts()
    newest_lot = connection.exec_driver_sql("SELECT max(id) FROM lot").scalar() or 0
    keyed = _keyed(connection, drop_id, rows)
    fate = _fates(connection, keyed, newest_lot)
    _insert(connection, keyed[fate == STORED], watch)
    _correct(connection, keyed[fate == CORRECTED], now_us)
    _note_stale(connection, keyed[fate != DUPLICATE])
    return _count(keyed["line"].to_numpy(), fate)


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
    return keyed.sort_values(list(IDENTITY), kind="stable", ignore_index=True)


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


# What the store knows already


def _fates(connection: Connection, keyed: pd.DataFrame, newest_lot: int) -> NDArray[np.int8]:
    """What becomes of each row; a lot above `newest_lot` came with this drop and can't be known."""
    fate = np.full(len(keyed), STORED, dtype=np.int8)
    older = np.flatnonzero(keyed["lot_id"].to_numpy() <= newest_lot)
    if not len(older):
        return fate
    told = keyed[list(KNOWN)].iloc[older]
    both = told.merge(_known(connection, told), how="left", on=list(IDENTITY), suffixes=("", "_known"))
    found = both["value_known"].notna().to_numpy()
    same = ((both["value"] == both["value_known"]) & (both["bound"] == both["bound_known"])).to_numpy()
    fate[older[found & same]] = DUPLICATE
    fate[older[found & ~same]] = CORRECTED
    return fate


def _known(connection: Connection, told: pd.DataFrame) -> pd.DataFrame:
    """What the store holds of the streams and lots of `told`."""
    pairs = _lots_in(told)
    parts = []
    for start in range(0, len(pairs), KEYS_AT_ONCE):
        wanted, values = among(connection, pairs[start : start + KEYS_AT_ONCE])
        sql = f"SELECT {', '.join(KNOWN)} FROM reading WHERE (stream_id, lot_id) IN {wanted}"
        parts.append(fetch_frame(connection, sql, values, KNOWN))
    return pd.concat(parts, ignore_index=True)


def _lots_in(keyed: pd.DataFrame) -> list[tuple[int, int]]:
    lots = keyed[["stream_id", "lot_id"]].drop_duplicates()
    return list(zip(lots["stream_id"].tolist(), lots["lot_id"].tolist(), strict=True))


# Writing


def _tuples(rows: pd.DataFrame, columns: tuple[str, ...]) -> list[tuple[object, ...]]:
    lists = [pa.array(rows[name]).to_pylist() for name in columns]
    return list(zip(*lists, strict=True))


def _insert(connection: Connection, rows: pd.DataFrame, watch: Watch) -> None:
    for start in range(0, len(rows), ROWS_AT_ONCE):
        watch("readings stored", start, len(rows))
        insert_frame(connection, "reading", rows.iloc[start : start + ROWS_AT_ONCE])


def _correct(connection: Connection, rows: pd.DataFrame, now_us: int) -> None:
    match = " AND ".join(f"{name} = ?" for name in IDENTITY)
    identities = _tuples(rows, IDENTITY)
    insert_many(
        connection,
        "INSERT INTO earlier_value (stream_id, lot_id, tested_us, specimen, reading, value, bound, written, drop_id, line, "
        "replaced_by_drop_id, replaced_us) SELECT stream_id, lot_id, tested_us, specimen, reading, value, bound, written, "
        f"drop_id, line, ?, ? FROM reading WHERE {match}",
        [(drop, now_us, *identity) for drop, identity in zip(rows["drop_id"].tolist(), identities, strict=True)],
    )
    sets = ", ".join(f"{name} = ?" for name in SAID)
    insert_many(
        connection,
        f"UPDATE reading SET {sets} WHERE {match}",
        [said + identity for said, identity in zip(_tuples(rows, SAID), identities, strict=True)],
    )


def _note_stale(connection: Connection, keyed: pd.DataFrame) -> None:
    noted = {(row[0], row[1]) for row in connection.exec_driver_sql("SELECT stream_id, lot_id FROM stale_lot")}
    fresh = [lot for lot in _lots_in(keyed) if lot not in noted]
    insert_frame(connection, "stale_lot", pd.DataFrame(fresh, columns=["stream_id", "lot_id"]))


def _count(lines: Ints, fate: NDArray[np.int8]) -> Counts:
    """Counts by data row: a wide row makes several readings and counts by the strongest of their fates."""
    none = -1
    strongest = np.full(int(lines.max()) + 1, none, dtype=np.int8)
    np.maximum.at(strongest, lines, fate)
    tally = np.bincount(strongest[strongest > none], minlength=3)
    return Counts(stored=int(tally[STORED]), duplicate=int(tally[DUPLICATE]), corrected=int(tally[CORRECTED]))


# Climate


def store_climate(connection: Connection, drop_id: int, rows: pd.DataFrame) -> Counts:
    """Store the log entries of one drop; `rows` has the columns of `feeds.read_climate`.

    An entry is known by chamber and time. Another value for a known entry is a correction. What is new is noted in
    `stale_climate`, a stretch a chamber, so that the sessions in its reach are judged again.
    """
    if rows.empty:
        return Counts()
    entries = _entries(connection, drop_id, rows)
    both = entries.merge(
        _known_entries(connection, entries), how="left", on=["chamber_id", "logged_us"], suffixes=("", "_known")
    )
    known = both["humidity_percent_known"].notna().to_numpy()
    same = (
        (both["humidity_percent"] == both["humidity_percent_known"])
        & (both["temperature_c"] == both["temperature_c_known"])
    ).to_numpy()
    _write_entries(connection, entries[~same])
    return Counts(stored=int((~known).sum()), duplicate=int(same.sum()), corrected=int((known & ~same).sum()))


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


def _stretches(entries: pd.DataFrame) -> Iterator[tuple[int, int, int]]:
    """Chamber, first and last time of the entries, a chamber each."""
    ends = entries.groupby("chamber_id")["logged_us"].agg(["min", "max"])
    for chamber, first, last in ends.itertuples(name=None):
        yield int(chamber), int(first), int(last)


def _known_entries(connection: Connection, entries: pd.DataFrame) -> pd.DataFrame:
    sql = f"SELECT {', '.join(CLIMATE)} FROM climate WHERE chamber_id = ? AND logged_us BETWEEN ? AND ?"
    parts = [fetch_frame(connection, sql, stretch, CLIMATE) for stretch in _stretches(entries)]
    return pd.concat(parts, ignore_index=True)


def _write_entries(connection: Connection, entries: pd.DataFrame) -> None:
    for start in range(0, len(entries), ROWS_AT_ONCE):
        upsert_frame(connection, "climate", ("chamber_id", "logged_us"), entries.iloc[start : start + ROWS_AT_ONCE])
    insert_many(
        connection, "INSERT INTO stale_climate (chamber_id, from_us, to_us) VALUES (?, ?, ?)", list(_stretches(entries))
    )
