"""The one door: the sessions of one stream in, one evaluation out.

Which sessions are points, which lots set the limits, what stands out, how fast the level moves and when it may meet its
limit. Every figure that a screen, a mail or a scorecard shows of a stream is in the result.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from spc import (
    alerts,
    baseline,
    capability,
    charts,
    components,
    detection,
    distribution,
    forecast,
    patterns,
    runlength,
    verdicts,
)
from spc._checks import Floats
from spc.words import Grade, Kind, Scale

__all__ = ["EWMA_WEIGHT", "EWMA_WIDTH", "Evaluation", "PatternPrice", "Segment", "Settings", "stream"]

# The weight and width that Lucas and Saccucci (1990), table 3, give for an in-control run length of 500.
EWMA_WEIGHT = 0.1
EWMA_WIDTH = 2.814
CHART_WIDTH = 3.0
# Of the patterns, those that mean something to a bench; each more costs false marks (`PatternPrice` tells how many). They
# are marked on the chart and raise no alert: alerts come from spc.detection, within the budget.
CHART_PATTERNS = (
    "beyond_three_sigma",
    "two_of_three_beyond_two_sigma",
    "nine_on_one_side",
    "six_rising_or_falling",
)


@dataclass(frozen=True, slots=True)
class Settings:
    """What is declared for a stream, as in `lab.toml`.

    `restarts` are the weeks from which people set the baseline again, `left_out` the sessions that they left out of it,
    `doubted` those whose values nobody has settled yet: they are judged and charted, but tell neither limits nor outlook.
    """

    scale: str = Scale.LOG
    judged: str = "mean"
    guard_percent: float = 0.0
    baseline_lots: int = 25
    false_alerts_per_year: float = 0.2
    horizon_weeks: float = 13.0
    breach_probability: float = 0.2
    every_session_is_a_point: bool = False
    restarts: tuple[float, ...] = ()
    left_out: frozenset[int] = frozenset()
    doubted: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """The measured points between two settings of the limits, with what they rest on.

    `dependence` and `normality` are those of the lots that set the limits, None where these are too few; `widened` says
    that the limits allow for neighbouring lots being alike.
    """

    points: pd.DataFrame
    baseline: baseline.Baseline
    components: components.Components
    dependence: distribution.Dependence | None
    normality: distribution.Normality | None
    widened: bool


@dataclass(frozen=True, slots=True)
class PatternPrice:
    """What the patterns that are marked on the chart cost a stream that holds still.

    Together they mark by chance one lot in `lots` on average, one in `weeks` at the stream's pace; that is None with
    fewer than two lots, or where all were tested at once. Limits are taken as known and lots as independent.
    """

    patterns: tuple[str, ...]
    lots: float
    weeks: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """All that is known of one stream. Levels are in the charted scale.

    `verdicts` has a row a session (`judged`, `verdict`, `breach`); `points` a row a charted session in order of test
    time (columns of `_points` and `_chart`); `signals` a row a completed piece of evidence; `episodes` the causes.
    `segments` are the stretches between two settings of the limits, the last one in force, and `watches` what the detector
    saw in each of them.
    """

    verdicts: pd.DataFrame
    points: pd.DataFrame
    segments: list[Segment]
    watches: list[detection.Watch]
    signals: pd.DataFrame
    episodes: list[alerts.Episode]
    forecast: forecast.Forecast
    capability: capability.Capability | capability.Withheld
    pattern_price: PatternPrice


def stream(
    sessions: pd.DataFrame,
    settings: Settings,
    sisters: detection.Sisters = detection.ALONE,
    before: Sequence[detection.Watch] = (),
) -> Evaluation:
    """Evaluate one stream.

    Parameters
    ----------
    sessions : DataFrame
        One row a session, index the session's number: `lot` (str), `weeks` (float, test time), `valid` (bool, the
        conditioning is shown), `limit_lower`, `limit_upper` (in the unit, nan where none), and the columns of
        `spc.lots.summarise`.
    settings : Settings
        What is declared.
    sisters : Sisters
        What the other streams of the characteristic said of the dependence of neighbouring lots.
    before : sequence of Watch
        `watches` of an earlier evaluation: lots that the detector has judged are not judged again. They change nothing.
    """
    judged = verdicts.judge(sessions, settings.scale, settings.judged, settings.guard_percent)
    points = _points(sessions.join(judged), settings)
    measured = points[points["measured"]]
    segments = [
        _segment(part, settings) for part in _cut(measured, settings.restarts, settings.left_out | settings.doubted)
    ]
    watches = _watches(segments, settings, sisters, before)
    signals = _signals(points, segments, watches, settings)
    return Evaluation(
        verdicts=judged,
        points=_charted(points, segments),
        segments=segments,
        watches=watches,
        signals=signals,
        episodes=alerts.episodes(signals),
        forecast=_outlook_at(measured, settings),
        capability=_capability(points, segments, signals, settings),
        pattern_price=_pattern_price(measured["weeks"].to_numpy(np.float64)),
    )


# Points


def _points(sessions: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """The sessions that are on the chart, in order of test time.

    Of a lot that is its first valid session, or its first session where none is valid; of a check standard every
    session. `measured` says whether a level is known: a lot wholly over range is a point without one. `doubted` ones are
    measured, but nobody has settled yet what they read. `variance` is the
    sampling variance of the level, as far as it was known at the time.
    """
    ordered = sessions.sort_values(["weeks", "lot"], kind="stable")
    if not settings.every_session_is_a_point:
        # A stable sort by validity keeps test order within the valid ones: the first of each lot is the one.
        first = ordered.sort_values("valid", ascending=False, kind="stable").drop_duplicates("lot")
        ordered = first.sort_values(["weeks", "lot"], kind="stable")
    measured = ordered["valid"].to_numpy(bool) & np.isfinite(ordered["level"].to_numpy(np.float64))
    points = ordered.assign(measured=measured, doubted=ordered.index.isin(settings.doubted), variance=np.nan)
    points.loc[measured, "variance"] = _variance_as_known(points[measured], settings.baseline_lots)
    return points


def _variance_as_known(points: pd.DataFrame, lots: int) -> Floats:
    """Sampling variance of each level from the scatter of bags up to that lot, held from the `lots`-th on.

    A later lot never changes what was said of an earlier one. Bounded readings tell less: a bag counts by the share of
    its readings in range.
    """
    df = (points["bags"].to_numpy(np.float64) - 1).clip(0)
    own = points["bag_variance"].to_numpy(np.float64)
    known = np.isfinite(own) & (df > 0)
    sums = np.cumsum(np.where(known, df * np.nan_to_num(own), 0.0))
    weights = np.cumsum(np.where(known, df, 0.0))
    pooled = np.divide(sums, weights, out=np.zeros_like(sums), where=weights > 0)
    if pooled.size > lots:
        pooled[lots:] = pooled[lots - 1]
    bounded = (points["below"] + points["above"]).to_numpy(np.float64)
    in_range = 1 - bounded / points["readings"].to_numpy(np.float64)
    return np.asarray(pooled / (points["bags"].to_numpy(np.float64) * in_range))


def _cut(measured: pd.DataFrame, restarts: tuple[float, ...], left_out: frozenset[int]) -> Iterator[pd.DataFrame]:
    """The measured points between two settings of the limits."""
    part = np.searchsorted(np.sort(np.asarray(restarts, dtype=np.float64)), measured["weeks"].to_numpy(), side="right")
    for number in np.unique(part):
        stretch = measured[part == number]
        # A stretch of which people left every lot out has no limits.
        if not stretch.index.isin(left_out).all():
            yield stretch


# Limits


def _segment(part: pd.DataFrame, settings: Settings) -> Segment:
    left_out = np.flatnonzero(part.index.isin(settings.left_out | settings.doubted))
    usual = baseline.establish(
        part["level"].to_numpy(np.float64),
        part["variance"].to_numpy(np.float64),
        lots=settings.baseline_lots,
        left_out=tuple(int(position) for position in left_out),
    )
    levels = part["level"].to_numpy(np.float64)[usual.used]
    told = levels.size > 2 and np.ptp(levels) > 0
    dependence = distribution.dependence(levels) if told else None
    alike = dependence is not None and dependence.neighbours == distribution.Neighbours.ALIKE
    return Segment(
        points=part,
        baseline=baseline.widen(usual, dependence.rho) if dependence is not None and alike else usual,
        components=components.from_lots(part[usual.used]),
        dependence=dependence,
        normality=distribution.normality(levels) if told else None,
        widened=alike,
    )


def _charted(points: pd.DataFrame, segments: list[Segment]) -> pd.DataFrame:
    """The points with their limits, their distance from usual, the moving average, and the limits of the scatter."""
    columns = ["center", "lower", "upper", "z", "ewma", "bag_spread_upper", "reading_spread_upper"]
    charts_of = [_chart(segment) for segment in segments]
    chart = pd.concat(charts_of) if charts_of else pd.DataFrame(columns=columns, dtype=np.float64)
    seen = [_patterns(chart) for chart in charts_of]
    named = pd.concat(seen) if seen else pd.Series(dtype=object)
    return points.join(chart[columns]).assign(patterns=[named.get(session, ()) for session in points.index])


def _patterns(chart: pd.DataFrame) -> pd.Series:
    """The run patterns that each point completes, as a tuple of names."""
    names: list[tuple[str, ...]] = [()] * len(chart)
    for name, position in patterns.find(chart["z"].to_numpy(np.float64), CHART_PATTERNS):
        names[position] += (name,)
    return pd.Series(names, index=chart.index, dtype=object)


def _pattern_price(weeks: Floats) -> PatternPrice:
    lots = runlength.shewhart(0.0, CHART_PATTERNS)
    pace = float(np.ptp(weeks)) / (weeks.size - 1) if weeks.size > 1 else 0.0
    return PatternPrice(CHART_PATTERNS, lots, lots * pace if pace > 0 else None)


def _chart(segment: Segment) -> pd.DataFrame:
    part, usual = segment.points, segment.baseline
    level, variance = part["level"].to_numpy(np.float64), part["variance"].to_numpy(np.float64)
    lower, upper = baseline.limits(usual, variance, width=CHART_WIDTH)
    half = upper - usual.center
    typical = float(np.median(usual.total_sigma(variance)))
    known = 0 < typical < np.inf
    return pd.DataFrame(
        {
            "center": usual.center,
            "lower": lower,
            "upper": upper,
            # Three is at the control limit, whatever the lot's number of bags and the baseline's number of lots.
            "z": np.divide(CHART_WIDTH * (level - usual.center), half, out=np.zeros_like(level), where=half > 0),
            "ewma": charts.ewma(level, usual.center, typical, EWMA_WEIGHT, EWMA_WIDTH).statistic if known else np.nan,
            "bag_spread_upper": _spread_limit(part["bag_variance"], part["bags"] - 1, usual.used),
            "reading_spread_upper": _spread_limit(part["reading_variance"], part["reading_df"], usual.used),
        },
        index=part.index,
    )


def _spread_limit(variance: pd.Series, df: pd.Series, used: np.ndarray) -> Floats:
    """Upper limit of each lot's standard deviation, exceeded as rarely as a three-sigma limit on one side.

    The distribution of a sample variance is a multiple of chi-square: the limit follows the lot's number of bags.
    """
    own, weight = variance.to_numpy(np.float64), df.to_numpy(np.float64)
    known = used & np.isfinite(own) & (weight > 0)
    if not known.any():
        return np.full(own.size, np.nan)
    pooled = np.average(own[known], weights=weight[known])
    counted = np.where(weight > 0, weight, np.nan)
    return np.asarray(np.sqrt(pooled * special.chdtri(counted, special.ndtr(-CHART_WIDTH)) / counted))


# Signals


def _signals(
    points: pd.DataFrame, segments: list[Segment], watches: list[detection.Watch], settings: Settings
) -> pd.DataFrame:
    """Every completed piece of evidence; `index` counts the valid points in test order."""
    valid = points[points["valid"]]
    place = pd.Series(np.arange(len(valid)), index=valid.index)
    moves = _together(
        [_moves(watch, place[segment.points.index]) for watch, segment in zip(watches, segments, strict=True)]
    )
    asked = moves["kind"] == Kind.FORECAST
    return _together(
        [moves[~asked], _limit_signals(valid), _over_range(valid, segments), _likely(moves[asked], valid, settings)]
    )


def _together(frames: list[pd.DataFrame]) -> pd.DataFrame:
    kept = [frame for frame in frames if len(frame)]
    return pd.concat(kept, ignore_index=True) if kept else alerts.no_signals()


def _watches(
    segments: list[Segment], settings: Settings, sisters: detection.Sisters, before: Sequence[detection.Watch]
) -> list[detection.Watch]:
    """What the detector saw in each segment."""
    earlier = [*before[: len(segments)], *[None] * (len(segments) - len(before))]
    return [_watch(segment.points, settings, sisters, one) for segment, one in zip(segments, earlier, strict=True)]


def _watch(
    part: pd.DataFrame, settings: Settings, sisters: detection.Sisters, before: detection.Watch | None
) -> detection.Watch:
    return detection.watch(
        part["weeks"].to_numpy(np.float64),
        part["level"].to_numpy(np.float64),
        part["variance"].to_numpy(np.float64),
        bag_variance=part["bag_variance"].to_numpy(np.float64),
        bag_df=(part["bags"].to_numpy(np.float64) - 1).clip(0),
        reading_variance=part["reading_variance"].to_numpy(np.float64),
        reading_df=part["reading_df"].to_numpy(np.float64),
        false_alerts_per_year=settings.false_alerts_per_year,
        sisters=sisters,
        before=before,
    )


def _moves(watch: detection.Watch, place: pd.Series) -> pd.DataFrame:
    """What the detector saw in one segment, by position among the valid points."""
    positions, seen = place.to_numpy(), watch.signals
    where = {name: _placed(seen[name], positions) for name in ("index", "start", "start_low", "start_high")}
    return seen.assign(**where)[list(alerts.SIGNAL_COLUMNS)]


def _placed(index: pd.Series, positions: np.ndarray) -> Floats:
    """Positions among the valid points of positions among a segment's measured ones; nan stays nan."""
    own = index.to_numpy(np.float64)
    known = np.isfinite(own)
    placed = np.full(own.size, np.nan)
    # A change before the segment's first lot keeps its distance from it.
    inside = np.clip(own[known], 0, positions.size - 1).astype(np.intp)
    placed[known] = positions[inside] + np.minimum(own[known], 0)
    return placed


