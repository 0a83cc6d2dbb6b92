"""The scorecard of a supplier's quarter, its parts, and the page over all suppliers."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from ingest.documents.alert import Alert
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.fields import (
    Bound,
    Count,
    Day,
    Digits,
    JudgedBy,
    Moment,
    Probability,
    QuarterName,
    Rank,
    Standing,
)
from ingest.documents.lot import LevelRange
from ingest.documents.stream import StreamNames
from ingest.documents.verdict.bag_count import BagCount
from spc.vocabulary.enums import Direction, Effectiveness, Scale, Side, StreamState, Verdict

__all__ = [
    "CardCounts",
    "CardLot",
    "CardStream",
    "EventCounts",
    "FirstIssueChanges",
    "LotCounts",
    "NoticeCounts",
    "NoticeList",
    "NoticeRow",
    "Overview",
    "OverviewRow",
    "QuarterFigures",
    "Reason",
    "ScorePart",
    "ScorePartName",
    "Scorecard",
    "StoppedProduct",
    "SupplierLine",
    "SupplierStanding",
    "WeightShares",
]

ScorePartName = Literal["conforming", "drift", "room", "response"]


# `pass` is a word of the language: only this form of a TypedDict can declare it as a key.
LotCounts = TypedDict(
    "LotCounts",
    {
        "lots": Count,
        "fail": Count,
        "undecided": Count,
        "invalid": Count,
        "set_aside": Count,
        "pass": Count,
        "unlimited": Count,
        "retested": Count,
    },
)
"""Lots of a quarter by how they count."""


class CardCounts(LotCounts):
    """Lots and readings of a supplier's quarter."""

    readings: Count


class CardLot(TypedDict):
    """A lot in a quarter."""

    lot: str
    tested_at: Moment
    bags: Count
    readings: Count
    level: float | None
    level_range: LevelRange | None
    worst: float | None
    worst_bound: Bound
    bag_count: BagCount | None
    judged: float | None
    verdict: Verdict
    conditioning: str
    standing: Standing
    bench_findings: list[BenchMark]


class QuarterFigures(TypedDict):
    """Level, change, room to the limit and scatter of one stream's quarter, each estimate with its interval.

    Levels are those of `level_lots`; the levels of `open_lots` are bounds only, from readings beyond the range of the meter, and stand in no mean.
    """

    level: float | None
    level_low: float | None
    level_high: float | None
    level_lots: Count
    open_lots: Count
    earlier_level: float | None
    earlier_level_low: float | None
    earlier_level_high: float | None
    earlier_lots: Count
    earlier_open_lots: Count
    change: float | None
    change_low: float | None
    change_high: float | None
    change_in: str
    direction: Direction
    limit_lower: float | None
    limit_upper: float | None
    limit_side: Side
    room: float | None
    room_low: float | None
    room_high: float | None
    earlier_room: float | None
    earlier_room_low: float | None
    earlier_room_high: float | None
    room_in: str
    lot_spread: float | None
    lot_spread_low: float | None
    lot_spread_high: float | None
    earlier_lot_spread: float | None
    earlier_lot_spread_low: float | None
    earlier_lot_spread_high: float | None
    lot_spread_ratio: float | None
    lot_spread_ratio_low: float | None
    lot_spread_ratio_high: float | None
    bag_spread: float | None
    bag_spread_low: float | None
    bag_spread_high: float | None
    earlier_bag_spread: float | None
    earlier_bag_spread_low: float | None
    earlier_bag_spread_high: float | None
    bag_spread_ratio: float | None
    bag_spread_ratio_low: float | None
    bag_spread_ratio_high: float | None
    reading_spread: float | None
    reading_spread_low: float | None
    reading_spread_high: float | None
    earlier_reading_spread: float | None
    earlier_reading_spread_low: float | None
    earlier_reading_spread_high: float | None
    reading_spread_ratio: float | None
    reading_spread_ratio_low: float | None
    reading_spread_ratio_high: float | None
    spread_in: str


class EventCounts(TypedDict):
    """Alerts of a stream's quarter by kind, without those that a bench finding explains."""

    limit: Count
    point: Count
    pattern: Count
    drift: Count
    spread: Count
    forecast: Count


