"""Cases in words: how one stands, who has it, and what waits for somebody."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.text.formatting import characteristic, counted, day
from ingest.common.text import capitalised
from ingest.documents.alert import STOCK_ID
from ingest.documents.case import Case, CaseState
from spc.vocabulary.enums import Grade

__all__ = [
    "STATE_WORDS",
    "case_message",
    "case_name",
    "cases_headline",
    "due_text",
    "owner_text",
    "standing",
    "standings",
    "suppliers_headline",
]

STATE_WORDS: dict[CaseState, str] = {
    "new": "no response yet",
    "seen": "seen, watching",
    "decided": "lot decided, watching",
    "asleep": "sleeps until the next lot",
    "asked": "supplier asked, no answer yet",
    "answered": "supplier answered, first corrected lot not named",
    "checking": "corrective action under way, effect not shown yet",
    "no effect": "corrective action not effective",
    "bench": "explained by the bench",
    "closed": "closed",
}


def case_name(case: Case) -> str:
    """What a case is about: its stream, its lots in stock, or the bench."""
    return f"{_stream_name(case)}, in stock" if case["id"].startswith(STOCK_ID) else _stream_name(case)


def case_message(case: Case, message: str) -> str:
    """A sentence about a case without the name of its stream."""
    text = message.removeprefix(f"{_stream_name(case)}: ")
    return capitalised(text)


def _stream_name(case: Case) -> str:
    if case["supplier"] is None:
        return "Bench"
    return f"{case['supplier']} {case['product']}, {characteristic(case['characteristic'] or '')}"


def standing(case: Case) -> str:
    """How a case stands, with the days by which it is overdue."""
    words = STATE_WORDS[case["state"]]
    if case["state"] == "closed":
        return f"{words}: {case['closed_because']}"
    if not case["overdue_days"]:
        return words
    late = counted(case["overdue_days"], "day")
    return f"answer overdue by {late}" if case["state"] == "asked" else f"{words}; overdue by {late}"


def standings(cases: Sequence[Case]) -> dict[tuple[str, str, str], str]:
    """How the open case of each stream stands, with its owner."""
    return {
        (str(case["supplier"]), str(case["product"]), str(case["characteristic"])): standing(case)
        + (f"; owner {case['owner']}" if case["owner"] else "")
        for case in reversed(cases)
        if case["supplier"] is not None and case["state"] != "closed"
    }


def owner_text(case: Case) -> str:
    """Who has a case."""
    return case["owner"] or "nobody"


def due_text(case: Case) -> str:
    """Until when somebody has to do something about a case."""
    return day(case["due_on"]) if case["due_on"] else "–"


def cases_headline(cases: Sequence[Case]) -> str:
    """The open cases, those that wait for a response, and the overdue ones."""
    standing_cases = [case for case in cases if case["state"] != "closed"]
    if not standing_cases:
        return "No open case."
    waiting = [case for case in standing_cases if case["waiting"]]
    urgent = sum(case["grade"] == Grade.ACT for case in waiting)
    overdue = sum(case["overdue_days"] > 0 for case in standing_cases)
    late = f", {overdue} overdue" if overdue else ""
    return f"{counted(len(standing_cases), 'open case')}: {len(waiting)} to respond to, {urgent} of grade act{late}."


def suppliers_headline(cases: Sequence[Case], order: Sequence[str], streams: int) -> str:
    """The suppliers to call and to watch because of what nobody has responded to.

    `order` are the suppliers by urgency; `streams` is the number of their streams.
    """
    of_suppliers = [
        case
        for case in cases
        if case["supplier"] in order and case["state"] != "bench" and not case["id"].startswith(STOCK_ID)
    ]
    waiting = [case for case in of_suppliers if case["waiting"]]
    call: dict[str, str] = {}
    for case in sorted(waiting, key=lambda one: order.index(str(one["supplier"]))):
        if case["grade"] == Grade.ACT:
            call.setdefault(str(case["supplier"]), str(case["product"]))
    watch = {str(case["supplier"]) for case in waiting} - set(call)
    in_hand = sum(not case["waiting"] and case["state"] != "closed" for case in of_suppliers)
    quiet = f" {counted(in_hand, 'case')} in hand." if in_hand else ""
    if not call and not watch:
        nothing = "nothing new" if in_hand else "nothing has moved"
        return f"No supplier to call: {nothing} in {counted(streams, 'stream')}.{quiet}"
    names = ", ".join(f"{supplier} ({product} first)" for supplier, product in call.items())
    parts = [f"{counted(len(call), 'supplier')} to call: {names}"] if call else ["No supplier to call"]
    parts += [f"{len(watch)} to watch: {', '.join(sorted(watch))}"] if watch else []
    return f"{'; '.join(parts)}.{quiet}"
