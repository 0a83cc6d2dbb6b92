"""A specification limit over time: steps, each from its day, as `lab.toml` declares them and as people entered them.

One rule joins the two: on a day the step with the newest day holds, and of two of the same day the one that a person
entered. So an entry overrules what was declared before it, and an edition that is declared from a later day ends the entry.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from ingest.documents.stream import StoredLimit

__all__ = ["SIDES", "Step", "in_order", "looser", "on_day", "step_document"]

SIDES = ("lower", "upper")


@dataclass(frozen=True, slots=True)
class Step:
    """A limit from a day on (None: from the beginning); `value` None says that there is none.

    `who`, `entered_us` and `reason` are those of the entry; blank, None and blank for what `lab.toml` declares.
    """

    value: float | None
    start: date | None
    document: str
    who: str = ""
    entered_us: int | None = None
    reason: str = ""

    @property
    def is_entry(self) -> bool:
        """Whether a person entered it."""
        return self.entered_us is not None


def in_order(declared: Iterable[Step], entered: Iterable[Step]) -> tuple[Step, ...]:
    """All steps in the order in which they hold; of one day the last is the one in force."""
    return tuple(sorted([*declared, *entered], key=lambda step: (step.start or date.min, step.is_entry)))


def on_day(steps: Sequence[Step], day: date) -> Step | None:
    """The step in force on a day; None before the first."""
    return next((step for step in reversed(steps) if step.start is None or step.start <= day), None)


def looser(side: str, value: float | None, than: float | None) -> bool:
    """Whether a limit lets more pass than another; no limit lets everything pass."""
    if than is None or value == than:
        return False
    return value is None or (value > than if side == "upper" else value < than)


def step_document(step: Step) -> StoredLimit:
    """A step as the store keeps it."""
    return {
        "value": step.value,
        "from": None if step.start is None else step.start.isoformat(),
        "document": step.document or None,
        "where": "entry" if step.is_entry else "lab.toml",
        "who": step.who or None,
        "entered_us": step.entered_us,
        "reason": step.reason or None,
    }
