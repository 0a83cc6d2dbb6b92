"""The mail about loads that are ready to test, broken, planned too early or not put in; once an event, to the readers that the lab declares."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection

from dashboard.delivery.alert_messages import Message, MessageContext
from dashboard.text import urls
from dashboard.text.bench.ready_text import PROMISE, load_line, lots_of, not_put_in_line, plan_line
from dashboard.text.formatting import CAUTIONS, counted
from ingest.common.text import capitalised, printable
from ingest.config.lab import Lab
from ingest.documents.bench.ready import ReadyLoad
from ingest.sessions.ready import ready

__all__ = ["LOAD", "LoadNews", "about_loads", "load_news"]

LOAD = "load-"
Event = Literal["broken", "planned too early", "not put in", "ready"]
# In the order of a message.
EVENTS: tuple[Event, ...] = ("broken", "planned too early", "not put in", "ready")


@dataclass(frozen=True, slots=True)
class LoadNews:
    """What is new about a load, its chamber, and the sentences about both."""

    event: Event
    chamber: str
    load: str
    text: str


def load_news(connection: Connection, lab: Lab, now: datetime) -> dict[str, LoadNews]:
    """Return the loads that are ready, broken, planned too early or not put in, by the name of the event.

    The same load, state and beginning is one event, and so is the same load and plan. A plan is no news once its time has passed. A load that
    was not put in is news from the moment at which it can't be ready for its test any more.
    """
    if not lab.loads.to:
        return {}
    news = {}
    document = ready(connection, lab, now)
    for chamber in document["chambers"]:
        for load in chamber["loads"]:
            if load["state"] in ("ready", "broken"):
                event: Event = "ready" if load["state"] == "ready" else "broken"
                news[_name(load["load"], load["in_since"], event, load["since"])] = _news(event, chamber["name"], load)
            planned = load["planned_at"]
            if load["too_early"] and planned is not None and datetime.fromisoformat(planned) > now:
                event = "planned too early"
                news[_name(load["load"], load["in_since"], event, planned)] = _news(event, chamber["name"], load)
    for plan in document["not_put_in"]:
        if plan["too_early"] and datetime.fromisoformat(plan["planned_at"]) > now:
            text = f"{not_put_in_line(plan, document['at'])} {lots_of(plan)}."
            name = _name(plan["load"], "", "not put in", plan["planned_at"])
            news[name] = LoadNews("not put in", plan["chamber"], plan["load"], text)
    return news


def _news(event: Event, chamber: str, load: ReadyLoad) -> LoadNews:
    text = " ".join(filter(None, [load_line(load), plan_line(load), f"{lots_of(load)}."]))
    return LoadNews(event, chamber, load["load"], text)


def _name(load: str, in_since: str, event: Event, moment: str) -> str:
    about = "\0".join((load, in_since, event, moment))
    return f"{LOAD}{hashlib.sha256(about.encode()).hexdigest()[:12]}"


def about_loads(news: Sequence[LoadNews], context: MessageContext) -> Message:
    """The message about some loads, the broken ones first; of several events of a load it is about the first."""
    ordered = sorted(news, key=lambda one: (EVENTS.index(one.event), one.load))
    by_load: dict[tuple[str, str], LoadNews] = {}
    for one in ordered:
        by_load.setdefault((one.chamber, one.load), one)
    ordered = list(by_load.values())
    counts = {event: sum(one.event == event for one in ordered) for event in EVENTS}
    first = ordered[0]
    subject = f"load {first.load} is {first.event}"
    if len(ordered) > 1:
        subject = f"{counted(counts['ready'], 'load')} ready to test, {counts['broken']} broken"
        late: tuple[Event, ...] = ("planned too early", "not put in")
        subject += "".join(f", {counts[event]} {event}" for event in late if counts[event])
    lines = [
        f"- {one.load}, chamber {one.chamber}: {one.text}"
        if one.event == "not put in"
        else f"- {one.load} in chamber {one.chamber}: {one.text}"
        for one in ordered
    ]
    parts = [
        f"{capitalised(subject)}.",
        "\n".join(lines),
        PROMISE,
        f"Open the dashboard: {urls.on_dashboard(context.dashboard, urls.READY)}",
        context.lab_name,
        CAUTIONS,
    ]
    text = "\n".join(printable(line) for line in "\n\n".join(parts).split("\n"))
    return Message(printable(f"[lotdrift] {subject}"), f"{text}\n")
