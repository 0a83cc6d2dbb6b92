"""A specification limit over time, in steps: those that `lab.toml` declares and those that people entered.

The step with the latest start applies; of two with the same start, the entered one. So an entry replaces earlier
declarations, and an edition declared from a later day replaces the entry.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from ingest.config.models import Characteristic, Product
from ingest.documents.stream import StoredLimit

__all__ = ["NO_LIMIT", "SIDES", "Step", "declared_steps", "in_order", "looser", "on_day", "step_document"]

SIDES = ("lower", "upper")


@dataclass(frozen=True, slots=True)
class Step:
    """A limit from a day on (None: from the beginning); `value` is None for no limit.

    `who`, `entered_us` and `reason` belong to an entry; they are blank, None and blank for a step of `lab.toml`.
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


NO_LIMIT = Step(None, None, "")


def declared_steps(characteristic: Characteristic, product: Product | None, side: str) -> tuple[Step, ...]:
    """Return the limits that `lab.toml` declares on one side: those of the product if it has any, or else the characteristic's."""
    overriding = {} if product is None else product.upper_limit if side == "upper" else product.lower_limit
    if product is not None and characteristic.name in overriding:
        return (Step(overriding[characteristic.name], None, f"declared for {product.name}"),)
    limits = characteristic.upper_limit if side == "upper" else characteristic.lower_limit
    return tuple(Step(limit.value, limit.from_, limit.document) for limit in limits)


def in_order(declared: Iterable[Step], entered: Iterable[Step]) -> tuple[Step, ...]:
    """Return all steps in the order of their days; of one day the last applies."""
    return tuple(sorted([*declared, *entered], key=lambda step: (step.start or date.min, step.is_entry)))


def on_day(steps: Sequence[Step], day: date) -> Step | None:
    """Return the step in force on a day; None before the first."""
    return next((step for step in reversed(steps) if step.start is None or step.start <= day), None)


def looser(side: str, value: float | None, than: float | None) -> bool:
    """Whether a limit accepts more values than another; no limit accepts all."""
    if than is None or value == than:
        return False
    return value is None or (value > than if side == "upper" else value < than)


def step_document(step: Step) -> StoredLimit:
    """Return a step as it is stored and printed."""
    return {
        "value": step.value,
        "from": None if step.start is None else step.start.isoformat(),
        "document": step.document or None,
        "where": "entry" if step.is_entry else "lab.toml",
        "who": step.who or None,
        "entered_us": step.entered_us,
        "reason": step.reason or None,
    }
