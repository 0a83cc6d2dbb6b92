"""Lots to test again and chambers to wait for, in words."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.text.bench.advice import Advice, Urgency
from dashboard.text.formatting import counted, moment
from dashboard.text.urls import RETESTS
from ingest.documents.bench.ready import ReadyLoad
from ingest.documents.retest import ChamberState, Retest, RetestReason

__all__ = ["REASONS", "advice", "chamber_sentence", "chambers_to_wait_for", "headline", "silent_logs", "to_do"]

REASONS: dict[RetestReason, str] = {
    "short": "not enough hours in the chamber",
    "humid": "chamber too humid",
    "dry": "chamber too dry",
    "warm": "chamber too warm",
    "cold": "chamber too cold",
    "unlogged": "chamber log not complete, or load taken out",
    "instrument": "instrument overdue or failed its check",
    "set aside": "values set aside",
    "fail": "fails the limit",
    "undecided": "undecided",
}
FRESH = "Condition fresh bags for {hours:g} h, then test"
ADVICE: dict[RetestReason, str] = {
    "short": f"{FRESH}. Put the bags in earlier.",
    "humid": f"{FRESH}.",
    "dry": f"{FRESH}.",
    "warm": f"{FRESH}.",
    "cold": f"{FRESH}.",
    "unlogged": f"{FRESH}. Bring the missing log or record of the load, if there is one: the earlier test then counts.",
    "instrument": f"{FRESH} on an instrument that passed its check.",
    "set aside": f"{FRESH}, or bring the corrected file.",
    "fail": f"Keep the lot held. {FRESH} once more.",
    "undecided": f"{FRESH} more bags than last time.",
}
BREAKS = {"humid": "too humid", "dry": "too dry", "warm": "too warm", "cold": "too cold"}


def to_do(reason: RetestReason, hours: float | None, waiting: ReadyLoad | None = None) -> str:
    """What to do about a lot, as one to three sentences.

    `hours` is None for a test that needs no conditioning; `waiting` is the load with fresh bags of the lot that is not ready yet.
    """
    if hours is None:
        return ADVICE[reason].replace(FRESH, "Test fresh bags")
    text = ADVICE[reason].format(hours=hours)
    if waiting is None:
        return text
    if waiting["ready_at"] is None:
        return f"{text} Bags of it are in load {waiting['load']}: do not test them yet, its hours are not shown."
    return f"{text} Bags of it are in load {waiting['load']}: a test before {moment(waiting['ready_at'])} would not be valid."


def headline(retests: Sequence[Retest]) -> str:
    """The number of lots and tests on the list."""
    if not retests:
        return "No lot to test again."
    lots = {(one["supplier"], one["product"], one["lot"]) for one in retests}
    tests = "" if len(lots) == len(retests) else f", {counted(len(retests), 'test')}"
    return f"{counted(len(lots), 'lot')} to test again{tests}."


def advice(retests: Sequence[Retest]) -> list[Advice]:
    """What the list asks for."""
    return [Advice(Urgency.TEST, headline(retests), RETESTS)] if retests else []


def chambers_to_wait_for(states: Sequence[ChamberState]) -> list[str]:
    """A sentence for each chamber in which a test would not be valid yet."""
    return [chamber_sentence(state) for state in states if not state["ready"]]


def silent_logs(states: Sequence[ChamberState]) -> list[str]:
    """A sentence for each chamber whose log is silent: its tolerance is not known since the last entry."""
    return [
        f"Chamber {state['name'] or 'not named'}: no log entry since {moment(state['last_at'])}; bring its log, a test is not valid "
        "without it."
        for state in states
        if state["silent"]
    ]


def chamber_sentence(state: ChamberState) -> str:
    """Since when a chamber is or was out of tolerance, and from when on a test in it is valid again."""
    name = f"Chamber {state['name'] or 'not named'}"
    if state["back_at"] is None:
        return (
            f"{name} is {BREAKS[state['state']]} since {moment(state['began_at'])}: no valid test before "
            f"{state['hours']:g} h after it is back."
        )
    valid_from = f"valid again from {moment(state['valid_from_at'])}."
    if state["began_at"] is None:
        return f"{name}: its log begins {moment(state['back_at'])}; {valid_from.replace(' again', '')}"
    span = f"from {moment(state['began_at'])} to {moment(state['back_at'])}"
    if state["state"] == "unlogged":
        return f"{name} has no log {span}: {valid_from}"
    return f"{name} was {BREAKS[state['state']]} {span}: {valid_from}"