def _likely(asked: pd.DataFrame, valid: pd.DataFrame, settings: Settings) -> pd.DataFrame:
    """Those lots at which a move was plain enough to ask for the forecast and the forecast of that day was high.

    A stream that stands near its limit without moving raises none: that is capability, and the board shows it.
    """
    likely = []
    for position in asked["index"].to_numpy(np.int64):
        known = valid.iloc[: position + 1]
        outlook = _outlook_at(known[known["measured"]], settings)
        likely.append(
            outlook.breach_probability is not None and outlook.breach_probability >= settings.breach_probability
        )
    return asked[np.array(likely, dtype=bool)].assign(grade=str(Grade.ACT))


def _limit_signals(valid: pd.DataFrame) -> pd.DataFrame:
    """Lots whose judged value is not inside the limit: a fact, and no matter of the budget."""
    breached = np.flatnonzero(valid["breach"].to_numpy(bool))
    upper = valid["limit_upper"].to_numpy(np.float64)[breached]
    judged = valid["judged"].fillna(valid["level_unit"]).to_numpy(np.float64)[breached]
    over = np.where(np.isnan(upper), -1, np.where(judged < upper, -1, 1))
    return _as_signals(breached, Kind.LIMIT, over, Grade.ACT, "limit")


def _over_range(valid: pd.DataFrame, segments: list[Segment]) -> pd.DataFrame:
    """Lots with every reading bounded whose bound alone is further out than the control limits."""
    if not segments:
        return alerts.no_signals()
    usual = segments[-1].baseline
    open_ended = ~valid["measured"].to_numpy(bool)
    half = CHART_WIDTH * usual.sigma
    above = open_ended & (valid["level_low"].to_numpy(np.float64) > usual.center + half)
    below = open_ended & (valid["level_high"].to_numpy(np.float64) < usual.center - half)
    return _as_signals(
        np.flatnonzero(above | below), Kind.POINT, np.where(above, 1, -1)[above | below], Grade.LOOK, "out_of_range"
    )


