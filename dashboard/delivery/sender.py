"""Send one message to its destination: a file in `outbox/`, a mail, or a post to a program."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from typing import Self, cast

from dashboard.delivery.alert_messages import Message, MessageContext, about_many, about_one
from dashboard.delivery.errors import DeliveryError
from dashboard.delivery.load_messages import LoadNews, about_loads
from dashboard.delivery.mail_message import as_mail, message_id, write_to_outbox
from dashboard.delivery.reminders import about_cases
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
from ingest.documents.alert import Alert
from ingest.documents.case import Case

__all__ = ["Batch", "Sender"]


@dataclass(frozen=True, slots=True, eq=False)
class Batch:
    """The content of one message to one destination: alerts, overdue cases or loads; all are empty for the weekly digest."""

    name: str
    channel: str
    to: tuple[str, ...]
    items: list[Due]
    alerts: list[Alert]
    overdue: list[Case]
    loads: list[LoadNews]
    of_history: bool = False

    @property
    def urgency(self) -> tuple[int, int]:
        """Act before look before note before the digest, and within each the longest wait first."""
        grades = [GRADES.index(alert["grade"]) for alert in self.alerts]
        return min(grades, default=len(GRADES)), self.items[0].noted_us


class Sender:
    """Sends the messages of one round, over one connection to the mail server; use it as a context."""

    def __init__(
        self, lab: Lab, now: datetime, environ: Mapping[str, str], context: MessageContext, digest: Message | None
    ) -> None:
        self.now = now
        self._lab, self._environ, self._context, self._digest = lab, environ, context, digest
        self._mail_server = MailServer(lab.mail, environ)
        self._down: dict[str, DeliveryError] = {}
        self._failures: Counter[str] = Counter()
        self._open = ExitStack()

    def __enter__(self) -> Self:
        self._open.enter_context(self._mail_server)
        return self

    def __exit__(self, *error: object) -> None:
        self._open.close()

    def send(self, batch: Batch) -> DeliveryError | None:
        """Send one message; the reason if it was not delivered."""
        channel = printable(batch.channel)
        server = f"mail server {self._lab.mail.server}" if batch.channel.startswith(MAIL) else channel
        try:
            if server in self._down:
                raise self._down[server]
            self._send(batch)
        except DeliveryError as error:
            if error.server_wide:
                self._down[server] = DeliveryError(str(error), server_wide=True)
            self._failures[f"{server if error.server_wide else channel}: {error}"] += 1
            return error
        return None

    def failures(self) -> list[str]:
        """A line for each reason, with the number of messages that wait."""
        return [f"{reason}; {counted(count, 'message')} to send again" for reason, count in self._failures.items()]

    def _send(self, batch: Batch) -> None:
        lab, sender = self._lab, self._lab.mail.from_
        if batch.channel.startswith(WEBHOOK):
            hook = cast("Webhook", outlet(lab, batch.channel))
            body = body_of(batch.name, lab.name, batch.alerts, lab.mail.dashboard)
            post(hook, Post(batch.name, body, self.now), self._environ)
            return
        identity, message = message_id(batch.name, batch.channel, sender), self._message(batch)
        if batch.channel != OUTBOX:
            self._mail_server.send(as_mail(message, identity, sender, batch.to, self.now), batch.to[0])
            return
        # Dated when the alert was noted, so that a file written again after a crash has the same bytes.
        noted = from_microseconds(max(item.noted_us for item in batch.items)).astimezone(lab.zone)
        try:
            write_to_outbox(lab.folder / OUTBOX, batch.name, as_mail(message, identity, sender, batch.to, noted))
        except OSError as error:
            raise DeliveryError(f"{error.filename} can't be written ({error.strerror})", server_wide=True) from error

    def _message(self, batch: Batch) -> Message:
        if batch.overdue:
            return about_cases(batch.overdue, self._context)
        if batch.loads:
            return about_loads(batch.loads, self._context)
        if not batch.alerts:
            assert self._digest is not None  # Made if a digest is due
            return self._digest
        if len(batch.alerts) == 1:
            return about_one(batch.alerts[0], self._context, of_history=batch.of_history)
        return about_many(batch.alerts, self._context, of_history=batch.of_history)
