"""An alert with its evidence, one type of evidence for each way in which evidence is found, and its corrective action."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.documents.fields import (
    Bound,
    ConditioningState,
    Count,
    Day,
    Digits,
    Direction,
    Microseconds,
    Moment,
    Probability,
)
from spc.vocabulary.enums import AlertState, Effectiveness, Grade, Kind

__all__ = [
    "STOCK_ID",
    "Alert",
    "AlertNow",
    "AlertReason",
    "AlertSummary",
    "BenchEvidence",
    "BenchShift",
    "ClimateEvidence",
    "CorrectiveAction",
    "CorrectiveResult",
    "Evidence",
    "FileEvidence",
    "HumidityChange",
    "LogDeparture",
    "RaisedAlert",
    "ShownBy",
    "SourceEvidence",
    "StockEvidence",
    "StoredBenchEvidence",
    "StoredClimateEvidence",
    "StoredEvidence",
    "StoredStockEvidence",
    "StoredStreamEvidence",
    "StreamEvidence",
    "StreamKind",
]

StreamKind = Literal[Kind.LIMIT, Kind.POINT, Kind.PATTERN, Kind.DRIFT, Kind.SPREAD, Kind.FORECAST]

STOCK_ID = "stock"
"""How the id of an alert about lots in stock begins; other ids are hexadecimal digits."""

# Evidence of a stream


class _StreamFigures(TypedDict):
    # Where bounded readings leave a level open, its known end stands here, and `bound` gives the open side.
    # The six kinds of alert about the lots of a stream share these figures; so does a `bench` alert of a check standard.
    what: StreamKind
    form: str
    direction: Direction
    unit: str
    digits: NotRequired[Digits]
    lots: Count
    latest_lot: str
    usual: float | None
    level: float | None
    latest_level: float | None
    level_bound: Bound
    latest_bound: Bound
    judged: float | None
    bags_outside: NotRequired[Count]
    bags: NotRequired[Count]
    limit_lower: float | None
    limit_upper: float | None
    change_percent_per_month: float | None
    breach_probability: Probability | None
    away_from_limit: bool
    closed_because: str | None
    may_be_a_slip: str | None
    explained_by: NotRequired[str]


class StoredStreamEvidence(_StreamFigures):
    """What moved in a stream, since when and how much; levels in the unit."""

    latest_tested_us: Microseconds
    since_us: Microseconds | None
    since_low_us: Microseconds | None
    since_high_us: Microseconds | None
    moved_on_us: NotRequired[Microseconds | None]


class StreamEvidence(_StreamFigures):
    """What moved in a stream, as it is shown."""

    latest_tested_at: Moment
    since_at: Moment | None
    since_low_at: Moment | None
    since_high_at: Moment | None
    moved_on_at: NotRequired[Moment | None]


# Evidence of the bench


class BenchShift(TypedDict):
    """A shift of one quantity, in percent or in the unit, with its 95 % interval."""

    quantity: str
    unit: str
    size: float | None
    low: float | None
    high: float | None
    films: float | None
    check_standards: float | None


class HumidityChange(TypedDict):
    """Mean humidity of a chamber's tests in the quarter before a shift and while it lasted."""

    before: float | None
    during: float | None


class LogDeparture(TypedDict):
    """Departure of humidity in % RH with standard errors: that which the films show, and that of the log.

    `like` of `spans` spans of `days` days in the log before depart as much to that side. `sensor` names the
    sensor of the log: the one that controls the chamber, or a second one.
    """

    fitted: float
    fitted_se: float
    logged: float
    logged_se: float
    like: Count
    spans: Count
    days: Count
    sensor: Literal["control", "second"]


ShownBy = Literal["calibration", "sensor check", "second sensor", "recovery"]
"""The record of the bench that shows a finding by itself, without the lots of any supplier."""


class _BenchFigures(TypedDict):
    what: Literal[Kind.BENCH]
    suspect_kind: str
    suspect: str
    quantity: str | None
    direction: Direction
    shifts: list[BenchShift]
    sigmas: float | None
    sigmas_se: float | None
    suppliers: Count
    agreeing: Count
    streams_agreeing: Count
    streams_on_source: Count
    score: float | None
    chance: float | None
    check_score: float | None
    apart: list[str]
    alternatives: list[str]
    rivals: list[str]
    streams: list[str]
    humidity: HumidityChange | None
    returned: bool
    log: NotRequired[Literal["agrees", "silent", "contradicts"] | None]
    log_departure: NotRequired[LogDeparture | None]
    # Where a record of the bench itself shows it: a calibration, a check of a sensor, a second sensor, the log after door openings.
    shown_by: NotRequired[ShownBy]
    closed_because: str | None


