"""Notices to suppliers in a quarter: how many, how soon they were answered, and whether the actions worked.

A notice belongs to the quarter in which the supplier was asked. A notice about an alert that a bench finding explains by now
counts against no supplier.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from datetime import date

from ingest.decisions.cases import ANSWER_DAYS
from ingest.documents.alert import CorrectiveAction
from ingest.documents.case import Case
from ingest.documents.scorecard import NoticeList, NoticeRow
from ingest.quarter.lots import Quarter
from spc.vocabulary.enums import Effectiveness

__all__ = ["ANSWER_DAYS", "asked_in", "in_time", "overdue", "totals"]


def asked_in(cases: Iterable[Case], span: Quarter | None = None) -> list[NoticeRow]:
    """The notices to suppliers, those of a quarter or all, in order of the day on which they were asked; one a case."""
    found = [
        _notice(case, action, asked_on)
        for case in cases
        if (action := case["corrective_action"]) is not None
        and (asked_on := action["asked_on"]) is not None
        and not case["attributed"]
    ]
    if span is not None:
        found = [notice for notice in found if span.first <= date.fromisoformat(notice["asked_on"]) <= span.last]
    return sorted(found, key=lambda notice: (notice["asked_on"], notice["alert"]))


def _notice(case: Case, action: CorrectiveAction, asked_on: str) -> NoticeRow:
    result = action["result"]
    return {
        "alert": case["alert"],
        "supplier": str(case["supplier"]),
        "product": str(case["product"]),
        "characteristic": str(case["characteristic"]),
        "kind": case["kind"],
        "asked_on": asked_on,
        "answered_on": action["answered_on"],
        "days_to_answer": action["days_to_answer"],
        "days_open": action["days_open"],
        "first_lot": action["first_lot"],
        "answer": None if result is None else result["answer"],
        "lots": 0 if result is None else result["lots"],
    }


def in_time(notice: NoticeRow) -> bool:
    """Whether it was answered within the days that a notice asks for."""
    return notice["days_to_answer"] is not None and notice["days_to_answer"] <= ANSWER_DAYS


def overdue(notice: NoticeRow) -> bool:
    """Whether it has been open for longer than a notice asks for."""
    return notice["days_open"] is not None and notice["days_open"] > ANSWER_DAYS


def totals(notices: Sequence[NoticeRow]) -> NoticeList:
    """The notices of a supplier or a stream as figures, the list itself beside them."""
    days = [notice["days_to_answer"] for notice in notices if notice["days_to_answer"] is not None]
    waiting = [notice["days_open"] for notice in notices if notice["days_open"] is not None]
    answers = Counter(notice["answer"] for notice in notices)
    return {
        "asked": len(notices),
        "answered": len(days),
        "in_time": sum(map(in_time, notices)),
        "open": len(waiting),
        "overdue": sum(map(overdue, notices)),
        "mean_days_to_answer": sum(days) / len(days) if days else None,
        "longest_days_open": max(waiting, default=None),
        "worked": answers[Effectiveness.WORKED],
        "not_yet_shown": answers[Effectiveness.NOT_YET_SHOWN],
        "did_not_work": answers[Effectiveness.DID_NOT_WORK],
        "list": list(notices),
    }
