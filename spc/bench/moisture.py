"""Humidity of air and of film: what a sensor check, a dew point and a door opening mean for a dry conditioned specimen.

Reach for it to convert a dew point, to check a humidity sensor against a saturated salt solution, or to see how far a specimen follows the
chamber. Temperatures are in degrees Celsius, humidities in percent of saturation over water.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points, positive

__all__ = [
    "SALTS",
    "SALT_UNCERTAINTY",
    "humidity_from_dew_point",
    "salt_humidity",
    "saturation_pressure",
    "sheet_uptake",
    "specimen_humidity",
    "stack_hours",
    "surely_inside",
]

# Saturated salt solutions in percent at 20, 25 and 30 degrees: OIML R 121 (1996), table 1. Lithium chloride is not known to a tenth below
# 25 degrees (literature: 11.1 to 12.6 at 20), so no value stands there.
SALTS: dict[str, dict[int, float]] = {
    "lithium chloride": {25: 11.3, 30: 11.3},
    "potassium acetate": {20: 23.1, 25: 22.5, 30: 21.6},
    "magnesium chloride": {20: 33.1, 25: 32.8, 30: 32.4},
    "sodium chloride": {20: 75.5, 25: 75.3, 30: 75.1},
    "potassium sulfate": {20: 97.6, 25: 97.3, 30: 97.0},
}

# Expanded uncertainties (k = 2) of the same table, in percent. For the other salts none was read.
SALT_UNCERTAINTY = {"lithium chloride": 0.3, "magnesium chloride": 0.2, "sodium chloride": 0.2}

# Water in air in m**2/s at 25 degrees; volume of water that a film holds at saturation, as a share of its own (polyethylene, polyester; read on a
# page of specialists, one digit).
_VAPOUR_DIFFUSIVITY = 2.5e-5
_HELD = {"polyethylene": 0.001, "polyester": 0.008}

# Magnus form of the WMO guide (constants read on two public pages): pressure at 0 degrees, factor, and temperature offset.
_MAGNUS = {"water": (6.112, 17.62, 243.12), "ice": (6.112, 22.46, 272.62)}


def saturation_pressure(temperature_c: float, over: Literal["water", "ice"] = "water") -> float:
    """Saturation pressure of water vapour in hPa, by the Magnus form.

    0.3 % low against the IAPWS-IF97 formulation at room temperature; that cancels in a relative humidity, and is 0.05 K in a dew point.

    Examples
    --------
    >>> round(saturation_pressure(23.0), 3)
    28.025
    """
    pressure, factor, offset = _MAGNUS[over]
    return pressure * math.exp(factor * temperature_c / (offset + temperature_c))


def salt_humidity(salt: str, temperature_c: float) -> float:
    """Relative humidity in percent over a saturated salt solution, between the temperatures of the table by a straight line.

    Raises
    ------
    ValueError
        If the salt is not in `SALTS`, or the temperature is outside its table: lithium chloride is not known to a tenth below 25 degrees.

    Examples
    --------
    >>> salt_humidity("magnesium chloride", 22.5)
    32.95
    """
    if salt not in SALTS:
        raise ValueError(f"salt must be one of {', '.join(SALTS)}, got {salt!r}")
    temperatures = list(SALTS[salt])
    if not temperatures[0] <= temperature_c <= temperatures[-1]:
        raise ValueError(
            f"temperature must be from {temperatures[0]} to {temperatures[-1]} degrees for {salt}, got {temperature_c!r}"
        )
    return round(float(np.interp(temperature_c, temperatures, list(SALTS[salt].values()))), 3)


def humidity_from_dew_point(point_c: float, temperature_c: float, over: Literal["water", "ice"]) -> float:
    """Relative humidity in percent from a dew point (over water) or frost point (over ice).

    At 12 % the two readings of one column differ by 0.9 % relative humidity, so `over` has no default.

    Examples
    --------
    >>> round(humidity_from_dew_point(-7.97, 23.0, "water"), 1), round(humidity_from_dew_point(-7.97, 23.0, "ice"), 1)
    (12.0, 11.1)
    """
    return 100 * saturation_pressure(point_c, over) / saturation_pressure(temperature_c)


def surely_inside(humidity: float, tolerance: float, expanded: float) -> tuple[float, float] | None:
    """Readings for which the true humidity is inside the tolerance for sure; None where the sensor can't show it.

    Parameters
    ----------
    humidity, tolerance : float
        Declared humidity and its tolerance, in percent relative humidity.
    expanded : float
        Expanded uncertainty (k = 2) of the sensor, in percent relative humidity, >= 0.

    Examples
    --------
    >>> surely_inside(12.0, 3.0, 2.0)
    (11.0, 13.0)
    """
    half = tolerance - expanded
    return (humidity - half, humidity + half) if half > 0 else None


def specimen_humidity(
    hours: ArrayLike, humidity: ArrayLike, time_constant_h: float, start: float | None = None
) -> Floats:
    """Humidity that a specimen shows which follows the chamber as a first-order system.

    Parameters
    ----------
    hours, humidity : array_like, shape (n,)
        Chamber log: rising times in hours, and the humidity from each time to the next.
    time_constant_h : float
        Time constant of the specimen as it lies in the chamber, > 0. Minutes for film hung open; a day for a pile of bags.
    start : float, optional
        Humidity of the specimen at the first time; that of the chamber by default.

    Returns
    -------
    ndarray, shape (n,)
        At the times of the log.

    Examples
    --------
    A door stands open for half an hour:

    >>> specimen_humidity([0.0, 0.5, 1.0], [30.0, 12.0, 12.0], 8.0, start=12.0).round(2)
    array([12.  , 13.09, 13.02])
    """
    times, values = as_points(hours, "hours"), as_points(humidity, "humidity")
    positive(time_constant_h, "time_constant_h")
    if len(times) != len(values) or (np.diff(times) < 0).any():
        raise ValueError("hours and humidity must be of one length, with rising hours")
    follows = -np.expm1(-np.diff(times) / time_constant_h)
    result = np.empty(len(times))
    result[0] = values[0] if start is None else start
    for i, share in enumerate(follows):
        result[i + 1] = result[i] + share * (values[i] - result[i])
    return result


def stack_hours(
    polyethylene_um: float, polyester_um: float, half_width_m: float = 0.1, gap_um: float = 50.0, share: float = 0.95
) -> float:
    """Hours in which a stack of films comes this share of the way to the humidity of the chamber, by an order of size.

    Parameters
    ----------
    polyethylene_um, polyester_um : float
        Thickness of each material between two gaps, >= 0.
    half_width_m, gap_um : float
        From the open edge to the middle of the stack, and the air between two films, > 0. The gap is a guess.
    share : float
        In (0, 1).

    Returns
    -------
    float

    Notes
    -----
    Water moves along the gaps while the films beside them give it off: the equation of a sheet as wide as the stack, slowed by the water that
    the films hold for each part in the air. Each film alone is even with its gap in minutes, see `sheet_uptake`. Without a published figure.

    References
    ----------
    .. [1] J. Crank (1975), The mathematics of diffusion, 2nd ed., plane sheet, and diffusion with a linear reversible reaction.

    Examples
    --------
    >>> round(stack_hours(150, 0), 1), round(stack_hours(120, 24), 1)
    (16.5, 34.2)
    """
    half_width, gap = positive(half_width_m, "half_width_m"), positive(gap_um, "gap_um")
    if not 0 < share < 1 or polyethylene_um < 0 or polyester_um < 0:
        raise ValueError("a thickness must be 0 or more, and share between 0 and 1")
    # Mass of vapour in saturated air at 25 degrees, in kg/m**3; the pressure is in hPa.
    vapour = 100 * saturation_pressure(25.0) * 0.018015 / (8.314462618 * 298.15)
    held = (_HELD["polyethylene"] * polyethylene_um + _HELD["polyester"] * polyester_um) * 1000.0 / vapour
    slowed = 1.0 + held / gap
    width = 2 * half_width
    least, most = 0.0, 10.0
    for _ in range(60):
        middle = (least + most) / 2
        least, most = (middle, most) if sheet_uptake(1.0, 1.0, middle) < share else (least, middle)
    return most * width**2 * slowed / _VAPOUR_DIFFUSIVITY / 3600


def sheet_uptake(diffusivity: float, thickness: float, seconds: float) -> float:
    """Share of the final uptake of a sheet that takes up moisture through both faces.

    Parameters
    ----------
    diffusivity : float
        In m**2/s, > 0.
    thickness : float
        Whole thickness in m, > 0.
    seconds : float
        >= 0.

    Returns
    -------
    float
        Between 0 and 1.

    References
    ----------
    .. [1] J. Crank (1975), The mathematics of diffusion, 2nd ed., plane sheet.

    Examples
    --------
    Polyethylene of 75 um is even with the air after two minutes: the 48 hours are not for a single film.

    >>> round(sheet_uptake(2e-11, 75e-6, 125.0), 2)
    0.99
    """
    positive(diffusivity, "diffusivity")
    positive(thickness, "thickness")
    if not seconds >= 0:
        raise ValueError(f"seconds must be 0 or more, got {seconds!r}")
    depth = diffusivity * seconds / thickness**2
    if depth < 0.003:
        # The series of exponentials is slow here; that of error functions has one term left, exact to the last digit.
        return 4 * math.sqrt(depth / math.pi)
    odd = 2 * np.arange(200) + 1
    return float(1 - 8 / math.pi**2 * np.sum(np.exp(-(odd**2) * math.pi**2 * depth) / odd**2))
