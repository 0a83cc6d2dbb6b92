"""Deliver alerts: each once to each destination, also after a crash, and later if a server is down.

"Exactly once" has limits. A file in `outbox/` is named after its content, so that writing it again leaves one file. If a mail
server or a program was cut off between accepting a message and our record of it, the message is sent again with the same
name: the receiver can recognise the repeat, and most mail systems then show it once. No sender can promise more.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from typing import TypedDict

from filelock import FileLock, Timeout
from sqlalchemy import Connection

from dashboard.delivery import weekly_digest
from dashboard.delivery.alert_messages import MessageContext
from dashboard.delivery.load_messages import LOAD, LoadNews, load_news
from dashboard.delivery.reminders import REMINDER, overdue_cases
from dashboard.delivery.routing import (
    WEBHOOK,
    Destination,
    destinations,
    digest_destinations,
    is_held_back,
    load_destinations,
)
from dashboard.delivery.sender import Batch, Sender
from dashboard.queries import stored_documents
from ingest.alerts import attribution, delivery_queue
from ingest.alerts.delivery_queue import Due
from ingest.common.instants import microseconds
from ingest.config.lab import Lab
from ingest.decisions.cases import cases
from ingest.documents.alert import Alert
from ingest.documents.case import Case
from ingest.store.first_reading import FirstReading, first_reading
from ingest.store.store import Store
from spc.vocabulary.enums import AlertState

__all__ = ["BULK", "deliver", "waiting"]

Pair = tuple[str, str]

# More new alerts than this at once go in one message.
BULK = 5
LOCK_NAME = ".lotdrift.delivery.lock"
LOCK_SECONDS = 120
DIGEST = "digest-"


class UndeliveredMessages(TypedDict):
    """Messages of one channel that a server has not accepted yet."""

    channel: str
    count: int
    since: str
    next_try: str
    reason: str


def deliver(store: Store, lab: Lab, now: datetime, environ: Mapping[str, str]) -> list[str]:
    """Send new and waiting messages; a line for each server that did not accept its messages.

    Parameters
    ----------
    store, lab
        The store after a round, and the declarations.
    now : datetime
        The moment of the round, aware.
    environ : mapping of str to str
        The environment, with the login of the mail server and the secrets of the webhooks.

    Raises
    ------
    StoreError
        If the store can't be used.
    """
    try:
        # The lock ends with its process: a claim found under it is of a process that was killed.
        lock = FileLock(lab.folder / LOCK_NAME, timeout=LOCK_SECONDS).acquire()
    except Timeout:
        return ["alerts: another process is still sending; new alerts are sent with the next round"]
    except OSError as error:
        name = error.filename or lab.folder
        return [f"alerts: {name} can't be written ({error.strerror}); mend it, and they are sent with the next round"]
    with lock:
        return _deliver(store, lab, now, environ)


def _deliver(store: Store, lab: Lab, now: datetime, environ: Mapping[str, str]) -> list[str]:
    now_us = microseconds(now)
    with store.writing() as connection:
        again = attribution.deliveries_again(connection)
        # Not responded to yet, and not explained by a bench alert.
        alerts = {
            str(again.get(alert["id"], alert["id"])): alert
            for alert in stored_documents.alerts(connection, lab)
            if alert["state"] == AlertState.OPEN and alert["held_under"] is None
        }
        reminders = overdue_cases(cases(connection, lab))
        loads = load_news(connection, lab, now)
        history = first_reading(connection)
        wanted = _wanted(connection, lab, alerts, now) | _reminders(lab, reminders)
        wanted |= {(about, channel): to for about in loads for channel, to in load_destinations(lab).items()}
        delivery_queue.note(connection, wanted, now_us)
        due = [
            item
            for item in delivery_queue.due(connection, now_us)
            if (pair := (item.about, item.channel)) in wanted and not is_held_back(lab, item.channel, wanted[pair], now)
        ]
    if not due:
        return []
    batches = [_batch(group, alerts, reminders, loads, wanted, history) for group in _groups(due)]
    with store.reading() as connection:
        context, digest = _context(connection, lab), None
        if any(item.about.startswith(DIGEST) for item in due):
            week = weekly_digest.document(connection, lab, weekly_digest.due_at(now, lab))
            digest = weekly_digest.as_message(week, context.pictures, lab.mail.dashboard)
    # Claim, send and record one message after the other; a server that is down is tried once.
    with Sender(lab, now, environ, context, digest) as sender:
        for batch in sorted(batches, key=lambda batch: batch.urgency):
            with store.writing() as connection:
                delivery_queue.claim(connection, batch.items, batch.name)
            error = sender.send(batch)
            with store.writing() as connection:
                if error is None:
                    delivery_queue.mark_sent(connection, batch.items, now_us)
                else:
                    delivery_queue.reschedule(
                        connection,
                        batch.items,
                        now_us,
                        str(error),
                        unsure=error.maybe_delivered,
                        lasting=error.permanent,
                    )
        return sender.failures()


def _wanted(connection: Connection, lab: Lab, alerts: Mapping[str, Alert], now: datetime) -> dict[Pair, Destination]:
    """Every alert and the weekly digest, each with all its destinations."""
    pairs = {
        (about, channel): to for about, alert in alerts.items() for channel, to in destinations(lab, alert).items()
    }
    monday = weekly_digest.due_at(now, lab)
    first_us = connection.exec_driver_sql("SELECT min(started_us) FROM round").scalar()
    # A week before the first round has nothing to report.
    if first_us is not None and first_us < microseconds(monday):
        pairs |= {(f"{DIGEST}{monday.date()}", channel): to for channel, to in digest_destinations(lab).items()}
    return pairs


def _reminders(lab: Lab, reminders: Mapping[str, Case]) -> dict[Pair, Destination]:
    """Every reminder with its destinations; programs get none."""
    return {
        (about, channel): to
        for about, case in reminders.items()
        for channel, to in destinations(lab, case).items()
        if not channel.startswith(WEBHOOK)
    }


def _groups(due: Sequence[Due]) -> Iterator[list[Due]]:
    """The items of each message: those claimed together; of the others all if they are many, else each by itself."""
    for _, of_channel in groupby(sorted(due, key=lambda item: item.channel), key=lambda item: item.channel):
        items = list(of_channel)
        claimed = sorted((item for item in items if item.message), key=lambda item: str(item.message))
        yield from (list(group) for _, group in groupby(claimed, key=lambda item: item.message))
        fresh = [item for item in items if not item.message and not item.about.startswith((DIGEST, REMINDER, LOAD))]
        yield from [fresh] if len(fresh) > BULK else [[item] for item in fresh]
        yield from [[item] for item in items if not item.message and item.about.startswith(DIGEST)]
        overdue = [item for item in items if not item.message and item.about.startswith(REMINDER)]
        yield from [overdue] if overdue else []
        of_loads = [item for item in items if not item.message and item.about.startswith(LOAD)]
        yield from [of_loads] if of_loads else []


def _batch(
    items: list[Due],
    alerts: Mapping[str, Alert],
    reminders: Mapping[str, Case],
    loads: Mapping[str, LoadNews],
    wanted: Mapping[Pair, Destination],
    history: FirstReading | None,
) -> Batch:
    """A message; its name depends on its content and on nothing else."""
    to = dict.fromkeys(reader for item in items for reader in wanted[item.about, item.channel].to)
    name = items[0].about
    if len(items) > 1:
        name = hashlib.sha256("\0".join(sorted(item.about for item in items)).encode()).hexdigest()[:12]
    chosen = [alerts[item.about] for item in items if item.about in alerts]
    overdue = [reminders[item.about] for item in items if item.about in reminders]
    news = [loads[item.about] for item in items if item.about in loads]
    of_history = history is not None and all(history.holds(item.noted_us) for item in items)
    return Batch(items[0].message or name, items[0].channel, tuple(to), items, chosen, overdue, news, of_history)


def _context(connection: Connection, lab: Lab) -> MessageContext:
    every = stored_documents.alerts(connection, lab, closed_too=True)
    rows = stored_documents.board(connection, lab)
    return MessageContext(
        lab_name=lab.name,
        horizon_weeks=lab.alerts.horizon_weeks,
        dashboard=lab.mail.dashboard,
        rows={(row["supplier"], row["product"], row["characteristic"]): row for row in rows},
        pictures=stored_documents.all_sketches(connection),
        explained=Counter(alert["held_under"] for alert in every if alert["held_under"] is not None),
    )


def waiting(connection: Connection, lab: Lab) -> list[UndeliveredMessages]:
    """The undelivered messages by channel, for the bench page: number, since when, next attempt and reason."""
    return [
        {
            "channel": channel,
            "count": count,
            "since": stored_documents.iso(noted_us, lab.zone),
            "next_try": stored_documents.iso(next_us, lab.zone),
            "reason": reason,
        }
        for channel, count, noted_us, next_us, reason in delivery_queue.tell_waiting(connection)
    ]
