"""The one door: the sessions of one stream in, one evaluation out.

Which sessions are points, which lots set the limits, what stands out, how fast the level moves and when it may meet its
limit. Every figure that a screen, a mail or a scorecard shows of a stream is in the result.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from spc import capability, components, detection, patterns, runlength
from spc.kernels.arrays import Floats
from spc.kernels.columns import Rows
from spc.stream import alert_episodes, baseline, distribution_checks, forecast, verdicts
from spc.stream.chart_columns import CHART_WIDTH, EWMA_WEIGHT, EWMA_WIDTH, chart_of
from spc.stream.chart_points import among, charted_points, cut_at
from spc.stream.memo import Memo, digest
from spc.stream.stream_capability import Withheld, for_stream
from spc.vocabulary.enums import Grade, Kind, Scale
from spc.vocabulary.signal import Signal

__all__ = [
    "CHART_WIDTH",
    "EWMA_WEIGHT",
    "EWMA_WIDTH",
    "Evaluation",
    "EvaluationCache",
    "EvaluationRequest",
    "PatternRunLength",
    "Segment",
    "Settings",
    "stream",
    "streams",
]  # fmt: skip

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

    points: Rows
    baseline: baseline.Baseline
    components: components.Components
    dependence: distribution_checks.Dependence | None
    normality: distribution_checks.Normality | None
    widened: bool


@dataclass(frozen=True, slots=True)
class PatternRunLength:
    """What the patterns that are marked on the chart cost a stream that holds still.

    Together they mark by chance one lot in `lots` on average, one in `weeks` at the stream's pace; that is None with
    fewer than two lots, or where all were tested at once. Limits are taken as known and lots as independent.
    """

    patterns: tuple[str, ...]
    lots: float
    weeks: float | None


@dataclass(frozen=True, slots=True, eq=False)
class EvaluationCache:
    """What an evaluation said that a later one with more lots need not work out again; it changes nothing.

    `watches` is what the detector saw in each segment, `figures` what rests on lots that later ones leave alone, by the
    digest of all that it rests on.
    """

    watches: Sequence[detection.DetectorState] = ()
    figures: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """All that is known of one stream. Levels are in the charted scale.

    `verdicts` has a row a session (`level_unit`, `worst`, `judged`, `verdict`, `breach`); `points` a row a charted session
    in order of test time (columns of `charted_points` and `_charted`); `signals` the completed pieces of evidence, `at` counting
    the valid points; `episodes` the causes. `segments` are the stretches between two settings of the limits, the last one
    in force, and `said` is for the next evaluation.
    """

    verdicts: Rows
    points: Rows
    segments: list[Segment]
    signals: list[Signal]
    episodes: list[alert_episodes.Episode]
    forecast: forecast.Forecast
    capability: capability.Capability | Withheld
    pattern_price: PatternRunLength
    said: EvaluationCache


@dataclass(frozen=True, slots=True, eq=False)
class EvaluationRequest:
    """What is asked of one stream; the fields are the parameters of `stream`."""

    sessions: pd.DataFrame | Rows
    settings: Settings
    sisters: detection.PooledAutocorrelation = detection.NO_POOL
    before: EvaluationCache = field(default_factory=EvaluationCache)


def stream(
    sessions: pd.DataFrame | Rows,
    settings: Settings,
    sisters: detection.PooledAutocorrelation = detection.NO_POOL,
    before: EvaluationCache | None = None,
) -> Evaluation:
    """Evaluate one stream.

    Parameters
    ----------
    sessions : DataFrame or Rows
        One row a session, index the session's number: `lot` (str), `weeks` (float, test time), `valid` (bool, the
        conditioning is shown), `limit_lower`, `limit_upper` (in the unit, nan where none), and the columns of
        `spc.lots.summarise`.
    settings : Settings
        What is declared.
    sisters : Sisters
        What the other streams of the characteristic said of the dependence of neighbouring lots.
    before : Said, optional
        `said` of an earlier evaluation: what it holds is not worked out again. It changes nothing.
    """
    return streams([EvaluationRequest(sessions, settings, sisters, before or EvaluationCache())])[0]


def streams(asked: Sequence[EvaluationRequest]) -> list[Evaluation]:
    """Evaluate many streams, each as `stream` would alone; the detector takes their new lots at once."""
    begun = [_begin(one) for one in asked]
    return [_finish(one, watches) for one, watches in zip(begun, _watches(begun), strict=True)]


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    """A stream with its points and limits, before the detector has looked."""

    asked: EvaluationRequest
    judged: Rows
    points: Rows
    measured: Rows
    segments: list[Segment]
    recall: Memo


def _begin(asked: EvaluationRequest) -> _Begun:
    sessions, settings, recall = Rows.of(asked.sessions), asked.settings, Memo(asked.before.figures)
    judged = verdicts.judge_rows(sessions, settings.scale, settings.judged, settings.guard_percent)
    points = charted_points(
        sessions.adding(judged),
        settings.baseline_lots,
        settings.doubted,
        every_session=settings.every_session_is_a_point,
    )
    measured = points.take(points["measured"])
    cut = cut_at(measured, settings.restarts, settings.left_out | settings.doubted)
    segments = [_segment(part, settings, recall) for part in cut]
    return _Begun(asked, Rows(sessions.index, judged), points, measured, segments, recall)


def _finish(begun: _Begun, watches: list[detection.DetectorState]) -> Evaluation:
    points, segments, settings, recall = begun.points, begun.segments, begun.asked.settings, begun.recall
    outlook = _outlook_at(begun.measured, settings, recall)
    signals = _signals(points, segments, watches, settings, recall)
    return Evaluation(
        verdicts=begun.judged,
        points=_charted(points, segments),
        segments=segments,
        signals=signals,
        episodes=alert_episodes.episodes(signals),
        forecast=outlook,
        capability=_capability(points, segments, signals, settings, recall),
        pattern_price=_pattern_price(begun.measured.floats("weeks")),
        said=EvaluationCache(watches, recall.asked),
    )


# Limits


_COMPONENT_COLUMNS = (
    "bags", "readings", "reading_df", "weighted_mean", "sum_squares_bags", "sum_squares_readings", "sum_squared_sizes",
    "level", "bag_variance", "readings_per_bag",
)  # fmt: skip


def _segment(part: Rows, settings: Settings, recall: Memo) -> Segment:
    usual = baseline.establish(
        part.floats("level"),
        part.floats("variance"),
        lots=settings.baseline_lots,
        left_out=np.flatnonzero(among(part, settings.left_out | settings.doubted)).tolist(),
    )
    used = part.take(usual.used)
    levels = used.floats("level")
    told = levels.size > 2 and np.ptp(levels) > 0
    key = digest("dependence", levels)
    dependence = recall.figure(key, lambda: distribution_checks.dependence(levels)) if told else None
    alike = dependence is not None and dependence.neighbours == distribution_checks.Neighbours.ALIKE
    return Segment(
        points=part,
        baseline=baseline.widen(usual, dependence.rho) if dependence is not None and alike else usual,
        components=_components(used, recall),
        dependence=dependence,
        normality=distribution_checks.normality(levels) if told else None,
        widened=alike,
    )


def _components(used: Rows, recall: Memo) -> components.Components:
    sums = np.array([used.floats(name) for name in _COMPONENT_COLUMNS])
    frame = pd.DataFrame(dict(zip(_COMPONENT_COLUMNS, sums, strict=True)))
    return recall.figure(digest("components", sums), lambda: components.from_lots(frame))


_CHARTED = ("center", "lower", "upper", "z", "ewma", "bag_spread_upper", "reading_spread_upper")


def _charted(points: Rows, segments: list[Segment]) -> Rows:
    """The points with their limits, their distance from usual, the moving average, and the limits of the scatter."""
    columns = {name: np.full(len(points), np.nan) for name in _CHARTED}
    named = np.empty(len(points), dtype=object)
    named[:] = [()] * len(points)
    place = {session: row for row, session in enumerate(points.index.tolist())}
    for segment in segments:
        rows = [place[session] for session in segment.points.index.tolist()]
        chart = chart_of(segment.points, segment.baseline)
        for name, column in columns.items():
            column[rows] = chart[name]
        for name, position in patterns.find(chart["z"], CHART_PATTERNS):
            named[rows[position]] += (name,)
    return points.adding({**columns, "patterns": named})


def _pattern_price(weeks: Floats) -> PatternRunLength:
    lots = runlength.shewhart(0.0, CHART_PATTERNS)
    pace = float(np.ptp(weeks)) / (weeks.size - 1) if weeks.size > 1 else 0.0
    return PatternRunLength(CHART_PATTERNS, lots, lots * pace if pace > 0 else None)


# Signals


def _signals(
    points: Rows, segments: list[Segment], watches: list[detection.DetectorState], settings: Settings, recall: Memo
) -> list[Signal]:
    """Every completed piece of evidence; `at` counts the valid points in test order."""
    valid = points.take(points["valid"].astype(bool))
    place = {session: row for row, session in enumerate(valid.index.tolist())}
    moves = [
        signal
        for watch, segment in zip(watches, segments, strict=True)
        for signal in _moves(watch.seen, [place[session] for session in segment.points.index.tolist()])
    ]
    asked = [signal for signal in moves if signal.kind == Kind.FORECAST]
    return [
        *(signal for signal in moves if signal.kind != Kind.FORECAST),
        *_limit_signals(valid),
        *_over_range(valid, segments),
        *_likely(asked, valid, settings, recall),
    ]


def _watches(begun: Sequence[_Begun]) -> Iterator[list[detection.DetectorState]]:
    """What the detector saw in each segment of each stream."""
    found: dict[tuple[int, int], detection.DetectorState] = {}
    for budget in {one.asked.settings.false_alerts_per_year for one in begun}:
        places = [
            (number, cut)
            for number, one in enumerate(begun)
            for cut in range(len(one.segments))
            if one.asked.settings.false_alerts_per_year == budget
        ]
        if places:
            lots = [_lots(begun[number].segments[cut].points, begun[number].asked.sisters) for number, cut in places]
            earlier = [_at(begun[number].asked.before.watches, cut) for number, cut in places]
            found |= zip(places, detection.detect_all(lots, earlier, budget), strict=True)
    for number, one in enumerate(begun):
        yield [found[number, cut] for cut in range(len(one.segments))]


def _at(watches: Sequence[detection.DetectorState], cut: int) -> detection.DetectorState | None:
    return watches[cut] if cut < len(watches) else None


def _lots(part: Rows, sisters: detection.PooledAutocorrelation) -> detection.LotSeries:
    """The measured points of a segment as the detector takes them."""
    weeks, variances = part.floats("weeks"), part.floats("variance")
    alike, alike_lots = sisters.at(weeks)
    return detection.LotSeries(
        weeks=weeks,
        levels=part.floats("level"),
        variances=np.where(np.isnan(variances), np.inf, variances),
        bag_variance=part.floats("bag_variance"),
        bag_df=(part.floats("bags") - 1).clip(0),
        reading_variance=part.floats("reading_variance"),
        reading_df=part.floats("reading_df"),
        alike=alike,
        alike_lots=alike_lots,
    )


def _moves(seen: Sequence[Signal], positions: Sequence[int]) -> Iterator[Signal]:
    """What the detector saw in one segment, by position among the valid points."""
    for one in seen:
        at, start, low, high = (_placed(when, positions) for when in (one.at, one.start, one.start_low, one.start_high))
        yield one._replace(at=at, start=start, start_low=low, start_high=high)


def _placed(own: float, positions: Sequence[int]) -> float:
    """Position among the valid points of a position among a segment's measured ones; nan stays nan."""
    if not np.isfinite(own):
        return np.nan
    # A change before the segment's first lot keeps its distance from it.
    return positions[min(max(int(own), 0), len(positions) - 1)] + min(own, 0.0)


