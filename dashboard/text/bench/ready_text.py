"""Chambers and loads in words: what may be tested now, and when the rest."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dashboard.text.bench.advice import Advice, Urgency
from dashboard.text.formatting import counted
from dashboard.text.urls import READY
from ingest.documents.bench.ready import PlannedLoad, ReadyChamber, ReadyDocument, ReadyLoad

__all__ = [
    "PROMISE",
    "advice",
    "chamber_line",
    "headline",
    "load_line",
    "lots_of",
    "next_step",
    "not_put_in_line",
    "plan_line",
    "sensor_warning",
    "when",
]

PROMISE = "A time holds if nothing happens: a chamber that leaves its tolerance starts the hours again."
BREAKS = {"humid": "too humid", "dry": "too dry", "warm": "too warm", "cold": "too cold", "unlogged": "no log entry"}


DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def when(moment: str | None) -> str:
    """A moment with the day of the week, as one says it at the bench; the year goes without saying."""
    if moment is None:
        return "an unknown time"
    at = datetime.fromisoformat(moment)
    return f"{DAYS[at.weekday()]} {at.day} {at:%b, %H:%M}"


def headline(document: ReadyDocument) -> str:
    """What may be tested now."""
    loads = [load for chamber in document["chambers"] for load in chamber["loads"]]
    ready = [load for load in loads if load["state"] == "ready"]
    if ready:
        return f"Ready to test: {_names(ready)}."
    if loads:
        return "No load is ready yet."
    if document["loads_on_record"]:
        return "No load is in a chamber."
    inside = [chamber for chamber in document["chambers"] if chamber["state"] == "inside"]
    return f"{counted(len(inside), 'chamber')} of {len(document['chambers'])} inside tolerance; no loads on record."


def next_step(document: ReadyDocument) -> str:
    """What comes next: the load that is ready next, or what to do about a broken or silent one."""
    loads = [load for chamber in document["chambers"] for load in chamber["loads"]]
    sentences = []
    waiting = sorted((load for load in loads if load["state"] == "waiting"), key=lambda load: str(load["ready_at"]))
    if waiting:
        sentences.append(f"Next: {waiting[0]['load']} at {when(waiting[0]['ready_at'])}.")
    return " ".join(sentences + [one.text for one in advice(document)]) or "Nothing is waiting."


def advice(document: ReadyDocument) -> list[Advice]:
    """What chambers and loads ask for."""
    asks = []
    loads = [load for chamber in document["chambers"] for load in chamber["loads"]]
    broken = [load for load in loads if load["state"] == "broken"]
    if broken:
        text = f"Do not test {_names(broken)}: bring the chamber back; the hours then start again."
        asks.append(Advice(Urgency.STOP, text, READY))
    for load in loads:
        if load["too_early"] and _is_before(load["planned_at"], document["at"]):
            planned, earliest = when(load["planned_at"]), when(load["earliest_at"])
            text = f"A test of {load['load']} at {planned}, as planned, was too early: it is ready at {earliest} at the earliest."
            asks.append(Advice(Urgency.RECORD, text, READY))
        elif load["too_early"]:
            text = f"Do not test {load['load']} at {when(load['planned_at'])} as planned: it is ready at {when(load['earliest_at'])} at the earliest."
            asks.append(Advice(Urgency.STOP, text, READY))
    for plan in document["not_put_in"]:
        ahead = not _is_before(plan["planned_at"], document["at"])
        urgency = Urgency.STOP if ahead and plan["too_early"] else Urgency.RECORD
        asks.append(Advice(urgency, not_put_in_line(plan, document["at"]), READY))
    silent = [load for load in loads if load["state"] == "silent"]
    if silent:
        text = f"Bring the chamber log of {_names(silent)}: without it no hours are shown."
        asks.append(Advice(Urgency.RECORD, text, READY))
    for chamber in document["chambers"]:
        if warning := sensor_warning(chamber):
            failed = chamber["sensor"] is not None and chamber["sensor"]["state"] == "failed"
            name = f"Chamber {chamber['name'] or 'not named'}"
            asks.append(Advice(Urgency.STOP if failed else Urgency.DECIDE, f"{name}: {warning}", READY))
    if not document["loads_on_record"]:
        text = "Record what goes into a chamber and when: the hours of the bags count, not those of the chamber."
        asks.append(Advice(Urgency.TIDY, text, READY))
    return asks


def _names(loads: Sequence[ReadyLoad]) -> str:
    return ", ".join(load["load"] for load in loads)


def chamber_line(chamber: ReadyChamber) -> str:
    """The state of a chamber, and from when on bags that were in it are ready."""
    name = f"Chamber {chamber['name'] or 'not named'}"
    if chamber["humidity"] is None:
        return f"{name}: no log."
    reading = f"{chamber['humidity']:.1f} % RH and {chamber['temperature_c']:.1f} °C at {when(chamber['last_at'])}"
    if chamber["state"] == "silent":
        return f"{name}: no log entry since {when(chamber['since'])} ({reading})."
    if chamber["state"] == "outside":
        return f"{name}: out of tolerance since {when(chamber['since'])} ({reading}). Nothing in it may be tested."
    since = "at least " if chamber["since_at_least"] else ""
    return f"{name}: inside tolerance since {since}{when(chamber['since'])} ({reading})."


def sensor_warning(chamber: ReadyChamber) -> str:
    """A warning about the humidity sensor of a chamber; empty where there is nothing to warn of."""
    sensor = chamber["sensor"]
    if sensor is None:
        return ""
    parts = []
    if sensor["state"] == "failed":
        parts.append("Humidity sensor failed its check: do not test from this chamber until it passes.")
    second = sensor["second"]
    if second is not None and second["apart"]:
        more = "more" if second["difference"] > 0 else "less"
        parts.append(
            f"The second sensor reads {abs(second['difference']):.1f} % RH {more} than the logged one: check both."
        )
    return " ".join(parts)


def load_line(load: ReadyLoad) -> str:
    """The state of a load in one or two sentences."""
    needed = f"{load['required_hours']:g} h"
    if load["state"] == "ready":
        text = f"Ready since {when(load['since'])}"
    elif load["state"] == "waiting":
        text = f"{load['hours']:.1f} of {needed}; ready at {when(load['ready_at'])}"
    elif load["state"] == "silent":
        text = f"No log entry since {when(load['since'])}: the hours can't be shown"
    else:
        text = f"Broken since {when(load['since'])}: {BREAKS.get(str(load['reason']), 'out of tolerance')}; the {needed} start again"
    if load["restarted_at"] is not None:
        cause = BREAKS.get(str(load["reason"]), "the chamber was out of tolerance when it went in")
        text += f". The clock started again at {when(load['restarted_at'])} ({cause}), which cost {load['lost_hours']:.1f} h"
    if load["laid"] == "closed":
        text += ". Closed bags: the hours do not show that the inside is dry"
    if load["stack_hours"] is not None:
        low, high = load["stack_hours"]
        text += f". Piled bags: the middle of a stack needs about {low:.0f} to {high:.0f} h by itself, once the air around it is dry; hang them or lay them open"
    if load["invalid"]:
        text += f". {counted(load['invalid'], 'test')} of this load came too early and {'does' if load['invalid'] == 1 else 'do'} not count"
    return f"{text}."


def _is_before(planned: str | None, at: str) -> bool:
    return planned is not None and datetime.fromisoformat(planned) < datetime.fromisoformat(at)


def plan_line(load: ReadyLoad) -> str:
    """When the test of a load is planned, and whether that is too early; empty where no plan is on record."""
    if load["planned_at"] is None:
        return ""
    if load["too_early"]:
        return f"Test planned for {when(load['planned_at'])}, but ready at {when(load['earliest_at'])} at the earliest."
    return f"Test planned for {when(load['planned_at'])}."


def not_put_in_line(plan: PlannedLoad, at: str) -> str:
    """What is wrong about a planned test of a load that was not put in, and what to do about it."""
    load, planned = f"load {plan['load']}", when(plan["planned_at"])
    if _is_before(plan["planned_at"], at):
        return (
            f"A test of {load} was planned for {planned}, but no record says that the load was put in: record when it went in, "
            "or end the plan."
        )
    text = f"A test of {load} is planned for {planned}, but the load was not put in"
    if plan["too_early"]:
        return (
            f"{text}, and it needs {plan['required_hours']:g} h. Put it in and plan the test for later; if it is in a chamber, "
            "record when it went in."
        )
    return (
        f"{text}. Put it in by {when(plan['put_in_by'])}, as it needs {plan['required_hours']:g} h, or change the plan."
    )


def lots_of(load: ReadyLoad | PlannedLoad) -> str:
    """The lots in a load, with their specimens."""
    parts = [
        f"{lot['supplier']} {lot['product']} {lot['lot']}" + (f" ({lot['specimens']})" if lot["specimens"] else "")
        for lot in load["lots"]
    ]
    return ", ".join(parts) or "lots not named"
