"""What stands in the chambers, and when it may be tested: the record of loads and the chamber logs at a moment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

import numpy as np
from sqlalchemy import Connection

from ingest.common.errors import CallError
from ingest.common.instants import DAY_US, HOUR_US, checked_day, microseconds
from ingest.common.text import quoted
from ingest.config.lab import Lab
from ingest.config.models import Conditioning
from ingest.documents.bench.ready import (
    ChamberWord,
    LoadState,
    PlannedLoad,
    ReadyChamber,
    ReadyDocument,
    ReadyLoad,
    ReadyLot,
)
from ingest.documents.served import iso
from ingest.parsing.rows.load_rows import EVENTS, LAID
from ingest.sessions.calibration_due import overdue_instruments
from ingest.sessions.chamber_rules import is_silent
from ingest.sessions.conditioning import FINE, ChamberLog, reach_us, tolerance
from ingest.sessions.load_conditioning import Progress, readiness, stays_of
from ingest.sessions.load_records import chamber_logs, rules_in
from ingest.sessions.sensors import sensors
from spc.bench.moisture import stack_hours

__all__ = ["moment_in", "ready"]

# A load whose last event is older was taken out without a record.
LONGEST_STAY_DAYS = 60
# A test may be planned a year ahead; a plan that went by longer ago asks for nothing any more.
OLDEST_PLAN_DAYS, KEPT_PLAN_DAYS = 366, 14

# Hours in which the middle of a stack of bags comes 95 % of the way to the humidity of the chamber, by the model: bags of plain
# polyethylene, and bags with layers of polyester.
STACK_HOURS = (round(stack_hours(150, 0), 1), round(stack_hours(120, 24), 1))

EVENTS_SQL = """
SELECT e.load_id, e.lot_id, e.at_us, e.event, e.chamber_id, e.laid, e.specimens, e.planned_us, n.text, l.supplier, l.product, l.lot, d.name, c.text
FROM load_event e JOIN label n ON n.id = e.load_id JOIN label c ON c.id = e.chamber_id LEFT JOIN lot l ON l.id = e.lot_id
JOIN "drop" d ON d.id = e.drop_id
WHERE e.load_id IN (SELECT load_id FROM load_event WHERE at_us BETWEEN ? AND ? OR at_us BETWEEN ? AND ? AND planned_us >= ?)
AND e.at_us <= ? ORDER BY e.at_us, e.load_id, e.lot_id
"""
CHAMBERS_SQL = """
SELECT n.id, n.text, (SELECT max(c.logged_us) FROM climate c WHERE c.chamber_id = n.id AND c.logged_us <= ?) AS last_us
FROM label n WHERE n.kind = 'chamber' ORDER BY n.text
"""


def ready(connection: Connection, lab: Lab, now: datetime) -> ReadyDocument:
    """Return the state of every chamber with a log, and of every load that is in one, at `now`.

    Log entries and events after `now` are not looked at.
    """
    now_us = microseconds(now)
    loads, not_put_in = _loads(connection, now_us)
    second = lab.second_sensors()
    known = {one["name"]: one for one in sensors(connection, lab, now)}
    chambers: list[ReadyChamber] = []
    for chamber, name, last_us in connection.exec_driver_sql(CHAMBERS_SQL, (now_us,)).fetchall():
        inside = [load for load in loads if load.stays[-1].chamber_id == chamber]
        # Without a declared conditioning nothing has to become ready.
        if lab.conditioning and name not in second and (last_us is not None or inside):
            row = _chamber(connection, lab, int(chamber), str(name), now_us, inside)
            chambers.append({**row, "sensor": known.get(str(name))})
    on_record = bool(loads) or connection.exec_driver_sql("SELECT 1 FROM load_event LIMIT 1").first() is not None
    return {
        "at": iso(now_us, lab.zone),
        "loads_on_record": on_record,
        "chambers": chambers,
        "not_put_in": [_planned(connection, lab, load, now_us) for load in not_put_in if lab.conditioning],
        "overdue": overdue_instruments(connection, lab, now),
    }


def moment_in(context: str, text: str, lab: Lab) -> datetime:
    """Read a moment such as 2026-11-20T10:00, by the lab's clocks where it has no offset; CallError if it is none."""
    try:
        read = datetime.fromisoformat(text)
    except ValueError:
        raise CallError(f"{context}: expected a moment such as 2026-11-20T10:00, got {quoted(text)}") from None
    checked_day(context, read.date())
    return read if read.tzinfo else read.replace(tzinfo=lab.zone)


