"""Entry point: evaluate streams from their sessions.

A stream is one characteristic of one product of one supplier. `streams` takes its sessions and settings and returns one
`Evaluation`, which holds every figure that a screen, a message or a scorecard shows of the stream. `stream` does the
same for one stream. The steps, in the order of this file:

1. Judge each session against the specification limits, choose the chart points, and cut them at baseline restarts into
   segments. Each segment has a baseline and control limits of its own.
2. Run the detector over the points of each segment, all streams at once.
3. Add the chart columns and the run patterns.
4. Collect the signals and group them into episodes.
5. Forecast when the level may reach a specification limit.
6. Compute the capability of the segment in force.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from spc import capability, components, detection, patterns, runlength
from spc.kernels.arrays import Flags, Floats, Indices
from spc.kernels.columns import Rows
from spc.stream import alert_episodes, distribution_checks, forecast, verdicts
from spc.stream.baseline import Baseline, establish, limits, widen
from spc.stream.chart_columns import CHART_WIDTH, chart_of
from spc.stream.chart_points import charted_points, is_among, segments_of
from spc.stream.memo import Memo, digest
from spc.stream.stream_capability import Withheld, for_stream
from spc.vocabulary.enums import WANDER, Grade, Kind, Scale, Verdict
from spc.vocabulary.signal import Signal

__all__ = [
    "CHART_PATTERNS",
    "BaselineMove",
    "BaselineThen",
    "Evaluation",
    "EvaluationCache",
    "EvaluationRequest",
    "PatternRunLength",
    "Segment",
    "Settings",
    "forecast_of",
    "stream",
    "streams",
]

CHART_PATTERNS = (
    "beyond_three_sigma",
    "two_of_three_beyond_two_sigma",
    "nine_on_one_side",
    "six_rising_or_falling",
)
"""Run patterns that the chart flags: those that point to a cause on the bench. Each further one adds false flags. They
raise no alert; alerts come from `spc.detection`, within the budget of false alerts."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What `lab.toml` declares and people entered for a stream.

    Attributes
    ----------
    scale : {"log", "linear"}
        Charted scale.
    judged : {"mean", "worst"}
        Value of a lot that is compared with the specification limits.
    guard_percent : float
        Measurement uncertainty kept clear of a specification limit, in percent of the limit, >= 0.
    baseline_lots : int
        Number of lots in a baseline, >= 2.
    false_alerts_per_year : float
        Budget of the detector, > 0.
    horizon_weeks : float
        How far the forecast looks ahead, > 0.
    breach_probability : float
        Probability of a breach within the horizon from which the forecast raises a signal, in (0, 1).
    every_session_is_a_point : bool
        Chart every session rather than one a lot, as for a check standard.
    restarts : tuple of float
        Times in weeks from which people restarted the baseline.
    excluded : frozenset of int
        Sessions that people excluded from the baseline.
    unreviewed : frozenset of int
        Sessions with suspect values that nobody has reviewed yet. They are judged and charted, but excluded from the
        baseline and the forecast.
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
    excluded: frozenset[int] = frozenset()
    unreviewed: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class Segment:
    """Measured points between two baseline restarts, with their baseline.

    `components` are the variance components of the baseline lots. `dependence` (lag-1 autocorrelation) and `normality`
    are those of the baseline lots too, None where there are fewer than three lots or all levels are equal. `widened`
    says that the control limits allow for positive autocorrelation. `withheld` says that there are no control limits to
    show: too little is known, so that they would be wider than the specification limits that they are to guard.
    """

    points: Rows
    baseline: Baseline
    components: components.Components
    dependence: distribution_checks.Dependence | None
    normality: distribution_checks.Normality | None
    widened: bool
    withheld: bool

    @property
    def settled(self) -> bool:
        """Whether the control limits are final: the baseline is complete, and there are limits to show."""
        return self.baseline.frozen and not self.withheld


@dataclass(frozen=True, slots=True)
class PatternRunLength:
    """In-control average run length of the patterns that the chart flags.

    A stable stream shows a pattern by chance once in `lots` lots on average, and once in `weeks` weeks at the stream's
    mean interval between lots; `weeks` is None with fewer than two lots or where all were tested at one time. The
    figure assumes known limits and independent lots.
    """

    patterns: tuple[str, ...]
    lots: float
    weeks: float | None


