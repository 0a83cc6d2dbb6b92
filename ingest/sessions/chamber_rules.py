"""The conditioning that a chamber is held to, and from when on its log counts as silent.

Reads rows only and imports no statistics, as commands that list must start fast.
"""

from __future__ import annotations

from sqlalchemy import Connection

from ingest.common.instants import MINUTE_US
from ingest.config.lab import Lab
from ingest.config.models import Conditioning

__all__ = ["is_silent", "rule_of"]


def rule_of(connection: Connection, lab: Lab, chamber: int, name: str) -> Conditioning | None:
    """The conditioning of the newest test from a chamber, the first declared one where none was tested from it."""
    conditioned = [one.name for one in lab.characteristics if lab.conditioning_for(one.name) is not None]
    marks = ", ".join("?" * len(conditioned)) or "NULL"
    characteristic = connection.exec_driver_sql(
        "SELECT t.characteristic FROM session s JOIN stream t ON t.id = s.stream_id WHERE s.chamber_id = ? "
        f"AND t.characteristic IN ({marks}) ORDER BY s.started_us DESC, t.characteristic LIMIT 1",
        (chamber, *conditioned),
    ).scalar()
    if characteristic is not None:
        rule = lab.conditioning_for(characteristic)
    else:
        rule = next(iter(lab.conditioning.values()), None)
    return None if rule is None else lab.rule_in(rule, name)


def is_silent(last_us: int, now_us: int, rule: Conditioning) -> bool:
    """Whether the last entry of a log is older than a gap may be."""
    return now_us - last_us > round(rule.longest_gap_minutes * MINUTE_US)