class _Event(NamedTuple):
    """A row of `EVENTS_SQL`."""

    load_id: int
    lot_id: int
    at_us: int
    event: int
    chamber_id: int
    laid: int
    specimens: str
    planned_us: int
    load: str
    supplier: str
    product: str
    lot: str
    source: str
    chamber: str


class _Load:
    """The events of one load, in the order of time: its stays, its lots, how they lie, and when its first test is planned."""

    def __init__(self, load_id: int, events: Sequence[_Event]) -> None:
        self.id, self.name, self.recorded_in = load_id, events[0].load, events[-1].source
        self.last_us, self.chamber_id, self.chamber = events[-1].at_us, events[-1].chamber_id, events[-1].chamber
        self.stays = stays_of(sorted({(one.at_us, EVENTS[one.event], one.chamber_id) for one in events}))
        # Of several ways of laying, the one from which moisture leaves most slowly.
        self.laid = LAID[max(one.laid for one in events)]
        lots: dict[int, ReadyLot] = {}
        plans: dict[int, int] = {}
        for one in events:
            if EVENTS[one.event] == "planned" and not one.lot_id:
                # A plan for the whole load, or its end, replaces those of its lots.
                plans.clear()
            if one.planned_us or EVENTS[one.event] == "planned":
                plans[one.lot_id] = one.planned_us
            # The lots of a load that went in are those that went in; before that, those of its plan.
            if one.lot_id and (EVENTS[one.event] != "planned" or not self.stays):
                earlier = lots[one.lot_id]["specimens"] if one.lot_id in lots else ""
                lots[one.lot_id] = {
                    "supplier": one.supplier, "product": one.product, "lot": one.lot, "specimens": one.specimens or earlier,
                }  # fmt: skip
        self.lots = list(lots.values())
        self.planned_us = min(filter(None, plans.values()), default=None)


def _loads(connection: Connection, now_us: int) -> tuple[list[_Load], list[_Load]]:
    """The loads that are in a chamber, the oldest first, and those with a planned test that were never put in, the next test first."""
    longest_stay, plan_kept = now_us - LONGEST_STAY_DAYS * DAY_US, now_us - KEPT_PLAN_DAYS * DAY_US
    oldest_plan = plan_kept - OLDEST_PLAN_DAYS * DAY_US
    by_load: dict[int, list[_Event]] = defaultdict(list)
    for row in connection.exec_driver_sql(EVENTS_SQL, (longest_stay, now_us, oldest_plan, now_us, plan_kept, now_us)):
        by_load[row[0]].append(_Event(*row))
    loads = [_Load(load_id, events) for load_id, events in by_load.items()]
    still = [load for load in loads if load.stays and load.stays[-1].to_us is None and load.last_us >= longest_stay]
    planned = [load for load in loads if not load.stays and (load.planned_us or 0) >= plan_kept]
    return (
        sorted(still, key=lambda load: (load.stays[-1].from_us, load.name)),
        sorted(planned, key=lambda load: (load.planned_us or 0, load.name)),
    )


def _planned(connection: Connection, lab: Lab, load: _Load, now_us: int) -> PlannedLoad:
    """A planned test of a load that no record puts into a chamber."""
    assert load.planned_us is not None
    _, declared = _rule(connection, lab, load.chamber_id, now_us)
    hours = lab.rule_in(declared, load.chamber).hours
    put_in_by_us = load.planned_us - round(hours * HOUR_US)
    return {
        "load": load.name,
        "lots": load.lots,
        "chamber": load.chamber,
        "planned_at": iso(load.planned_us, lab.zone),
        "required_hours": hours,
        "put_in_by": iso(put_in_by_us, lab.zone),
        "too_early": put_in_by_us < now_us,
        "recorded_in": load.recorded_in,
    }


