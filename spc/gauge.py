"""Gauge study: the part of the variation that comes from the session (operator, load, day or instrument) and from repeats.

A crossed study: every specimen is measured in every session, several times. The sessions are a sample of all that are to come.
Specimens with reference values show the bias too, and whether it changes over the range.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import special

from spc.kernels.arrays import Floats
from spc.kernels.validation import as_points

__all__ = [
    "Component",
    "Consistency",
    "Linearity",
    "Study",
    "consistency",
    "level_limit",
    "linearity",
    "spread_limit",
    "study",
]

_TAIL = 0.025
_DRAWS = 20_000
_SEED = 20_261_130
_LEAST_SESSIONS = 3


@dataclass(frozen=True, slots=True)
class Component:
    """A variance with its 95 % interval. `value` may be negative; the ends are not."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """A crossed gauge study in squared units of its values.

    `mean_squares` and `dfs` are in the order specimen, session, specimen x session, repeat. `gauge` is session, interaction and
    repeat together, `total` is gauge and specimen; `ratio` is specimen to gauge. `session_part` with `session_df` is the variance that a whole session shares:
    the session component, or the whole variance between the means of the sessions where the component is not above 0.
    `order_slope` is the mean change from one repeat to the next, `order_p_value` for none.
    """

    specimens: int
    sessions: int
    repeats: int
    mean_squares: tuple[float, float, float, float]
    dfs: tuple[int, int, int, int]
    specimen: Component
    session: Component
    interaction: Component
    repeat: Component
    gauge: Component
    total: Component
    ratio: Component
    session_part: float
    session_df: float
    order_slope: float
    order_p_value: float

    @property
    def share(self) -> Component:
        """Standard deviation of the gauge as a share of that of the study."""
        return Component(*(float((1 + max(one, 0.0)) ** -0.5) for one in _ends(self.ratio)))

    @property
    def categories(self) -> Component:
        """Groups of specimens that the gauge can distinguish."""
        return Component(
            *(float((2 * max(one, 0.0)) ** 0.5) for one in (self.ratio.value, self.ratio.low, self.ratio.high))
        )


def _ends(ratio: Component) -> tuple[float, float, float]:
    """The value and the ends of a ratio, in the order in which they give a share."""
    return ratio.value, ratio.high, ratio.low


def study(values: ArrayLike) -> Study:
    """Analysis of variance of a crossed study, all effects random, with interaction.

    Parameters
    ----------
    values : array_like, shape (specimens, sessions, repeats)
        In the charted scale (natural log for a log characteristic); at least 2 specimens, 3 sessions, 2 repeats. Repeats are in
        the order of measurement.

    Returns
    -------
    Study

    Raises
    ------
    ValueError
        If a cell is missing, a size is too small, or all repeats are equal.

    Notes
    -----
    Intervals of specimen, repeat, gauge and ratio are of the modified large sample kind [2]_; those of session and interaction are
    generalized intervals from draws of chi-square with a fixed seed. The degrees of freedom of the session part are those of
    Satterthwaite. Two sessions would leave the session part between a third and 30 times its value: they are refused.

    References
    ----------
    .. [1] D. C. Montgomery (2013), Design and Analysis of Experiments, 8th ed., chapter 13.
    .. [2] R. K. Burdick, C. M. Borror and D. C. Montgomery (2003), A review of methods for measurement systems capability
       analysis, Journal of Quality Technology 35, 342-354 (from memory).
    .. [3] F. E. Satterthwaite (1946), Biometrics Bulletin 2, 110-114.

    Examples
    --------
    >>> found = study([[[37, 38, 37], [41, 41, 40], [41, 42, 41]], [[42, 41, 43], [42, 42, 42], [43, 42, 43]]])
    >>> found.dfs, round(found.repeat.value, 4)
    ((1, 2, 2, 12), 0.3889)
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 3 or x.shape[0] < 2 or x.shape[1] < _LEAST_SESSIONS or x.shape[2] < 2:
        raise ValueError(
            f"values must be specimens x sessions x repeats of at least 2 x {_LEAST_SESSIONS} x 2, got shape {x.shape}; a session "
            "part from two sessions has no content"
        )
    if not np.isfinite(x).all():
        missing = int(np.count_nonzero(~np.isfinite(x)))
        raise ValueError(
            f"every specimen must be measured in every session: {missing} of {x.size} readings are missing"
        )
    p, o, r = x.shape
    squares, dfs = _table(x)
    if not squares[3] > 0:
        raise ValueError("all repeats are equal: the resolution is too coarse for a gauge study")
    ms_p, ms_o, ms_po, ms_e = squares.tolist()
    gauge_weights = np.array([0.0, 1.0, p - 1.0, p * (r - 1.0)]) / (p * r)
    # With three sessions or more no weight is below 0.
    total_weights = gauge_weights + np.array([1.0, 0.0, -1.0, 0.0]) / (o * r)
    session, interaction = _drawn(squares, dfs, p, r)
    part, df = _session_part(ms_o, ms_po, p, o, r)
    slope, p_value = _order(x)
    return Study(
        p, o, r,
        (ms_p, ms_o, ms_po, ms_e),
        (p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)),
        _specimen(ms_p, ms_po, dfs, o * r),
        session,
        interaction,
        Component(ms_e, ms_e * (1 - _g(dfs[3])), ms_e * (1 + _h(dfs[3]))),
        _sum(squares, dfs, gauge_weights),
        _sum(squares, dfs, total_weights),
        _ratio(squares, dfs, p, o, r),
        part,
        df,
        slope,
        p_value,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Linearity:
    """Straight line of the bias on the reference value, by least squares, with n - 2 degrees of freedom.

    `sd` is the standard deviation about the line. `slope_t` and `intercept_t` are the estimates over their standard errors.
    `p_value` is two-sided, for a slope of 0. `lack_of_fit_p` is that of the means at the references about the line against the scatter
    at each reference; nan with two references or without repeats.
    """

    slope: float
    intercept: float
    sd: float
    r_squared: float
    slope_t: float
    intercept_t: float
    df: int
    p_value: float
    lack_of_fit_f: float
    lack_of_fit_p: float


