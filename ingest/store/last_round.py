"""When the last round was, and what to believe of earlier ones once the clock was wrong.

Which of two clocks was wrong can't be known at once: the newest round is believed, and of the earlier ones as many as can
stand in order before it. So the rounds of a clock that was ahead or behind for a while stand out once a right one follows.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from datetime import datetime, tzinfo

from sqlalchemy import Connection, text

from ingest.common.instants import AHEAD, DAY_US, HOUR_US, MINUTE_US, from_microseconds, microseconds

__all__ = ["clock_went_back", "is_behind", "last_round", "misdated"]

# Rounds that waited for each other, or on two machines that share a store, may be noted this much out of order.
NOTICEABLE_US = 15 * MINUTE_US

# One row a round whose clock was earlier than that of the round before.
STEPS_SQL = """
SELECT id, before_us, started_us FROM
(SELECT id, started_us, lag(started_us) OVER (ORDER BY id) AS before_us FROM round) AS each_round
WHERE started_us < before_us - :noticeable AND id > :after ORDER BY id DESC
"""


def last_round(connection: Connection) -> int | None:
    """When the newest round began, in UTC microseconds; None before the first. It is the present of every page and paper."""
    found: int | None = connection.execute(text("SELECT started_us FROM round ORDER BY id DESC LIMIT 1")).scalar()
    return found


def is_behind(connection: Connection, now: datetime) -> bool:
    """Whether `now` is so far before stored tests that a round would refuse them: its clock, or an earlier one, is wrong."""
    newest: int | None = connection.execute(text("SELECT max(started_us) FROM session")).scalar()
    return newest is not None and newest > microseconds(now + AHEAD)


def clock_went_back(connection: Connection, zone: tzinfo, rounds: int) -> str:
    """A line about the last of so many rounds whose clock was earlier than that of the round before; "" where none was.

    The days and hours in it are those of `zone`.
    """
    newest = connection.execute(text("SELECT coalesce(max(id), 0) FROM round")).scalar_one()
    found = connection.execute(text(STEPS_SQL), {"noticeable": NOTICEABLE_US, "after": newest - rounds}).first()
    if found is None:
        return ""
    began, before = (
        f"{from_microseconds(us).astimezone(zone):%Y-%m-%d %H:%M}" for us in (found.started_us, found.before_us)
    )
    return (
        f"The computer's clock went back by {_length(found.before_us - found.started_us)} between two rounds: the earlier one "
        f"began at {before}, the next at {began}. The newest round is believed; see that the clock is right now."
    )


def _length(us: int) -> str:
    for unit_us, name in ((DAY_US, "days"), (HOUR_US, "hours")):
        if us >= 2 * unit_us:
            return f"{us // unit_us:,} {name}"
    return f"{us // MINUTE_US} minutes"


def misdated(connection: Connection) -> dict[int, int]:
    """The beginnings of rounds under a wrong clock, each with that of the first round after it that is believed.

    What a round noted carries its beginning, so that it can be dated rightly by this.
    """
    if connection.execute(text(STEPS_SQL), {"noticeable": NOTICEABLE_US, "after": 0}).first() is None:
        return {}
    starts = [row.started_us for row in connection.execute(text("SELECT started_us FROM round ORDER BY id"))]
    believed = set(_in_order(starts))
    told = {starts[place] for place in believed}
    found: dict[int, int] = {}
    after = starts[-1]
    for place in range(len(starts) - 1, -1, -1):
        if place in believed:
            after = starts[place]
        elif starts[place] not in told and abs(starts[place] - after) > NOTICEABLE_US:
            found.setdefault(starts[place], after)
    return found


def _in_order(starts: Sequence[int]) -> list[int]:
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
    found, place = [], places[-1]
    while place >= 0:
        found.append(place)
        place = before[place]
    return found
