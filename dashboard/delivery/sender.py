"""Carry one message by its way: a file in `outbox/`, a mail, or a post to a program."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self, cast

from dashboard.delivery.alert_messages import Message, Surroundings, about_many, about_one
from dashboard.delivery.errors import DeliveryError
from dashboard.delivery.mail_message import envelope, leave, message_id
from dashboard.delivery.routing import MAIL, OUTBOX, WEBHOOK, outlet
from dashboard.delivery.smtp import MailServer
from dashboard.delivery.webhook import Post, body_of, post
from dashboard.queries.alert_order import GRADES
from dashboard.text.formatting import counted
from ingest.alerts.delivery_queue import Due
from ingest.common.instants import from_microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.config.notification_models import Webhook

__all__ = ["Batch", "Sender"]

Document = Any


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """What goes in one message by one channel; `alerts` is empty for the week's summary."""

    name: str
    channel: str
    to: tuple[str, ...]
    items: list[Due]
    alerts: list[Document]

    @property
    def urgency(self) -> tuple[int, int]:
        """Act before look before note before the week's summary, and what waits longest first."""
        grades = [GRADES.index(alert["grade"]) for alert in self.alerts]
        return min(grades, default=len(GRADES)), self.items[0].noted_us


class Sender:
    """Carries the messages of one round, over one connection to the mail server; use it as a context."""

    def __init__(
        self, lab: Lab, now: datetime, environ: Mapping[str, str], around: Surroundings, week: Message | None
    ) -> None:
        self.now = now
        self._lab, self._environ, self._around, self._week = lab, environ, around, week
        self._mail_server = MailServer(lab.mail, environ)
        self._down: dict[str, DeliveryError] = {}
        self._troubles: Counter[str] = Counter()
        self._open = ExitStack()

    def __enter__(self) -> Self:
        self._open.enter_context(self._mail_server)
        return self

    def __exit__(self, *error: object) -> None:
        self._open.close()

    def carry(self, batch: Batch) -> DeliveryError | None:
        """Carry one message; why it did not go out, or None."""
        server = self._server(batch.channel)
        try:
            if server in self._down:
                raise self._down[server]
            self._send(batch)
        except DeliveryError as trouble:
            if trouble.everywhere:
                self._down[server] = DeliveryError(str(trouble), everywhere=True)
            self._troubles[f"{server if trouble.everywhere else printable(batch.channel)}: {trouble}"] += 1
            return trouble
        return None

    def told(self) -> list[str]:
        """A line for each trouble."""
        return [f"{trouble}; {counted(count, 'message')} to send again" for trouble, count in self._troubles.items()]

    def _server(self, channel: str) -> str:
        return f"mail server {self._lab.mail.server}" if channel.startswith(MAIL) else printable(channel)

    def _send(self, batch: Batch) -> None:
        if batch.channel.startswith(WEBHOOK):
            hook = cast("Webhook", outlet(self._lab, batch.channel))
            body = body_of(batch.name, self._lab.name, batch.alerts, self._lab.mail.dashboard)
            post(hook, Post(batch.name, body, self.now), self._environ)
        elif batch.channel == OUTBOX:
            self._leave(batch)
        else:
            identity = message_id(batch.name, batch.channel, self._lab.mail.from_)
            message = envelope(self._letter(batch), identity, self._lab.mail.from_, batch.to, self.now)
            self._mail_server.send(message, batch.to[0])

    def _leave(self, batch: Batch) -> None:
        # Dated when it was noted, so that a file that is written again after a crash is the same to the byte.
        noted = from_microseconds(max(item.noted_us for item in batch.items)).astimezone(self._lab.zone)
        identity = message_id(batch.name, batch.channel, self._lab.mail.from_)
        message = envelope(self._letter(batch), identity, self._lab.mail.from_, batch.to, noted)
        try:
            leave(self._lab.folder / "outbox", batch.name, message)
        except OSError as error:
            raise DeliveryError(f"{error.filename} can't be written ({error.strerror})", everywhere=True) from error

    def _letter(self, batch: Batch) -> Message:
        if not batch.alerts:
            assert self._week is not None  # made where a summary is due
            return self._week
        if len(batch.alerts) == 1:
            return about_one(batch.alerts[0], self._around)
        return about_many(batch.alerts, self._around)