@dataclass(frozen=True, slots=True)
class BaselineMove:
    """The level moved while the baseline was learnt, so that centre line and control limits mix two levels.

    `since` is the position among the segment's points of the first moved lot, `direction` +1 or -1, and `lots` the number
    of baseline lots from there on.
    """

    since: int
    direction: int
    lots: int


@dataclass(frozen=True, slots=True, eq=False)
class EvaluationCache:
    """Results of an evaluation that the next one can reuse. A cache saves time and changes no figure.

    `detector_states` holds the state of the detector for each segment; `figures` holds figures that later lots leave
    unchanged, by the digest of their inputs (`spc.stream.memo`).
    """

    detector_states: Sequence[detection.DetectorState] = ()
    figures: Mapping[str, object] = field(default_factory=dict)


Then = tuple[float | None, float | None]


class BaselineThen(NamedTuple):
    """The baseline of a past day, in the charted scale: its centre line, nan without one, and the levels of its lots."""

    center: float
    levels: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """All results of one stream. Levels are in the charted scale.

    Attributes
    ----------
    verdicts : Rows
        A row a session, with the columns of `spc.stream.verdicts.judge`.
    points : Rows
        A row a charted session in order of test: the columns of the sessions, of `charted_points` and of `chart_of`,
        and `patterns`, the names of the run patterns that the point completes.
    segments : list of Segment
        In order of time; the last one is in force. Empty without a measured point.
    signals : list of Signal
        `at` counts the valid points from 0.
    episodes : list of Episode
        The signals grouped by cause.
    forecast : Forecast
    in_forecast : ndarray of bool
        Which points the forecast uses.
    forecast_then : mapping of int to (float or None, float or None)
        For each episode about a move of the level, by the place at which it opened: the probability of a breach and the
        change in percent a month, as known on that day.
    baseline_then : mapping of int to BaselineThen
        The baseline as known when an episode opened, by the place at which it opened: later lots complete a baseline.
    capability : Capability or Withheld
        Of the segment in force, or the reason why there is none.
    pattern_run_length : PatternRunLength
    baseline_move : BaselineMove or None
        A move of the level within the baseline lots of the segment in force; None where none was detected.
    posterior : StreamPosterior or None
        Autocorrelation and scatter that the detector takes for the segment in force; None without a measured point.
    cache : EvaluationCache
        For the next evaluation of this stream.
    """

    verdicts: Rows
    points: Rows
    segments: list[Segment]
    signals: list[Signal]
    episodes: list[alert_episodes.Episode]
    forecast: forecast.Forecast
    in_forecast: Flags
    forecast_then: Mapping[int, Then]
    baseline_then: Mapping[int, BaselineThen]
    capability: capability.Capability | Withheld
    pattern_run_length: PatternRunLength
    baseline_move: BaselineMove | None
    posterior: detection.StreamPosterior | None
    cache: EvaluationCache


@dataclass(frozen=True, slots=True, eq=False)
class EvaluationRequest:
    """Input of one evaluation; the fields are the parameters of `stream`."""

    sessions: pd.DataFrame | Rows
    settings: Settings
    prior: detection.PooledPrior = detection.NO_POOL
    cache: EvaluationCache = field(default_factory=EvaluationCache)