def _likely(asked: Sequence[Signal], valid: Rows, settings: Settings, recall: Memo) -> Iterator[Signal]:
    """Those lots at which a move was plain enough to ask for the forecast and the forecast of that day was high.

    A stream that stands near its limit without moving raises none: that is capability, and the board shows it.
    """
    for signal in asked:
        known = valid.take(np.arange(int(signal.at) + 1))
        chance = _chance_at(known.take(known["measured"]), settings, recall)
        if chance is not None and chance >= settings.breach_probability:
            yield signal._replace(grade=str(Grade.ACT))


def _limit_signals(valid: Rows) -> list[Signal]:
    """Lots whose judged value is not inside the limit: a fact, and no matter of the budget."""
    breached = np.flatnonzero(valid["breach"].astype(bool))
    upper = valid.floats("limit_upper")[breached]
    judged = np.where(np.isnan(valid.floats("judged")), valid.floats("level_unit"), valid.floats("judged"))[breached]
    over = np.where(np.isnan(upper), -1, np.where(judged < upper, -1, 1))
    return _as_signals(breached, Kind.LIMIT, over, Grade.ACT, "limit")


def _over_range(valid: Rows, segments: list[Segment]) -> list[Signal]:
    """Lots with every reading bounded whose bound alone is further out than the control limits."""
    if not segments:
        return []
    usual = segments[-1].baseline
    open_ended = ~valid["measured"].astype(bool)
    half = CHART_WIDTH * usual.sigma
    above = open_ended & (valid.floats("level_low") > usual.center + half)
    below = open_ended & (valid.floats("level_high") < usual.center - half)
    return _as_signals(
        np.flatnonzero(above | below), Kind.POINT, np.where(above, 1, -1)[above | below], Grade.LOOK, "out_of_range"
    )


