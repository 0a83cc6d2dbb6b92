"""The time of the last round, and which earlier rounds ran under a wrong clock.

It can't be known at once which of two clocks was wrong. The newest round is taken as right, together with the longest
series of earlier rounds in order of time before it; the others are misdated. So a clock that was ahead or behind for a
while is recognised as soon as a round follows under the right one.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime, tzinfo

from sqlalchemy import Connection, func, select, text

from ingest.common.instants import AHEAD, DAY_US, HOUR_US, MINUTE_US, from_microseconds, microseconds
from ingest.store import schema

__all__ = ["clock_went_back", "is_behind", "last_round", "misdated"]

# Rounds that waited for each other, or ran on two machines that share a store, may be out of order by this much.
NOTICEABLE_US = 15 * MINUTE_US

# Rounds that began earlier than the round before them.
BACKWARD_STEPS = text("""
SELECT id, before_us, started_us FROM
(SELECT id, started_us, lag(started_us) OVER (ORDER BY id) AS before_us FROM round) AS each_round
WHERE started_us < before_us - :noticeable AND id > :after ORDER BY id DESC
""")


def last_round(connection: Connection) -> int | None:
    """Return when the newest round began, in UTC microseconds; None before the first. Pages and documents are dated by it."""
    rounds = schema.round_.c
    query = select(rounds.started_us).order_by(rounds.id.desc()).limit(1)
    started_us: int | None = connection.execute(query).scalar()
    return started_us


def is_behind(connection: Connection, now: datetime) -> bool:
    """Whether `now` is so far before the newest stored test that this clock, or an earlier one, must be wrong."""
    newest: int | None = connection.execute(select(func.max(schema.session.c.started_us))).scalar()
    return newest is not None and newest > microseconds(now + AHEAD)


def clock_went_back(connection: Connection, zone: tzinfo, rounds: int) -> str:
    """Describe, in days and hours of `zone`, the last step back of the clock within so many rounds; "" if there was none."""
    newest = connection.execute(select(func.coalesce(func.max(schema.round_.c.id), 0))).scalar_one()
    step = connection.execute(BACKWARD_STEPS, {"noticeable": NOTICEABLE_US, "after": newest - rounds}).first()
    if step is None:
        return ""
    began, before = (
        f"{from_microseconds(us).astimezone(zone):%Y-%m-%d %H:%M}" for us in (step.started_us, step.before_us)
    )
    return (
        f"The computer's clock went back by {_length(step.before_us - step.started_us)} between two rounds: the earlier one "
        f"began at {before}, the next at {began}. The newest round is believed; see that the clock is right now."
    )


def _length(us: int) -> str:
    for unit_us, name in ((DAY_US, "days"), (HOUR_US, "hours")):
        if us >= 2 * unit_us:
            return f"{us // unit_us:,} {name}"
    return f"{us // MINUTE_US} minutes"


def misdated(connection: Connection) -> dict[int, int]:
    """Map the start of each round under a wrong clock to the start of the next round under a right one.

    What a round stored carries its start, so it can be dated correctly with this.
    """
    if connection.execute(BACKWARD_STEPS, {"noticeable": NOTICEABLE_US, "after": 0}).first() is None:
        return {}
    rounds = schema.round_.c
    starts = list(connection.execute(select(rounds.started_us).order_by(rounds.id)).scalars())
    in_order = set(_longest_series(starts))
    right_starts = {starts[place] for place in in_order}
    corrected: dict[int, int] = {}
    next_right = starts[-1]
    for place in range(len(starts) - 1, -1, -1):
        if place in in_order:
            next_right = starts[place]
        elif starts[place] not in right_starts and abs(starts[place] - next_right) > NOTICEABLE_US:
            corrected.setdefault(starts[place], next_right)
    return corrected


def _longest_series(starts: Sequence[int]) -> list[int]:
    """The places of the longest series of rounds in order of time that ends with the newest."""
    # Patience sorting: `ends[n]` is the earliest moment at which a series of n + 1 rounds can end.
    ends: list[int] = []
    places: list[int] = []
    before: dict[int, int] = {}
    for place, start in enumerate(starts):
        if start > starts[-1]:
            continue
        length = bisect_right(ends, start)
        ends[length : length + 1], places[length : length + 1] = [start], [place]
        before[place] = places[length - 1] if length else -1
    series, place = [], places[-1]
    while place >= 0:
        series.append(place)
        place = before[place]
    return series