def stream(
    sessions: pd.DataFrame | Rows,
    settings: Settings,
    prior: detection.PooledPrior = detection.NO_POOL,
    cache: EvaluationCache | None = None,
) -> Evaluation:
    """Evaluate one stream.

    Parameters
    ----------
    sessions : DataFrame or Rows
        One row a session, in any order; the index is the session's number. The columns of
        `spc.stream.session_summary.summarise`, and `lot` (str), `weeks` (float, time of the test from any origin),
        `valid` (bool, the specimens were conditioned as required), `limit_lower` and `limit_upper` (specification
        limits in the unit on the day of the test, nan where there is none). Further columns are kept in the points.
    settings : Settings
        Declarations and entries for the stream.
    prior : PooledPrior, optional
        Prior for the autocorrelation and the scatter of the lots, pooled over the streams of the characteristic.
    cache : EvaluationCache, optional
        `cache` of an earlier evaluation of this stream. It saves time and changes no figure, also where lots were
        corrected since.

    Returns
    -------
    Evaluation

    Raises
    ------
    KeyError
        If `sessions` lacks a column.
    ValueError
        If a setting is outside its range.

    Examples
    --------
    Thirty steady lots near 10 nJ and one lot at 22 nJ, six bags each, against an upper limit of 20 nJ:

    >>> from spc.stream.session_summary import summarise
    >>> levels = [10.0, 10.3, 9.8, 10.1, 9.9, 10.2] * 5 + [22.0]
    >>> readings = pd.DataFrame(
    ...     [
    ...         {"session": number, "specimen": bag, "value": level * (0.95 + 0.02 * bag), "bound": 0}
    ...         for number, level in enumerate(levels)
    ...         for bag in range(6)
    ...     ]
    ... )
    >>> sessions = summarise(readings, "log").assign(
    ...     lot=[f"L{number:02}" for number in range(31)], weeks=range(31), valid=True, limit_lower=np.nan, limit_upper=20.0
    ... )
    >>> evaluation = stream(sessions, Settings())
    >>> evaluation.verdicts["verdict"][-1], evaluation.points["lot"][-1]
    ('fail', 'L30')
    >>> [(episode.kind, episode.opened) for episode in evaluation.episodes if episode.kind in ("limit", "point")]
    [('limit', 30), ('point', 30)]
    >>> center = evaluation.segments[-1].baseline.center
    >>> round(float(np.exp(center)), 1)
    10.0
    """
    return streams([EvaluationRequest(sessions, settings, prior, cache or EvaluationCache())])[0]


def streams(requests: Sequence[EvaluationRequest]) -> list[Evaluation]:
    """Evaluate many streams; each result equals that of `stream` for the stream alone.

    Parameters
    ----------
    requests : sequence of EvaluationRequest
        One a stream. The detector takes the new lots of all of them at once, which is faster than a stream at a time.

    Returns
    -------
    list of Evaluation
        In the order of the requests.

    Raises
    ------
    KeyError, ValueError
        As `stream`, for the first request that is wrong.

    Examples
    --------
    >>> streams([])
    []
    """
    prepared = [_prepare(request) for request in requests]
    known = _posteriors(prepared)
    return [
        _complete(each, states, one) for each, states, one in zip(prepared, _run_detector(prepared), known, strict=True)
    ]


# Step 1: verdicts, chart points and segments


@dataclass(frozen=True, slots=True, eq=False)
class _Prepared:
    """A stream before the detector runs: its verdicts, chart points and segments."""

    request: EvaluationRequest
    verdicts: Rows
    points: Rows
    measured: Rows
    segments: list[Segment]
    memo: Memo


def _prepare(request: EvaluationRequest) -> _Prepared:
    sessions, settings, memo = Rows.of(request.sessions), request.settings, Memo(request.cache.figures)
    judged = verdicts.judge_rows(sessions, settings.scale, settings.judged, settings.guard_percent)
    points = charted_points(
        sessions.adding(judged),
        settings.baseline_lots,
        settings.unreviewed,
        every_session=settings.every_session_is_a_point,
    )
    measured = points.take(points["measured"])
    parts = segments_of(measured, settings.restarts, settings.excluded | settings.unreviewed)
    segments = [_segment(part, settings, memo) for part in parts]
    return _Prepared(request, Rows(sessions.index, judged), points, measured, segments, memo)


_COMPONENT_COLUMNS = (
    "bags", "readings", "reading_df", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
    "level", "bag_variance", "readings_per_bag",
)  # fmt: skip