def _as_signals(at: np.ndarray, kind: Kind, direction: np.ndarray, grade: Grade, name: str) -> list[Signal]:
    return [
        Signal(float(place), str(kind), int(way), str(grade), name, 1.0, np.nan, np.nan, np.nan)
        for place, way in zip(at.tolist(), direction.tolist(), strict=True)
    ]


# Outlook


def _outlook_at(measured: Rows, settings: Settings, recall: Memo) -> forecast.Forecast:
    """The forecast as it stood after the last of these points, against the limits in force on that day."""
    believed = measured.take(~measured["doubted"].astype(bool))
    if not len(believed):
        return forecast.nothing_known()
    weeks, level, variance, lower, upper = _told(believed, settings)
    outlook = forecast.forecast(
        weeks, level, variance, lower=lower, upper=upper, horizon_weeks=settings.horizon_weeks, scale=settings.scale
    )
    # A later evaluation asks for the chance of this day where the day's lot was news.
    recall.figure(_chance_key(believed, settings), lambda: outlook.breach_probability)
    return outlook


def _chance_at(measured: Rows, settings: Settings, recall: Memo) -> float | None:
    """The chance of a breach as it stood after the last of these points."""
    believed = measured.take(~measured["doubted"].astype(bool))
    return recall.figure(
        _chance_key(believed, settings), lambda: _outlook_at(believed, settings, Memo({})).breach_probability
    )


