"""All that is derived from sessions, in its order: evaluation, shifts of the bench and what they hold, humidity.

A round does it, a replay does it on a copy, and an entry of a person does it at once, so that all three end alike.
"""

from __future__ import annotations

from sqlalchemy import Connection

from ingest.alerts.shared_shift_alerts import update_shared_shift_alerts
from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.evaluation.evaluate_streams import evaluate_stale
from ingest.evaluation.humidity_effect import tell_humidity

__all__ = ["derive", "follow"]


def derive(connection: Connection, lab: Lab, watch: Progress = no_progress) -> tuple[int, list[str]]:
    """Evaluate every stream marked stale and what hangs on it; how many there were, and the ids of the new alerts."""
    evaluated, raised = evaluate_stale(connection, lab, watch)
    return len(evaluated), _without_held(connection, raised + follow(connection, lab, evaluated))


def follow(connection: Connection, lab: Lab, evaluated: set[int]) -> list[str]:
    """Bring up to date what hangs on the evaluations of these streams; the ids of the bench alerts that are new."""
    raised = update_shared_shift_alerts(connection, lab, evaluated)
    tell_humidity(connection, lab, evaluated)
    return raised


def _without_held(connection: Connection, raised: list[str]) -> list[str]:
    """What the bench explains is no news of its own: it stands under the bench alert."""
    held = set(connection.exec_driver_sql("SELECT id FROM alert WHERE held_under IS NOT NULL").scalars())
    return [name for name in raised if name not in held]
