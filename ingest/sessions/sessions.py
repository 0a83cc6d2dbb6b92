"""From readings to sessions: a lot's readings cut where the bench paused, summarised, and their conditioning judged.

Readings of a check standard are also cut by instrument: each instrument needs its own check.

Only lots noted in `stale_lot` are summarised again, and only sessions in reach of new climate entries judged again.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
from sqlalchemy import Connection, text

import spc.stream.session_summary
from ingest.common.instants import HOUR_US
from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.sessions.bench_state import BenchState
from ingest.sessions.conditioning import State, judge, reach_us, without_rule
from ingest.sessions.instrument_records import bench_states, check_reach_us, check_streams
from ingest.sessions.load_records import LOG, judge_by_loads, rules_in
from ingest.store.dialect import among
from ingest.store.store import fetch_frame, insert_many

__all__ = ["READINGS_OF_SESSION", "rebuild_stale"]

# Joins `reading r` to `session s`. Only check standards have sessions of one lot that overlap, each on an instrument of its own.
READINGS_OF_SESSION = """
r.stream_id = s.stream_id AND r.lot_id = s.lot_id AND r.tested_us BETWEEN s.started_us AND s.ended_us
AND (r.instrument_id = s.instrument_id OR NOT EXISTS (
  SELECT 1 FROM session n WHERE n.stream_id = s.stream_id AND n.lot_id = s.lot_id AND n.instrument_id = r.instrument_id
  AND r.tested_us BETWEEN n.started_us AND n.ended_us))
"""

LOTS_AT_ONCE = 2_000
SESSIONS_AT_ONCE = 20_000

SUMMARY = (
    "bags", "readings", "below", "above", "level", "level_low", "level_high", "bag_variance", "reading_variance",
    "reading_df", "readings_per_bag", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
    "smallest", "largest", "smallest_high", "largest_low", "smallest_bound", "largest_bound",
)  # fmt: skip
PLACE = ("stream_id", "lot_id", "started_us", "ended_us", "chamber_id", "instrument_id", "load_id")
READING = dict.fromkeys(("stream_id", "lot_id", "tested_us", "specimen", "reading"), "i8") | {
    "value": "f8", "bound": "i8", "chamber_id": "i8", "instrument_id": "i8", "load_id": "i8",
}  # fmt: skip
WORST_LAST = (BenchState.CHECKED, BenchState.UNCHECKED, BenchState.OVERDUE, BenchState.FAILED)
JUDGED = (
    "conditioning", "hours", "humidity_min", "humidity_max", "humidity_mean", "excursion_us", "doors", "clock", "loaded_us", "bench",
)  # fmt: skip


def rebuild_stale(connection: Connection, lab: Lab, watch: Progress = no_progress) -> None:
    """Bring the sessions up to date with readings and climate logs, and mark the streams that changed."""
    stale = connection.exec_driver_sql("SELECT stream_id, lot_id FROM stale_lot ORDER BY stream_id, lot_id").fetchall()
    for start in range(0, len(stale), LOTS_AT_ONCE):
        watch("lots summarised", start, len(stale))
        _summarise(connection, lab, [(row[0], row[1]) for row in stale[start : start + LOTS_AT_ONCE]])
    connection.exec_driver_sql("DELETE FROM stale_lot")
    _judge(connection, lab, _in_reach(connection, lab), watch)
    connection.exec_driver_sql("DELETE FROM stale_climate")
    connection.exec_driver_sql("DELETE FROM stale_load")
    connection.exec_driver_sql("DELETE FROM stale_instrument")


# Readings to sessions


def _summarise(connection: Connection, lab: Lab, lots: list[tuple[int, int]]) -> None:
    streams = connection.exec_driver_sql("SELECT id, supplier, product, characteristic FROM stream").fetchall()
    standards = {row[0] for row in streams if lab.is_check_standard(row[1], row[2])}
    readings = _cut(_readings_of(connection, lots), int(lab.session_hours * HOUR_US), standards)
    scale = readings["stream_id"].map(
        {row[0]: lab.characteristic(row[3]).scale for row in streams if lab.is_declared(row[3])}
    )
    _forget_sessions(connection, lots)
    for name, part in readings.groupby(scale):
        _write_sessions(connection, _places(part).join(spc.stream.session_summary.summarise(part, str(name))))
        for kind in ("chamber", "instrument"):
            _note_several(connection, part, kind)


def _readings_of(connection: Connection, lots: list[tuple[int, int]]) -> pd.DataFrame:
    wanted, values = among(connection, lots)
    return fetch_frame(
        connection,
        f"SELECT {', '.join(READING)} FROM reading WHERE (stream_id, lot_id) IN {wanted} "
        "ORDER BY stream_id, lot_id, tested_us, specimen, reading",
        values,
        READING,
    )


def _cut(readings: pd.DataFrame, pause_us: int, standards: set[int]) -> pd.DataFrame:
    """Number the sessions.

    A new one begins where the lot changes or the bench paused for longer than `pause_us`, and in the streams `standards` where the
    instrument changes: a check covers its instrument only.
    """
    readings = readings.assign(apart=readings["instrument_id"].where(readings["stream_id"].isin(standards), 0))
    readings = readings.sort_values(["stream_id", "lot_id", "apart"], kind="stable", ignore_index=True)
    changes = (readings[["stream_id", "lot_id", "apart"]].diff() != 0).any(axis=1)
    paused = readings["tested_us"].diff() > pause_us
    return readings.assign(session=(changes | paused).cumsum().astype(np.int64))


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


def _note_several(connection: Connection, readings: pd.DataFrame, kind: str) -> None:
    """Note the chambers or the instruments of the sessions that name several, with the time of each one's readings."""
    keys, named = ["stream_id", "lot_id", "apart", "session"], f"{kind}_id"
    pairs = readings[[*keys, named]].drop_duplicates()
    several = pairs["session"][pairs["session"].duplicated()]
    own = readings[readings["session"].isin(several)]
    if own.empty:
        return
    began = own.groupby("session")["tested_us"].transform("min")
    spans = own.assign(began=began).groupby([named, *keys, "began"])["tested_us"].agg(["min", "max"])
    insert_many(
        connection,
        f"INSERT INTO session_{kind} (session_id, {named}, started_us, ended_us) SELECT id, ?, ?, ? FROM session "
        "WHERE stream_id = ? AND lot_id = ? AND ? IN (0, instrument_id) AND started_us = ?",
        [
            (one, int(first), int(last), stream, lot, apart, start)
            for (one, stream, lot, apart, _, start), first, last in spans.itertuples(name=None)
        ],
    )


