"""Alerts reach people: each once by each way it goes, also across crashes, and later where a server is down.

What exactly once can mean: a file in `outbox/` is named after what it says, so that writing it again leaves one file. A
mail server or a program that was cut off between taking a message and our note of it is asked again, under the same
message name: it can tell that it has it, and most mail systems then show it once; no sender can promise more.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from typing import Any

from filelock import FileLock, Timeout
from sqlalchemy import Connection

from dashboard.delivery import weekly_digest
from dashboard.delivery.alert_messages import Message, Surroundings
from dashboard.delivery.routing import Destination, destinations, digest_destinations, is_held_back
from dashboard.delivery.sender import Batch, Sender
from dashboard.queries import stored_documents
from ingest.alerts import delivery_queue
from ingest.alerts.delivery_queue import Due
from ingest.common.instants import microseconds
from ingest.config.lab import Lab
from ingest.store.store import Store
from spc.vocabulary.enums import AlertState

__all__ = ["BULK", "deliver", "waiting"]

Document = Any
Pair = tuple[str, str]

# More new alerts than this at once are told in one message.
BULK = 5
LOCK_NAME = ".lotdrift.delivery.lock"
LOCK_SECONDS = 120
DIGEST = "digest-"


def deliver(store: Store, lab: Lab, now: datetime, environ: Mapping[str, str]) -> list[str]:
    """Send what is new and what waited; a line for each server that did not take its messages.

    Parameters
    ----------
    store, lab
        The store after a round, and the declarations.
    now : datetime
        The moment of the round, aware.
    environ : mapping of str to str
        The environment, which holds the login of the mail server and the secrets of the webhooks.

    Raises
    ------
    StoreError
        Where the store can't be used.
    """
    try:
        # The lock ends with its process: what is found claimed under it was left by one that was killed.
        held = FileLock(lab.folder / LOCK_NAME, timeout=LOCK_SECONDS).acquire()
    except Timeout:
        return ["alerts: another process is still sending; what is new goes out with the next round"]
    except OSError as error:
        name = error.filename or lab.folder
        return [f"alerts: {name} can't be written ({error.strerror}); see to it, they go out with the next round"]
    with held:
        return _deliver(store, lab, now, environ)


def _deliver(store: Store, lab: Lab, now: datetime, environ: Mapping[str, str]) -> list[str]:
    with store.writing() as connection:
        alerts = [alert for alert in stored_documents.alerts(connection, lab) if _is_told(alert)]
        wanted = _wanted(connection, lab, alerts, now)
        delivery_queue.note(connection, wanted, microseconds(now))
        due = [item for item in delivery_queue.due(connection, microseconds(now)) if _may_go(item, lab, wanted, now)]
    if not due:
        return []
    by_id = {alert["id"]: alert for alert in alerts}
    batches = [_batch(group, by_id, wanted) for group in _groups(due)]
    with store.reading() as connection:
        carrier = Sender(lab, now, environ, _surroundings(connection, lab), _digest_letter(connection, lab, now, due))
    return _send_all(store, carrier, batches)


# What is wanted


def _is_told(alert: Document) -> bool:
    """Worth telling: nobody has taken it up, and no bench alert explains it."""
    return alert["state"] == AlertState.OPEN and alert["held_under"] is None


def _wanted(connection: Connection, lab: Lab, alerts: Sequence[Document], now: datetime) -> dict[Pair, Destination]:
    """Every alert, and the week's summary, by every way that it goes."""
    pairs = {(alert["id"], channel): way for alert in alerts for channel, way in destinations(lab, alert).items()}
    monday = weekly_digest.due_at(now, lab)
    if _had_round_before(connection, monday):
        pairs |= {(f"{DIGEST}{monday.date()}", channel): way for channel, way in digest_destinations(lab).items()}
    return pairs


def _had_round_before(connection: Connection, moment: datetime) -> bool:
    """A week before the first round had nothing to tell."""
    first = connection.exec_driver_sql("SELECT min(started_us) FROM round").scalar()
    return first is not None and first < microseconds(moment)


def _may_go(item: Due, lab: Lab, wanted: Mapping[Pair, Destination], now: datetime) -> bool:
    way = wanted.get((item.about, item.channel))
    return way is not None and not is_held_back(lab, item.channel, way, now)


# What goes together


def _groups(due: Sequence[Due]) -> Iterator[list[Due]]:
    """What goes in one message: what was claimed together; of the rest all that is a storm, else each by itself."""
    for _, of_channel in groupby(sorted(due, key=lambda item: item.channel), key=lambda item: item.channel):
        items = list(of_channel)
        claimed = sorted((item for item in items if item.message), key=lambda item: str(item.message))
        yield from (list(group) for _, group in groupby(claimed, key=lambda item: item.message))
        fresh = [item for item in items if not item.message and not item.about.startswith(DIGEST)]
        yield from [fresh] if len(fresh) > BULK else [[item] for item in fresh]
        yield from [[item] for item in items if not item.message and item.about.startswith(DIGEST)]


def _batch(items: list[Due], alerts: Mapping[str, Document], wanted: Mapping[Pair, Destination]) -> Batch:
    to = dict.fromkeys(reader for item in items for reader in wanted[item.about, item.channel].to)
    told = [alerts[item.about] for item in items if item.about in alerts]
    return Batch(items[0].message or _name(items), items[0].channel, tuple(to), items, told)


def _name(items: Sequence[Due]) -> str:
    """The name of a message depends on what it is about and on nothing else."""
    if len(items) == 1:
        return items[0].about
    return hashlib.sha256("\0".join(sorted(item.about for item in items)).encode()).hexdigest()[:12]


# Sending


def _surroundings(connection: Connection, lab: Lab) -> Surroundings:
    rows = stored_documents.board(connection, lab)
    held: dict[str, int] = {}
    for alert in stored_documents.alerts(connection, lab, closed_too=True):
        if alert["held_under"] is not None:
            held[alert["held_under"]] = held.get(alert["held_under"], 0) + 1
    return Surroundings(
        lab_name=lab.name,
        horizon_weeks=lab.alerts.horizon_weeks,
        dashboard=lab.mail.dashboard,
        rows={(row["supplier"], row["product"], row["characteristic"]): row for row in rows},
        pictures=stored_documents.all_sketches(connection),
        held=held,
    )


def _digest_letter(connection: Connection, lab: Lab, now: datetime, due: Sequence[Due]) -> Message | None:
    if not any(item.about.startswith(DIGEST) for item in due):
        return None
    week = weekly_digest.document(connection, lab, weekly_digest.due_at(now, lab))
    return weekly_digest.as_message(week, stored_documents.all_sketches(connection), lab.mail.dashboard)


def _send_all(store: Store, carrier: Sender, batches: Sequence[Batch]) -> list[str]:
    """Claim, send, note, one message after the other; a server that is down is asked once."""
    with carrier:
        for batch in sorted(batches, key=lambda batch: batch.urgency):
            with store.writing() as connection:
                delivery_queue.claim(connection, batch.items, batch.name)
            trouble = carrier.carry(batch)
            with store.writing() as connection:
                if trouble is None:
                    delivery_queue.mark_sent(connection, batch.items, microseconds(carrier.now))
                else:
                    delivery_queue.reschedule(
                        connection, batch.items, microseconds(carrier.now), str(trouble),
                        unsure=trouble.unsure, lasting=trouble.lasting,
                    )  # fmt: skip
    return carrier.told()


def waiting(connection: Connection, lab: Lab) -> list[Document]:
    """What did not reach people yet, for the bench page: channel, how many, noted since, tried again from, and why."""
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
