"""Turn typed rows into rows of the store: names become ids, and what depends on new rows is marked as stale."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import Connection, Float, Table, func, select

from ingest.intake.staging import CALIBRATIONS, CAPTURES, CLIMATE, LOAD_EVENTS, READINGS, STOCK_COUNTS, StagedRows
from ingest.store import schema
from ingest.store.store import ids_of, insert_many, label_ids

__all__ = ["add_calibrations", "add_captures", "add_climate", "add_counts", "add_load_events", "add_readings"]

Ints = NDArray[np.int64]

LABELS = ("chamber", "instrument", "operator", "load")


def add_readings(connection: Connection, staged: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the readings of one piece and mark their lots as stale; `rows` has the columns of `parse_file.read_tests`."""
    if rows.empty:
        return
    newest_lot = connection.execute(select(func.coalesce(func.max(schema.lot.c.id), 0))).scalar_one()
    lot_ids = _ids(connection, schema.lot, rows, ("supplier", "product", "lot"))
    for column in ("received_on", "made_on"):
        # The last day named for a lot holds; a blank day changes nothing.
        filled = np.flatnonzero((rows[column] != "").to_numpy())
        days = dict(zip(lot_ids[filled].tolist(), rows[column].iloc[filled].astype(object), strict=True))
        insert_many(connection, f"UPDATE lot SET {column} = ? WHERE id = ?", [(day, lot) for lot, day in days.items()])
    readings = pd.DataFrame(
        {
            "stream_id": _ids(connection, schema.stream, rows, ("supplier", "product", "characteristic")),
            "lot_id": lot_ids,
            "tested_us": rows["tested_at_us"].to_numpy(np.int64),
            "specimen": rows["specimen"].to_numpy(np.int64),
            "reading": rows["reading"].to_numpy(np.int64),
            "value": rows["value"].to_numpy(np.float64),
            "bound": rows["bound"].to_numpy(np.int64),
            "written": rows["written"].array,
            **{f"{kind}_id": _label_ids(connection, kind, rows[kind]) for kind in LABELS},
            "drop_id": np.int64(drop_id),
            "line": rows["line"].to_numpy(np.int64),
            "notes": rows["notes"].array,
        }
    )
    # In the order of the key, pages of the table are filled one after another.
    readings = readings.sort_values(list(READINGS.identity), kind="stable", ignore_index=True)
    # Readings of a lot that is new in this piece can't be stored yet.
    new = staged.add(readings, readings["lot_id"].to_numpy() <= newest_lot)
    lots = new[["stream_id", "lot_id"]].drop_duplicates()
    insert_many(
        connection,
        "INSERT INTO stale_lot (stream_id, lot_id) VALUES (?, ?) ON CONFLICT DO NOTHING",
        list(zip(lots["stream_id"].tolist(), lots["lot_id"].tolist(), strict=True)),
    )


def _ids(connection: Connection, table: Table, rows: pd.DataFrame, columns: tuple[str, ...]) -> Ints:
    """The id of each row's name in a naming table, without a Python loop over the rows."""
    code = np.zeros(len(rows), dtype=np.int64)
    for column in columns:
        part, names = pd.factorize(rows[column])
        code = pd.factorize(code * len(names) + part)[0]
    distinct = rows.iloc[np.unique(code, return_index=True)[1]]
    keys = list(zip(*(distinct[column].astype(object) for column in columns), strict=True))
    ids = ids_of(connection, table, keys, columns)
    return np.array([ids[key] for key in keys], dtype=np.int64)[code]


def _label_ids(connection: Connection, kind: str, texts: pd.Series) -> Ints:
    code, names = pd.factorize(texts)
    ids = label_ids(connection, kind, [str(name) for name in names])
    return np.array([ids[str(name)] for name in names], dtype=np.int64)[code]


