"""Was the instrument right that day: calibrations and set-up checks against each session.

Pure: sessions, calibrations and check results in, a state a session out. `gated` marks the sessions that the lab's own declaration makes
invalid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

__all__ = ["BenchState", "Calibration", "Check", "Outcome", "bench_state", "check_outcome"]


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
    """The scatter of the check does not settle it."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """A calibration of an instrument: when it was done, and the end of its last valid day (None: no due date). UTC microseconds."""

    done_us: int
    due_us: int | None


@dataclass(frozen=True, slots=True)
class Check:
    """A set-up check of an instrument: when it ended, its outcome, the rule that it follows, and what it checks (empty: everything)."""

    at_us: int
    outcome: Outcome
    before_us: int
    after: bool
    characteristics: frozenset[str] = frozenset()


def check_outcome(level: float, level_variance: float, expected: float, tolerance_percent: float) -> Outcome:
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
    >>> check_outcome(np.log(10.3), 0.0, 10.0, 5.0)
    <Outcome.PASSED: 'passed'>
    >>> check_outcome(np.log(10.45), 0.02**2, 10.0, 5.0)
    <Outcome.OPEN: 'open'>
    """
    if not np.isfinite(level):
        return Outcome.OPEN
    width = 2 * np.sqrt(max(level_variance, 0.0)) if np.isfinite(level_variance) else 0.0
    low, high = (np.exp(level + side * width - np.log(expected)) - 1 for side in (-1, 1))
    tolerance = tolerance_percent / 100
    # A deviation equal to the tolerance, as one writes it, is inside.
    slack = 1e-9
    if low >= -tolerance - slack and high <= tolerance + slack:
        return Outcome.PASSED
    return Outcome.FAILED if high < -tolerance - slack or low > tolerance + slack else Outcome.OPEN


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
        A failed check counts before anything else, then a calibration past its date.

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
        elif done[-1].due_us is not None and started_us >= done[-1].due_us:
            overdue, good = True, False
    if checks is not None:
        before = [each for each in checks if 0 <= started_us - each.at_us <= each.before_us]
        after = [each for each in checks if each.after and 0 < each.at_us - ended_us <= each.before_us]
        counted = [*before[-1:], *after[:1]]
        if any(each.outcome is Outcome.FAILED for each in counted):
            return BenchState.FAILED
        needs_after = any(each.after for each in before[-1:])
        passed = bool(before) and all(each.outcome is Outcome.PASSED for each in counted)
        good = good and passed and (bool(after) or not needs_after)
    if overdue:
        return BenchState.OVERDUE
    return BenchState.CHECKED if good else BenchState.UNCHECKED