def linearity(reference: ArrayLike, bias: ArrayLike) -> Linearity:
    """Whether the bias of a gauge changes over its range.

    Parameters
    ----------
    reference : array_like, shape (n,)
        Reference value of each result in the charted scale, at least two distinct ones. On a log scale a slope is a wrong exponent and
        an intercept a wrong factor.
    bias : array_like, shape (n,)
        Result less its reference value, n >= 3. Results must be independent about the line: take the mean of the repeats of a session.

    Returns
    -------
    Linearity

    Raises
    ------
    ValueError
        If shapes differ, there are too few results or references, or the results lie exactly on the line.

    References
    ----------
    .. [1] N. R. Draper and H. Smith (1998), Applied Regression Analysis, 3rd ed., chapter 2 (lack of fit; from memory).

    Examples
    --------
    >>> line = linearity([2.0, 2.0, 4.0, 4.0, 6.0, 6.0], [0.5, 0.4, 0.2, 0.3, 0.0, 0.1])
    >>> round(line.slope, 2), round(line.p_value, 4), round(line.lack_of_fit_p, 2)
    (-0.1, 0.0028, 1.0)
    """
    x, y = as_points(reference, "reference", at_least=3), as_points(bias, "bias", at_least=3)
    if x.shape != y.shape:
        raise ValueError(f"every bias needs its reference value, got {y.size} and {x.size}")
    levels, place, counts = np.unique(x, return_inverse=True, return_counts=True)
    if levels.size < 2:
        raise ValueError("one reference value shows no change over the range; give two or more")
    n, centre = x.size, float(x.mean())
    sxx = float(np.sum((x - centre) ** 2))
    slope = float(np.sum((x - centre) * y)) / sxx
    intercept = float(y.mean()) - slope * centre
    left = float(np.sum((y - intercept - slope * x) ** 2))
    if not left > 0:
        raise ValueError("the results lie exactly on a line: the resolution is too coarse for its error")
    square = left / (n - 2)
    slope_t = slope / np.sqrt(square / sxx)
    intercept_t = intercept / np.sqrt(square * (1 / n + centre**2 / sxx))
    means = np.bincount(place, y) / counts
    pure, df_fit, df_pure = float(np.sum((y - means[place]) ** 2)), levels.size - 2, n - levels.size
    f = max(left - pure, 0.0) / df_fit / (pure / df_pure) if df_fit and df_pure and pure > 0 else np.nan
    return Linearity(
        slope,
        intercept,
        float(np.sqrt(square)),
        1 - left / float(np.sum((y - y.mean()) ** 2)),
        float(slope_t),
        float(intercept_t),
        n - 2,
        2 * float(special.stdtr(n - 2, -abs(slope_t))),
        float(f),
        float(special.fdtrc(df_fit, df_pure, f)) if np.isfinite(f) else np.nan,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Consistency:
    """How far each session of a study is from the others; arrays (sessions,).

    `level` is the mean of a session less that of all, in standard deviations of the session means; `spread` the standard deviation of its
    repeats, relative to that of all sessions. A session is unlike the others where its `level` is beyond `level_limit` on either side, or its
    `spread` above `spread_limit`.
    """

    level: Floats
    spread: Floats
    level_limit: float
    spread_limit: float


def consistency(values: ArrayLike, risk: float = 0.01) -> Consistency:
    """Find the sessions of a crossed study whose mean or whose repeats are unlike those of the others.

    Parameters
    ----------
    values : array_like, shape (specimens, sessions, repeats)
        As for `study`.
    risk : float
        Chance, of levels and of spreads each, that any session of a study exceeds its limit although all have one law, in (0, 1).

    Returns
    -------
    Consistency

    Notes
    -----
    The statistics h and k of laboratories that measure one material; here the mean over the specimens and the repeats of all specimens,
    so that one test a study is made of each. Their limits for all sessions together are those of Grubbs for one outlying mean, two-sided,
    and of Cochran for the largest variance. Of three sessions hardly any level exceeds its limit: the outlying one widens the scatter itself.

    References
    ----------
    .. [1] ISO 5725-2:1994, 7.3, tables 4 to 7 (from memory).

    Examples
    --------
    The repeats of the third session vary most, but not beyond what chance gives:

    >>> found = consistency([[[37, 38, 37], [41, 41, 40], [41, 42, 44]], [[42, 41, 43], [42, 42, 42], [43, 41, 45]]])
    >>> found.spread.round(2).tolist(), round(found.spread_limit, 2)
    ([0.71, 0.35, 1.54], 1.58)
    """
    x = np.asarray(values, dtype=np.float64)
    specimens, sessions, repeats = x.shape
    means = x.mean(axis=(0, 2))
    variances = x.var(axis=2, ddof=1).mean(axis=0)
    apart = means.std(ddof=1)
    return Consistency(
        level=(means - means.mean()) / apart if apart > 0 else np.zeros(sessions),
        spread=np.sqrt(variances / variances.mean()) if variances.any() else np.ones(sessions),
        level_limit=level_limit(sessions, risk / sessions),
        spread_limit=spread_limit(sessions, specimens * (repeats - 1), risk / sessions),
    )


def level_limit(sessions: int, risk: float) -> float:
    """Limit of the level of one session relative to all, exceeded on either side with this chance: h of ISO 5725-2.

    With the risk divided by the number of sessions it is the limit of Grubbs for the most outlying of them.

    Examples
    --------
    Eight laboratories, 1 %; and the limit of Grubbs, 5 %:

    >>> round(level_limit(8, 0.01), 2), round(level_limit(8, 0.05 / 8), 3)
    (2.06, 2.127)
    """
    t = float(-special.stdtrit(sessions - 2.0, risk / 2))
    return float((sessions - 1) * t / np.sqrt(sessions * (t**2 + sessions - 2)))


def spread_limit(sessions: int, df: float, risk: float) -> float:
    """Limit of the standard deviation of one session relative to all, exceeded with this chance: k of ISO 5725-2.

    `df` are the degrees of freedom of each session. With the risk divided by the number of sessions, its square divided by that number is the
    limit of Cochran for the largest variance.

    Examples
    --------
    Eight laboratories with three results each, 1 %; and the limit of Cochran, 5 %:

    >>> round(spread_limit(8, 2, 0.01), 2), round(spread_limit(8, 2, 0.05 / 8) ** 2 / 8, 3)
    (1.96, 0.516)
    """
    ratio = float(special.fdtri(df, (sessions - 1) * df, 1 - risk))
    return float(np.sqrt(sessions / (1 + (sessions - 1) / ratio)))


def _table(x: Floats) -> tuple[Floats, Floats]:
    """Mean squares of specimen, session, interaction and repeat, and their degrees of freedom."""
    p, o, r = x.shape
    grand, by_specimen, by_session, cells = x.mean(), x.mean(axis=(1, 2)), x.mean(axis=(0, 2)), x.mean(axis=2)
    both = cells - by_specimen[:, None] - by_session[None, :] + grand
    squares = np.array(
        [
            o * r * np.sum((by_specimen - grand) ** 2),
            p * r * np.sum((by_session - grand) ** 2),
            r * np.sum(both**2),
            np.sum((x - cells[:, :, None]) ** 2),
        ]
    )
    dfs = np.array([p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)], dtype=np.float64)
    return squares / dfs, dfs