def add_climate(connection: Connection, staged: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the log entries of one piece; `rows` has the columns of `parse_file.read_climate`.

    The time span of each chamber's new entries is marked as stale, so that the sessions that need it are judged again.
    """
    if rows.empty:
        return
    entries = pd.DataFrame(
        {
            "chamber_id": _label_ids(connection, "chamber", rows["chamber"]),
            "logged_us": rows["logged_at_us"].to_numpy(np.int64),
            "humidity_percent": rows["humidity_percent"].to_numpy(np.float64),
            "temperature_c": rows["temperature_c"].to_numpy(np.float64),
            "drop_id": np.int64(drop_id),
            "line": rows["line"].to_numpy(np.int64),
        }
    ).sort_values(list(CLIMATE.identity), kind="stable", ignore_index=True)
    new = staged.add(entries, _may_be_stored(connection, entries))
    spans = new.groupby("chamber_id")["logged_us"].agg(["min", "max"])
    insert_many(
        connection,
        "INSERT INTO stale_climate (chamber_id, from_us, to_us) VALUES (?, ?, ?)",
        [(int(chamber), int(first), int(last)) for chamber, first, last in spans.itertuples(name=None)],
    )


def add_counts(connection: Connection, staged: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the counts of one piece and mark their lots; `rows` has the columns of `parse_file.read_stock`.

    A lot may be counted before it is tested.
    """
    if rows.empty:
        return
    newest_lot = connection.execute(select(func.coalesce(func.max(schema.lot.c.id), 0))).scalar_one()
    counts = pd.DataFrame(
        {
            "lot_id": _ids(connection, schema.lot, rows, ("supplier", "product", "lot")),
            "counted_day": rows["counted_day"].to_numpy(np.int64),
            "storage_id": _label_ids(connection, "storage", rows["storage"]),
            "quantity": rows["quantity"].to_numpy(np.float64),
            "is_counted": rows["is_counted"].to_numpy(np.int64),
            "unit": rows["unit"].array,
            "opened_on": rows["opened_on"].array,
            "drop_id": np.int64(drop_id),
            "line": rows["line"].to_numpy(np.int64),
        }
    ).sort_values(list(STOCK_COUNTS.identity), kind="stable", ignore_index=True)
    new = staged.add(counts, counts["lot_id"].to_numpy() <= newest_lot)
    _mark(connection, "stale_stock", "lot_id", new)


def add_load_events(connection: Connection, staged: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the events of one piece and mark their loads; `rows` has the columns of `parse_file.read_loads`.

    A lot may be loaded before it is tested.
    """
    if rows.empty:
        return
    newest_load = connection.execute(select(func.coalesce(func.max(schema.label.c.id), 0))).scalar_one()
    lots = np.zeros(len(rows), dtype=np.int64)
    named = np.flatnonzero((rows["lot"] != "").to_numpy())
    if len(named):
        lots[named] = _ids(connection, schema.lot, rows.iloc[named], ("supplier", "product", "lot"))
    events = pd.DataFrame(
        {
            "load_id": _label_ids(connection, "load", rows["load"]),
            "at_us": rows["at_us"].to_numpy(np.int64),
            "event": rows["event"].to_numpy(np.int64),
            "lot_id": lots,
            "chamber_id": _label_ids(connection, "chamber", rows["chamber"]),
            "laid": rows["laid"].to_numpy(np.int64),
            "specimens": rows["specimens"].array,
            "drop_id": np.int64(drop_id),
            "line": rows["line"].to_numpy(np.int64),
            "planned_us": rows["planned_us"].to_numpy(np.int64),
        }
    ).sort_values(list(LOAD_EVENTS.identity), kind="stable", ignore_index=True)
    new = staged.add(events, events["load_id"].to_numpy() <= newest_load)
    _mark(connection, "stale_load", "load_id", new)


def add_calibrations(connection: Connection, staged: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the calibrations of one piece and mark their instruments; `rows` has the columns of `parse_file.read_calibrations`."""
    if rows.empty:
        return
    calibrations = pd.DataFrame(
        {
            "instrument_id": _label_ids(connection, "instrument", rows["instrument"]),
            "done_us": rows["done_at_us"].to_numpy(np.int64),
            **{name: rows[name].astype(object).array for name in CALIBRATIONS.measured},
            "drop_id": np.int64(drop_id),
            "line": rows["line"].to_numpy(np.int64),
        }
    ).sort_values(list(CALIBRATIONS.identity), kind="stable", ignore_index=True)
    new = staged.add(calibrations, np.ones(len(calibrations), dtype=bool))
    _mark(connection, "stale_instrument", "instrument_id", new)


def add_captures(connection: Connection, staged: StagedRows, drop_id: int, rows: pd.DataFrame) -> None:
    """Add the captures of one file and mark their lots; `rows` has the columns of `capture_rows.CaptureFeed.pieces`.

    A discharge may be captured before its reading is stored.
    """
    if rows.empty:
        return
    lots = _ids(connection, schema.captured_lot, rows, ("supplier", "lot"))
    figures = [column for column in CAPTURES.columns if column not in ("captured_lot_id", "drop_id")]
    numbers = [column.name for column in schema.capture.columns if isinstance(column.type, Float)]
    captures = (
        rows[figures]
        .astype(dict.fromkeys(numbers, np.float64))
        .assign(captured_lot_id=lots, drop_id=np.int64(drop_id))[list(CAPTURES.columns)]
        .sort_values([*CAPTURES.identity, "number"], kind="stable", ignore_index=True)
    )
    new = staged.add(captures, np.ones(len(captures), dtype=bool))
    _mark(connection, "stale_capture", "captured_lot_id", new)


def _mark(connection: Connection, table: str, column: str, rows: pd.DataFrame) -> None:
    """Record what must be derived again."""
    keys = [(int(key),) for key in np.unique(rows[column])]
    insert_many(connection, f"INSERT INTO {table} ({column}) VALUES (?) ON CONFLICT DO NOTHING", keys)


def _may_be_stored(connection: Connection, entries: pd.DataFrame) -> NDArray[np.bool_]:
    """Mark the entries that are not later than all stored ones of their chamber; a log usually continues where it ended."""
    marks = np.zeros(len(entries), dtype=bool)
    chambers, logged = entries["chamber_id"].to_numpy(), entries["logged_us"].to_numpy()
    climate = schema.climate.c
    for chamber in np.unique(chambers).tolist():
        query = select(func.max(climate.logged_us)).where(climate.chamber_id == chamber)
        newest = connection.execute(query).scalar()
        if newest is not None:
            marks |= (chambers == chamber) & (logged <= newest)
    return marks