def _forget_sessions(connection: Connection, lots: list[tuple[int, int]]) -> None:
    # Whatever is derived of a session goes with it: SQLite gives its number to the next one.
    for table in ("session_chamber", "session_instrument", "bag_count"):
        insert_many(
            connection,
            f"DELETE FROM {table} WHERE session_id IN (SELECT id FROM session WHERE stream_id = ? AND lot_id = ?)",
            lots,
        )
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
    return list(zip(*(pa.array(frame[name], from_pandas=True).to_pylist() for name in frame), strict=True))


# Conditioning

IN_REACH_SQL = """
SELECT id FROM session WHERE id IN (
  SELECT id FROM session WHERE conditioning = ''
  UNION SELECT s.id FROM stale_climate c JOIN session s ON s.chamber_id = c.chamber_id
    AND s.started_us BETWEEN c.from_us - :longest AND c.to_us + :reach AND s.ended_us >= c.from_us
  UNION SELECT k.session_id FROM stale_climate c JOIN session_chamber k ON k.chamber_id = c.chamber_id
    AND k.started_us BETWEEN c.from_us - :longest AND c.to_us + :reach AND k.ended_us >= c.from_us
  UNION SELECT s.id FROM stale_load d JOIN session s ON s.load_id = d.load_id
  UNION SELECT s.id FROM stale_instrument i JOIN session s ON s.instrument_id = i.instrument_id
  UNION SELECT m.session_id FROM stale_instrument i JOIN session_instrument m ON m.instrument_id = i.instrument_id
  UNION SELECT s.id FROM stale_load d JOIN load_event e ON e.load_id = d.load_id JOIN session s ON s.lot_id = e.lot_id
  UNION SELECT s.id FROM stale_climate c JOIN load_event e ON e.at_us BETWEEN c.from_us - :reach AND c.to_us + :reach
    JOIN load_event o ON o.load_id = e.load_id AND o.chamber_id = c.chamber_id
    JOIN session s ON (s.load_id = e.load_id OR s.lot_id = e.lot_id)
      AND s.started_us BETWEEN c.from_us - :longest AND c.to_us + :reach
) ORDER BY started_us, id
"""


