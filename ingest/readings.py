"""Typed rows into the store: each row counted once as stored, duplicate or corrected, and the lots it touches noted.

A reading is known by its identity (stream, lot, time, specimen, reading). The rows go in with one statement that steps
over identities that are there already; only when some were are those looked at one by one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest import schema
from ingest.store import ids_of, insert_many, label_ids

__all__ = ["Counts", "store_climate", "store_readings"]

LABELS = ("chamber", "instrument", "operator", "load")
IDENTITY = ("stream_id", "lot_id", "tested_us", "specimen", "reading")
SAID = (
    "value",
    "bound",
    "written",
    "chamber_id",
    "instrument_id",
    "operator_id",
    "load_id",
    "drop_id",
    "line",
    "notes",
)
COLUMNS = IDENTITY + SAID


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of the data rows of one drop."""

    stored: int = 0
    duplicate: int = 0
    corrected: int = 0


def store_readings(connection: Connection, drop_id: int, rows: pd.DataFrame, now_us: int) -> Counts:
    """Store the readings of one drop; `rows` has the columns of `feeds.read_tests`.

    A correction keeps what the reading said before in `earlier_value`. All lots with a new or changed value are noted
    in `stale_lot`.
    """
    if rows.empty:
        return Counts()
    keyed = _keyed(connection, drop_id, rows)
    stored = insert_many(connection, _insert_reading(), list(keyed.itertuples(index=False, name=None)))
    if stored == len(keyed):
        _note_stale(connection, keyed)
        return _count(keyed["line"], np.full(len(keyed), "stored", dtype=object))
    fate = _settle_known(connection, drop_id, keyed, now_us)
    _note_stale(connection, keyed[fate != "duplicate"])
    return _count(keyed["line"], fate)


def _insert_reading() -> str:
    marks = ", ".join("?" * len(COLUMNS))
    return f"INSERT INTO reading ({', '.join(COLUMNS)}) VALUES ({marks}) ON CONFLICT DO NOTHING"


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
            "written": rows["written"].astype(object).to_numpy(),
            **{f"{kind}_id": _label_codes(connection, kind, rows[kind]) for kind in LABELS},
            "drop_id": drop_id,
            "line": rows["line"].to_numpy(np.int64),
            "notes": rows["notes"].astype(object).to_numpy(),
        }
    )
    return keyed[list(COLUMNS)].sort_values(list(IDENTITY), kind="stable", ignore_index=True)


def _codes(rows: pd.DataFrame, columns: tuple[str, ...]) -> tuple[np.ndarray, list[tuple[str, ...]]]:
    """A code a row and the distinct keys that the codes count, found without a Python loop over the rows."""
    code = np.zeros(len(rows), dtype=np.int64)
    for column in columns:
        part, names = pd.factorize(rows[column])
        code = pd.factorize(code * len(names) + part)[0]
    first = np.unique(code, return_index=True)[1]
    distinct = rows.iloc[first]
    return code, list(zip(*(distinct[column].astype(object) for column in columns), strict=True))


def _stream_ids(connection: Connection, rows: pd.DataFrame) -> np.ndarray:
    columns = ("supplier", "product", "characteristic")
    code, keys = _codes(rows, columns)
    found = ids_of(connection, schema.stream, keys, columns)
    return np.array([found[key] for key in keys], dtype=np.int64)[code]


def _lot_ids(connection: Connection, rows: pd.DataFrame) -> np.ndarray:
    columns = ("supplier", "product", "lot")
    code, keys = _codes(rows, columns)
    found = ids_of(connection, schema.lot, keys, columns)
    ids = np.array([found[key] for key in keys], dtype=np.int64)
    first = np.unique(code, return_index=True)[1]
    dates = rows.iloc[first][["received_on", "made_on"]].astype(object)
    # A date that a later drop brings is taken; a blank one takes nothing away.
    known = [
        (received, made, int(number))
        for received, made, number in zip(dates["received_on"], dates["made_on"], ids, strict=True)
        if received or made
    ]
    insert_many(
        connection,
        "UPDATE lot SET received_on = coalesce(nullif(?, ''), received_on), made_on = coalesce(nullif(?, ''), made_on) "
        "WHERE id = ?",
        known,
    )
    return ids[code]


def _label_codes(connection: Connection, kind: str, texts: pd.Series) -> np.ndarray:
    code, names = pd.factorize(texts)
    found = label_ids(connection, kind, [str(name) for name in names])
    return np.array([found[str(name)] for name in names], dtype=np.int64)[code]


def _settle_known(connection: Connection, drop_id: int, keyed: pd.DataFrame, now_us: int) -> np.ndarray:
    """The fate of each row where some identities were in the store before; corrections are carried out."""
    marks = ", ".join("?" * (len(IDENTITY) + 1))
    connection.exec_driver_sql(
        "CREATE TEMP TABLE IF NOT EXISTS arrived (row INTEGER, stream_id, lot_id, tested_us, specimen, reading)"
    )
    connection.exec_driver_sql("DELETE FROM arrived")
    arrived = keyed[list(IDENTITY)]
    insert_many(connection, f"INSERT INTO arrived VALUES ({marks})", list(arrived.itertuples(index=True, name=None)))
    before = connection.exec_driver_sql(
        "SELECT a.row, r.value, r.bound FROM arrived a JOIN reading r USING (stream_id, lot_id, tested_us, specimen, reading) "
        "WHERE r.drop_id <> ?",
        (drop_id,),
    ).fetchall()
    fate = np.full(len(keyed), "stored", dtype=object)
    value, bound = keyed["value"].to_numpy(), keyed["bound"].to_numpy()
    for row, old_value, old_bound in before:
        same = old_value == value[row] and old_bound == bound[row]
        fate[row] = "duplicate" if same else "corrected"
    _correct(connection, keyed[fate == "corrected"], now_us)
    return fate


