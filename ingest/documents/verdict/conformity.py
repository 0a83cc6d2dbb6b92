"""How sure a verdict is: uncertainty, chance of conformity, what the bags prove, and the risks of the decision rule."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from ingest.documents.fields import Count, Day, Microseconds, Moment, Probability
from spc.vocabulary.enums import BenchSource

__all__ = [
    "Conformity",
    "DecisionRisks",
    "LotProof",
    "Rule",
    "RuleRisks",
    "RuleStep",
    "StoredConformity",
    "StoredRuleStep",
    "UncertaintyParts",
]

NotNegative = Annotated[float, Field(ge=0)]
_From = TypedDict("_From", {"from": Day | None})


class Rule(_From):
    """The decision rule in force on the day of a test; `who` is the person who entered it, absent where `lab.toml` declares it.

    `guard_percent` is the guard band of a simple rule, in percent of the limit; absent where it has none.
    """

    rule: Literal["simple", "guarded"]
    wrong_pass: float | None
    wrong_fail: float | None
    guard_percent: NotRequired[float]
    who: NotRequired[str]


class _RuleStep(Rule):
    where: Literal["lab.toml", "entry"]
    reason: str | None


class StoredRuleStep(_RuleStep):
    """A decision rule from its day on, with its source."""

    entered_us: Microseconds | None


class RuleStep(_RuleStep):
    """A decision rule from its day on as it is shown."""

    entered_at: Moment | None


class UncertaintyParts(TypedDict):
    """The parts of an uncertainty as standard uncertainties in the charted scale; `bench` is null until it is known."""

    bags: NotNegative | None
    readings: NotNegative | None
    bench: NotNegative | None
    instrument: NotNegative | None


class StoredConformity(TypedDict):
    """Chance that a lot conforms, as stored with its session.

    Uncertainties and standard deviations are in the charted scale (natural logarithm for a log characteristic), limits in
    the unit. `u_high` holds the bound of an unknown bench part. `rule_u` with `rule_df` is what a guard is computed from: with the bound of an unknown bench part, of a single reading
    where the worst one is judged. `bench_df` is null until a bench part is known. `bag_sd` is the standard deviation between bags,
    `bag_mean_sd` that of a bag mean with its readings.
    """

    p: Probability | None
    p_low: Probability | None
    p_high: Probability | None
    u: NotNegative | None
    u_high: NotNegative | None
    df: float | None
    rule_u: NotNegative | None
    rule_df: float | None
    parts: UncertaintyParts
    bench: BenchSource
    bench_df: float | None
    rule: Rule
    accept_lower: float | None
    accept_upper: float | None
    reject_lower: float | None
    reject_upper: float | None
    next_bag: Probability | None
    next_bag_low: Probability | None
    next_bag_high: Probability | None
    bag_sd: NotNegative | None
    bag_mean_sd: NotNegative | None
    bag_df: NotNegative
    own_variance: bool


class LotProof(TypedDict):
    """What the bags of a session prove of the fraction of the lot's bags that is inside, with 95 % confidence.

    `inside` is by the pooled scatter where this lot's agrees with it, `own` by that of its own bags alone; `best` is the
    best estimate. `bags_for_90` would prove 90 %; null where no number of bags would. `by_count` is what counting bags
    inside proves.
    """

    bags: Count
    confidence: Probability
    inside: Probability | None
    own: Probability | None
    best: Probability | None
    bags_for_90: Count | None
    level_for_90: float | None
    bags_inside: Count
    by_count: Probability


class Conformity(StoredConformity):
    """Chance that a lot conforms as it is shown, with what its bags prove."""

    proof: LotProof | None


class RuleRisks(TypedDict):
    """What a decision rule does to the lots of a stream, as fractions of all lots."""

    rule: Literal["simple", "guarded"]
    wrong_pass: float | None
    wrong_fail: float | None
    guard_percent: NotRequired[float]
    bags: Count
    declared: bool
    wrong_passes: Probability
    wrong_fails: Probability
    good_not_passed: Probability


class DecisionRisks(TypedDict):
    """The decision rule of a stream with its risks, beside other rules and more bags.

    `level` is where the stream stands, in the unit; `lot_sd` the standard deviation between its lots and `u` the
    uncertainty of one lot's level, in the charted scale.
    """

    rule: Rule
    level: float
    lot_sd: float
    u: float
    bench: BenchSource
    conforming: Probability
    risks: list[RuleRisks]
