"""A letter in its envelope: the headers, the text, the picture, as bytes that any mail program reads.

The same letter, reader and moment give the same bytes, so that a file that is written again is the same file.
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

__all__ = ["envelope", "leave", "message_id"]

# RFC 2606: a name that no host has, for letters that no server numbers.
NO_HOST = "lotdrift.invalid"


def message_id(name: str, channel: str, sender: str | None) -> str:
    """The id by which a receiver can tell that it has this message already: it depends on nothing that changes."""
    reader = hashlib.sha256(channel.encode()).hexdigest()[:8]
    return f"<{name}.{reader}@{sender.partition('@')[2] if sender else NO_HOST}>"


def envelope(letter: Message, identity: str, sender: str | None, to: Sequence[str], moment: datetime) -> EmailMessage:
    """The letter with its headers (RFC 5322); `to` are declared addresses, `moment` an aware time."""
    message = EmailMessage(policy=SMTP)
    message["Subject"] = letter.subject
    if sender:
        message["From"] = Address("lotdrift", addr_spec=sender)
    if to:
        message["To"] = [Address(addr_spec=address) for address in to]
    message["Date"] = format_datetime(moment)
    message["Message-ID"] = identity
    # RFC 3834: no machine should answer.
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(letter.text)
    if letter.html:
        message.add_alternative(letter.html, subtype="html")
    if letter.picture:
        message.add_attachment(letter.picture, "image", "png", filename="stream.png", disposition="inline")
    _mark_parts(message, identity)
    return message


def _mark_parts(message: EmailMessage, identity: str) -> None:
    """The marks between parts, which the library would draw at random."""
    for number, part in enumerate(part for part in message.walk() if part.is_multipart()):
        part.set_boundary(hashlib.sha256(f"{identity}{number}".encode()).hexdigest()[:32])


def leave(outbox: Path, name: str, message: EmailMessage) -> Path:
    """Write a message as a file under a name of ours; on the disk when this returns, as it is noted as sent then."""
    path = outbox / f"{name}.eml"
    write_whole(path, lambda out: out.write(message.as_bytes()))
    return path
