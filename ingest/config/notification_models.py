"""The tables of `lab.toml` for sending alerts: `[mail]`, `[[webhook]]`, `[[route]]` and `[digest]`.

Passwords and secrets come from the environment, so that the file can be shown and archived.
"""

from __future__ import annotations

import re
from datetime import datetime, time
from typing import Annotated, Any, Literal, NamedTuple, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from ingest.config.field_types import Declared, Flag, Name, expected, one_of, shown, wrong
from spc.vocabulary.enums import Grade, Kind

__all__ = ["Digest", "Hours", "LoadMail", "Mail", "Route", "Webhook"]

PORTS = {"starttls": 587, "tls": 465, "none": 25}
ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]+@[A-Za-z0-9-]+(\.[A-Za-z0-9-]+)*", re.ASCII)
VARIABLE = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)
SPAN = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)", re.ASCII)


class Hours(NamedTuple):
    """Hours of the day, possibly across midnight, from the start up to but excluding the end."""

    start: time
    end: time

    def contains(self, moment: time) -> bool:
        """Whether a wall-clock time is within these hours."""
        if self.start < self.end:
            return self.start <= moment < self.end
        return moment >= self.start or moment < self.end


def _address(text: str) -> str:
    if not ADDRESS.fullmatch(text):
        raise ValueError
    return text


def _variable(text: str) -> str:
    if not VARIABLE.fullmatch(text):
        raise ValueError
    return text


def _web_address(text: str) -> str:
    """Accept a complete http or https address."""
    parts = urlsplit(text)
    plain = text.isascii() and text.isprintable() and " " not in text
    if not plain or parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError
    _ = parts.port  # Raises ValueError where it is no port
    return text


def _without_password(text: object) -> object:
    """Refuse a password in the address, and don't repeat it in the message."""
    if isinstance(text, str) and "@" in text:
        raise wrong("expected an address without user or password; take them out of the file")
    return text


def _hours(text: object) -> Hours:
    match = SPAN.fullmatch(text) if isinstance(text, str) else None
    if match is None or match[0][:5] == match[0][6:]:
        raise ValueError
    start_hour, start_minute, end_hour, end_minute = map(int, match.groups())
    return Hours(time(start_hour, start_minute), time(end_hour, end_minute))


Address = Annotated[str, AfterValidator(_address), expected('a mail address such as "bench@example.org"')]
WebAddress = Annotated[
    str,
    AfterValidator(_web_address),
    expected('an address such as "https://example.org/in"', secret=True),
    BeforeValidator(_without_password),
]
Variable = Annotated[str, AfterValidator(_variable), expected("the name of an environment variable")]
QuietHours = Annotated[Any, AfterValidator(_hours), expected('hours of the day such as "18:00-06:30"')]
Port = Annotated[int, Field(gt=0, le=65535), expected("a whole number from 1 to 65535")]
Seconds = Annotated[float, Field(gt=0, le=120), expected("a number above 0 and at most 120")]


class Outlet(Declared):
    """The key that mail and webhooks share."""

    quiet_hours: QuietHours = None

    def is_quiet(self, local: datetime) -> bool:
        """Whether a moment in the lab's zone is within the quiet hours, when alerts that can wait are not sent."""
        hours: Hours | None = self.quiet_hours
        return hours is not None and hours.contains(local.time())


class Mail(Outlet):
    """`[mail]`: the mail server and the receivers; without a server each message is a file in `outbox/`."""

    server: Name | None = None
    port: Port | None = None
    security: Annotated[Literal["starttls", "tls", "none"], one_of("starttls", "tls", "none")] = "starttls"
    from_: Address | None = Field(default=None, alias="from")
    to: list[Address] = Field(default_factory=list)
    timeout_seconds: Seconds = 20.0
    # The address of the dashboard, for the links in mails.
    dashboard: WebAddress | None = None

    @property
    def server_port(self) -> int:
        """The declared port, or the default port of the security."""
        return self.port or PORTS[self.security]

    @model_validator(mode="after")
    def _server_has_a_sender(self) -> Self:
        if self.server is not None and self.from_ is None:
            raise wrong(f"expected from beside server, got only {shown(self.server)}")
        return self


class Webhook(Outlet):
    """`[[webhook]]`: an address that receives each message by POST, signed with a secret from the environment."""

    name: Name
    url: WebAddress
    secret: Variable = "LOTDRIFT_WEBHOOK_SECRET"
    timeout_seconds: Seconds = 10.0


class Route(Declared):
    """`[[route]]`: which alerts go where. Omitted keys match everything; `grade` defaults to act and look."""

    grade: list[Annotated[Literal["act", "look", "note"], one_of(*Grade)]] = Field(default=["act", "look"])
    kind: list[Annotated[str, one_of(*Kind)]] = Field(default_factory=list)
    supplier: list[Name] = Field(default_factory=list)
    to: list[Address] | None = None
    webhook: list[Name] | None = None
    # Also sent in quiet hours.
    at_once: Flag = False


class LoadMail(Declared):
    """`[loads]`: the receivers of a mail when a load is ready to test or its conditioning is broken; nobody by default."""

    to: list[Address] = Field(default_factory=list)


class Digest(Declared):
    """`[digest]`: the receivers of the weekly summary; `to = []` for nobody."""

    to: list[Address] | None = None