def _segment(points: Rows, settings: Settings, memo: Memo) -> Segment:
    """Establish the baseline of a segment and check its lots for autocorrelation and normality."""
    baseline = establish(
        points.floats("level"),
        points.floats("variance"),
        lots=settings.baseline_lots,
        left_out=np.flatnonzero(is_among(points, settings.excluded | settings.unreviewed)).tolist(),
    )
    lots = points.take(baseline.used)
    sums = np.array([lots.floats(name) for name in _COMPONENT_COLUMNS])
    variances = memo.figure(
        digest("components", sums),
        lambda: components.from_lots(pd.DataFrame(dict(zip(_COMPONENT_COLUMNS, sums, strict=True)))),
    )

    levels = lots.floats("level")
    dependence = normality = None
    if levels.size > 2 and np.ptp(levels) > 0:
        dependence = memo.figure(digest("dependence", levels), lambda: distribution_checks.dependence(levels))
        normality = distribution_checks.normality(levels)
    # With few lots a slow rise looks like autocorrelation, and widening for it leaves hardly any degree of freedom: a
    # baseline is widened once it is complete.
    widened = (
        baseline.frozen and dependence is not None and dependence.neighbours == distribution_checks.Neighbours.ALIKE
    )
    plain = baseline
    if dependence is not None and widened:
        baseline = widen(baseline, dependence.rho)
    withheld = not (baseline.frozen and not widened) and _wider_than_guarded(points, baseline, plain, settings.scale)
    return Segment(points, baseline, variances, dependence, normality, widened, withheld)


_MOST_WIDENING = 3.0
"""Widened limits farther from the centre line than this many times the plain ones guard nothing (common practice)."""


def _wider_than_guarded(points: Rows, baseline: Baseline, plain: Baseline, scale: str) -> bool:
    """Whether control limits for a typical lot reach beyond the specification limits that they are to guard."""
    typical = [float(np.median(points.floats("variance")))]
    lower, upper = (float(edge[0]) for edge in limits(baseline, typical, CHART_WIDTH))
    half = upper - baseline.center
    if half > _MOST_WIDENING * float(limits(plain, typical, CHART_WIDTH)[1][0] - plain.center):
        return True
    spec_lower, spec_upper = _limits_in_force(points, scale)
    return (spec_upper is not None and upper > spec_upper) or (spec_lower is not None and lower < spec_lower)


# Step 2: the detector


def _run_detector(prepared: Sequence[_Prepared]) -> Iterator[list[detection.DetectorState]]:
    """Detector state of each segment of each stream; streams with one budget run together."""
    states: dict[tuple[int, int], detection.DetectorState] = {}
    for budget in {each.request.settings.false_alerts_per_year for each in prepared}:
        keys: list[tuple[int, int]] = []
        lots: list[detection.LotSeries] = []
        earlier: list[detection.DetectorState | None] = []
        for number, each in enumerate(prepared):
            if each.request.settings.false_alerts_per_year != budget:
                continue
            cached = each.request.cache.detector_states
            for place, segment in enumerate(each.segments):
                keys.append((number, place))
                lots.append(_lot_series(segment.points, each.request.prior))
                earlier.append(cached[place] if place < len(cached) else None)
        if keys:
            states |= zip(keys, detection.detect_all(lots, earlier, budget), strict=True)
    for number, each in enumerate(prepared):
        yield [states[number, place] for place in range(len(each.segments))]


def _posteriors(prepared: Sequence[_Prepared]) -> list[detection.StreamPosterior | None]:
    """Autocorrelation and scatter of the segment in force of each stream; None without one."""
    there = [each for each in prepared if each.segments]
    series = [_lot_series(each.segments[-1].points, each.request.prior) for each in there]
    known = iter(detection.posteriors(series) if series else [])
    return [next(known) if each.segments else None for each in prepared]


def _baseline_move(segment: Segment, state: detection.DetectorState) -> BaselineMove | None:
    """Return the first drift that began within the baseline lots, after their first one; None without one.

    One or two moved lots at the end of the baseline hardly shift it and are left out.
    """
    baseline_lots = np.flatnonzero(segment.baseline.used)
    for signal in state.seen:
        if signal.kind != Kind.DRIFT or not np.isfinite(signal.start):
            continue
        since = int(signal.start) + 1
        lots = int((baseline_lots >= since).sum())
        if 2 < lots < baseline_lots.size:
            return BaselineMove(since, signal.direction, lots)
    return None


def _lot_series(points: Rows, prior: detection.PooledPrior) -> detection.LotSeries:
    """Measured points of a segment in the form that the detector takes."""
    weeks, variances = points.floats("weeks"), points.floats("variance")
    independent, mean, scatter, scatter_lots = prior.at(weeks)
    return detection.LotSeries(
        weeks=weeks,
        levels=points.floats("level"),
        variances=np.where(np.isnan(variances), np.inf, variances),
        bag_variance=points.floats("bag_variance"),
        bag_df=(points.floats("bags") - 1).clip(0),
        reading_variance=points.floats("reading_variance"),
        reading_df=points.floats("reading_df"),
        independent=independent,
        autocorrelation=mean,
        scatter=scatter,
        scatter_lots=scatter_lots,
    )


