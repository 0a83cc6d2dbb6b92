"""Sessions that a slip of the pen would explain: what is marked, what never is, and how often clean data is."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from spc.stream.unit_errors import FEWEST_SESSIONS, affected_readings, find_unit_errors
from spc.vocabulary.unit_error import ErrorCause, ErrorExtent, UnitError

Array = np.ndarray


def marks(readings: Array, *, accepted: Array | None = None, usable: Array | None = None) -> list[UnitError | None]:
    """Marks of sessions with a row of readings each."""
    count = len(readings)
    return find_unit_errors(
        np.exp(np.log(readings).mean(axis=1)),
        readings.min(axis=1),
        readings.max(axis=1),
        usable=np.ones(count, bool) if usable is None else usable,
        accepted=np.zeros(count, bool) if accepted is None else accepted,
    )


def steady(sessions: int, seed: int = 1, usual: float = 2e9, tails: float = np.inf) -> Array:
    """Lots of 36 readings, with 12 % between lots and 25 % between readings; `tails` are the degrees of freedom."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((sessions, 36)) if np.isinf(tails) else rng.standard_t(tails, (sessions, 36))
    return usual * np.exp(0.12 * rng.standard_normal((sessions, 1)) + 0.25 * noise)


@pytest.mark.parametrize("power", [3, -3, 6, -6, 9, -9])
def test_a_session_in_the_wrong_unit_is_marked_with_its_power(power: int) -> None:
    readings = steady(20)
    readings[15] *= 10.0**power

    found = marks(readings)

    assert [index for index, mark in enumerate(found) if mark] == [15]
    assert found[15] is not None
    assert (found[15].extent, found[15].cause, found[15].power) == (ErrorExtent.ALL, ErrorCause.FACTOR, power)


@pytest.mark.parametrize("usual", [3e4, 2e9, 4e11])
def test_logarithms_in_a_column_of_ohms_are_marked(usual: float) -> None:
    readings = steady(20, usual=usual)
    readings[15] = np.log10(readings[15])

    (mark,) = [mark for mark in marks(readings) if mark]

    assert (mark.extent, mark.cause, mark.power) == (ErrorExtent.ALL, ErrorCause.LOGARITHM, 0)


@pytest.mark.parametrize(("cell", "slip", "power"), [(1e3, ErrorCause.FACTOR, 3), (1e-3, ErrorCause.FACTOR, -3)])
def test_a_few_readings_off_are_named(cell: float, slip: ErrorCause, power: int) -> None:
    readings = steady(20)
    readings[15, [4, 30]] *= cell

    (mark,) = [mark for mark in marks(readings) if mark]

    assert (mark.extent, mark.cause, mark.power) == (ErrorExtent.SOME, slip, power)
    assert np.flatnonzero(affected_readings(mark, readings[15])).tolist() == [4, 30]


def test_one_logarithm_among_values_is_named() -> None:
    readings = steady(20)
    readings[15, 7] = np.log10(readings[15, 7])

    (mark,) = [mark for mark in marks(readings) if mark]

    assert (mark.extent, mark.cause) == (ErrorExtent.SOME, ErrorCause.LOGARITHM)
    assert np.flatnonzero(affected_readings(mark, readings[15])).tolist() == [7]


def test_a_drift_over_decades_is_no_slip() -> None:
    readings = steady(200) * 10 ** np.linspace(0, 8, 200)[:, None]

    assert not any(marks(readings))


def test_a_jump_that_no_thousand_explains_is_no_slip() -> None:
    readings = steady(20)
    readings[15:] *= 10**1.6

    assert not any(marks(readings))


def test_what_a_person_lets_stand_is_usual_from_then_on() -> None:
    readings = steady(30)
    readings[15:] *= 1e3
    accepted = np.zeros(30, bool)

    assert [index for index, mark in enumerate(marks(readings)) if mark] == list(range(15, 30))

    accepted[15] = True
    assert [index for index, mark in enumerate(marks(readings, accepted=accepted)) if mark] == [15]


def test_a_young_stream_has_nothing_to_hold_a_value_against() -> None:
    readings = steady(FEWEST_SESSIONS + 1)
    readings[FEWEST_SESSIONS - 1] *= 1e3

    assert not any(marks(readings))


def test_invalid_sessions_do_not_tell_what_is_usual_but_are_marked() -> None:
    readings = steady(20)
    readings[10:15] *= 1e3
    usable = np.ones(20, bool)
    usable[10:15] = False

    assert [index for index, mark in enumerate(marks(readings, usable=usable)) if mark] == [10, 11, 12, 13, 14]


@given(st.integers(0, 10_000), st.integers(1, 39))
def test_nothing_looks_ahead(seed: int, length: int) -> None:
    rng = np.random.default_rng(seed)
    readings = steady(40, seed) * 10.0 ** (3 * rng.integers(-1, 2, (40, 1)) * (rng.random((40, 1)) < 0.2))

    assert marks(readings)[:length] == marks(readings[:length])


@given(st.floats(-3, 3))
def test_the_scale_of_the_unit_is_no_matter(decades: float) -> None:
    readings = steady(20)
    readings[12] *= 1e3
    readings[14, 3] *= 1e-6

    def told(found: list[UnitError | None]) -> list[tuple[ErrorExtent, int] | None]:
        return [mark and (mark.extent, mark.power) for mark in found]

    assert told(marks(readings * 10**decades)) == told(marks(readings))


@pytest.mark.parametrize(("tails", "most"), [(np.inf, 0), (4.0, 45)])
def test_how_often_clean_data_is_marked(tails: float, most: int) -> None:
    """200 streams of 100 lots of 36 readings.

    None of 20,000 normal sessions: with 95 % confidence fewer than 1 in 6,600. Readings with the tails of Student's t on 4
    degrees of freedom hold a value off by a thousand in about 1 of 600 sessions: 33 expected, 45 is the bound of two
    standard errors.
    """
    found = sum(sum(mark is not None for mark in marks(steady(100, seed, tails=tails))) for seed in range(200))

    assert found <= most


def test_bounded_values_are_left_alone() -> None:
    level = np.array([1e9, 1.1e9, 0.9e9, 1e9, 1.2e9, np.nan])

    assert not any(find_unit_errors(level, level, level, usable=[True] * 6, accepted=[False] * 6))


@pytest.mark.parametrize(
    ("levels", "said"),
    [([1.0, 0.0], "levels: expected values above 0, got 0.0"), ([1.0], "expected one entry a session")],
)
def test_impossible_input_is_named(levels: list[float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        find_unit_errors(levels, [1.0, 2.0], [1.0, 2.0], usable=[True, True], accepted=[False, False])
