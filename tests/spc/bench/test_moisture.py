"""Humidity and moisture against published tables, worked figures and a plain integration."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import integrate

from spc.bench.moisture import (
    SALT_UNCERTAINTY,
    SALTS,
    humidity_from_dew_point,
    saturation_pressure,
    sheet_uptake,
    specimen_humidity,
    stack_hours,
    surely_inside,
)


def test_saturation_pressures_are_those_of_the_formula_and_near_the_steam_tables():
    # Computed beside this project from the WMO constants.
    assert_allclose(
        [saturation_pressure(t) for t in (20, 23, 25)], [23.325960221, 28.0251098279, 31.6005691649], rtol=1e-10
    )
    # IAPWS-IF97, table 35: 0.00353658941 MPa at 300 K. The Magnus form is 0.3 % low near room temperature.
    assert_allclose(saturation_pressure(300 - 273.15), 35.3658941, rtol=0.0035)


def steam_table_hpa(kelvin):
    """Saturation pressure by IAPWS-IF97, equation 30 (region 4), in hPa; coefficients from memory, held to the printed table below."""
    n = (
        0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
        0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
    )  # fmt: skip
    theta = kelvin + n[8] / (kelvin - n[9])
    a, b, c = (theta**2 * x + theta * y + z for x, y, z in ((1.0, *n[:2]), n[2:5], n[5:8]))
    return 1e4 * (2 * c / (-b + np.sqrt(b**2 - 4 * a * c))) ** 4


def reference_hpa(kelvin):
    """Saturation pressure by W. Wagner and A. Pruss (1993), J. Phys. Chem. Ref. Data 22, 783-787, in hPa; coefficients from memory."""
    tau = 1 - kelvin / 647.096
    a = {1: -7.85951783, 1.5: 1.84408259, 3: -11.7866497, 3.5: 22.6807411, 4: -15.9618719, 7.5: 1.80122502}
    return 22.064e4 * np.exp(647.096 / kelvin * sum(factor * tau**power for power, factor in a.items()))


def test_the_pressures_are_low_by_what_two_international_formulations_say():
    # IAPWS-IF97, table 35, printed to 9 digits: 0.353658941e-2, 0.263889776e1 and 0.123443146e2 MPa at 300, 500 and 600 K.
    printed = [0.00353658941, 2.63889776, 12.3443146]
    assert_allclose([steam_table_hpa(t) / 1e4 for t in (300, 500, 600)], printed, rtol=3e-9)
    # The two agree here to 3e-5, which shows that neither is misremembered.
    assert_allclose([reference_hpa(t + 273.15) / steam_table_hpa(t + 273.15) for t in (20, 23, 25)], 1.0, rtol=3e-5)
    off = [100 * (saturation_pressure(t) / reference_hpa(t + 273.15) - 1) for t in (20, 23, 25)]
    # Computed beside this project. A share of the pressure cancels in a relative humidity.
    assert_allclose(off, [-0.282050794753, -0.300411065781, -0.308142292036], rtol=1e-9)


def test_a_kelvin_between_sensor_and_specimen_is_three_quarters_of_a_percent_at_12():
    # Derivative of the Magnus form, computed beside this project: 0.725859905185 % RH a kelvin at 12 % and 23 degrees, 3.0244162716 at 50 %.
    slope = (saturation_pressure(23.001) - saturation_pressure(22.999)) / 0.002 / saturation_pressure(23)
    assert_allclose([12 * slope, 50 * slope], [0.725859905185, 3.0244162716], rtol=1e-6)
    assert_allclose(12 * saturation_pressure(23) / saturation_pressure(24), 11.2982152483, rtol=1e-9)


def test_salts_are_those_of_the_published_table():
    # OIML R 121 (1996), table 1 (read): humidity over saturated solutions at 20, 25 and 30 degrees. Lithium chloride at 20 is a bare 12.
    table = {
        "lithium chloride": (None, 11.3, 11.3), "potassium acetate": (23.1, 22.5, 21.6), "magnesium chloride": (33.1, 32.8, 32.4),
        "sodium chloride": (75.5, 75.3, 75.1), "potassium sulfate": (97.6, 97.3, 97.0),
    }  # fmt: skip
    assert {name: tuple(at.get(t) for t in (20, 25, 30)) for name, at in SALTS.items()} == table
    # Its uncertainty (k = 2) shows a wrong sign: with minus before the linear term of Greenspan's formula it is 10.8919325 at 25 degrees.
    assert (
        abs(11.2323 - 0.00824245 * 25 - 0.000214890 * 25**2 - SALTS["lithium chloride"][25])
        > SALT_UNCERTAINTY["lithium chloride"]
    )


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


def test_a_single_film_is_even_with_the_air_in_minutes():
    # Coefficients of water at 25 degrees (read to one digit): polyethylene 2e-11, PET 4e-13 m2/s; times to a half and to 99 %, computed.
    films = [
        (2e-11, 75e-6, 13.8326301228, 125.246812069), (4e-13, 12e-6, 17.7057665571, 160.315919448),
        (4e-13, 100e-6, 1229.56712202, 11133.0499617),
    ]  # fmt: skip
    for diffusion, thickness, half, nearly in films:
        assert_allclose([sheet_uptake(diffusion, thickness, t) for t in (half, nearly)], [0.5, 0.99], rtol=1e-7)


def test_bad_arguments_are_refused():
    with pytest.raises(ValueError, match="rising hours"):
        specimen_humidity([1.0, 0.0], [12.0, 12.0], 1.0)
    with pytest.raises(ValueError, match="seconds must be"):
        sheet_uptake(1e-10, 1e-4, -1)


def test_a_stack_dries_in_a_day_or_two() -> None:
    # No published figure: computed by the writer of the reference note, 4 digits.
    assert_allclose([stack_hours(150, 0), stack_hours(120, 24)], [16.5124134678, 34.2103391278], rtol=1e-4)
    # A time constant of the slowest part: 4 / pi**2 of the squared half width over the slowed diffusion.
    late = stack_hours(150, 0, share=0.999) - stack_hours(150, 0, share=0.99)
    assert_allclose(late / np.log(10), 5.92753355504, rtol=1e-4)
    # Without films the air alone is even at once, and a stack half as wide needs a quarter of the time.
    assert stack_hours(0, 0) < 0.2
    assert_allclose(stack_hours(150, 0, half_width_m=0.05), stack_hours(150, 0) / 4, rtol=1e-12)
    with pytest.raises(ValueError, match="between 0 and 1"):
        stack_hours(150, 0, share=1.0)
