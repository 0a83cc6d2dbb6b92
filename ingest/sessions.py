"""From readings to sessions: a lot's readings cut where the bench paused, summarised, and their conditioning judged.

Only lots noted in `stale_lot` are summarised again, and only sessions in reach of new climate entries judged again.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
from sqlalchemy import Connection

import spc.lots
from ingest.conditioning import judge, reach_us
from ingest.lab import Lab
from ingest.store import insert_many

__all__ = ["rebuild_stale"]

HOUR_US = 3_600_000_000
LOTS_AT_ONCE = 2_000
SESSIONS_AT_ONCE = 20_000

SUMMARY = (
    "bags", "readings", "below", "above", "level", "level_low", "level_high", "bag_variance", "reading_variance",
    "reading_df", "readings_per_bag", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
    "smallest", "largest", "smallest_bound", "largest_bound",
)  # fmt: skip
PLACE = ("stream_id", "lot_id", "started_us", "ended_us", "chamber_id", "instrument_id", "load_id")
JUDGED = ("conditioning", "hours", "humidity_min", "humidity_max", "humidity_mean", "excursion_us")


def rebuild_stale(connection: Connection, lab: Lab) -> None:
    """Bring the sessions up to date with readings and climate logs, and mark the streams that changed."""
    stale = connection.exec_driver_sql("SELECT stream_id, lot_id FROM stale_lot ORDER BY stream_id, lot_id").fetchall()
    for start in range(0, len(stale), LOTS_AT_ONCE):
        _summarise(connection, lab, [(row[0], row[1]) for row in stale[start : start + LOTS_AT_ONCE]])
    connection.exec_driver_sql("DELETE FROM stale_lot")
    _judge(connection, lab, _in_reach(connection, lab))
    connection.exec_driver_sql("DELETE FROM stale_climate")


# Readings to sessions


def _summarise(connection: Connection, lab: Lab, lots: list[tuple[int, int]]) -> None:
    readings = _cut_by_pause(_readings_of(connection, lots), int(lab.session_hours * HOUR_US))
    rows = connection.exec_driver_sql("SELECT id, characteristic FROM stream")
    scale = readings["stream_id"].map(
        {row[0]: lab.characteristic(row[1]).scale for row in rows if lab.is_declared(row[1])}
    )
    _forget_sessions(connection, lots)
    for name, part in readings.groupby(scale):
        _write_sessions(connection, _places(part).join(spc.lots.summarise(part, str(name))))


def _readings_of(connection: Connection, lots: list[tuple[int, int]]) -> pd.DataFrame:
    columns = (
        "stream_id", "lot_id", "tested_us", "specimen", "reading", "value", "bound", "chamber_id", "instrument_id", "load_id",
    )  # fmt: skip
    marks = ", ".join(["(?, ?)"] * len(lots))
    rows = connection.exec_driver_sql(
        f"SELECT {', '.join(columns)} FROM reading WHERE (stream_id, lot_id) IN (VALUES {marks}) "
        "ORDER BY stream_id, lot_id, tested_us, specimen, reading",
        tuple(number for pair in lots for number in pair),
    ).fetchall()
    frame = pd.DataFrame([tuple(row) for row in rows], columns=list(columns))
    return frame.astype({name: np.float64 if name == "value" else np.int64 for name in columns})


def _cut_by_pause(readings: pd.DataFrame, pause_us: int) -> pd.DataFrame:
    """Number the sessions: a new one where the lot changes or the bench paused for longer than `pause_us`."""
    lot_changes = (readings[["stream_id", "lot_id"]].diff() != 0).any(axis=1)
    paused = readings["tested_us"].diff() > pause_us
    return readings.assign(session=(lot_changes | paused).cumsum().astype(np.int64))


def _places(readings: pd.DataFrame) -> pd.DataFrame:
    """When and where each session took place. The chamber, instrument and load are those of its first reading."""
    return readings.groupby("session").agg(
        stream_id=("stream_id", "first"),
        lot_id=("lot_id", "first"),
        started_us=("tested_us", "min"),
        ended_us=("tested_us", "max"),
        chamber_id=("chamber_id", "first"),
        instrument_id=("instrument_id", "first"),
        load_id=("load_id", "first"),
    )


def _forget_sessions(connection: Connection, lots: list[tuple[int, int]]) -> None:
    insert_many(connection, "DELETE FROM session WHERE stream_id = ? AND lot_id = ?", lots)
    insert_many(connection, "UPDATE stream SET stale = 1 WHERE id = ?", sorted({(stream,) for stream, _ in lots}))


def _write_sessions(connection: Connection, sessions: pd.DataFrame) -> None:
    columns = [*PLACE, *SUMMARY]
    marks = ", ".join("?" * len(columns))
    insert_many(
        connection,
        f"INSERT INTO session ({', '.join(columns)}, conditioning) VALUES ({marks}, '')",
        _plain_rows(sessions[columns]),
    )


def _plain_rows(frame: pd.DataFrame) -> list[tuple[object, ...]]:
    """Rows of Python numbers, nan as None: SQLite keeps infinity, but has no nan."""
    as_objects = frame.astype(object)
    return list(as_objects.where(frame.notna(), None).itertuples(index=False, name=None))


# Conditioning


def _in_reach(connection: Connection, lab: Lab) -> list[int]:
    """Sessions never judged, and those whose required stretch of the log holds a new entry."""
    reach = max(reach_us(rule) for rule in lab.conditioning.values())
    fresh = connection.exec_driver_sql("SELECT id FROM session WHERE conditioning = ''").scalars().all()
    touched = connection.exec_driver_sql(
        "SELECT DISTINCT s.id FROM stale_climate c JOIN session s ON s.chamber_id = c.chamber_id "
        "AND s.started_us BETWEEN c.from_us - ? AND c.to_us + ?",
        (int(lab.session_hours * HOUR_US) * 8, reach),
    )
    return sorted({*fresh, *touched.scalars().all()})


def _judge(connection: Connection, lab: Lab, ids: Iterable[int]) -> None:
    numbers = list(ids)
    for start in range(0, len(numbers), SESSIONS_AT_ONCE):
        sessions = _sessions_of(connection, numbers[start : start + SESSIONS_AT_ONCE])
        rule_of = sessions["characteristic"].map(lambda name: lab.characteristic(name).conditioning)
        for rule_name, part in sessions.groupby(rule_of):
            rule = lab.conditioning[str(rule_name)]
            logs = _logs_for(connection, part, reach_us(rule))
            _write_judgement(connection, part, judge(part, logs, rule))


def _sessions_of(connection: Connection, ids: list[int]) -> pd.DataFrame:
    rows = connection.exec_driver_sql(
        "SELECT s.id, s.stream_id, s.chamber_id, s.started_us, s.ended_us, s.conditioning, t.characteristic "
        f"FROM session s JOIN stream t ON t.id = s.stream_id WHERE s.id IN ({', '.join('?' * len(ids))}) ORDER BY s.id",
        tuple(ids),
    ).fetchall()
    columns = ["id", "stream_id", "chamber_id", "started_us", "ended_us", "before", "characteristic"]
    return pd.DataFrame([tuple(row) for row in rows], columns=columns)


def _logs_for(connection: Connection, sessions: pd.DataFrame, reach_us: int) -> pd.DataFrame:
    """The log of each chamber over the stretch that its sessions need, one entry earlier included."""
    parts: list[tuple[object, ...]] = []
    for chamber, part in sessions.groupby("chamber_id"):
        low, high = int(part["started_us"].min()) - reach_us, int(part["ended_us"].max())
        rows = connection.exec_driver_sql(
            "SELECT chamber_id, logged_us, humidity_percent, temperature_c FROM climate "
            "WHERE chamber_id = ? AND logged_us BETWEEN ? AND ? ORDER BY logged_us",
            (int(str(chamber)), low, high),
        )
        parts.extend(tuple(row) for row in rows)
    columns = ["chamber_id", "logged_us", "humidity_percent", "temperature_c"]
    return pd.DataFrame(parts, columns=columns)


def _write_judgement(connection: Connection, sessions: pd.DataFrame, judged: pd.DataFrame) -> None:
    sets = ", ".join(f"{name} = ?" for name in JUDGED)
    rows = judged[list(JUDGED)].reset_index(drop=True).assign(id=sessions["id"].to_numpy())
    insert_many(connection, f"UPDATE session SET {sets} WHERE id = ?", _plain_rows(rows))
    changed = sessions["before"].to_numpy() != rows["conditioning"].astype(object).to_numpy()
    streams = sorted({(int(stream),) for stream in sessions["stream_id"].to_numpy()[changed]})
    insert_many(connection, "UPDATE stream SET stale = 1 WHERE id = ?", streams)
