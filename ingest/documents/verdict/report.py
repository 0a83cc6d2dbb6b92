"""The test report of one lot, as it is drawn up and as it is kept once issued."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.documents.bench.instrument import InstrumentState
from ingest.documents.fields import Bound, ConditioningState, Count, Day, JudgedBy, Moment, Probability
from ingest.documents.verdict.bag_count import BagCount
from ingest.documents.verdict.conformity import Rule, UncertaintyParts
from spc.vocabulary.enums import BenchSource, Scale, Verdict

__all__ = [
    "ChamberRecord",
    "ReportCalibration",
    "ReportCheck",
    "ReportEntries",
    "ReportEquipment",
    "ReportReading",
    "ReportSession",
    "ReportStatistics",
    "TestReport",
]


class ReportReading(TypedDict):
    """One reading as it was written and in the unit."""

    specimen: Count
    reading: Count
    value: float
    bound: Bound
    written: str


class ReportStatistics(TypedDict):
    """Statistics of the measured readings; the intervals come from bag means. None where they can't be given."""

    bags: Count
    readings: Count
    bounded: Count
    minimum: float | None
    maximum: float | None
    median: float | None
    mean: float | None
    mean_low: float | None
    mean_high: float | None
    geometric_mean: float | None
    geometric_low: float | None
    geometric_high: float | None
    sd_bags: float | None
    sd_within: float | None


class ReportCalibration(TypedDict):
    """The last calibration before a test; deviations and expanded uncertainty in percent, null where not written."""

    done_at: Moment
    due_on: Day | None
    as_found: float | None
    as_left: float | None
    uncertainty: float | None
    certificate: str


class ReportCheck(TypedDict):
    """A set-up check that decides the state of the instrument, before the test or after it."""

    at: Moment
    when: Literal["before", "after"]
    outcome: Literal["passed", "failed", "open"]


class ReportEquipment(TypedDict):
    """The instrument of a test and its state that day. `certificate_percent` is its declared standard uncertainty."""

    instrument: str
    state: InstrumentState
    certificate_percent: float
    calibration: ReportCalibration | None
    checks: list[ReportCheck]
    checks_declared: bool


class ChamberRecord(TypedDict):
    """The log of the chamber before a test: least, mean and greatest humidity and temperature, and what is known of its sensors.

    `loaded_at` and `out_at` are when the bags went in and came out, null without a record; reports issued before have no `out_at`. `laid` is
    how the bags lay by the record of loads, empty where it does not say. `sensor_uncertainty` is the declared expanded uncertainty in % RH.
    """

    chamber: str
    from_at: Moment
    until_at: Moment
    loaded_at: Moment | None
    out_at: NotRequired[Moment | None]
    entries: Count
    longest_gap_minutes: float | None
    humidity: tuple[float, float, float] | None
    temperature: tuple[float, float, float] | None
    sensor_uncertainty: float | None
    second_sensor: str | None
    laid: str


class ReportSession(TypedDict):
    """One test session; `deviations` are those that the program lists by itself.

    `expanded` is the level with twice its standard uncertainty `u` taken off and added, on a log scale as a ratio.
    """

    characteristic: str
    method: str
    unit: str
    scale: Scale
    tested_at: Moment
    ended_at: Moment
    chamber: str
    instrument: str
    load: str
    operators: list[str]
    conditioning: ConditioningState
    hours: float | None
    humidity_min: float | None
    humidity_max: float | None
    required: str
    valid: bool
    judged_by: JudgedBy
    judged: float | None
    limit_lower: float | None
    limit_upper: float | None
    limit_document: str | None
    verdict: Verdict
    # Absent in reports that were issued before they were stated: those print as they were issued.
    bag_count: NotRequired[BagCount | None]
    outside_control_limits: NotRequired[bool]
    rule: Rule | None
    accept_lower: float | None
    accept_upper: float | None
    p: Probability | None
    p_low: Probability | None
    p_high: Probability | None
    u: float | None
    u_high: float | None
    parts: UncertaintyParts | None
    bench: BenchSource | None
    # Absent in reports that were issued before 0.6.0.
    bench_df: NotRequired[float | None]
    # Absent in reports that were issued before 0.7.0.
    expanded: NotRequired[tuple[float, float] | None]
    equipment: NotRequired[ReportEquipment]
    chamber_record: NotRequired[ChamberRecord | None]
    statistics: ReportStatistics
    deviations: list[str]
    readings: list[ReportReading]


class ReportEntries(TypedDict):
    """What a person enters on a report."""

    number: str
    issued_by: str
    authorisation: str
    customer: str
    state: str
    sampling: str
    deviations: str
    replaces: str
    changes: str


class TestReport(TypedDict):
    """A test report; `issued_at` is null for a draft."""

    lab: str
    address: str
    supplier: str
    product: str
    lot: str
    received_on: Day | None
    made_on: Day | None
    drawn_up_at: Moment
    issued_at: Moment | None
    entries: ReportEntries
    sessions: list[ReportSession]