def _g(df: float) -> float:
    return float(1 - df / special.chdtri(df, _TAIL))


def _h(df: float) -> float:
    return float(df / special.chdtri(df, 1 - _TAIL) - 1)


def _sum(squares: Floats, dfs: Floats, weights: Floats) -> Component:
    """A sum of mean squares with weights of at least 0 (Graybill and Wang 1980)."""
    parts = weights * squares
    value = float(parts.sum())
    low, high = (float(np.sqrt(np.sum((np.array([f(df) for df in dfs]) * parts) ** 2))) for f in (_g, _h))
    return Component(value, max(value - low, 0.0), value + high)


def _specimen(ms_p: float, ms_po: float, dfs: Floats, size: int) -> Component:
    """The specimen component, a difference of mean squares (Ting, Burdick, Graybill, Jeyaratnam and Lu 1990)."""
    f_high, f_low = (float(special.fdtri(dfs[0], dfs[2], 1 - tail)) for tail in (_TAIL, 1 - _TAIL))
    g1, h1, g3, h3 = _g(dfs[0]), _h(dfs[0]), _g(dfs[2]), _h(dfs[2])
    g13 = ((f_high - 1) ** 2 - g1**2 * f_high**2 - h3**2) / f_high
    h13 = ((1 - f_low) ** 2 - h1**2 * f_low**2 - g3**2) / f_low
    value = (ms_p - ms_po) / size
    low = value - np.sqrt(max(g1**2 * ms_p**2 + h3**2 * ms_po**2 + g13 * ms_p * ms_po, 0.0)) / size
    high = value + np.sqrt(max(h1**2 * ms_p**2 + g3**2 * ms_po**2 + h13 * ms_p * ms_po, 0.0)) / size
    return Component(value, max(float(low), 0.0), max(float(high), 0.0))


