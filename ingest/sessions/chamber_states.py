"""Since when each chamber has kept its tolerance, and from when on a test in it can be valid again.

Derived from the last hours of each log. The result holds times only, so that it depends on no clock; a page compares them with
the time of the last round.
"""

from __future__ import annotations

from sqlalchemy import Connection

from ingest.common.instants import HOUR_US
from ingest.config.lab import Lab
from ingest.sessions.chamber_rules import rule_of
from ingest.sessions.conditioning import last_break, reach_us
from ingest.store.store import fetch_frame, insert_many

__all__ = ["update_chamber_states"]

ENTRIES_SQL = (
    "SELECT logged_us, humidity_percent, temperature_c FROM climate WHERE chamber_id = ? AND logged_us >= ? "
    "ORDER BY logged_us"
)
TYPES = {"logged_us": "int64", "humidity_percent": "float64", "temperature_c": "float64"}


def update_chamber_states(connection: Connection, lab: Lab) -> None:
    """Derive the state of every chamber that has a log."""
    connection.exec_driver_sql("DELETE FROM chamber_state")
    chambers = connection.exec_driver_sql(
        "SELECT c.id, c.text, (SELECT max(logged_us) FROM climate k WHERE k.chamber_id = c.id) FROM label c "
        "WHERE c.kind = 'chamber' ORDER BY c.id"
    ).all()
    rows = []
    second = lab.second_sensors()
    for chamber, name, last_us in chambers:
        rule = rule_of(connection, lab, chamber, name)
        if last_us is None or rule is None or name in second:
            continue
        log = fetch_frame(connection, ENTRIES_SQL, (chamber, last_us - reach_us(rule)), TYPES)
        newest = last_break(log, rule)
        valid_from = None if newest.back_us is None else newest.back_us + round(rule.hours * HOUR_US)
        rows.append((chamber, newest.state.value, rule.hours, last_us, newest.began_us, newest.back_us, valid_from))
    insert_many(
        connection,
        "INSERT INTO chamber_state (chamber_id, state, hours, last_us, began_us, back_us, valid_from_us) "
        "VALUES (?, ?, ?, ?, ?, ?, ?)",
        rows,
    )
