"""Which alert goes which way, as `lab.toml` declares it.

A way is named by its channel: a mail address, a webhook, or the folder `outbox/` where no mail server is declared.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ingest.config.lab import Lab
from ingest.config.notification_models import Outlet, Route

__all__ = ["MAIL", "OUTBOX", "WEBHOOK", "Destination", "destinations", "digest_destinations", "is_held_back", "outlet"]

Document = Any

OUTBOX, MAIL, WEBHOOK = "outbox", "mail ", "webhook "


@dataclass(frozen=True, slots=True)
class Destination:
    """One way out: whom a mail is for, and whether it goes in quiet hours too."""

    to: tuple[str, ...] = ()
    at_once: bool = False


def destinations(lab: Lab, alert: Document) -> dict[str, Destination]:
    """Every way that an alert goes, by channel; where no route is declared, act and look go everywhere."""
    found: dict[str, Destination] = {}
    for route in lab.routes or (Route(),):
        if _matches(route, alert):
            for channel, way in _ways_of(lab, route):
                found[channel] = _joined(found.get(channel, Destination()), way)
    return found


def _matches(route: Route, alert: Document) -> bool:
    asked = ((route.grade, "grade"), (route.kind, "kind"), (route.supplier, "supplier"))
    return all(not words or alert[key] in words for words, key in asked)


def _ways_of(lab: Lab, route: Route) -> Iterable[tuple[str, Destination]]:
    everywhere = route.to is None and route.webhook is None
    hooks = [hook.name for hook in lab.webhooks] if everywhere else route.webhook or []
    for name in hooks:
        yield f"{WEBHOOK}{name}", Destination(at_once=route.at_once)
    if everywhere or route.to:
        yield from _mail_ways(lab, lab.mail.to if everywhere else route.to or [], at_once=route.at_once)


def _mail_ways(lab: Lab, to: list[str], *, at_once: bool = False) -> Iterable[tuple[str, Destination]]:
    if lab.mail.server is None:
        yield OUTBOX, Destination(tuple(to), at_once)
    else:
        for address in to:
            yield f"{MAIL}{address}", Destination((address,), at_once)


def _joined(one: Destination, other: Destination) -> Destination:
    return Destination(tuple(dict.fromkeys(one.to + other.to)), one.at_once or other.at_once)


def digest_destinations(lab: Lab) -> dict[str, Destination]:
    """The ways of the week's summary: to its own readers, or else to those of all mail."""
    readers = lab.mail.to if lab.digest.to is None else lab.digest.to
    return {} if lab.digest.to == [] else dict(_mail_ways(lab, readers))


def outlet(lab: Lab, channel: str) -> Outlet:
    """The declaration behind a channel."""
    if channel.startswith(WEBHOOK):
        return next(hook for hook in lab.webhooks if hook.name == channel.removeprefix(WEBHOOK))
    return lab.mail


def is_held_back(lab: Lab, channel: str, way: Destination, now: datetime) -> bool:
    """Whether it waits for the end of quiet hours; a file in `outbox/` wakes nobody."""
    if channel == OUTBOX or way.at_once:
        return False
    return outlet(lab, channel).is_quiet(now.astimezone(lab.zone))