# Steps 3 to 6, put together


def _complete(
    prepared: _Prepared, states: list[detection.DetectorState], posterior: detection.StreamPosterior | None
) -> Evaluation:
    points, segments = prepared.points, prepared.segments
    settings, memo = prepared.request.settings, prepared.memo
    valid = points.take(points["valid"].astype(bool))
    moves = _moves(valid, segments, states)
    # The forecast comes first: the signals reuse its probability for the latest lot.
    believed = _in_forecast(valid, moves)
    outlook = _forecast_after(believed, settings, memo)
    signals = _signals(moves, valid, segments, settings, memo)
    episodes = alert_episodes.episodes(signals, _charted_lots(valid, settings))
    return Evaluation(
        verdicts=prepared.verdicts,
        points=_chart(points, segments),
        segments=segments,
        signals=signals,
        episodes=episodes,
        forecast=outlook,
        in_forecast=np.isin(points.index, believed.index),
        forecast_then={
            episode.opened: _forecast_on(episode.opened, moves, valid, settings, memo)
            for episode in episodes
            if episode.kind in (Kind.DRIFT, Kind.FORECAST)
        },
        baseline_then={episode.opened: _baseline_on(episode.opened, valid, segments, settings) for episode in episodes},
        capability=_capability(points, segments, episodes, settings, memo),
        pattern_run_length=_pattern_run_length(prepared.measured.floats("weeks")),
        baseline_move=_baseline_move(segments[-1], states[-1]) if segments else None,
        posterior=posterior,
        cache=EvaluationCache(states, memo.used),
    )


# Step 3: chart columns and run patterns


_CHART_COLUMNS = ("center", "lower", "upper", "z", "ewma", "bag_spread_upper", "reading_spread_upper")


def _chart(points: Rows, segments: list[Segment]) -> Rows:
    """The points with their chart columns, nan where a point has no level, and the patterns that each completes."""
    columns = {name: np.full(len(points), np.nan) for name in _CHART_COLUMNS}
    completed = np.empty(len(points), dtype=object)
    completed[:] = [()] * len(points)
    row_of = {session: row for row, session in enumerate(points.index.tolist())}
    for segment in segments:
        rows = [row_of[session] for session in segment.points.index.tolist()]
        chart = chart_of(segment.points, segment.baseline)
        for name, column in columns.items():
            column[rows] = np.nan if segment.withheld and name in ("lower", "upper") else chart[name]
        if segment.withheld:
            continue  # a pattern is one against limits
        for name, position in patterns.find(chart["z"], CHART_PATTERNS):
            completed[rows[position]] += (name,)
    return points.adding({**columns, "patterns": completed})


def _pattern_run_length(weeks: Floats) -> PatternRunLength:
    lots = runlength.shewhart(0.0, CHART_PATTERNS)
    weeks_a_lot = float(np.ptp(weeks)) / (weeks.size - 1) if weeks.size > 1 else 0.0
    return PatternRunLength(CHART_PATTERNS, lots, lots * weeks_a_lot if weeks_a_lot > 0 else None)


# Step 4: signals


def _moves(valid: Rows, segments: list[Segment], states: list[detection.DetectorState]) -> list[Signal]:
    """The detector's signals; `at` counts the valid points in test order.

    The detector counts the measured points of a segment, so its positions are translated.
    """
    position_of = {session: position for position, session in enumerate(valid.index.tolist())}
    moves: list[Signal] = []
    for state, segment in zip(states, segments, strict=True):
        positions = [position_of[session] for session in segment.points.index.tolist()]
        for signal in state.seen:
            at, start, low, high = (
                _translated(place, positions)
                for place in (signal.at, signal.start, signal.start_low, signal.start_high)
            )
            moves.append(signal._replace(at=at, start=start, start_low=low, start_high=high))
    return moves


def _signals(moves: list[Signal], valid: Rows, segments: list[Segment], settings: Settings, memo: Memo) -> list[Signal]:
    """All signals of a stream.

    The detector's forecast signals only name the lots at which the level moved clearly; the forecast decides whether they
    become alerts.
    """
    return [
        *(signal for signal in moves if signal.kind != Kind.FORECAST),
        *_limit_signals(valid),
        *_out_of_range_signals(valid, segments),
        *_forecast_signals(moves, valid, settings, memo),
    ]


