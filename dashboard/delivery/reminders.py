"""The mail about cases whose due date has passed; each due date is reminded of once."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.delivery.alert_messages import Message, MessageContext
from dashboard.text import urls
from dashboard.text.case_text import case_name, due_text, owner_text, standing
from dashboard.text.formatting import CAUTIONS, counted
from ingest.common.text import printable
from ingest.documents.case import Case

__all__ = ["REMINDER", "about_cases", "overdue_cases"]

REMINDER = "reminder-"


def overdue_cases(cases: Sequence[Case]) -> dict[str, Case]:
    """The cases to remind of, by the name of the reminder: a new due date makes a new one."""
    return {f"{REMINDER}{case['id']}-{case['due_on']}": case for case in cases if case["overdue_days"]}


def about_cases(cases: Sequence[Case], context: MessageContext) -> Message:
    """The message about overdue cases, the longest overdue first."""
    ordered = sorted(cases, key=lambda case: (-case["overdue_days"], case["id"]))
    first = ordered[0]
    summary = f"{counted(len(ordered), 'case')} overdue"
    subject = f"{case_name(first)}: {standing(first)}" if len(ordered) == 1 else summary
    lines = [
        f"- {case_name(case)}: {standing(case)}; due {due_text(case)}, owner {owner_text(case)}. {case['message']}."
        for case in ordered
    ]
    page = urls.case_address(first["id"]) if len(ordered) == 1 else urls.CASES
    parts = [
        f"{summary}. Act on it, or give the case a new due date.",
        "\n".join(lines),
        f"Open the dashboard: {urls.on_dashboard(context.dashboard, page)}",
        context.lab_name,
        CAUTIONS,
    ]
    text = "\n".join(printable(line) for line in "\n\n".join(parts).split("\n"))
    return Message(printable(f"[lotdrift] {subject}"), f"{text}\n")