class CardStream(QuarterFigures, LotCounts, StreamNames):
    """One stream on a scorecard.

    `level_now`, the change a month and the chance of a failing lot are as of `forecast_as_of`: the last day of a finished
    quarter, the day of the data while it runs. `state` is by the alerts that lasted in the quarter; `lasting` of them are
    drifts or wider scatter detected earlier. Of the drifts among `events` and of the `lasting` alerts, `drifts_away` and
    `lasting_away` move away from the only limit.
    """

    unit: str
    digits: NotRequired[Digits]
    scale: Scale
    judged_by: JudgedBy
    readings: Count
    level_now: float | None
    level_now_bound: Bound
    change_percent_per_month: float | None
    breach_probability: Probability | None
    ppk: float | None
    ppk_lower: float | None
    ppk_upper: float | None
    ppk_why: str
    state: StreamState
    forecast_as_of: Day
    last_tested_at: Moment | None
    events: EventCounts
    drifts_away: Count
    lasting: Count
    lasting_away: Count
    alerts: Count
    explained_by_bench: Count
    notices: Count
    notices_open: Count
    mean_days_to_answer: Annotated[float, Field(ge=0)] | None
    actions_worked: Count
    lot_list: list[CardLot]
    earlier_lot_list: list[CardLot]


class NoticeRow(StreamNames):
    """A notice to a supplier as a scorecard lists it."""

    alert: str
    kind: str
    asked_on: Day
    answered_on: Day | None
    days_to_answer: Count | None
    days_open: Count | None
    first_lot: str | None
    answer: Effectiveness | None
    lots: Count


class NoticeCounts(TypedDict):
    """Notices of a quarter: how many, how soon they were answered, and whether the actions worked."""

    asked: Count
    answered: Count
    in_time: Count
    open: Count
    overdue: Count
    mean_days_to_answer: Annotated[float, Field(ge=0)] | None
    longest_days_open: Count | None
    worked: Count
    not_yet_shown: Count
    did_not_work: Count


class NoticeList(NoticeCounts):
    """Notices of a quarter as figures, with the notices themselves."""

    list: list[NoticeRow]


class ScorePart(TypedDict):
    """One part of a supplier's score: its weight, the counts behind it, and the pooled share."""

    part: ScorePartName
    weight: Probability
    weighs: Probability
    good: Count
    decided: Count
    share: Probability | None


class SupplierStanding(TypedDict):
    """Share of conforming lots, score and place of a supplier among those of the quarter."""

    conforming: Count
    decided: Count
    share: Probability | None
    share_low: Probability | None
    share_high: Probability | None
    score: Probability | None
    score_low: Probability | None
    score_high: Probability | None
    place_first: Rank | None
    place_last: Rank | None
    placed: Count
    parts: list[ScorePart]


class WeightShares(TypedDict):
    """The weights of the parts as shares of 1, and whether they are those that hold where none are declared."""

    conforming: Probability
    drift: Probability
    room: Probability
    response: Probability
    usual: bool


class FirstIssueChanges(TypedDict):
    """What has changed since the scorecard of a quarter was first drawn up; `verdicts_changed` counts tests, repeats included."""

    readings_corrected: Count
    lots_added: Count
    lots_gone: Count
    verdicts_changed: Count
    other_figures: bool


class _Quarter(TypedDict):
    """What cards and overview share. `from_history`: at `first_drawn_up_at` the quarter after this one was over too, so the card is of an import."""

    lab: str
    quarter: QuarterName
    first_day: Day
    last_day: Day
    earlier_quarter: QuarterName
    drawn_up_at: Moment
    finished: bool
    corrected_since: Count
    first_drawn_up_at: Moment | None
    from_history: bool
    since_first_drawn_up: FirstIssueChanges | None
    weights: WeightShares
    fails_by_size: bool
    file_name: Annotated[str, Field(pattern="^[A-Za-z0-9-]+$")]


class StoppedProduct(TypedDict):
    """A product of which lots came in the year before a quarter and none in it."""

    product: str
    last_lot: str
    last_tested_at: Moment


class Scorecard(_Quarter):
    """The scorecard of one supplier's quarter."""

    supplier: str
    stopped: list[StoppedProduct]
    earlier_first_day: Day
    counts: CardCounts
    standing: SupplierStanding
    notices: NoticeList
    streams: Annotated[list[CardStream], Field(min_length=1)]
    alerts: list[Alert]


class Reason(TypedDict):
    """A reason to talk to a supplier about one stream."""

    product: str
    characteristic: str
    what: str
    count: Count


class SupplierLine(TypedDict):
    """What purchasing needs of a supplier: the direction, the stream to begin with, and why."""

    direction: Literal["worse", "better", "unchanged"]
    product: str | None
    characteristic: str | None
    reasons: list[str]


class OverviewRow(TypedDict):
    """A supplier on the page over all suppliers."""

    supplier: str
    line: SupplierLine
    stopped: list[StoppedProduct]
    counts: CardCounts
    standing: SupplierStanding
    notices: NoticeCounts
    nearer: Count
    away: Count
    reasons: list[Reason]


class Overview(_Quarter):
    """The page over all suppliers of a quarter."""

    rows: list[OverviewRow]
    ranked: bool
    moved: list[CardStream]
    compared: Count
    moved_by_chance: Annotated[float, Field(ge=0)]
    streams: Count