CHECKED_SQL = """
SELECT s.id FROM (
  SELECT k.id AS check_id, s.id, s.started_us FROM session k JOIN session s ON s.instrument_id = k.instrument_id
    AND s.started_us BETWEEN k.started_us - :reach - :longest AND k.ended_us + :reach
  UNION SELECT k.id, m.session_id, m.started_us FROM session k JOIN session_instrument m ON m.instrument_id = k.instrument_id
    AND m.started_us BETWEEN k.started_us - :reach - :longest AND k.ended_us + :reach
) s WHERE s.check_id IN (
  SELECT id FROM session WHERE conditioning = '' AND stream_id IN ({streams})
  UNION SELECT n.id FROM session k JOIN session n ON n.stream_id = k.stream_id AND n.instrument_id = k.instrument_id
    AND n.started_us = (SELECT min(f.started_us) FROM session f WHERE f.stream_id = k.stream_id AND f.instrument_id = k.instrument_id
      AND f.started_us > k.started_us)
    WHERE k.conditioning = '' AND k.stream_id IN ({streams})
) ORDER BY s.started_us, s.id
"""


def _in_reach(connection: Connection, lab: Lab) -> list[int]:
    """Sessions never judged, and those whose stretch of the log holds a new entry; in the order of time."""
    reach = max((reach_us(rule) for rule in lab.conditioning.values()), default=0)
    # No session is longer: with it the sessions that began before a stretch and reach into it are found by their start.
    longest = connection.exec_driver_sql("SELECT max(ended_us - started_us) FROM session").scalar() or 0
    ids = list(connection.execute(text(IN_REACH_SQL), {"longest": longest, "reach": reach}).scalars())
    checks = check_streams(connection, lab)
    if not checks:
        return ids
    # Sessions near a set-up check that is new or summarised again, and near the check after it: whether that one is the second in a
    # row outside its tolerance depends on the one before.
    sql = CHECKED_SQL.format(streams=", ".join(map(str, checks)))
    near = connection.execute(text(sql), {"reach": check_reach_us(lab), "longest": longest}).scalars()
    return list(dict.fromkeys([*ids, *near]))


def _judge(connection: Connection, lab: Lab, ids: list[int], watch: Progress) -> None:
    names = {one.name for one in lab.instruments if one.gates}
    labels = connection.exec_driver_sql("SELECT id, text FROM label WHERE kind = 'instrument'").fetchall()
    gating = {int(row[0]) for row in labels if row[1] in names}
    for start in range(0, len(ids), SESSIONS_AT_ONCE):
        watch("sessions judged", start, len(ids))
        sessions = _sessions_of(connection, ids[start : start + SESSIONS_AT_ONCE])
        rule_of = sessions["characteristic"].map(lambda name: str(lab.characteristic(name).conditioning))
        bench = _bench(connection, lab, sessions, gating)
        for _, part in sessions.groupby(rule_of):
            rule = lab.conditioning_for(part["characteristic"].iloc[0])
            if rule is None:
                judged = _with_bench(without_rule(part), part, bench)
                _write_judgement(connection, part.reset_index(drop=True), judged)
                continue
            logs = _logs_for(connection, part, reach_us(rule))
            rules = rules_in(connection, lab, rule)
            judged = judge_by_loads(connection, part, judge(part, logs, rule, rules), rule, rule.out_minutes, rules)
            judged = _with_bench(judged, part, bench)
            _write_judgement(connection, part.reset_index(drop=True), judged)