def _as_signals(index: np.ndarray, kind: Kind, direction: np.ndarray, grade: Grade, name: str) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "index": index.astype(np.float64),
            "kind": str(kind),
            "direction": np.broadcast_to(direction, index.shape).astype(int),
            "grade": str(grade),
            "name": name,
            "strength": 1.0,
            "start": np.nan,
            "start_low": np.nan,
            "start_high": np.nan,
        }
    )


# Outlook


def _outlook_at(measured: pd.DataFrame, settings: Settings) -> forecast.Forecast:
    """The forecast as it stood after the last of these points, against the limits in force on that day."""
    measured = measured[~measured["doubted"].astype(bool)]
    if measured.empty:
        return forecast.nothing_known()
    last = measured.iloc[-1]
    lower, upper = (
        _charted_limit(last["limit_lower"], settings.scale),
        _charted_limit(last["limit_upper"], settings.scale),
    )
    return forecast.forecast(
        measured["weeks"].to_numpy(np.float64),
        measured["level"].to_numpy(np.float64),
        measured["variance"].to_numpy(np.float64),
        lower=lower,
        upper=upper,
        horizon_weeks=settings.horizon_weeks,
        scale=settings.scale,
    )


def _charted_limit(limit: float, scale: str) -> float | None:
    if np.isnan(limit):
        return None
    return float(np.log(limit)) if scale == Scale.LOG else float(limit)


