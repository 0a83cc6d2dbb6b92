"""The record of loads in the store: which sessions it judges, and the stays of each load."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence

import pandas as pd
from sqlalchemy import Connection

from ingest.common.instants import MINUTE_US
from ingest.config.lab import Lab
from ingest.config.models import Conditioning
from ingest.parsing.rows.load_rows import EVENTS
from ingest.sessions.conditioning import NO_RULES, ChamberLog, Rule, chamber_log, reach_us
from ingest.sessions.load_conditioning import Event, Stay, events_of_lot, judge_load, load_of_test, stays_of
from ingest.store.dialect import among
from ingest.store.store import fetch_frame

__all__ = ["LOG", "chamber_logs", "judge_by_loads", "rules_in", "stays_in_store"]

LOG = {"chamber_id": "i8", "logged_us": "i8", "humidity_percent": "f8", "temperature_c": "f8"}


def judge_by_loads(
    connection: Connection,
    sessions: pd.DataFrame,
    judged: pd.DataFrame,
    rule: Rule,
    out_minutes: float,
    rules: Mapping[int, Rule] = NO_RULES,
) -> pd.DataFrame:
    """Judge the sessions whose load is on record by the hours of their specimens.

    Parameters
    ----------
    connection : Connection
    sessions : DataFrame
        Columns lot_id, load_id, started_us, ended_us; all are of tests that need `rule`.
    judged : DataFrame
        What `conditioning.judge` returns for them, by their chambers.
    rule : Rule
    out_minutes : float
        How long specimens may be outside a chamber.
    rules : mapping of int to Rule, optional
        The rule of each chamber whose tolerance is another one.

    Returns
    -------
    DataFrame
        `judged` with the columns clock ("specimen" or "chamber") and loaded_us (Int64, when the load went in).
    """
    result = judged.assign(clock="chamber", loaded_us=pd.array([pd.NA] * len(judged), dtype="Int64"))
    stays = stays_in_store(connection, sessions["load_id"].tolist(), sessions["lot_id"].tolist())
    out_us = round(out_minutes * MINUTE_US)
    known = [
        (index, load_of_test(stays[load, lot], int(started), out_us), int(started), int(ended))
        for index, load, lot, started, ended in sessions[["load_id", "lot_id", "started_us", "ended_us"]].itertuples(
            name=None
        )
        if (load, lot) in stays
    ]
    if not known:
        return result
    chambers = {stay.chamber_id for _, each, _, _ in known for stay in each}
    first, last = min(started for _, _, started, _ in known), max(ended for _, _, _, ended in known)
    logs = chamber_logs(connection, sorted(chambers), first - reach_us(rule), last, rule, rules)
    for index, each, started, ended in known:
        judgement = judge_load(each, started, ended, logs, rule, out_minutes)
        if judgement is not None:
            entered = max(stay.from_us for stay in each if stay.from_us <= started)
            result.loc[index, ["conditioning", "hours", "humidity_min", "humidity_max", "humidity_mean", "doors", "clock"]] = [
                judgement.conditioning.value, judgement.hours, judgement.humidity_min, judgement.humidity_max,
                judgement.humidity_mean, judgement.doors, "specimen",
            ]  # fmt: skip
            result.loc[index, "excursion_us"] = pd.NA if judgement.excursion_us is None else judgement.excursion_us
            result.loc[index, "loaded_us"] = entered
    return result


def rules_in(connection: Connection, lab: Lab, rule: Conditioning) -> dict[int, Rule]:
    """Return the rule of each chamber whose sensor's uncertainty counts, by the number of the chamber."""
    counted = [one.name for one in lab.chambers if one.uncertainty_counts]
    if not counted:
        return {}
    marks = ", ".join("?" * len(counted))
    rows = connection.exec_driver_sql(
        f"SELECT id, text FROM label WHERE kind = 'chamber' AND text IN ({marks})", tuple(counted)
    )
    return {int(number): lab.rule_in(rule, str(name)) for number, name in rows}


def stays_in_store(
    connection: Connection, loads: Sequence[int], lots: Sequence[int]
) -> dict[tuple[int, int], list[list[Stay]]]:
    """Return, for each pair of load and lot that is on record, the stays of the lot in each load that a test of it may belong to.

    That is the load itself; a session that names no load may belong to every load that names its lot.
    """
    pairs = set(zip(loads, lots, strict=True))
    if not pairs or connection.exec_driver_sql("SELECT 1 FROM load_event LIMIT 1").first() is None:
        return {}
    naming, values = among(connection, [(each,) for each in sorted({lot for _, lot in pairs})])
    loads_of: dict[int, list[int]] = defaultdict(list)
    for load, lot in connection.exec_driver_sql(
        f"SELECT DISTINCT load_id, lot_id FROM load_event WHERE (lot_id) IN {naming} ORDER BY load_id, lot_id", values
    ):
        loads_of[lot].append(load)
    wanted = {load for load, _ in pairs}.union(*loads_of.values())
    listed, values = among(connection, [(each,) for each in sorted(wanted)])
    by_load: dict[int, dict[int, list[Event]]] = defaultdict(lambda: defaultdict(list))
    for load, lot, at, event, chamber in connection.exec_driver_sql(
        f"SELECT load_id, lot_id, at_us, event, chamber_id FROM load_event WHERE (load_id) IN {listed}", values
    ):
        by_load[load][lot].append((int(at), EVENTS[event], int(chamber)))
    blank = connection.exec_driver_sql("SELECT id FROM label WHERE kind = 'load' AND text = ''").scalar()
    result = {}
    for load, lot in pairs:
        candidates = loads_of[lot] if load == blank else [load] if load in by_load else []
        stays = [stays_of(events_of_lot(by_load[each][0], by_load[each][lot])) for each in candidates]
        if any(stays):
            result[load, lot] = [each for each in stays if each]
    return result


def chamber_logs(
    connection: Connection,
    chambers: Sequence[int],
    first_us: int,
    last_us: int,
    rule: Rule,
    rules: Mapping[int, Rule] = NO_RULES,
) -> dict[int, ChamberLog]:
    """Return the logs of chambers from one moment to another; a chamber without an entry is left out."""
    sql = f"SELECT {', '.join(LOG)} FROM climate WHERE chamber_id = ? AND logged_us BETWEEN ? AND ? ORDER BY logged_us"
    frames: Mapping[int, pd.DataFrame] = {
        chamber: fetch_frame(connection, sql, (chamber, first_us, last_us), LOG) for chamber in chambers
    }
    return {chamber: chamber_log(frame, rules.get(chamber, rule)) for chamber, frame in frames.items() if len(frame)}