def _ratio(squares: Floats, dfs: Floats, p: int, o: int, r: int) -> Component:
    """Specimen to gauge variance."""
    ms_p, ms_o, ms_po, ms_e = squares.tolist()
    f1, f2 = (float(special.fdtri(dfs[0], dfs[2], 1 - tail)) for tail in (_TAIL, 1 - _TAIL))
    f3, f4 = (float(special.fdtri(dfs[0], dfs[1], 1 - tail)) for tail in (_TAIL, 1 - _TAIL))
    rest = p * o * (r - 1) * ms_e + o * (p - 1) * ms_po
    low, high = (
        p * shrunk * (ms_p - f * ms_po) / (rest + o * shrunk * other * ms_o)
        for shrunk, f, other in ((1 - _g(dfs[0]), f1, f3), (1 + _h(dfs[0]), f2, f4))
    )
    gauge = (ms_o + (p - 1) * ms_po + p * (r - 1) * ms_e) / (p * r)
    return Component((ms_p - ms_po) / (o * r) / gauge, max(low, 0.0), max(high, 0.0))


def _drawn(squares: Floats, dfs: Floats, p: int, r: int) -> tuple[Component, Component]:
    """Session and interaction with generalized intervals: each mean square over a draw of chi-square / df."""
    rng = np.random.default_rng(_SEED)
    drawn = squares / (rng.chisquare(dfs, (_DRAWS, 4)) / dfs)
    components = []
    for first, second, size in ((1, 2, p * r), (2, 3, r)):
        low, high = np.maximum(np.quantile((drawn[:, first] - drawn[:, second]) / size, [_TAIL, 1 - _TAIL]), 0.0)
        components.append(Component(float((squares[first] - squares[second]) / size), float(low), float(high)))
    return components[0], components[1]


def _session_part(ms_o: float, ms_po: float, p: int, o: int, r: int) -> tuple[float, float]:
    """Variance that a session shares, with its degrees of freedom; the safe side where the component is not above 0."""
    if ms_o <= ms_po:
        return ms_o / (p * r), o - 1.0
    df = (ms_o - ms_po) ** 2 / (ms_o**2 / (o - 1) + ms_po**2 / ((p - 1) * (o - 1)))
    return (ms_o - ms_po) / (p * r), df


def _order(x: Floats) -> tuple[float, float]:
    """Mean slope of the readings on their order within specimen and session, and its p value."""
    p, o, r = x.shape
    place = np.arange(r) - (r - 1) / 2
    centred = x - x.mean(axis=2, keepdims=True)
    sxx = p * o * float(np.sum(place**2))
    slope = float(np.sum(centred * place)) / sxx
    df = p * o * (r - 1) - 1
    left = float(np.sum((centred - slope * place) ** 2)) / df
    if not left > 0:
        return slope, 0.0
    return slope, 2 * float(special.stdtr(df, -abs(slope) / np.sqrt(left / sxx)))
