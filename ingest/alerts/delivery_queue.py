"""What has to reach people, what did, and what still waits: the table that outlasts a crash.

A row is one alert on one way out. It is `waiting`, then `claimed` before it is sent, then `sent`. What is found claimed
may have arrived or not: it goes again under the same message name, by which a receiver can tell that it has it already.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from ingest.common.instants import MINUTE_US
from ingest.store.store import insert_many

__all__ = ["CLAIMED", "SENT", "WAITING", "Due", "claim", "due", "mark_sent", "note", "reschedule", "tell_waiting"]

WAITING, CLAIMED, SENT = "waiting", "claimed", "sent"

FIRST_PAUSE_US = 5 * MINUTE_US
LONGEST_PAUSE_US = 360 * MINUTE_US
DOUBLINGS = 10


@dataclass(frozen=True, slots=True)
class Due:
    """One alert, or one week's summary, that is to go out by one channel."""

    about: str
    channel: str
    message: str | None
    noted_us: int
    tries: int


def note(connection: Connection, wanted: Iterable[tuple[str, str]], now_us: int) -> None:
    """Write down each (about, channel) that is new; forget what waits and is wanted no more."""
    pairs = set(wanted)
    insert_many(
        connection,
        "INSERT INTO delivery (about, channel, state, noted_us) VALUES (?, ?, 'waiting', ?) ON CONFLICT DO NOTHING",
        [(*pair, now_us) for pair in sorted(pairs)],
    )
    waiting = connection.exec_driver_sql("SELECT about, channel FROM delivery WHERE state = 'waiting'")
    insert_many(
        connection,
        "DELETE FROM delivery WHERE about = ? AND channel = ?",
        [pair for row in waiting.fetchall() if (pair := (row[0], row[1])) not in pairs],
    )


def due(connection: Connection, now_us: int) -> list[Due]:
    """What is to go out now, in the order in which it was noted.

    A wait that ends later than any could was begun under a clock that was ahead: it is over.
    """
    rows = connection.exec_driver_sql(
        "SELECT about, channel, message, noted_us, tries FROM delivery WHERE state <> 'sent' AND "
        "(next_us <= ? OR next_us > ?) ORDER BY noted_us, about, channel",
        (now_us, now_us + LONGEST_PAUSE_US),
    )
    return [Due(*row) for row in rows]


def claim(connection: Connection, items: Sequence[Due], message: str) -> None:
    """Take items up under the name of the message that carries them; from here on they may have arrived."""
    _set(connection, items, {"state": CLAIMED, "message": message})


def mark_sent(connection: Connection, items: Sequence[Due], now_us: int) -> None:
    """Note items as sent."""
    _set(connection, items, {"state": SENT, "sent_us": now_us, "reason": ""})


def reschedule(
    connection: Connection,
    items: Sequence[Due],
    now_us: int,
    reason: str,
    *,
    unsure: bool = False,
    lasting: bool = False,
) -> None:
    """Try items again later, each time after a longer pause.

    Where it is `unsure` whether they arrived, now or at an earlier try, they stay claimed and go again under the same name. A `lasting`
    refusal is not asked again soon: a server that said "never" should be spared (RFC 5321, section 4.2.1).
    """
    for item in items:
        pause = LONGEST_PAUSE_US if lasting else min(FIRST_PAUSE_US << min(item.tries, DOUBLINGS), LONGEST_PAUSE_US)
        kept: dict[str, object] = {} if unsure or item.message else {"state": WAITING, "message": None}
        _set(connection, [item], {**kept, "tries": item.tries + 1, "next_us": now_us + pause, "reason": reason})


def _set(connection: Connection, items: Sequence[Due], values: Mapping[str, object]) -> None:
    insert_many(
        connection,
        f"UPDATE delivery SET {', '.join(f'{name} = ?' for name in values)} WHERE about = ? AND channel = ?",
        [(*values.values(), item.about, item.channel) for item in items],
    )


def tell_waiting(connection: Connection) -> list[tuple[str, int, int, int, str]]:
    """What a server did not take yet: channel, how many, noted since, tried again from, and why; the bench page shows it."""
    rows = connection.exec_driver_sql(
        "SELECT channel, count(*), min(noted_us), max(next_us), max(reason) FROM delivery "
        "WHERE state <> 'sent' AND reason <> '' GROUP BY channel ORDER BY channel"
    )
    return [(row[0], row[1], row[2], row[3], row[4]) for row in rows]