def _chance_key(believed: Rows, settings: Settings) -> str:
    return digest("chance", *_told(believed, settings), settings.horizon_weeks, settings.scale)


def _told(believed: Rows, settings: Settings) -> tuple[Floats, Floats, Floats, float | None, float | None]:
    """Times, levels and variances of the points, and the limits in force at the last one."""
    limits = (
        _charted_limit(float(believed[name][-1]), settings.scale) if len(believed) else None
        for name in ("limit_lower", "limit_upper")
    )
    lower, upper = limits
    return believed.floats("weeks"), believed.floats("level"), believed.floats("variance"), lower, upper


def _charted_limit(limit: float, scale: str) -> float | None:
    if np.isnan(limit):
        return None
    return float(np.log(limit)) if scale == Scale.LOG else float(limit)


# Capability


def _capability(
    points: Rows, segments: list[Segment], signals: Sequence[Signal], settings: Settings, recall: Memo
) -> capability.Capability | Withheld:
    """Capability of the segment in force, or why none is given: the stream must be stable and its lots normal."""
    if not segments:
        return Withheld.TOO_FEW_LOTS
    segment = segments[-1]
    usual, found, normality = segment.baseline, segment.components, segment.normality
    within = float(sum(variance for variance in (found.bag, found.reading) if np.isfinite(variance)))
    lower, upper = (
        _charted_limit(float(segment.points[name][-1]), settings.scale) for name in ("limit_lower", "limit_upper")
    )
    stable = not _moving(points, signals)
    normal = normality is None or normality.shape != distribution_checks.Shape.REFUTED

    def work_out() -> capability.Capability | Withheld:
        worth = _worth(found, usual)
        return for_stream(usual, within, worth, lower, upper, stable=stable, normal=normal)

    total = (found.total, found.total_low, found.total_high)
    lots = (usual.center, usual.center_se, usual.sigma, usual.count, usual.degrees_of_freedom)
    return recall.figure(digest("capability", *lots, within, *total, lower, upper, stable, normal), work_out)


def _worth(found: components.Components, usual: baseline.Baseline) -> tuple[float, float]:
    """What the total variance is worth at the ends of its interval; no more than the lots where it has none."""
    if 0 <= found.total_low < found.total < found.total_high < np.inf:
        return capability.worth_of(found.total, found.total_low, found.total_high)
    lots = max(usual.count - 1.0, 1.0)
    return lots, lots


def _moving(points: Rows, signals: Sequence[Signal]) -> bool:
    """Whether the level or the scatter has moved and not been quiet since."""
    moved = [signal.at for signal in signals if signal.kind in (Kind.DRIFT, Kind.SPREAD, Kind.FORECAST)]
    return bool(moved) and int(points["valid"].sum()) - 1 - max(moved) < alert_episodes.QUIET_LOTS
