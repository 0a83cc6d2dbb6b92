"""The mail about loads that are ready to test or whose conditioning is broken; once an event, to the readers that the lab declares."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection

from dashboard.delivery.alert_messages import Message, MessageContext
from dashboard.text import urls
from dashboard.text.bench.ready_text import PROMISE, load_line, lots_of
from dashboard.text.formatting import CAUTIONS, counted
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.bench.ready import ReadyLoad
from ingest.sessions.ready import ready

__all__ = ["LOAD", "LoadNews", "about_loads", "load_news"]

LOAD = "load-"
NEWS = ("ready", "broken")


@dataclass(frozen=True, slots=True)
class LoadNews:
    """A load that is ready or broken, and its chamber."""

    chamber: str
    load: ReadyLoad


def load_news(connection: Connection, lab: Lab, now: datetime) -> dict[str, LoadNews]:
    """Return the loads that are ready or broken, by the name of the event: the same load, state and beginning is one event."""
    if not lab.loads.to:
        return {}
    return {
        _name(load): LoadNews(chamber["name"], load)
        for chamber in ready(connection, lab, now)["chambers"]
        for load in chamber["loads"]
        if load["state"] in NEWS
    }


def _name(load: ReadyLoad) -> str:
    about = "\0".join((load["load"], load["in_since"], load["state"], load["since"]))
    return f"{LOAD}{hashlib.sha256(about.encode()).hexdigest()[:12]}"


def about_loads(news: Sequence[LoadNews], context: MessageContext) -> Message:
    """The message about some loads, the broken ones first."""
    ordered = sorted(news, key=lambda one: (one.load["state"] == "ready", one.load["load"]))
    broken = sum(one.load["state"] == "broken" for one in ordered)
    first = ordered[0]
    subject = (
        f"load {first.load['load']} is {first.load['state']}"
        if len(ordered) == 1
        else (f"{counted(len(ordered) - broken, 'load')} ready to test, {broken} broken")
    )
    lines = [
        f"- {one.load['load']} in chamber {one.chamber}: {load_line(one.load)} {lots_of(one.load)}." for one in ordered
    ]
    parts = [
        f"{subject[:1].upper()}{subject[1:]}.",
        "\n".join(lines),
        PROMISE,
        f"Open the dashboard: {urls.on_dashboard(context.dashboard, urls.READY)}",
        context.lab_name,
        CAUTIONS,
    ]
    text = "\n".join(printable(line) for line in "\n\n".join(parts).split("\n"))
    return Message(printable(f"[lotdrift] {subject}"), f"{text}\n")