def _charted_lots(valid: Rows, settings: Settings) -> alert_episodes.ChartedLots:
    """The valid points as the episodes need them."""
    restarts = np.sort(np.asarray(settings.restarts, dtype=np.float64))
    return alert_episodes.ChartedLots(
        level=np.where(valid["measured"].astype(bool), valid.floats("level"), np.nan),
        bag_variance=np.where(valid.floats("bags") > 1, valid.floats("bag_variance"), np.nan),
        reading_variance=np.where(valid.floats("reading_df") > 0, valid.floats("reading_variance"), np.nan),
        segment=np.searchsorted(restarts, valid.floats("weeks"), side="right"),
    )


def _translated(place: float, positions: Sequence[int]) -> float:
    """Position among the valid points of a place among a segment's measured points; nan stays nan."""
    if not np.isfinite(place):
        return np.nan
    # A change before the segment's first lot keeps its distance from that lot.
    return positions[min(max(int(place), 0), len(positions) - 1)] + min(place, 0.0)


def _limit_signals(valid: Rows) -> list[Signal]:
    """Lots outside a specification limit, or undecided against it: facts, so outside the budget of false alerts."""
    breached = np.flatnonzero(valid["breach"].astype(bool))
    upper = valid.floats("limit_upper")[breached]
    judged = np.where(np.isnan(valid.floats("judged")), valid.floats("level_unit"), valid.floats("judged"))[breached]
    direction = np.where(np.isnan(upper), -1, np.where(judged < upper, -1, 1))
    # An undecided lot is a matter of its own: it breaches no limit, and somebody must decide or test again.
    undecided = np.flatnonzero(valid["verdict"] == Verdict.UNDECIDED)
    undecided = undecided[~np.isin(undecided, breached)]
    return [
        *_signals_at(breached, Kind.LIMIT, direction, Grade.ACT, "limit"),
        *_signals_at(undecided, Kind.LIMIT, np.zeros(undecided.size, dtype=np.intp), Grade.LOOK, "undecided"),
    ]


def _out_of_range_signals(valid: Rows, segments: list[Segment]) -> list[Signal]:
    """Lots with bounded readings only, whose bound alone is beyond the control limits."""
    if not segments:
        return []
    baseline = segments[-1].baseline
    without_level = ~valid["measured"].astype(bool)
    half = CHART_WIDTH * baseline.sigma
    above = without_level & (valid.floats("level_low") > baseline.center + half)
    below = without_level & (valid.floats("level_high") < baseline.center - half)
    beyond = above | below
    return _signals_at(np.flatnonzero(beyond), Kind.POINT, np.where(above, 1, -1)[beyond], Grade.LOOK, "out_of_range")


def _signals_at(at: Indices, kind: Kind, direction: Indices, grade: Grade, name: str) -> list[Signal]:
    return [
        Signal(float(place), str(kind), int(sign), str(grade), name, 1.0, np.nan, np.nan, np.nan)
        for place, sign in zip(at.tolist(), direction.tolist(), strict=True)
    ]


def _forecast_signals(moves: Sequence[Signal], valid: Rows, settings: Settings, memo: Memo) -> Iterator[Signal]:
    """Clear moves after which a breach within the horizon was likely, judged by the lots up to that day.

    A stream that is near its limit without moving raises none: its capability shows that.
    """
    for signal in (move for move in moves if move.kind == Kind.FORECAST):
        until_then = valid.first(int(signal.at) + 1)
        known_then = [move for move in moves if move.at <= signal.at]
        probability = _breach_probability(_in_forecast(until_then, known_then), settings, memo)
        if probability is not None and probability >= settings.breach_probability:
            yield signal._replace(grade=str(Grade.ACT))


# Step 5: forecast


