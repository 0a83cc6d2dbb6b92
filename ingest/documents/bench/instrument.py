"""Instruments: calibrations, set-up checks, drift, and what one that was found off has touched."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.documents.bench.capture import CaptureDay
from ingest.documents.bench.sensor import Sensor
from ingest.documents.fields import Count, Day, Digits, Moment, QuarterName
from spc.vocabulary.enums import Verdict

__all__ = ["CalibrationRow", "CheckRow", "FoundOff", "Instrument", "InstrumentState", "OverdueInstrument", "TouchedLot"]

InstrumentState = Literal["checked", "unchecked", "overdue", "failed"]


class OverdueInstrument(TypedDict):
    """An instrument whose calibration is past its due date."""

    name: str
    due_on: Day


class CalibrationRow(TypedDict):
    """A calibration; deviations and expanded uncertainty in percent, null where not written."""

    done_at: Moment
    due_on: Day | None
    as_found: float | None
    as_left: float | None
    uncertainty: float | None
    certificate: str


class CheckRow(TypedDict):
    """A set-up check: what it read against its expected value, in percent, with the ends of the 95 % interval.

    The figures are null where bounded readings leave the level open. `again`: the check before it read outside the tolerance on the
    same side, so it counts as failed although its scatter may leave it open.
    """

    at: Moment
    outcome: Literal["passed", "failed", "open"]
    deviation_percent: float | None
    low_percent: float | None
    high_percent: float | None
    tolerance_percent: float
    again: bool


class TouchedLot(TypedDict):
    """A lot tested on an instrument that was found off: its level as read and under three suppositions, in the unit.

    `after_check`: a step right after the last good evidence. `straight`: a straight drift since the calibration before.
    `at_calibration`: a step at that calibration, the worst case. `changes` counts the suppositions under which the level lies on the other
    side of a limit.
    """

    supplier: str
    product: str
    characteristic: str
    lot: str
    unit: str
    digits: NotRequired[Digits]
    tested_at: Moment
    quarter: QuarterName
    verdict: Verdict
    level: float
    after_check: float
    straight: float
    at_calibration: float
    changes: Count


class FoundOff(TypedDict):
    """A calibration that found the instrument off by more than its tolerance, and the lots since the one before."""

    found_at: Moment
    deviation_percent: float
    tolerance_percent: float
    good_at: Moment
    good_by: Literal["set-up check", "calibration"]
    calibrated_at: Moment
    lots: list[TouchedLot]


class Instrument(TypedDict):
    """An instrument as of a moment; `state` is that of its last test, or `overdue` where its calibration has passed its date since.

    `drift_percent_year` and `longest_days` come from the calibrations with a deviation as found and one as left before it; null where there
    are too few. `wide_check_percent` is the tolerance of its set-up checks where that is wider than `tolerance_percent`, the declared
    tolerance of the instrument, so that a check that passes does not show the instrument inside its own; null where it is not. `kind` tells an instrument of the tests from the humidity sensor of a chamber, which has its checks in `sensor` and no calibrations.
    """

    name: str
    state: InstrumentState
    gates: bool
    tolerance_percent: float | None
    wide_check_percent: float | None
    due_on: Day | None
    last_tested_at: Moment | None
    drift_percent_year: float | None
    longest_days: float | None
    calibrations: list[CalibrationRow]
    checks: list[CheckRow]
    found_off: list[FoundOff]
    # Days on which the recorded energies differ from those of the captures by a factor; the latest first.
    capture_days: list[CaptureDay]
    kind: Literal["test instrument", "humidity sensor"]
    sensor: Sensor | None