def _correct(connection: Connection, rows: pd.DataFrame, now_us: int) -> None:
    match = " AND ".join(f"{name} = ?" for name in IDENTITY)
    identities = list(rows[list(IDENTITY)].itertuples(index=False, name=None))
    drops = rows["drop_id"].tolist()
    insert_many(
        connection,
        "INSERT INTO earlier_value (stream_id, lot_id, tested_us, specimen, reading, value, bound, written, drop_id, line, "
        "replaced_by_drop_id, replaced_us) SELECT stream_id, lot_id, tested_us, specimen, reading, value, bound, written, "
        f"drop_id, line, ?, ? FROM reading WHERE {match}",
        [(drop, now_us, *identity) for drop, identity in zip(drops, identities, strict=True)],
    )
    sets = ", ".join(f"{name} = ?" for name in SAID)
    said = list(rows[list(SAID)].itertuples(index=False, name=None))
    insert_many(
        connection,
        f"UPDATE reading SET {sets} WHERE {match}",
        [values + identity for values, identity in zip(said, identities, strict=True)],
    )


def _note_stale(connection: Connection, keyed: pd.DataFrame) -> None:
    lots = keyed[["stream_id", "lot_id"]].drop_duplicates()
    insert_many(
        connection,
        "INSERT INTO stale_lot (stream_id, lot_id) VALUES (?, ?) ON CONFLICT DO NOTHING",
        list(lots.itertuples(index=False, name=None)),
    )


def _count(lines: pd.Series, fate: np.ndarray) -> Counts:
    """Counts by data row: a wide row makes several readings and counts by the strongest of their fates."""
    rank = pd.Series(pd.Categorical(fate, categories=["duplicate", "stored", "corrected"]).codes)
    strongest = rank.groupby(lines.to_numpy()).max().value_counts()
    return Counts(
        stored=int(strongest.get(1, 0)), duplicate=int(strongest.get(0, 0)), corrected=int(strongest.get(2, 0))
    )


def store_climate(connection: Connection, drop_id: int, rows: pd.DataFrame) -> Counts:
    """Store the log entries of one drop; `rows` has the columns of `feeds.read_climate`.

    An entry is known by chamber and time. Another value for a known entry is a correction. What is new is noted in
    `stale_climate`, a stretch a chamber, so that the sessions in its reach are judged again.
    """
    if rows.empty:
        return Counts()
    entries = pd.DataFrame(
        {
            "chamber_id": _label_codes(connection, "chamber", rows["chamber"]),
            "logged_us": rows["logged_at_us"].to_numpy(np.int64),
            "humidity_percent": rows["humidity_percent"].to_numpy(np.float64),
            "temperature_c": rows["temperature_c"].to_numpy(np.float64),
            "line": rows["line"].to_numpy(np.int64),
        }
    ).sort_values(["chamber_id", "logged_us"], kind="stable", ignore_index=True)
    stretches = entries.groupby("chamber_id")["logged_us"].agg(["min", "max"])
    known = _known_entries(connection, stretches)
    merged = entries.merge(known, how="left", on=["chamber_id", "logged_us"], suffixes=("", "_known"))
    new = merged["humidity_percent_known"].isna().to_numpy()
    same = (
        (merged["humidity_percent"] == merged["humidity_percent_known"])
        & (merged["temperature_c"] == merged["temperature_c_known"])
    ).to_numpy()
    changed = entries[~same]
    insert_many(
        connection,
        "INSERT INTO climate (chamber_id, logged_us, humidity_percent, temperature_c, line, drop_id) VALUES (?, ?, ?, ?, ?, ?) "
        "ON CONFLICT (chamber_id, logged_us) DO UPDATE SET humidity_percent = excluded.humidity_percent, "
        "temperature_c = excluded.temperature_c, line = excluded.line, drop_id = excluded.drop_id",
        [(*row, drop_id) for row in changed.itertuples(index=False, name=None)],
    )
    moved = changed.groupby("chamber_id")["logged_us"].agg(["min", "max"])
    insert_many(
        connection,
        "INSERT INTO stale_climate (chamber_id, from_us, to_us) VALUES (?, ?, ?)",
        [(int(chamber), int(low), int(high)) for chamber, low, high in moved.itertuples(name=None)],
    )
    return Counts(stored=int(new.sum()), duplicate=int(same.sum()), corrected=int((~new & ~same).sum()))


def _known_entries(connection: Connection, stretches: pd.DataFrame) -> pd.DataFrame:
    parts = [
        connection.exec_driver_sql(
            "SELECT chamber_id, logged_us, humidity_percent, temperature_c FROM climate "
            "WHERE chamber_id = ? AND logged_us BETWEEN ? AND ?",
            (int(chamber), int(low), int(high)),
        ).fetchall()
        for chamber, low, high in stretches.itertuples(name=None)
    ]
    columns = ["chamber_id", "logged_us", "humidity_percent", "temperature_c"]
    return pd.DataFrame([tuple(row) for part in parts for row in part], columns=columns).astype(
        {"chamber_id": np.int64, "logged_us": np.int64, "humidity_percent": float, "temperature_c": float}
    )
