"""A stream's documents: its row on the board, its sparkline, its control and specification limits, its points."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.entries import Restart, StoredRestart, StoredStreamEntry, StreamEntry
from ingest.documents.fields import Bound, Count, Day, Digits, Direction, Microseconds, Moment, PointState, Probability
from ingest.documents.verdict.bag_count import BagCount
from ingest.documents.verdict.conformity import DecisionRisks, RuleStep
from spc.vocabulary.enums import Scale, StreamState, Verdict

__all__ = [
    "BaselineMove",
    "BoardRow",
    "Capability",
    "Components",
    "ControlLimits",
    "Dependence",
    "Detector",
    "FanPoint",
    "Forecast",
    "HumidityEffect",
    "LeftOutLot",
    "Limit",
    "Normality",
    "PatternPrice",
    "Point",
    "ProductRow",
    "SpecificationLimits",
    "StoredBaselineMove",
    "StoredBoardRow",
    "StoredControlLimits",
    "StoredFanPoint",
    "StoredForecast",
    "StoredHumidityEffect",
    "StoredLeftOutLot",
    "StoredLimit",
    "StoredPoint",
    "StoredSparkline",
    "StoredSpecificationLimits",
    "StoredStream",
    "StoredWander",
    "StreamChart",
    "StreamDocument",
    "StreamFigures",
    "StreamNames",
    "Wander",
    "WeeksToLimit",
]


class StreamNames(TypedDict):
    """The names that make up the key of a stream."""

    supplier: str
    product: str
    characteristic: str


# The board


class WeeksToLimit(TypedDict):
    """Weeks until the level reaches its limit: the 10, 50 and 90 % points; null beyond the horizon."""

    p10: float | None
    p50: float | None
    p90: float | None


class _BoardFigures(TypedDict):
    unit: str
    digits: NotRequired[Digits]
    lots: Count
    last_lot: str | None
    level: float | None
    # The sign of a level of which the lots show only one end; stores of 0.6.0 have none until the stream is derived again.
    level_bound: NotRequired[Bound]
    limit_lower: float | None
    limit_upper: float | None
    change_percent_per_month: float | None
    breach_probability: Probability | None
    weeks_to_limit: WeeksToLimit | None
    ppk: float | None
    ppk_lower: float | None
    learning: bool
    check_standard: bool


class StoredBoardRow(_BoardFigures):
    """The stored part of a row on the board."""

    last_tested_us: Microseconds
    silent_after_us: Microseconds


class BoardRow(_BoardFigures, StreamNames):
    """A row of the board."""

    last_tested_at: Moment | None
    # The bags of the last lot's test where some of them are outside its limits by their mean; else 0, also where it is not valid.
    last_bags: Count
    last_bags_outside: Count
    state: StreamState


# `class` is a word of the language: only this form of a TypedDict can declare it as a key.
_Class = TypedDict("_Class", {"class": str})


class ProductRow(BoardRow, _Class):
    """A row of the board with the class of its product."""


class StoredSparkline(TypedDict):
    """The last year and the forecast of a stream for its small picture, in the charted scale.

    A lot is weeks before the last lot and level; a row of the fan is weeks ahead and the 10, 25, 75 and 90 % points.
    """

    lots: list[tuple[float, float]]
    # Lots that readings out of range leave open: weeks before the last lot, the known end, and the sign of the level beyond it.
    bounded: NotRequired[list[tuple[float, float, Bound]]]
    fan: list[tuple[float, float, float, float, float]]
    usual: float | None
    lower: float | None
    upper: float | None


# Limits


_From = TypedDict("_From", {"from": Day | None})


class _LimitStep(_From):
    value: float | None
    document: str | None
    where: Literal["lab.toml", "entry"]
    who: str | None
    reason: str | None


class StoredLimit(_LimitStep):
    """A specification limit from a day on, from `lab.toml` or from an entry."""

    entered_us: Microseconds | None


class Limit(_LimitStep):
    """A specification limit as it is shown."""

    entered_at: Moment | None


class StoredSpecificationLimits(TypedDict):
    """The specification limits of a stream over time, by side."""

    lower: list[StoredLimit]
    upper: list[StoredLimit]


class SpecificationLimits(TypedDict):
    """The specification limits of a stream over time, by side, as they are shown."""

    lower: list[Limit]
    upper: list[Limit]


class _LeftOut(TypedDict):
    lot: str
    why: Literal["by_hand", "far_from_the_rest", "tells_nothing", "to_be_looked_at"]
    who: NotRequired[str]
    reason: NotRequired[str]


class StoredLeftOutLot(_LeftOut):
    """A lot that sets no control limits; who left it out, where a person did."""

    tested_us: Microseconds
    recorded_us: NotRequired[Microseconds]


class LeftOutLot(_LeftOut):
    """A lot that sets no control limits, as it is shown."""

    tested_at: Moment
    recorded_at: NotRequired[Moment]


class _ControlFigures(TypedDict):
    center: float | None
    lower: float | None
    upper: float | None
    from_lots: Count
    lots: list[str]
    settled: bool
    seen_lower: float | None
    seen_upper: float | None
    widened_for_dependence: float | None


class StoredControlLimits(_ControlFigures):
    """Centre line and control limits for a lot of usual size, the lots that set them, and since when they hold.

    Until they are `settled` more lots will move them; null where they would be wider than the specification limits that they
    are to guard. `seen_lower` and `seen_upper` are the lowest and the highest level of the lots so far.
    """

    frozen_us: Microseconds | None
    from_us: Microseconds | None
    left_out: list[StoredLeftOutLot]
    set_by: StoredRestart | None


class ControlLimits(_ControlFigures):
    """Centre line and control limits as they are shown."""

    frozen_at: Moment | None
    from_at: Moment | None
    left_out: list[LeftOutLot]
    set_by: Restart | None


# What the lots of a stream show


Interval = Annotated[list[float | None], Field(min_length=2, max_length=2)]


class Components(TypedDict):
    """Components of scatter: lots, bags within a lot, readings on a bag; with 95 % intervals by component."""

    lot: float | None
    bag: float | None
    reading: float | None
    set_to_zero: list[str]
    intervals: dict[str, Interval]


class _FanLevels(TypedDict):
    p10: float | None
    p25: float | None
    p50: float | None
    p75: float | None
    p90: float | None


class StoredFanPoint(_FanLevels):
    """Percent points of the forecast level at one time ahead."""

    tested_us: Microseconds


class FanPoint(_FanLevels):
    """Percent points of the forecast level at one time ahead, as they are shown."""

    tested_at: Moment


class _ForecastFigures(TypedDict):
    # `futures_with_breach` of `futures` simulated ones have a failing lot within the horizon; at its end eight of ten lots lie
    # between `lots_low` and `lots_high`. It does not follow the `outliers`.
    breach_probability: Probability | None
    weeks_to_limit: WeeksToLimit | None
    change_percent_per_month: float | None
    futures_with_breach: Count | None
    futures: Count
    lots_low: float | None
    lots_high: float | None
    outliers: list[str]


class StoredForecast(_ForecastFigures):
    """Where the level is going within the horizon."""

    fan: list[StoredFanPoint]


class Forecast(_ForecastFigures):
    """Where the level is going within the horizon, as it is shown."""

    fan: list[FanPoint]


class Capability(TypedDict):
    """The capability of a stream, or why none is stated."""

    ppk: float | None
    ppk_lower: float | None
    ppk_upper: float | None
    pp: float | None
    ppm: float | None
    why: str


class Dependence(TypedDict):
    """The correlation of neighbouring lots with its interval, and what it means."""

    rho: float
    low: float
    high: float
    told: str


class Detector(TypedDict):
    """The autocorrelation that the detector takes for a stream, from its lots and its sisters, with a 90 % interval.

    `undecided` says that both none and a strong one fit the lots: more of them have to tell. `scatter_from_others` is the
    share of the stream's scatter between lots that comes from the other streams of the characteristic.
    """

    autocorrelation: float
    low: float
    high: float
    undecided: bool
    scatter_from_others: Probability


class _BaselineMove(TypedDict):
    lot: str
    direction: Direction
    lots: Count


class StoredBaselineMove(_BaselineMove):
    """The level moved while the baseline was learnt: the first moved lot, its direction, the baseline lots from there on."""

    since_us: Microseconds


class BaselineMove(_BaselineMove):
    """A move of the level within the baseline, as it is shown."""

    since_at: Moment


class Normality(TypedDict):
    """The test of the lot levels against the normal law, and what it means."""

    p_value: float
    correlation: float
    told: str


class PatternPrice(TypedDict):
    """How often the run patterns mark a lot while nothing has moved."""

    patterns: list[str]
    lots_a_false_mark: Annotated[float, Field(gt=0)]
    weeks_a_false_mark: float | None


class HumidityEffect(TypedDict):
    """How much the level of a product moves for a percent of humidity.

    `matters`: the interval excludes no effect. `known`: an effect was found, or the interval excludes one of any size that
    matters; else the lots leave the question open.
    """

    slope: float | None
    slope_low: float | None
    slope_high: float | None
    slope_unit: str
    lots: Count
    matters: bool
    known: bool
    adjusted_to: float


class StoredHumidityEffect(HumidityEffect):
    """The effect of humidity with its slope in the charted scale."""

    by_percent: float


# Points


class StoredPoint(TypedDict):
    """One point of a chart, without its time.

    `level_low` and `level_high` are the ends of the range that bounded readings leave open; both equal the level where there is
    none, and null stands for an end without a bound.
    """

    lot: str
    n: Count
    bags: Count
    level: float | None
    level_low: float | None
    level_high: float | None
    shown: float | None
    bound: Bound
    outside_control_limits: bool
    bag_spread: float | None
    bag_spread_upper: float | None
    reading_spread: float | None
    reading_spread_upper: float | None
    center: float | None
    lower: float | None
    upper: float | None
    ewma: float | None
    limit_lower: float | None
    limit_upper: float | None
    chamber: str
    humidity: float | None
    signals: list[str]
    state: PointState
    to_look_at: bool
    verdict: Verdict


class Point(StoredPoint):
    """One point of a chart; `adjusted_level` is the level as it would be at the declared humidity.

    `bench_findings` are the findings about the bench in whose weeks it was tested, and the level as it would be without them.
    """

    tested_at: Moment
    adjusted_level: float | None
    bench_findings: list[BenchMark]
    bag_count: BagCount | None


# The stream


class _StreamFigures(TypedDict):
    unit: str
    digits: NotRequired[Digits]
    scale: Scale
    components: Components
    capability: Capability
    dependence: Dependence | None
    detector: Detector | None
    normality: Normality | None
    pattern_price: PatternPrice


class StoredWander(TypedDict):
    """A level that moves away and comes back time and again: since when, and its moves up to the one that shows it."""

    since_us: Microseconds
    moves: Count


class Wander(TypedDict):
    """A level that moves away and comes back time and again, as it is shown."""

    since_at: Moment
    moves: Count


class StoredStream(_StreamFigures):
    """The stored part of a stream's document, without its points."""

    wander: NotRequired[StoredWander | None]

    limits: StoredControlLimits
    limits_history: list[StoredControlLimits]
    specification_limits: StoredSpecificationLimits
    baseline_moving: StoredBaselineMove | None
    forecast: StoredForecast | None
    settings: list[StoredRestart]
    acts: list[StoredStreamEntry]


class StreamFigures(_StreamFigures):
    """The stored part of a stream's document as it is shown."""

    wander: NotRequired[Wander | None]

    limits: ControlLimits
    limits_history: list[ControlLimits]
    specification_limits: SpecificationLimits
    baseline_moving: BaselineMove | None
    forecast: Forecast | None
    settings: list[Restart]
    acts: list[StreamEntry]


class StreamChart(StreamFigures):
    """What a figure draws of a stream: its figures and points."""

    points: list[Point]


class StreamDocument(StreamChart, StreamNames):
    """One stream, point by point."""

    humidity: HumidityEffect | None
    decision_rules: list[RuleStep]
    decision: DecisionRisks | None
