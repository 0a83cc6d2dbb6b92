"""Which alerts are new in a span of time: one definition for the board, the mail and the digest."""

from __future__ import annotations

from sqlalchemy import Connection, text

from spc.vocabulary.enums import AlertState, Grade

__all__ = ["new_alert_ids"]

# The evidence was complete in the span, or a round in it first recorded it, from files that came late.
SQL = """
SELECT id FROM alert WHERE held_under IS NULL AND grade <> :note AND state <> :closed AND (
  (raised_us > :start AND raised_us <= :stop)
  OR id IN (SELECT about FROM delivery GROUP BY about HAVING min(noted_us) > :start AND min(noted_us) <= :stop)
)
"""


def new_alert_ids(connection: Connection, start_us: int, stop_us: int) -> set[str]:
    """The alerts that came in a span and are not closed, without notes and those that a bench finding explains."""
    values = {"start": start_us, "stop": stop_us, "note": Grade.NOTE, "closed": AlertState.CLOSED}
    return set(connection.execute(text(SQL), values).scalars())