def _bench(connection: Connection, lab: Lab, sessions: pd.DataFrame, gating: set[int]) -> pd.DataFrame:
    """The state of the bench of each session, by its id: of several instruments the worst; and whether it makes the test invalid."""
    ids = tuple(sessions["id"].unique().tolist())
    rows = connection.exec_driver_sql(
        "SELECT s.id, coalesce(m.instrument_id, s.instrument_id), t.characteristic, coalesce(m.started_us, s.started_us), "
        "coalesce(m.ended_us, s.ended_us) FROM session s JOIN stream t ON t.id = s.stream_id "
        f"LEFT JOIN session_instrument m ON m.session_id = s.id WHERE s.id IN ({', '.join('?' * len(ids))})",
        ids,
    ).fetchall()
    used = pd.DataFrame(rows, columns=["id", "instrument_id", "characteristic", "started_us", "ended_us"])
    states = bench_states(connection, lab, used)
    wrong = pd.Series([one in (BenchState.OVERDUE, BenchState.FAILED) for one in states])
    used = used.assign(
        rank=[WORST_LAST.index(one) for one in states], invalid=wrong & used["instrument_id"].isin(gating)
    )
    return used.groupby("id")[["rank", "invalid"]].max()


def _with_bench(judged: pd.DataFrame, sessions: pd.DataFrame, bench: pd.DataFrame) -> pd.DataFrame:
    """The judgement with the state of the bench; a test on an instrument that gates is invalid where it was overdue or failed its check."""
    of_session = bench.loc[sessions["id"]].set_axis(sessions.index)
    state = judged["conditioning"].where(
        ~(of_session["invalid"] & (judged["conditioning"] == State.VALID.value)), State.INSTRUMENT.value
    )
    return judged.assign(conditioning=state, bench=[WORST_LAST[rank].value for rank in of_session["rank"]])


def _sessions_of(connection: Connection, ids: list[int]) -> pd.DataFrame:
    """The sessions with their chamber; those of several chambers with a row for each, in the order of time."""
    rows = connection.exec_driver_sql(
        "SELECT s.id, s.stream_id, s.lot_id, s.load_id, coalesce(k.chamber_id, s.chamber_id), coalesce(k.started_us, s.started_us), "
        "coalesce(k.ended_us, s.ended_us), s.conditioning, t.characteristic "
        "FROM session s JOIN stream t ON t.id = s.stream_id LEFT JOIN session_chamber k ON k.session_id = s.id "
        f"WHERE s.id IN ({', '.join('?' * len(ids))}) ORDER BY s.id, k.started_us, k.chamber_id",
        tuple(ids),
    ).fetchall()
    columns = [
        "id",
        "stream_id",
        "lot_id",
        "load_id",
        "chamber_id",
        "started_us",
        "ended_us",
        "before",
        "characteristic",
    ]
    return pd.DataFrame([tuple(row) for row in rows], columns=columns)


def _logs_for(connection: Connection, sessions: pd.DataFrame, reach_us: int) -> pd.DataFrame:
    """The log of each chamber over the stretch that its sessions need."""
    sql = f"SELECT {', '.join(LOG)} FROM climate WHERE chamber_id = ? AND logged_us BETWEEN ? AND ? ORDER BY logged_us"
    spans = sessions.groupby("chamber_id").agg(first=("started_us", "min"), last=("ended_us", "max"))
    return pd.concat(
        [
            fetch_frame(connection, sql, (chamber, int(first) - reach_us, int(last)), LOG)
            for chamber, first, last in spans.itertuples(name=None)
        ],
        ignore_index=True,
    )


def _write_judgement(connection: Connection, sessions: pd.DataFrame, judged: pd.DataFrame) -> None:
    """Write what was found of each session; of several chambers the first that does not show the conditioning tells."""
    told = (
        judged[list(JUDGED)]
        .reset_index(drop=True)
        .assign(id=sessions["id"], valid=judged["conditioning"].to_numpy() == "valid")
    )
    told = told.sort_values(["id", "valid"], kind="stable").drop_duplicates("id")
    sets = ", ".join(f"{name} = ?" for name in JUDGED)
    insert_many(connection, f"UPDATE session SET {sets} WHERE id = ?", _plain_rows(told[[*JUDGED, "id"]]))
    changed = sessions["before"][told.index] != told["conditioning"]
    streams = sorted({(int(stream),) for stream in sessions["stream_id"][changed.index[changed]]})
    insert_many(connection, "UPDATE stream SET stale = 1 WHERE id = ?", streams)
