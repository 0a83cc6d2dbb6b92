"""A mail: headers, text, page and picture, as bytes that any mail program reads.

The same message, reader and moment give the same bytes, so a file that is written again is the same file.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from pathlib import Path

from dashboard.delivery.alert_messages import Message
from ingest.common.durable import write_whole

__all__ = ["as_mail", "message_id", "write_to_outbox"]

# RFC 2606: a name that no host has, for mails without a server.
NO_HOST = "lotdrift.invalid"


def message_id(name: str, channel: str, sender: str | None) -> str:
    """The id by which a receiver recognises a repeat: it depends on nothing that changes."""
    reader = hashlib.sha256(channel.encode()).hexdigest()[:8]
    return f"<{name}.{reader}@{sender.partition('@')[2] if sender else NO_HOST}>"


def as_mail(message: Message, identity: str, sender: str | None, to: Sequence[str], moment: datetime) -> EmailMessage:
    """The message with its headers (RFC 5322); `to` are declared addresses, `moment` an aware time."""
    mail = EmailMessage(policy=SMTP)
    mail["Subject"] = message.subject
    if sender:
        mail["From"] = Address("lotdrift", addr_spec=sender)
    if to:
        mail["To"] = [Address(addr_spec=address) for address in to]
    mail["Date"] = format_datetime(moment)
    mail["Message-ID"] = identity
    # RFC 3834: no machine should answer.
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(message.text)
    if message.html:
        mail.add_alternative(message.html, subtype="html")
    if message.picture:
        mail.add_attachment(message.picture, "image", "png", filename="stream.png", disposition="inline")
    # The library would choose the boundaries between parts at random.
    for number, part in enumerate(part for part in mail.walk() if part.is_multipart()):
        part.set_boundary(hashlib.sha256(f"{identity}{number}".encode()).hexdigest()[:32])
    return mail


def write_to_outbox(outbox: Path, name: str, message: EmailMessage) -> Path:
    """Write a mail as a file under a name made by lotdrift. It is on the disk on return, as it is recorded as sent then."""
    path = outbox / f"{name}.eml"
    write_whole(path, lambda out: out.write(message.as_bytes()))
    return path
