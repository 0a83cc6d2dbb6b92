"""How many bags: what a number of bags shows of a lot, and which plan keeps two declared risks."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.fields import Count, Moment, Probability
from ingest.documents.stream import StreamNames
from ingest.documents.verdict.conformity import Rule
from spc.vocabulary.enums import BenchSource, Scale

__all__ = [
    "BagsDocument",
    "BagsRow",
    "ComingLevels",
    "CurvePoint",
    "DischargeRow",
    "NextLot",
    "RiskPlan",
    "Scatter",
    "TwoLoads",
]


class Scatter(TypedDict):
    """Standard deviations of a stream in the charted scale, and how many degrees of freedom the bags have.

    `bench` is null until it is known; `bench_bound` is then the greatest that the lots leave room for.
    """

    bag: float
    reading: float
    bench: float | None
    bench_bound: float | None
    instrument: float
    bag_df: float
    bench_source: BenchSource


class CurvePoint(TypedDict):
    """Chance to pass at a true mean of the lot, with the bags asked for and with today's number."""

    level: float
    chance: Probability
    chance_today: Probability


class BagsRow(TypedDict):
    """For a number of bags: true means up to which 99 of 100 lots pass, and from which 99 of 100 do not; in the unit."""

    bags: Count
    passes: float | None
    stopped: float | None


class DischargeRow(TypedDict):
    """Uncertainty of the level with these discharges a bag."""

    readings: Count
    u: float


class RiskPlan(TypedDict):
    """Bags that keep two risks on the fraction of bags beyond the limit: by values, by values with a known scatter, by counting."""

    good: Probability
    good_risk: Probability
    bad: Probability
    bad_risk: Probability
    bags: Count
    k: float
    bags_known: Count
    k_known: float
    bags_by_count: Count


class TwoLoads(TypedDict):
    """A plan of two chamber loads at the true mean asked for: chance to pass, and bags used on average."""

    first: Count
    second: Count
    chance: Probability
    mean_bags: float


class ComingLevels(TypedDict):
    """Levels between which eight of ten next lots lie by the forecast, in the unit; null without a forecast."""

    coming_low: float | None
    coming_high: float | None


class NextLot(ComingLevels):
    """What the last lots prove of the next bag of the next lot: `bound` in the unit holds 90 % of such bags, 95 % sure.

    `moves` says that the level of these lots moves, so that they prove nothing of the next one: `bound` and `inside` are null.
    `since_at` is when the level moved, where only the lots since then count.
    """

    lots: Count
    bags: Count
    since_at: Moment | None
    bound: float | None
    inside: bool | None
    moves: bool
    level_now: float
    change_percent_per_month: float | None


class BagsDocument(StreamNames):
    """What a number of bags shows of a lot of a stream.

    `side` names the limit that counts. `chance` is the chance to pass of a lot whose true mean is `level`; `proves` the
    fraction of bags that so many bags at that measured level prove to be inside, `by_count` what counting proves if all are
    inside; `bags_for_90` would prove 90 % by the normal law, `bags_for_90_by_count` by counting if all are inside.
    """

    unit: str
    scale: Scale
    side: str
    limit: float
    rule: Rule
    scatter: Scatter
    bags: Count
    readings: Count
    level: float
    bags_today: Count
    readings_today: Count
    chance: Probability
    chance_today: Probability
    u: float
    proves: Probability
    by_count: Probability
    bags_for_90: Count | None
    bags_for_90_by_count: Count
    curve: list[CurvePoint]
    numbers: list[BagsRow]
    discharges: list[DischargeRow]
    plan: RiskPlan
    two_loads: TwoLoads
    next_lot: NextLot | None