def _chamber(
    connection: Connection, lab: Lab, chamber: int, name: str, now_us: int, loads: list[_Load]
) -> ReadyChamber:
    begin = min([now_us, *(stay.from_us for load in loads for stay in load.stays)])
    first_us = max(begin, now_us - LONGEST_STAY_DAYS * DAY_US)
    rule_name, declared = _rule(connection, lab, chamber, now_us)
    rule = lab.rule_in(declared, name)
    ids = sorted({chamber, *(stay.chamber_id for load in loads for stay in load.stays)})
    logs = chamber_logs(connection, ids, first_us - reach_us(rule), now_us, rule, rules_in(connection, lab, declared))
    log = logs.get(chamber)
    rows = [_load(connection, lab, load, now_us, logs, rule) for load in loads]
    if log is None:
        never = iso(begin, lab.zone)
        return {
            "name": name, "conditioning": rule_name, "state": "silent", "since": never, "since_at_least": True, "ready_at": None, "last_at": never,
            "humidity": None, "temperature_c": None, "loads": rows, "sensor": None,
        }  # fmt: skip
    state, since, ready_at = _state(log, now_us, rule)
    temperature = connection.exec_driver_sql(
        "SELECT temperature_c FROM climate WHERE chamber_id = ? AND logged_us = ?", (chamber, int(log.us[-1]))
    ).scalar_one()
    return {
        "name": name,
        "conditioning": rule_name,
        "state": state,
        "since": iso(since, lab.zone),
        "since_at_least": since == int(log.us[0]),
        "ready_at": iso(ready_at, lab.zone),
        "last_at": iso(int(log.us[-1]), lab.zone),
        "humidity": float(log.humidity[-1]),
        "temperature_c": float(temperature),
        "loads": rows,
        "sensor": None,
    }


def _state(log: ChamberLog, now_us: int, rule: Conditioning) -> tuple[ChamberWord, int, int | None]:
    """State of a chamber by its last entry, since when, and when bags that were in by then are ready."""
    last = len(log.us) - 1
    if is_silent(int(log.us[last]), now_us, rule):
        return "silent", int(log.us[last]), None
    if log.fault[last] != FINE:
        return "outside", int(log.us[log.fault_start[last]]), None
    since = int(log.us[log.run_start[last]])
    return "inside", since, since + round(rule.hours * HOUR_US)


def _rule(connection: Connection, lab: Lab, chamber: int, now_us: int) -> tuple[str, Conditioning]:
    """The declared conditioning that a chamber is set to: the one nearest to its median humidity of the last days."""
    if len(lab.conditioning) == 1:
        return next(iter(lab.conditioning.items()))
    rows = connection.exec_driver_sql(
        "SELECT humidity_percent FROM climate WHERE chamber_id = ? AND logged_us BETWEEN ? AND ?",
        (chamber, now_us - 14 * DAY_US, now_us),
    ).fetchall()
    middle = float(np.median([row[0] for row in rows])) if rows else 0.0

    def distance(rule: Conditioning) -> float:
        limits = tolerance(rule)
        return abs(middle - (limits.humidity_low + limits.humidity_high) / 2)

    return min(lab.conditioning.items(), key=lambda item: distance(item[1]))


def _load(
    connection: Connection, lab: Lab, load: _Load, now_us: int, logs: dict[int, ChamberLog], rule: Conditioning
) -> ReadyLoad:
    now = readiness(load.stays, now_us, logs, rule, rule.out_minutes)
    assert now is not None
    assert now.earliest_us is not None
    words: dict[Progress, LoadState] = {
        Progress.WAITING: "waiting", Progress.READY: "ready", Progress.BROKEN: "broken", Progress.SILENT: "silent",
    }  # fmt: skip
    entered = load.stays[0].from_us
    sessions, invalid = connection.exec_driver_sql(
        "SELECT count(*), coalesce(sum(CASE WHEN conditioning <> 'valid' THEN 1 ELSE 0 END), 0) FROM session "
        "WHERE load_id = ? AND started_us BETWEEN ? AND ?",
        (load.id, entered, now_us),
    ).one()
    return {
        "load": load.name,
        "lots": load.lots,
        "laid": load.laid,
        "stack_hours": STACK_HOURS if load.laid == "piled" else None,
        "in_since": iso(load.stays[-1].from_us, lab.zone),
        "state": words[now.state],
        "hours": round(now.hours, 4),
        "required_hours": rule.hours,
        "since": iso(now.since_us, lab.zone),
        "ready_at": iso(now.ready_at_us, lab.zone),
        "reason": None if now.reason is None else now.reason.value,
        "restarted_at": iso(now.restarted_us, lab.zone),
        "lost_hours": round(now.lost_hours, 4),
        "sessions": int(sessions),
        "invalid": int(invalid),
        "recorded_in": load.recorded_in,
        "planned_at": iso(load.planned_us, lab.zone),
        "earliest_at": iso(now.earliest_us, lab.zone),
        "too_early": load.planned_us is not None and load.planned_us < now.earliest_us and now.state != Progress.READY,
    }
