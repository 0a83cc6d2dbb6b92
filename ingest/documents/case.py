"""A case: all alerts of a stream with one cause, who has it, until when, and how it stands."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.alert import CorrectiveAction
from ingest.documents.fields import Count, Day, Moment, Probability
from spc.vocabulary.enums import Grade, Kind

__all__ = ["Case", "CaseState"]

CaseState = Literal[
    "new", "seen", "decided", "asleep", "asked", "answered", "checking", "no effect", "bench", "closed"
]  # fmt: skip


class Case(TypedDict):
    """A case. `alert` is the one to respond to, `message` that of the worst alert.

    `waiting` is true while nobody has responded to what is known now, or the due date has passed. `attributed` is true where a
    bench finding explains what the supplier was asked about.
    """

    id: str
    kind: Kind
    grade: Grade
    supplier: str | None
    product: str | None
    characteristic: str | None
    message: str
    breach_probability: Probability | None
    opened_at: Moment
    state: CaseState
    waiting: bool
    owner: str | None
    due_on: Day | None
    overdue_days: Count
    alert: str
    alerts: list[str]
    withdrawn: list[str]
    closed_because: str | None
    attributed: bool
    corrective_action: CorrectiveAction | None