def _in_forecast(valid: Rows, moves: Sequence[Signal]) -> Rows:
    """The points from which the level is estimated: measured, not suspect, and no outlier.

    The detector names outliers. One lot far from its stream says little about the lots that come. Two in a row on one side,
    or one with which a shift began, are a move and count. The second of two is often not named, because the first one is in
    its history and widens it: it then belongs to the first where its level is nearer to that one than to the lots before.
    """
    far = {(int(move.at), move.direction) for move in moves if move.kind == Kind.POINT}
    # A shift that began at the lot: its start is the last lot before it.
    begun = {
        (round(move.start) + 1, move.direction)
        for move in moves
        if move.kind == Kind.DRIFT and move.start == move.start
    }
    return valid.take(_without_outliers(valid, far, begun))


_RECENT_LOTS = 8
"""Lots before a far one and its neighbour whose median is the level that they left (common practice)."""


def _without_outliers(valid: Rows, far: Set[tuple[int, int]], begun: Set[tuple[int, int]]) -> Flags:
    """Which valid points count, by place and side of the far ones and of the first lots of shifts."""
    used = valid["measured"].astype(bool) & ~valid["unreviewed"].astype(bool)
    places, levels = np.flatnonzero(used).tolist(), valid.floats("level")
    named = {place for place, _ in far}
    for order, place in enumerate(places):
        if place not in named:
            continue
        before, after = places[max(order - 1, 0)], places[min(order + 1, len(places) - 1)]
        for direction in (-1, 1):
            if (place, direction) not in far:
                continue
            beside = {(before, direction), (after, direction)} & far - {(place, direction)}
            shift = {(place - 1, direction), (place, direction), (place + 1, direction)} & begun
            earlier = levels[places[max(order - 1 - _RECENT_LOTS, 0) : max(order - 1, 0)]]
            middle = (levels[place] + np.median(earlier)) / 2 if earlier.size else np.nan
            with_it = any(direction * (levels[one] - middle) > 0 for one in {before, after} - {place})
            if not (beside or shift or with_it):
                used[place] = False
    return np.asarray(used)


def forecast_of(sessions: Rows, settings: Settings, outliers: Mapping[int, int]) -> forecast.Forecast:
    """Forecast after the last of these sessions, without the detector, as for a day in the past.

    Parameters
    ----------
    sessions : Rows
        As for `stream`.
    settings : Settings
    outliers : mapping of int to {-1, 1}
        Sessions that the detector named as outliers, with the side on which each lies.

    Returns
    -------
    Forecast

    Examples
    --------
    >>> from spc.stream.session_summary import summarise
    >>> readings = pd.DataFrame({"session": range(9), "specimen": 1, "value": [10.0, 10.2] * 4 + [30.0], "bound": 0})
    >>> sessions = summarise(readings, "log").assign(
    ...     lot=[f"L{number}" for number in range(9)], weeks=range(9), valid=True, limit_lower=np.nan, limit_upper=40.0
    ... )
    >>> round(float(np.exp(forecast_of(Rows.of(sessions), Settings(), {8: 1}).level_now)), 1)
    10.1
    """
    judged = verdicts.judge_rows(sessions, settings.scale, settings.judged, settings.guard_percent)
    points = charted_points(
        sessions.adding(judged),
        settings.baseline_lots,
        settings.unreviewed,
        every_session=settings.every_session_is_a_point,
    )
    valid = points.take(points["valid"].astype(bool))
    far = {(place, outliers[session]) for place, session in enumerate(valid.index.tolist()) if session in outliers}
    return _forecast_after(valid.take(_without_outliers(valid, far, frozenset())), settings, Memo({}))


def _forecast_after(reviewed: Rows, settings: Settings, memo: Memo) -> forecast.Forecast:
    """Forecast after the last of these points, against the limits in force on that day."""
    if not len(reviewed):
        return forecast.nothing_known()
    lower, upper = _limits_in_force(reviewed, settings.scale)
    outlook = forecast.forecast(
        reviewed.floats("weeks"),
        reviewed.floats("level"),
        reviewed.floats("variance"),
        lower=lower,
        upper=upper,
        horizon_weeks=settings.horizon_weeks,
        scale=settings.scale,
    )
    # Later evaluations need the probability of this day to decide whether the day's lot raised a forecast signal.
    memo.figure(_probability_key(reviewed, settings), lambda: outlook.breach_probability)
    return outlook


def _breach_probability(reviewed: Rows, settings: Settings, memo: Memo) -> float | None:
    """Probability of a breach within the horizon after the last of these points; None where it is not known."""
    return memo.figure(
        _probability_key(reviewed, settings),
        lambda: _forecast_after(reviewed, settings, Memo({})).breach_probability,
    )