class StoredBenchEvidence(_BenchFigures):
    """A shift that several suppliers or the check standards share, and what may have caused it.

    `off_from_us` and `off_until_us` bound the weeks in which the source was off. They are those after the shift, or with
    `returned` those before it: the shift is then the return to normal.
    """

    off_from_us: Microseconds
    off_until_us: Microseconds | None

    since_us: Microseconds
    since_low_us: Microseconds
    since_high_us: Microseconds
    until_us: Microseconds | None


class BenchEvidence(_BenchFigures):
    """A shift that several suppliers or the check standards share, as it is shown."""

    off_from_at: Moment
    off_until_at: Moment | None
    since_at: Moment
    since_low_at: Moment
    since_high_at: Moment
    until_at: Moment | None


# Evidence of the chamber log and of the feeds


class _ClimateFigures(TypedDict):
    what: Literal[Kind.CLIMATE]
    chamber: str
    state: ConditioningState
    sessions: Count
    lots: list[str]


class StoredClimateEvidence(_ClimateFigures):
    """Test sessions of one chamber whose conditioning is not shown."""

    since_us: Microseconds


class ClimateEvidence(_ClimateFigures):
    """Test sessions of one chamber whose conditioning is not shown, as it is shown."""

    since_at: Moment


class SourceEvidence(TypedDict):
    """A source without a new file."""

    what: Literal[Kind.FEED]
    folder: str


class FileEvidence(TypedDict):
    """A file that was refused as a whole."""

    what: Literal[Kind.FEED]
    file: str


class StockEvidence(TypedDict):
    """Lots of a film in stock that come near their date or are past it; the days are those of the first lot."""

    what: Literal[Kind.FORECAST]
    form: Literal["stock"]
    lots: list[str]
    lots_near: Count
    lots_passed: Count
    keep_until: Day
    expected_on: Day | None
    tested_on: Day
    quantity: float | None
    stock_unit: str
    closed_because: str | None


StoredStockEvidence = StockEvidence

StoredEvidence = (
    StoredStockEvidence
    | StoredStreamEvidence
    | StoredBenchEvidence
    | StoredClimateEvidence
    | SourceEvidence
    | FileEvidence
)
Evidence = StockEvidence | StreamEvidence | BenchEvidence | ClimateEvidence | SourceEvidence | FileEvidence


# The corrective action


class CorrectiveResult(TypedDict):
    """Whether a corrective action worked, by the lots after it; levels in the unit."""

    answer: Effectiveness
    lots: Count
    reason: str
    of: Literal["level", "bag_spread", "reading_spread"]
    level_after: float | None
    level_usual: float | None
    level_moved: float | None


class CorrectiveAction(TypedDict):
    """When the supplier was asked, what it answered, and whether it worked."""

    asked_on: Day | None
    asked_by: str | None
    answered_on: Day | None
    answered_by: str | None
    days_to_answer: Count | None
    days_open: Count | None
    cause: str | None
    action: str | None
    first_lot: str | None
    result: CorrectiveResult | None


# The alert


class AlertSummary(TypedDict):
    """What an alert is about and how it stands, without its evidence."""

    id: str
    kind: Kind
    grade: Grade
    supplier: str | None
    product: str | None
    characteristic: str | None
    raised_at: Moment
    state: AlertState
    held_under: str | None


class AlertNow(TypedDict):
    """The stream of an alert as it stands now: the figures of its row on the board."""

    level: float | None
    level_bound: Bound
    unit: str
    digits: NotRequired[Digits]
    last_lot: str | None
    last_tested_at: Moment | None
    change_percent_per_month: float | None
    breach_probability: Probability | None


class Alert(AlertSummary):
    """An alert with its evidence and corrective action.

    `message` is the sentence of the day on which the evidence was complete; `now` holds today's figures, null where the alert
    has no stream. `lots_to_decide` are the lots that the alert names without a decision since their last test, null
    where a decision on a lot does not answer the alert.
    """

    now: AlertNow | None

    lot: str | None
    message: str
    evidence: Evidence
    corrective_action: CorrectiveAction | None
    lots_to_decide: list[str] | None


class AlertReason(TypedDict):
    """An alert that explains the state of a stream on the board."""

    grade: Grade
    kind: Kind
    evidence: Evidence


class RaisedAlert(TypedDict):
    """An alert of the last week, for the line above the board."""

    kind: Kind
    grade: Grade
    supplier: str | None
    product: str | None
    characteristic: str | None
