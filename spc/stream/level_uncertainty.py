"""Uncertainty of the level of each session, from what was known on the day of its test, and what follows for the limits.

Bags and readings are pooled over the sessions of the stream up to that day. The bench part (load, day, operator, tester)
comes from check standards, else from lots that were tested in several sessions, else from a gauge study; until one of them exists it is unknown, and
the variation between the lots of the stream bounds it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import special

from spc.conformity import (
    FAR_APART,
    AcceptanceLimits,
    acceptance_limits,
    combined_df,
    coverage_factor,
    probability,
    with_band,
)
from spc.kernels.arrays import Flags, Floats, Integers
from spc.kernels.columns import Column, Rows
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import BenchSource, Scale

__all__ = [
    "LEAST_DF",
    "NO_BENCH_PART",
    "BenchPart",
    "bench_part",
    "conformity",
    "may_turn",
    "rule_limits",
    "uncertainty",
]

LEAST_DF = 4.0
"""Fewest degrees of freedom for a bench part, or for its bound: five sessions. Fewer give an interval without content."""
# A lot whose bags vary more than the pooled variance allows, at this risk, is judged by its own variance.
WIDER = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class BenchPart:
    """Variance between sessions of check standards over time, in squared charted units, each from a week on."""

    from_weeks: Floats
    variance: Floats
    df: Floats

    def at(self, weeks: Floats) -> tuple[Floats, Floats]:
        """Variance and degrees of freedom in force at each time; nan and 0 before the first.

        Examples
        --------
        >>> BenchPart(np.array([2.0]), np.array([0.01]), np.array([5.0])).at(np.array([1.0, 3.0]))
        (array([ nan, 0.01]), array([0., 5.]))
        """
        place = np.searchsorted(self.from_weeks, weeks, side="right")
        return np.append(np.nan, self.variance)[place], np.append(0.0, self.df)[place]


NO_BENCH_PART = BenchPart(np.empty(0), np.empty(0), np.empty(0))


def bench_part(group: Integers, weeks: Floats, level: Floats, noise: Floats) -> BenchPart:
    """Variance between sessions of check standards, as known after each session.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        The standard, and the stretch between two restarts of its baseline: levels of one group differ by the bench only.
    weeks : ndarray, shape (n,)
        Time of each session, rising.
    level : ndarray, shape (n,)
        Level in the charted scale, finite.
    noise : ndarray, shape (n,)
        Variance that the readings alone give the level, >= 0, nan where it is unknown. The bags of a standard are the
        same ones each time, so that their differences cancel.

    Returns
    -------
    BenchPart
        Pooled over the groups, less the mean noise of the readings. Where nothing is left the whole variance counts, which
        is the safe side.

    Examples
    --------
    >>> part = bench_part(np.zeros(6, int), np.arange(6.0), np.array([0.0, 0.1, -0.1, 0.1, -0.1, 0.0]), np.zeros(6))
    >>> part.from_weeks.tolist(), part.variance.round(4).tolist(), part.df.tolist()
    ([4.0, 5.0], [0.01, 0.008], [4.0, 5.0])
    """
    count: dict[int, int] = {}
    mean: dict[int, float] = {}
    squares, df, noises, steps = 0.0, 0, 0.0, []
    for one, week, value, own in zip(
        group.tolist(), weeks.tolist(), level.tolist(), np.nan_to_num(noise).tolist(), strict=True
    ):
        seen = count.get(one, 0)
        if seen:
            # The sum of squares about the mean grows by this, so that no session is read twice.
            squares += seen / (seen + 1) * (value - mean[one]) ** 2
            df += 1
        mean[one] = (mean.get(one, 0.0) * seen + value) / (seen + 1)
        count[one] = seen + 1
        noises += own
        if df >= LEAST_DF:
            total = squares / df
            left = total - noises / sum(count.values())
            steps.append((week, left if left > 0 else total, float(df)))
    if not steps:
        return NO_BENCH_PART
    return BenchPart(*np.array(steps).T)


def uncertainty(
    sessions: Rows,
    usable: Flags,
    scale: str,
    bench: BenchPart,
    instrument: Floats,
    study: BenchPart = NO_BENCH_PART,
) -> dict[str, Column]:
    """Uncertainty of the level of each session, in the charted scale.

    Parameters
    ----------
    sessions : Rows
        The sessions of a stream in order of time: the columns of `spc.stream.session_summary.summarise`, `weeks`, and
        `lot` (str).
    usable : ndarray of bool, shape (n,)
        Whether a session may teach the pooled variances: valid, and not a suspected slip.
    scale : {"log", "linear"}
        Charted scale.
    bench : BenchPart
        Of the characteristic, from its check standards.
    instrument : ndarray, shape (n,)
        Standard uncertainty by the certificate, as a fraction of the reading.
    study : BenchPart
        Of the characteristic, from gauge studies; used until a check standard or repeated lots show more. Its degrees of freedom
        may be few: Student's t widens for them.

    Returns
    -------
    dict
        `u`, `df`: with what is known; `u_high`, `df_high`: with the bound of an unknown bench part (equal to `u` where it
        is known, nan where it has no bound yet). `u_bags`, `u_readings`, `u_bench` (nan where unknown), `u_instrument`:
        the parts as standard uncertainties. `bench_source` names the source of the bench part, `bench_df` its degrees of freedom. `bag_variance_used` with
        `bag_df`: the variance between bags, the next bag's; `mean_variance`: that of a bag mean with its readings;
        `own_variance`: whether this session's bags alone give them. `u_worst`, `df_worst`: of a single reading.

    Notes
    -----
    u**2 = V/n + S + c**2 with V the variance of bag means (bags and readings), n bags, S the bench part and c the
    certificate; degrees of freedom by Satterthwaite. The bound of S is half the mean squared difference of neighbouring
    lots [1]_ less V/n: it holds all of S, and no drift of the film.

    References
    ----------
    .. [1] J. von Neumann, R. H. Kent, H. R. Bellinson and B. I. Hart (1941), The mean square successive difference,
       Annals of Mathematical Statistics 12, 153-162.

    Examples
    --------
    >>> numbers = dict(bags=[6.0], bag_variance=[0.0148], reading_variance=[0.0025], reading_df=[30.0], level=[2.9])
    >>> rows = {name: np.array(value) for name, value in numbers.items()} | {"lot": np.array(["L1"], dtype=object)}
    >>> rows |= {"readings_per_bag": np.array([6.0]), "weeks": np.array([0.0])}
    >>> found = uncertainty(Rows(np.arange(1), rows), np.array([True]), "log", NO_BENCH_PART, np.array([0.03]))
    >>> found["u"].round(4).tolist(), found["bench_source"].tolist(), found["u_high"].tolist()
    ([0.058], ['not known'], [nan])
    """
    bags, each = sessions.floats("bags"), np.maximum(sessions.floats("readings_per_bag"), 1.0)
    mean_variance, mean_df, own = _bag_means(sessions, usable)
    reading_df = np.where(usable, np.nan_to_num(sessions.floats("reading_df")), 0.0)
    reading_squares = np.where(reading_df > 0, np.nan_to_num(sessions.floats("reading_variance")) * reading_df, 0.0)
    readings = _ratio(np.cumsum(reading_squares), np.cumsum(reading_df))
    sampling = mean_variance / bags
    by_readings = np.minimum(np.nan_to_num(readings) / (bags * each), sampling)
    between = mean_variance - np.nan_to_num(readings) / each
    level = np.abs(sessions.floats("level")) if scale == Scale.LINEAR else np.ones(bags.size)
    certificate = np.square(instrument * np.nan_to_num(level, nan=np.nan))

    session_variance, session_df, source = _bench(sessions, usable, bench, study, sampling)
    known = source != BenchSource.UNKNOWN
    bound, bound_df = _bound(sessions, usable, sampling)
    high_variance, high_df = np.where(known, session_variance, bound), np.where(known, session_df, bound_df)
    endless = np.full(bags.size, np.inf)

    def total(variance: Floats, df: Floats, sample: Floats, sample_df: Floats) -> tuple[Floats, Floats]:
        parts = np.array([sample, variance, certificate])
        return np.sqrt(sample + np.nan_to_num(variance) + certificate), combined_df(
            parts, np.array([sample_df, df, endless])
        )

    u, df = total(np.where(known, session_variance, np.nan), session_df, sampling, mean_df)
    u_high, df_high = total(high_variance, high_df, sampling, mean_df)
    u_worst, df_worst = total(high_variance, high_df, readings, np.cumsum(reading_df))
    unbounded = np.isnan(high_variance)
    return {
        "u": u,
        "df": df,
        "u_high": np.where(unbounded, np.nan, u_high),
        "df_high": df_high,
        "u_bags": np.sqrt(sampling - by_readings),
        "u_readings": np.sqrt(by_readings),
        "u_bench": np.sqrt(np.where(known, session_variance, np.nan)),
        "u_instrument": np.sqrt(certificate),
        "bench_source": source,
        "bench_df": np.where(known, session_df, np.nan),
        # Where the readings explain all of it, the whole variance counts: the safe side.
        "bag_variance_used": np.where(between > 0, between, mean_variance),
        "bag_df": mean_df,
        "mean_variance": mean_variance,
        "own_variance": own,
        "u_worst": np.where(unbounded, np.nan, u_worst),
        "df_worst": df_worst,
    }


def _bag_means(sessions: Rows, usable: Flags) -> tuple[Floats, Floats, Flags]:
    """Variance of the bag means of each session with its degrees of freedom: pooled up to the session, or its own."""
    variance, df = sessions.floats("bag_variance"), np.maximum(sessions.floats("bags") - 1, 0.0)
    df = np.where(np.isfinite(variance), df, 0.0)
    squares = np.where(df > 0, np.nan_to_num(variance) * df, 0.0)
    taught, taught_df = np.where(usable, squares, 0.0), np.where(usable, df, 0.0)
    pooled, pooled_df = np.cumsum(taught), np.cumsum(taught_df)
    others, others_df = _ratio(pooled - taught, pooled_df - taught_df), pooled_df - taught_df
    with np.errstate(divide="ignore", invalid="ignore"):
        wider = special.fdtrc(np.maximum(df, 1), np.maximum(others_df, 1), variance / others) < WIDER
    own = wider & (df > 0) & (others_df > 0)
    # A session that must not teach others still has bags of its own where nothing is pooled yet.
    alone = (pooled_df == 0) & (df > 0)
    return (
        np.where(own | alone, variance, _ratio(pooled, pooled_df)),
        np.where(own | alone, df, pooled_df),
        np.asarray(own | alone),
    )


def _bench(
    sessions: Rows, usable: Flags, bench: BenchPart, study: BenchPart, sampling: Floats
) -> tuple[Floats, Floats, Column]:
    """Bench part of each session, its degrees of freedom, and where it comes from."""
    variance, df = bench.at(sessions.floats("weeks"))
    repeated, repeated_df = _repeats(sessions, usable, sampling)
    studied, studied_df = study.at(sessions.floats("weeks"))
    found = [df >= LEAST_DF, repeated_df >= LEAST_DF, studied_df > 0]
    sources = [BenchSource.STANDARD, BenchSource.REPEATS, BenchSource.STUDY]
    source = np.select(found, sources, BenchSource.UNKNOWN)
    return (
        np.select(found, [variance, repeated, studied], np.nan),
        np.select(found, [df, repeated_df, studied_df], np.inf),
        source.astype(object),
    )


def _repeats(sessions: Rows, usable: Flags, sampling: Floats) -> tuple[Floats, Floats]:
    """Variance between sessions of one lot, less that of its bags, as known at each session."""
    n = len(sessions)
    squares, freedom = np.zeros(n), np.zeros(n)
    _, code, times = np.unique(sessions["lot"].astype(str), return_inverse=True, return_counts=True)
    if (times > 1).any():
        level = sessions.floats("level")
        for lot in np.flatnonzero(times > 1).tolist():
            rows = np.flatnonzero((code == lot) & usable & np.isfinite(level))
            for number, row in enumerate(rows.tolist()[1:], start=1):
                squares[row] = number / (number + 1) * (level[row] - level[rows[:number]].mean()) ** 2
                freedom[row] = 1.0
    df = np.cumsum(freedom)
    noise = _ratio(np.cumsum(np.where(freedom > 0, np.nan_to_num(sampling), 0.0)), df)
    total = _ratio(np.cumsum(squares), df)
    return np.where(total > noise, total - noise, total), df


def _bound(sessions: Rows, usable: Flags, sampling: Floats) -> tuple[Floats, Floats]:
    """Greatest bench part that the lots up to each session leave room for, with its degrees of freedom."""
    level = sessions.floats("level")
    measured = np.flatnonzero(usable & np.isfinite(level))
    _, first = np.unique(sessions["lot"][measured].astype(str), return_index=True)
    rows = measured[np.sort(first)]
    charted = np.zeros(len(sessions), dtype=bool)
    charted[rows] = True
    squares = np.zeros(len(sessions))
    squares[rows[1:]] = np.diff(level[rows]) ** 2
    pairs = np.maximum(np.cumsum(charted) - 1.0, 0.0)
    variance = _ratio(np.cumsum(squares) / 2, pairs)
    # Degrees of freedom of half the mean squared successive difference of n values: 2 (n - 1)^2 / (3 n - 4).
    df = np.where(pairs > 0, 2 * pairs**2 / np.maximum(3 * pairs - 1, 1), 0.0)
    enough = pairs >= LEAST_DF
    return np.where(enough, np.maximum(variance - np.nan_to_num(sampling), 0.0), np.nan), np.where(enough, df, np.inf)


def _ratio(total: Floats, count: Floats) -> Floats:
    """Quotient, nan where the count is 0."""
    return np.asarray(np.divide(total, count, out=np.full(np.shape(total), np.nan), where=np.asarray(count) > 0))


def rule_limits(
    sessions: Rows, scale: str, judged: str, guards: Floats, wrong_pass: Floats, wrong_fail: Floats
) -> dict[str, Column]:
    """Acceptance limits of each session in the unit, for `spc.stream.verdicts.judge_rows`.

    Parameters
    ----------
    sessions : Rows
        With the columns of `uncertainty`, and `limit_lower` and `limit_upper` in the unit.
    scale, judged : str
        As for `spc.stream.verdicts.judge`.
    guards : ndarray
        Guard of the simple rule, as a fraction of the limit (`guard_percent` / 100).
    wrong_pass, wrong_fail : ndarray
        Risks of the guarded rule in force for each session; nan for the simple rule, and no guard on that side.

    Returns
    -------
    dict
        `pass_lower`, `pass_upper`, `fail_lower`, `fail_upper`; nan where there is no limit. A guarded rule whose
        uncertainty has no bound yet lets nothing pass.

    Examples
    --------
    A limit of 20 with a risk of 5 % of a wrong pass, and a standard uncertainty of 5 %: the level must read below 18.4.

    >>> columns = {"limit_lower": [np.nan], "limit_upper": [20.0], "u_high": [0.05], "df_high": [np.inf]}
    >>> sessions = Rows(np.arange(1), {name: np.array(value) for name, value in columns.items()})
    >>> limits = rule_limits(sessions, "log", "mean", np.zeros(1), np.array([0.05]), np.array([np.nan]))
    >>> limits["pass_upper"].round(1).tolist(), limits["fail_upper"].round(1).tolist()
    ([18.4], [20.0])
    """
    lower, upper = sessions.floats("limit_lower"), sessions.floats("limit_upper")
    with np.errstate(over="ignore"):
        band = with_band(AcceptanceLimits(lower, upper, lower, upper), guards, log=False)
    found = {name: getattr(band, name) for name in ("pass_lower", "pass_upper", "fail_lower", "fail_upper")}
    log = scale == Scale.LOG
    name = "u_worst" if judged == "worst" else "u_high"
    u, df = sessions.floats(name), sessions.floats(name.replace("u_", "df_"))
    # A session under the simple rule has no risk, and the limits above.
    guarded, outward = np.isfinite(wrong_pass), np.nan_to_num(wrong_fail)
    for risk, outer in np.unique(np.array([wrong_pass[guarded], outward[guarded]]), axis=1).T.tolist():
        rows = (wrong_pass == risk) & (outward == outer)
        low, high = (np.log(limit[rows]) if log else limit[rows] for limit in (lower, upper))
        limits = acceptance_limits(
            low, high, np.where(np.isnan(u[rows]), np.inf, u[rows]), df[rows], risk, outer or None
        )
        for key in found:
            edge = getattr(limits, key)
            found[key][rows] = np.where(np.isfinite(edge), to_unit(edge, scale), edge)
    return _none_where_unlimited(found, np.isnan(lower), np.isnan(upper), scale)


def may_turn(sessions: Rows, scale: str, least_risk: float) -> Flags:
    """Sessions whose verdict by the mean depends on which decision rule holds, if no rule has a smaller risk than this.

    A lot that is clear of its limits by the widest guard passes, or fails, by every one of the rules. Of a whole history few lots are
    left, and only these need acceptance limits.

    Examples
    --------
    Levels of 15, 19 and 24 under a limit of 20, with a standard uncertainty of 5 % and a risk of 5 %:

    >>> columns = {name: np.log([15.0, 19.0, 24.0]) for name in ("level_low", "level_high")}
    >>> columns |= {"limit_lower": np.full(3, np.nan), "limit_upper": np.full(3, 20.0), "valid": np.full(3, True)}
    >>> columns |= {"u_high": np.full(3, 0.05), "df_high": np.full(3, np.inf)}
    >>> may_turn(Rows(np.arange(3), columns), "log", 0.05).tolist()
    [False, True, False]
    """
    limits = [sessions.floats(name) for name in ("limit_lower", "limit_upper")]
    none = [np.isnan(limit) for limit in limits]
    lower, upper = (np.log(limit) if scale == Scale.LOG else limit for limit in limits)
    u, low, high = (sessions.floats(name) for name in ("u_high", "level_low", "level_high"))
    # The guard at few degrees of freedom for all, which is wider than their own; a lot with fewer still may turn, as may a value at an
    # edge, which counts as beyond it or not by its last digits.
    guard = float(coverage_factor(least_risk, LEAST_DF)) * np.where(sessions.floats("df_high") < LEAST_DF, np.inf, u)
    with np.errstate(invalid="ignore"):
        reach = guard + 1e-9 * (1.0 + np.fmax(np.abs(low), np.abs(high)))
        passes = (none[1] | (high + reach < upper)) & (none[0] | (low - reach > lower))
        fails = (low - reach > upper) | (high + reach < lower)
        # Between two near limits both tails count, and the guard is wider.
        near = upper - lower < FAR_APART * u
    judged = sessions["valid"].astype(bool) & ~(none[0] & none[1]) & ~(np.isnan(low) & np.isnan(high))
    return np.asarray(judged & ~(passes & np.isfinite(reach) & ~near) & ~fails)


def _none_where_unlimited(found: dict[str, Floats], no_lower: Flags, no_upper: Flags, scale: str) -> dict[str, Column]:
    """Acceptance limits with nan where there is no limit, and one that nothing passes where the guard has no end."""
    nothing = 0.0 if scale == Scale.LOG else -np.inf
    for key, values in found.items():
        missing = no_lower if key.endswith("lower") else no_upper
        open_end = np.inf if key in ("pass_lower", "fail_upper") else nothing
        found[key] = np.where(missing, np.nan, np.where(np.isfinite(values), values, open_end))
    return dict(found)


def conformity(sessions: Rows, scale: str, judged: str) -> dict[str, Column]:
    """Chances that the mean of each lot, and its next bag, are inside the specification limits.

    Parameters
    ----------
    sessions : Rows
        With the columns of `uncertainty`, `level`, `level_low`, `level_high`, `valid` and the limits in the unit.
    scale, judged : str
        As for `spc.stream.verdicts.judge`.

    Returns
    -------
    dict
        `p`: for the mean, without an unknown bench part, nan where a bounded reading leaves it open or the worst reading
        is judged (the worst of many is selected, so that no such chance exists); `p_low`, `p_high`: its ends, over the
        bench part without it and at its bound and over the bounded readings; nan where the bench part has no bound.
        `next_bag`, `next_bag_low`, `next_bag_high`: the same for a random further bag. All nan in an invalid session and
        without a limit.

    Examples
    --------
    A level of 19 under a limit of 20, with a standard uncertainty of 5 %, and bags that differ by 10 %:

    >>> columns = {"limit_lower": np.nan, "limit_upper": 20.0, "u": 0.05, "df": np.inf, "u_high": 0.05, "df_high": np.inf}
    >>> columns |= dict.fromkeys(("level", "level_low", "level_high"), np.log(19.0)) | {"bag_variance_used": 0.01, "bag_df": 30.0}
    >>> rows = {name: np.array([value]) for name, value in columns.items()} | {"valid": np.array([True])}
    >>> found = conformity(Rows(np.arange(1), rows), "log", "mean")
    >>> found["p"].round(2).tolist(), found["next_bag"].round(2).tolist()
    ([0.85], [0.68])
    """
    log = scale == Scale.LOG
    lower, upper = (
        np.log(sessions.floats(name)) if log else sessions.floats(name) for name in ("limit_lower", "limit_upper")
    )
    asked = sessions["valid"].astype(bool) & ~(np.isnan(lower) & np.isnan(upper))
    bag, bag_df = sessions.floats("bag_variance_used"), sessions.floats("bag_df")
    levels = np.array([sessions.floats(name) for name in ("level", "level_low", "level_high")])
    # The ends of a level without a bounded reading are the level itself: its chance is computed once.
    bounded = np.flatnonzero((levels != levels[0]).any(axis=0))
    found: dict[str, Column] = {}
    for name, spread in (("p", np.zeros(len(sessions))), ("next_bag", bag)):
        own = np.full((3, 2, len(sessions)), np.nan)
        for place, (u, df) in enumerate((("u", "df"), ("u_high", "df_high"))):
            error, freedom = sessions.floats(u), sessions.floats(df)
            if name == "next_bag":
                freedom = combined_df(np.array([error**2, spread]), np.array([freedom, np.maximum(bag_df, 1e-9)]))
                error = np.sqrt(error**2 + spread)
            own[:, place] = probability(levels[0], error, freedom, lower, upper)
            if bounded.size:
                at_bounds = (part[..., bounded] for part in (levels[1:], error, freedom, lower, upper))
                own[1:, place, bounded] = probability(*at_bounds)
        own = np.where(asked, own.reshape(6, -1), np.nan)
        wanted = np.full(len(sessions), judged == "mean" or name == "next_bag")
        ends = own[2:]
        # An unbounded bench part, like a level that nothing bounds, leaves the low end open.
        open_end = np.isnan(own[[3, 5]]).any(axis=0)
        exact = sessions.floats("level_low") == sessions.floats("level_high")
        found[name] = np.where(wanted & exact, own[0], np.nan)
        with np.errstate(invalid="ignore"):
            found[f"{name}_low"] = np.where(wanted & ~open_end, np.fmin.reduce(ends), np.nan)
            found[f"{name}_high"] = np.where(wanted, np.fmax.reduce(ends), np.nan)
    return found