# Capability


def _capability(
    points: pd.DataFrame, segments: list[Segment], signals: pd.DataFrame, settings: Settings
) -> capability.Capability | capability.Withheld:
    """Capability of the segment in force, or why none is given: the stream must be stable and its lots normal."""
    if not segments:
        return capability.Withheld.TOO_FEW_LOTS
    segment = segments[-1]
    last, found = segment.points.iloc[-1], segment.components
    resolved = [variance for variance in (found.bag, found.reading) if np.isfinite(variance)]
    normality = segment.normality
    return capability.for_stream(
        segment.baseline,
        float(sum(resolved)),
        _worth(found, segment.baseline),
        _charted_limit(last["limit_lower"], settings.scale),
        _charted_limit(last["limit_upper"], settings.scale),
        stable=not _moving(points, signals),
        normal=normality is None or normality.shape != distribution.Shape.REFUTED,
    )


def _worth(found: components.Components, usual: baseline.Baseline) -> tuple[float, float]:
    """What the total variance is worth at the ends of its interval; no more than the lots where it has none."""
    if 0 <= found.total_low < found.total < found.total_high < np.inf:
        return capability.worth_of(found.total, found.total_low, found.total_high)
    lots = max(usual.count - 1.0, 1.0)
    return lots, lots


def _moving(points: pd.DataFrame, signals: pd.DataFrame) -> bool:
    """Whether the level or the scatter has moved and not been quiet since."""
    moved = signals[signals["kind"].isin([Kind.DRIFT, Kind.SPREAD, Kind.FORECAST])]
    if moved.empty:
        return False
    return bool(int(points["valid"].sum()) - 1 - float(moved["index"].max()) < alerts.QUIET_LOTS)
