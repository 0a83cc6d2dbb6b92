"""The destinations of an alert, as `lab.toml` declares them.

A destination is named by its channel: a mail address, a webhook, or the folder `outbox/` if no mail server is declared.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from ingest.config.lab import Lab
from ingest.config.notification_models import Outlet, Route
from ingest.documents.alert import Alert
from ingest.documents.case import Case

__all__ = [
    "MAIL",
    "OUTBOX",
    "WEBHOOK",
    "Destination",
    "destinations",
    "digest_destinations",
    "is_held_back",
    "load_destinations",
    "outlet",
]

OUTBOX, MAIL, WEBHOOK = "outbox", "mail ", "webhook "


@dataclass(frozen=True, slots=True)
class Destination:
    """The readers of a mail, and whether it is also sent in quiet hours."""

    to: tuple[str, ...] = ()
    at_once: bool = False


def destinations(lab: Lab, alert: Alert | Case) -> dict[str, Destination]:
    """All destinations of an alert or a case, by channel. Without a declared route, act and look go to all."""
    by_channel: dict[str, Destination] = {}
    for route in lab.routes or (Route(),):
        if _matches(route, alert):
            for channel, destination in _of_route(lab, route):
                earlier = by_channel.get(channel, Destination())
                to = tuple(dict.fromkeys(earlier.to + destination.to))
                by_channel[channel] = Destination(to, earlier.at_once or destination.at_once)
    return by_channel


def _matches(route: Route, alert: Alert | Case) -> bool:
    conditions = ((route.grade, alert["grade"]), (route.kind, alert["kind"]), (route.supplier, alert["supplier"]))
    return all(not values or value in values for values, value in conditions)


def _of_route(lab: Lab, route: Route) -> Iterable[tuple[str, Destination]]:
    everywhere = route.to is None and route.webhook is None
    hooks = [hook.name for hook in lab.webhooks] if everywhere else route.webhook or []
    for name in hooks:
        yield f"{WEBHOOK}{name}", Destination(at_once=route.at_once)
    if everywhere or route.to:
        yield from _by_mail(lab, lab.mail.to if everywhere else route.to or [], at_once=route.at_once)


def _by_mail(lab: Lab, to: list[str], *, at_once: bool = False) -> Iterable[tuple[str, Destination]]:
    if lab.mail.server is None:
        yield OUTBOX, Destination(tuple(to), at_once)
    else:
        for address in to:
            yield f"{MAIL}{address}", Destination((address,), at_once)


def digest_destinations(lab: Lab) -> dict[str, Destination]:
    """The destinations of the weekly digest: its own readers, or else those of all mail."""
    readers = lab.mail.to if lab.digest.to is None else lab.digest.to
    return {} if lab.digest.to == [] else dict(_by_mail(lab, readers))


def load_destinations(lab: Lab) -> dict[str, Destination]:
    """The destinations of news about loads. A load that is ready at night waits for nobody: it is sent in quiet hours too."""
    return dict(_by_mail(lab, lab.loads.to, at_once=True)) if lab.loads.to else {}


def outlet(lab: Lab, channel: str) -> Outlet:
    """The declaration behind a channel."""
    if channel.startswith(WEBHOOK):
        return next(hook for hook in lab.webhooks if hook.name == channel.removeprefix(WEBHOOK))
    return lab.mail


def is_held_back(lab: Lab, channel: str, destination: Destination, now: datetime) -> bool:
    """Whether it waits for the end of quiet hours; a file in `outbox/` disturbs nobody."""
    if channel == OUTBOX or destination.at_once:
        return False
    return outlet(lab, channel).is_quiet(now.astimezone(lab.zone))
