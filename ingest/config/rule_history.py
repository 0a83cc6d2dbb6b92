"""The decision rule of a characteristic over time, in steps: those that `lab.toml` declares and those that people entered.

The step with the latest start applies; of two with the same start, the entered one. A test keeps the rule of its day.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from ingest.config.models import DecisionRule
from ingest.documents.verdict.conformity import Rule, StoredRuleStep

__all__ = ["SIMPLE", "RuleStep", "looser_rule", "rule_document", "rule_on_day", "rule_step_document", "rules_in_order"]


@dataclass(frozen=True, slots=True)
class RuleStep:
    """A decision rule from its day on; `who`, `entered_us` and `reason` belong to an entry, as in `limit_history.Step`.

    `guard_percent` is the guard band of a simple rule, in percent of the limit.
    """

    rule: DecisionRule
    who: str = ""
    entered_us: int | None = None
    reason: str = ""
    guard_percent: float = 0.0

    @property
    def is_entry(self) -> bool:
        """Whether a person entered it."""
        return self.entered_us is not None


SIMPLE = RuleStep(DecisionRule(rule="simple"))
"""The rule before the first declared one."""


def rules_in_order(
    declared: Iterable[DecisionRule], entered: Iterable[RuleStep], guard_percent: float = 0.0
) -> tuple[RuleStep, ...]:
    """Return all steps in the order of their days; of one day the last applies. A declared guard band holds from the beginning."""
    band = [RuleStep(SIMPLE.rule, guard_percent=guard_percent)] if guard_percent else []
    steps = [*band, *map(RuleStep, declared), *entered]
    return tuple(sorted(steps, key=lambda step: (step.rule.from_ or date.min, step.is_entry)))


def rule_on_day(steps: Sequence[RuleStep], day: date) -> RuleStep:
    """Return the step in force on a day."""
    return next((one for one in reversed(steps) if one.rule.from_ is None or one.rule.from_ <= day), SIMPLE)


def looser_rule(rule: DecisionRule, than: DecisionRule) -> bool:
    """Whether a rule passes lots that another one does not: without a guard, or with a greater chance of a wrong pass."""
    if than.wrong_pass is None:
        return False
    return rule.wrong_pass is None or rule.wrong_pass > than.wrong_pass


def rule_document(step: RuleStep) -> Rule:
    """Return a rule as it is stored with a test; `who` is the person who entered it."""
    rule = step.rule
    document: Rule = {
        "rule": rule.rule,
        "wrong_pass": rule.wrong_pass,
        "wrong_fail": rule.wrong_fail,
        "from": None if rule.from_ is None else rule.from_.isoformat(),
    }
    if step.guard_percent:
        document["guard_percent"] = step.guard_percent
    if step.is_entry:
        document["who"] = step.who
    return document


def rule_step_document(step: RuleStep) -> StoredRuleStep:
    """Return a step as it is stored and printed."""
    return {
        **rule_document(step),
        "where": "entry" if step.is_entry else "lab.toml",
        "entered_us": step.entered_us,
        "reason": step.reason or None,
    }
