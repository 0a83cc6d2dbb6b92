"""Was the instrument right that day: calibrations and set-up checks against each session.

Pure: sessions, calibrations and check results in, a state a session out. `gated` marks the sessions that the lab's own declaration makes
invalid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np

from ingest.sessions.calibration_due import is_past_due

__all__ = ["BenchState", "Calibration", "Check", "Outcome", "Reading", "bench_state", "check_outcome", "read_again"]


SLACK = 1e-9


class BenchState(StrEnum):
    """State of the instrument of a session, in one word."""

    CHECKED = "checked"
    """The calibration was in date and the set-up check in tolerance, as far as the lab keeps records of each."""
    UNCHECKED = "unchecked"
    """No record shows that the instrument was right, and none that it was wrong."""
    OVERDUE = "overdue"
    """The calibration was past its due date."""
    FAILED = "failed"
    """A set-up check was out of tolerance."""


class Outcome(StrEnum):
    """A set-up check against its expected value, with the uncertainty of the check itself."""

    PASSED = "passed"
    """In tolerance for sure."""
    FAILED = "failed"
    """Out of tolerance for sure."""
    OPEN = "open"
    """The scatter of the check leaves both possible."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What a set-up check read against its expected value, all as shares of it: 0.114 is 11.4 % high.

    `low` and `high` are the ends of the 95 % interval; all are nan where bounded readings leave the level open.
    """

    deviation: float
    low: float
    high: float
    tolerance: float

    @property
    def side(self) -> int:
        """1 or -1 where the check read above or below its tolerance, 0 where it read inside or is not known."""
        # A deviation equal to the tolerance, as one writes it, is inside.
        return int(self.deviation > self.tolerance + SLACK) - int(self.deviation < -self.tolerance - SLACK)


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration of an instrument: when it was done, and the end of its last valid day (None: no due date). UTC microseconds.

    `left_right`: its record shows that it left the instrument within its tolerance.
    """

    done_us: int
    due_us: int | None
    left_right: bool = False


@dataclass(frozen=True, slots=True)
class Check:
    """A set-up check of an instrument: when it ended, its outcome, the rule that it follows, and what it checks (empty: everything).

    `again`: it is not the first in a row that read outside the tolerance on this side.
    """

    at_us: int
    outcome: Outcome
    before_us: int
    after: bool
    characteristics: frozenset[str] = frozenset()
    reading: Reading | None = None
    again: bool = False


def check_outcome(
    level: float, level_variance: float, expected: float, tolerance_percent: float
) -> tuple[Outcome, Reading]:
    """Compare the level of a check with its expected value.

    Parameters
    ----------
    level, level_variance : float
        Natural log of the level, and the sampling variance of it; nan where bounded readings leave the level open.
    expected : float
        Expected value in the unit, > 0.
    tolerance_percent : float
        Largest deviation that is accepted, in percent of the expected value.

    Examples
    --------
    >>> check_outcome(np.log(10.3), 0.0, 10.0, 5.0)[0]
    <Outcome.PASSED: 'passed'>
    >>> check_outcome(np.log(10.45), 0.02**2, 10.0, 5.0)[0]
    <Outcome.OPEN: 'open'>
    """
    tolerance = tolerance_percent / 100
    if not np.isfinite(level):
        return Outcome.OPEN, Reading(np.nan, np.nan, np.nan, tolerance)
    width = 2 * np.sqrt(max(level_variance, 0.0)) if np.isfinite(level_variance) else 0.0
    low, middle, high = (float(np.exp(level + side * width - np.log(expected)) - 1) for side in (-1, 0, 1))
    reading = Reading(middle, low, high, tolerance)
    if low >= -tolerance - SLACK and high <= tolerance + SLACK:
        return Outcome.PASSED, reading
    surely_off = high < -tolerance - SLACK or low > tolerance + SLACK
    return Outcome.FAILED if surely_off else Outcome.OPEN, reading


def read_again(checks: Sequence[Check], calibrated_us: Sequence[int] = ()) -> list[Check]:
    """Fail each open check that reads outside the tolerance on the side on which the check before it did.

    One check whose scatter reaches into the tolerance is to be repeated. A second one outside on the same side is no accident
    of the scatter: the instrument is not used until it is mended. (Common practice; an instrument whose true deviation equals
    the tolerance reads outside twice in a row in one of four pairs, one that is right by half of it hardly ever.)

    Parameters
    ----------
    checks : sequence of Check
        Of one instrument with one standard, in the order of time.
    calibrated_us : sequence of int
        Moments of its calibrations; the row begins anew after each.

    Examples
    --------
    >>> high = Check(10, Outcome.OPEN, 5, after=False, reading=Reading(0.11, 0.08, 0.14, 0.10))
    >>> [one.outcome.value for one in read_again([high, replace(high, at_us=20)])]
    ['open', 'failed']
    """
    judged = list(checks[:1])
    for before, one in pairwise(checks):
        sides = [0 if each.reading is None else each.reading.side for each in (before, one)]
        mended = any(before.at_us < moment <= one.at_us for moment in calibrated_us)
        again = bool(sides[1]) and sides[0] == sides[1] and not mended
        judged.append(replace(one, outcome=Outcome.FAILED if again else one.outcome, again=again))
    return judged


def bench_state(
    started_us: int,
    ended_us: int,
    calibrations: Sequence[Calibration] | None,
    checks: Sequence[Check] | None,
) -> BenchState:
    """State of an instrument for one session.

    Parameters
    ----------
    started_us, ended_us : int
        First and last reading.
    calibrations : sequence of Calibration or None
        Of this instrument, in the order of time; None where the lab keeps no record of calibrations.
    checks : sequence of Check or None
        Of this instrument, in the order of time; None where the lab declares no set-up check.

    Returns
    -------
    BenchState
        A failed check counts before anything else, then a calibration past its date. A failed check no longer counts after a
        calibration that left the instrument within its tolerance.

    Examples
    --------
    >>> bench_state(100, 110, [Calibration(0, 200)], [Check(90, Outcome.PASSED, 20, after=False)])
    <BenchState.CHECKED: 'checked'>
    """
    good = calibrations is not None or checks is not None
    overdue = False
    if calibrations is not None:
        done = [each for each in calibrations if each.done_us <= started_us]
        if not done:
            good = False
        elif is_past_due(done[-1].due_us, started_us):
            overdue, good = True, False
    if checks is not None:
        before = [each for each in checks if 0 <= started_us - each.at_us <= each.before_us]
        after = [each for each in checks if each.after and 0 < each.at_us - ended_us <= each.before_us]
        if before and before[-1].outcome is Outcome.FAILED:
            failed_us = before[-1].at_us
            if any(each.left_right and failed_us < each.done_us <= started_us for each in calibrations or ()):
                before = []
        counted = [*before[-1:], *after[:1]]
        if any(each.outcome is Outcome.FAILED for each in counted):
            return BenchState.FAILED
        needs_after = any(each.after for each in before[-1:])
        passed = bool(before) and all(each.outcome is Outcome.PASSED for each in counted)
        good = good and passed and (bool(after) or not needs_after)
    if overdue:
        return BenchState.OVERDUE
    return BenchState.CHECKED if good else BenchState.UNCHECKED