def _forecast_on(place: int, moves: Sequence[Signal], valid: Rows, settings: Settings, memo: Memo) -> Then:
    """Probability of a breach and change in percent a month as known after the lot at this place."""
    known_then = [move for move in moves if move.at <= place]
    reviewed = _in_forecast(valid.first(place + 1), known_then)

    def compute() -> Then:
        found = _forecast_after(reviewed, settings, Memo({}))
        return found.breach_probability, found.change_percent_per_month

    return memo.figure(_probability_key(reviewed, settings, "then"), compute)


def _baseline_on(place: int, valid: Rows, segments: list[Segment], settings: Settings) -> BaselineThen:
    """The baseline as known after the lot at this place, which may itself have no level."""
    seen = valid.index[: place + 1]
    for segment in reversed(segments):
        count = int(np.isin(segment.points.index, seen).sum())
        if count:
            break
    else:
        return BaselineThen(np.nan, np.empty(0))
    then = segment.points.first(count)
    is_left_out = is_among(then, settings.excluded | settings.unreviewed)
    if is_left_out.all():
        return BaselineThen(np.nan, np.empty(0))
    levels, variances = then.floats("level"), then.floats("variance")
    if np.sum(~is_left_out & np.isfinite(variances)) >= settings.baseline_lots:
        # The baseline was complete: later lots have changed nothing.
        return BaselineThen(segment.baseline.center, levels[segment.baseline.used[:count]])
    left_out = np.flatnonzero(is_left_out).tolist()
    baseline = establish(levels, variances, lots=settings.baseline_lots, left_out=left_out)
    return BaselineThen(baseline.center, levels[baseline.used])


def _probability_key(reviewed: Rows, settings: Settings, figure: str = "chance") -> str:
    lots = (reviewed.floats(name) for name in ("weeks", "level", "variance"))
    limits = _limits_in_force(reviewed, settings.scale)
    return digest(figure, *lots, *limits, settings.horizon_weeks, settings.scale)


def _limits_in_force(points: Rows, scale: str) -> tuple[float | None, float | None]:
    """Specification limits at the last of these points, in the charted scale; None where there is none."""
    if not len(points):
        return None, None
    lower, upper = (float(points[name][-1]) for name in ("limit_lower", "limit_upper"))
    lower, upper = (float(np.log(limit)) if scale == Scale.LOG else limit for limit in (lower, upper))
    return None if np.isnan(lower) else lower, None if np.isnan(upper) else upper


# Step 6: capability


def _capability(
    points: Rows,
    segments: list[Segment],
    episodes: Sequence[alert_episodes.Episode],
    settings: Settings,
    memo: Memo,
) -> capability.Capability | Withheld:
    """Capability of the segment in force, or the reason why there is none."""
    if not segments:
        return Withheld.TOO_FEW_LOTS
    segment = segments[-1]
    baseline, variances, normality = segment.baseline, segment.components, segment.normality
    within = float(sum(variance for variance in (variances.bag, variances.reading) if np.isfinite(variance)))
    lower, upper = _limits_in_force(segment.points, settings.scale)
    normal = normality is None or normality.shape != distribution_checks.Shape.REFUTED
    # Stable: neither the level nor the variation is away from where it was.
    moved = [one for one in episodes if one.end is None and one.kind in (Kind.DRIFT, Kind.SPREAD, Kind.FORECAST)]
    wanders = any(one.name == WANDER for one in moved)

    def compute() -> capability.Capability | Withheld:
        total_df = (max(baseline.count - 1.0, 1.0),) * 2
        # Without an interval the total counts for no more than the number of lots.
        if 0 <= variances.total_low < variances.total < variances.total_high < np.inf:
            total_df = capability.equivalent_df(variances.total, variances.total_low, variances.total_high)
        return for_stream(baseline, within, total_df, lower, upper, wanders=wanders, stable=not moved, normal=normal)

    total = (variances.total, variances.total_low, variances.total_high)
    lots = (baseline.center, baseline.center_se, baseline.sigma, baseline.count, baseline.degrees_of_freedom)
    return memo.figure(digest("capability", *lots, within, *total, lower, upper, wanders, not moved, normal), compute)
