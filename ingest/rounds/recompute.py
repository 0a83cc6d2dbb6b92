"""Everything that is derived from sessions, in order: evaluation, shared shifts and their alerts, humidity, the shelf.

A round, a replay (on a copy) and an entry of a person all use it, so that all three end in the same results.
"""

from __future__ import annotations

from sqlalchemy import Connection

from ingest.alerts.bench_record_alerts import update_bench_record_alerts
from ingest.alerts.case_groups import update_cases
from ingest.alerts.shared_shift_alerts import update_shared_shift_alerts
from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.evaluation.evaluate_streams import evaluate_stale
from ingest.evaluation.humidity_effect import update_humidity_effect
from ingest.evaluation.retests import update_retests
from ingest.stock.update_stock import update_stock

__all__ = ["derive", "follow"]


def derive(connection: Connection, lab: Lab, watch: Progress = no_progress) -> tuple[int, list[str]]:
    """Evaluate every stale stream and what depends on it; how many there were, and the ids of the new alerts."""
    evaluated, raised = evaluate_stale(connection, lab, watch)
    return len(evaluated), _without_held(connection, raised + follow(connection, lab, evaluated))


def follow(connection: Connection, lab: Lab, evaluated: set[int]) -> list[str]:
    """Bring up to date what depends on the evaluations of these streams; the ids of the new alerts about bench and stock."""
    raised = _bench_alerts(connection, lab, evaluated)
    # The findings say which sessions of check standards tell nothing of the bench: its part of the uncertainty may change.
    again, changed = evaluate_stale(connection, lab)
    if again:
        raised += changed + _bench_alerts(connection, lab, again)
        evaluated = evaluated | again
    update_humidity_effect(connection, lab, evaluated)
    update_retests(connection, lab, evaluated)
    update_cases(connection, evaluated)
    return raised + update_stock(connection, lab, evaluated)


def _bench_alerts(connection: Connection, lab: Lab, evaluated: set[int]) -> list[str]:
    return update_shared_shift_alerts(connection, lab, evaluated) + update_bench_record_alerts(connection, lab)


def _without_held(connection: Connection, raised: list[str]) -> list[str]:
    """The new alerts without those that a bench alert explains, under which they are listed, and those that ended again."""
    shown = set(connection.exec_driver_sql("SELECT id FROM alert WHERE held_under IS NULL").scalars())
    return [name for name in dict.fromkeys(raised) if name in shown]
