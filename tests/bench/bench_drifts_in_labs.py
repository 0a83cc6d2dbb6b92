"""Drifts found and announced in whole labs where streams differ, beside one that knows each stream and a CUSUM on estimates.

    PYTHONPATH=.:tests/bench python tests/bench/bench_drifts_in_labs.py [LABS [SEED [ROW ...]]]

The labs of `bench_busy_labs.py`: 35 suppliers of three films on one tester, here over 104 weeks, a lot a week; 5, 15 or 40 % of the
streams change towards the limit from week 26 on, or 40 % by ramps alone (`hard`). No bench shifts. The limit is four standard deviations of a lot above
the start. Changes with 40 lots or more after them are counted.

- detector: drift alerts as a lab raises them; `standing` leaves out those that are attributed to the bench at the end, as in
  `bench_busy_labs.py`.
- knows: likelihood ratio of a step at any lot, with the stream's true mean and standard deviation at its start.
- CUSUM: reference value 0.5, mean and standard deviation estimated from the first 25 lots.

Both yardsticks have the threshold at which they raise as many false alerts on the unchanged streams of the same labs after 25 lots as the
detector does of all kinds. A change is found by an alert upward after its start, and announced by one before the first lot over the limit, of
those changes that have such a lot. Delays are in lots, up to 40. `+-` is 1.96 standard errors from lab to lab, of ratios by the delta method.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass

import bench_busy_labs as busy
import numpy as np
import pandas as pd
from bench_short_histories import BASELINE, FOLLOWED, SURE, YEAR_WEEKS, Streams, cusum, episodes, height, knowing

from spc.shared_shift.finding import explain
from spc.shared_shift.search import shared_shifts
from spc.stream import alert_episodes

LIMIT = 4.0
busy.WEEKS = 104.0
KINDS = ("point", "drift", "spread", "forecast")
ROWS = ("one tester, 5 %", "one tester, 15 %", "one tester, 40 %", "one tester, hard")
WAYS = ("detector", "standing", "knows", "CUSUM")
LATE = -1e6


@dataclass(frozen=True, slots=True, eq=False)
class Lab:
    """Levels of the streams of a lab by lot, nan after the last; the first lot of each change; where the detector alarms."""

    levels: np.ndarray
    sigma: np.ndarray
    onset: np.ndarray
    counted: np.ndarray
    false_alerts: float
    steady_lots: float
    first: dict[str, np.ndarray]


def lab_of(seed: int, number: int, row: str) -> Lab:
    lab = busy.WITHOUT_SHIFT[row]
    rng = np.random.default_rng([seed, number])
    moves = busy.changes(rng, lab)
    table, bags = busy.films(rng, lab, moves, 0.0)
    streams = [*range(lab.suppliers * lab.streams)]
    nothing = np.zeros(len(table))
    raised = busy.alerts(table, bags, streams, nothing, KINDS)
    weeks = {stream: own["weeks"].to_numpy() for stream, own in table.groupby("stream")}
    most = max(one.size for one in weeks.values())
    levels = np.full((len(streams), most), np.nan)
    for stream, own in table.groupby("stream"):
        levels[stream, : len(own)] = own["z"]
    sigma = np.array([np.sqrt(1.0 + busy.BAG**2 * np.mean(1.0 / bags[stream].count)) for stream in streams])
    onset = np.array([np.searchsorted(weeks[one], moves[one].start) if one in moves else np.inf for one in streams])
    counted = np.array([len(weeks[one]) for one in streams]) - onset >= FOLLOWED
    steady = [stream for stream in streams if stream not in moves]
    first = {
        "detector": np.array([_first_up(raised.get(one, []), onset[one]) for one in streams]),
        "standing": np.array([_first_up(one, onset[stream]) for stream, one in _standing(table, bags, raised).items()]),
    }
    return Lab(
        levels, sigma, onset, counted,
        float(sum(_late(raised.get(stream, [])) for stream in steady)),
        float(sum(max(weeks[stream].size - BASELINE, 0) for stream in steady)), first,
    )  # fmt: skip


def _late(raised: list[alert_episodes.Episode]) -> int:
    return sum(one.opened >= BASELINE for one in raised)


def _first_up(raised: list[alert_episodes.Episode], onset: float) -> float:
    """The lot of the first alert of drift upward that stands at or after the change."""
    up = [max(one.opened, onset) for one in raised if one.kind == "drift" and one.direction > 0 and one.latest >= onset]
    return min(up, default=np.inf)


def _standing(
    table: pd.DataFrame, bags: dict[int, busy.Bags], raised: dict[int, list[alert_episodes.Episode]]
) -> dict[int, list[alert_episodes.Episode]]:
    """The alerts of each stream; none where neither the shift nor the most of it, taken out, leaves one."""
    streams = sorted(bags)
    findings = [one for one in shared_shifts(busy.scored(table)) if one.completed_at >= busy.CHECKED_FROM]
    standing = {stream: raised.get(stream, []) for stream in streams}
    if not findings:
        return standing
    parts = explain(table, findings)
    touched = [one for one in streams if standing[one] and (parts["finding"][table["stream"] == one] >= 0).any()]
    for name in ("common", "most"):
        again = busy.alerts(table, bags, touched, parts[name].to_numpy())
        for stream in touched:
            if not any(one.direction > 0 for one in again.get(stream, [])):
                standing[stream] = []
    return standing


def over(levels: np.ndarray, onset: np.ndarray) -> np.ndarray:
    """The first lot over the limit after the change; inf where there is none."""
    return _first(levels > LIMIT, onset)


def _first(alarms: np.ndarray, onset: np.ndarray) -> np.ndarray:
    after = alarms & (np.arange(alarms.shape[1]) >= onset[:, None])
    return np.where(after.any(axis=1), after.argmax(axis=1), np.inf)


def yardsticks(labs: list[Lab]) -> None:
    """Add the first alarm of each yardstick, at a threshold that is one for all labs of the row."""
    widest = max(lab.levels.shape[1] for lab in labs)
    wide = [np.pad(lab.levels, ((0, 0), (0, widest - lab.levels.shape[1])), constant_values=np.nan) for lab in labs]
    levels = np.concatenate(wide)
    # A lot that is not there raises no alarm in either direction: far below the start up, and counted up alone.
    present = np.isfinite(levels)
    sigma, onset = (np.concatenate([getattr(lab, name) for lab in labs]) for name in ("sigma", "onset"))
    nothing = np.zeros(len(levels))
    steady = np.isinf(onset)
    for name, way in (("knows", knowing), ("CUSUM", cusum)):
        part = Streams(np.where(present, levels, 0.0), nothing, nothing, nothing, sigma, nothing)
        both = [np.where(present, one, LATE) for one in way(part)]
        limit = height((both[0][steady], both[1][steady]), sum(lab.false_alerts for lab in labs), BASELINE)
        first = _first(both[0] > limit, onset)
        start = 0
        for lab in labs:
            lab.first[name] = first[start : start + len(lab.onset)]
            start += len(lab.onset)
        raised = sum(episodes(one[steady][:, BASELINE:] > limit).sum() for one in both)
        print(f"  {name} at {limit:.2f}: {raised:.0f} false alerts", flush=True)


def row(name: str, labs: int, seed: int) -> None:
    begun = time.perf_counter()
    seen = [lab_of(seed, number, name) for number in range(labs)]
    rate = np.array([lab.false_alerts / lab.steady_lots * YEAR_WEEKS for lab in seen])
    print(f"{name}: {labs} labs, {sum(lab.counted.sum() for lab in seen)} changes, "
          f"false alerts a stream-year {rate.mean():.2f} +- {SURE * rate.std(ddof=1) / np.sqrt(labs):.2f}")  # fmt: skip
    yardsticks(seen)
    sums: dict[str, dict[str, np.ndarray]] = {}
    for way in WAYS:
        figures = []
        for lab in seen:
            changed = lab.counted
            first, onset, limit = lab.first[way][changed], lab.onset[changed], over(lab.levels, lab.onset)[changed]
            delay = np.minimum(first - onset + 1.0, FOLLOWED)
            reached = np.isfinite(limit)
            figures.append(
                [changed.sum(), np.isfinite(first).sum(), reached.sum(), (first < limit)[reached].sum(), delay.sum()]
            )
        sums[way] = dict(
            zip(("changes", "found", "reached", "announced", "delay"), np.array(figures, float).T, strict=True)
        )
    for way in WAYS:
        own, ideal = sums[way], sums["knows"]
        shares = "  ".join(
            f"{what} {_ratio(own[what], own[of])} ({_ratio(own[what], ideal[what])} of knows)"
            for what, of in (("found", "changes"), ("announced", "reached"), ("delay", "changes"))
        )
        print(f"  {way:9s} {shares}", flush=True)
    print(f"  {time.perf_counter() - begun:.0f} s", flush=True)


def _ratio(top: np.ndarray, below: np.ndarray) -> str:
    ratio = top.sum() / below.sum()
    error = np.sqrt(np.sum((top - ratio * below) ** 2)) / below.sum()
    return f"{ratio:.3f} +- {SURE * error:.3f}"


if __name__ == "__main__":
    arguments = [int(one) for one in sys.argv[1:]]
    for place in arguments[2:] or range(len(ROWS)):
        row(ROWS[place], arguments[0] if arguments else 12, arguments[1] if len(arguments) > 1 else 16180)
