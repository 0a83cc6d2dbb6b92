"""Humidity and moisture against published tables, worked figures and a plain integration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate

from spc.bench.moisture import (
    SALTS,
    humidity_from_dew_point,
    saturation_pressure,
    sheet_uptake,
    specimen_humidity,
    surely_inside,
)


def test_saturation_pressures_are_those_of_the_formula_and_near_the_steam_tables():
    # Computed beside this project from the WMO constants.
    assert_allclose(
        [saturation_pressure(t) for t in (20, 23, 25)], [23.325960221, 28.0251098279, 31.6005691649], rtol=1e-10
    )
    # IAPWS-IF97, table 35: 0.00353658941 MPa at 300 K. The Magnus form is 0.3 % low near room temperature.
    assert_allclose(saturation_pressure(300 - 273.15), 35.3658941, rtol=0.0035)


def test_a_dew_point_and_a_frost_point_of_the_same_air_give_the_same_humidity():
    # 12 % at 23 degrees: dew point -7.97280704173, frost point -7.06357277238.
    assert_allclose(humidity_from_dew_point(-7.97280704173, 23, "water"), 12.0, rtol=1e-9)
    assert_allclose(humidity_from_dew_point(-7.06357277238, 23, "ice"), 12.0, rtol=1e-9)
    # Each read as the other is off by 0.9 %.
    assert_allclose(humidity_from_dew_point(-7.97280704173, 23, "ice"), 11.0860716153, rtol=1e-9)
    assert_allclose(humidity_from_dew_point(-7.06357277238, 23, "water"), 12.8722764657, rtol=1e-9)


def test_salts_agree_with_a_second_published_table():
    # Greenspan (1977): LiCl 11.2323 + 0.00824245 t - 0.000214890 t**2 (coefficients read, the printed table from memory).
    for t, printed in SALTS["lithium chloride"].items():
        assert_allclose(11.2323 + 0.00824245 * t - 0.000214890 * t**2, printed, rtol=0, atol=0.05)
    # Wexler and Hasegawa (1954): NaCl 75.6 % at 30 degrees; OIML R 121 (1996) 75.1: the tables differ by half a percent.
    assert abs(SALTS["sodium chloride"][30] - 75.6) == pytest.approx(0.5)
    assert 20 not in SALTS["lithium chloride"]


def test_the_tolerance_shrinks_by_the_uncertainty_of_the_sensor():
    widths = [surely_inside(12.0, 3.0, expanded) for expanded in (1.0, 1.5, 2.0)]
    assert [(high - low) / 2 for low, high in widths] == pytest.approx([2.0, 1.5, 1.0])
    assert surely_inside(12.0, 3.0, 3.0) is None


def test_a_specimen_follows_a_door_opening_as_computed():
    # 30 minutes at 30 %, time constant 8 h: the specimen rises by 1.09056486936, and is back within 0.3 after 10.3253487608 h.
    humidity = specimen_humidity([0.0, 0.5, 0.5 + 10.3253487608], [30.0, 12.0, 12.0], 8.0, start=12.0)
    assert_allclose(humidity, [12.0, 13.09056486936, 12.3], rtol=1e-9)


def test_a_specimen_in_an_uneven_log_follows_the_integrated_equation():
    rng = np.random.default_rng(3)
    hours = np.cumsum(rng.uniform(0.05, 1.5, 40))
    chamber = rng.uniform(10, 30, 40)

    def rate(t, h):
        return (chamber[np.searchsorted(hours, t, side="right") - 1] - h) / 5.0

    level = [20.0]
    for begin, end in itertools.pairwise(hours):
        middle = (begin + end) / 2
        level.append(
            integrate.solve_ivp(
                lambda _, h, at=middle: rate(at, h), (begin, end), [level[-1]], rtol=1e-10, atol=1e-12
            ).y[0, -1]
        )

    assert_allclose(specimen_humidity(hours, chamber, 5.0, start=20.0), level, rtol=1e-8)


def test_uptake_of_a_sheet_is_that_of_the_worked_figure_and_of_the_table():
    # Crank (1975); a polymer library's documentation works it: half thickness 0.2 mm, 1e-10 m2/s, 100 s.
    assert_allclose(sheet_uptake(1e-10, 2 * 0.0002, 100), 0.562233541762, rtol=1e-7)
    # Half time 0.049 L**2 / D (printed, from memory), further shares computed.
    for share, depth in [(0.5, 0.0491826848809), (0.9, 0.212021352012), (0.95, 0.282251844182), (0.99, 0.445321998467)]:
        assert_allclose(sheet_uptake(1.0, 1.0, depth), share, rtol=1e-7)
    # Both series meet where one takes over from the other.
    assert_allclose(sheet_uptake(1.0, 1.0, 0.003 - 1e-15), sheet_uptake(1.0, 1.0, 0.003), rtol=1e-9)


def test_bad_arguments_are_refused():
    with pytest.raises(ValueError, match="rising hours"):
        specimen_humidity([1.0, 0.0], [12.0, 12.0], 1.0)
    with pytest.raises(ValueError, match="seconds must be"):
        sheet_uptake(1e-10, 1e-4, -1)
