"""Whether the chance of a breach is what happens: reliability, Brier score, and two plain rivals.

    PYTHONPATH=tests/bench python tests/bench/bench_forecast.py [STREAMS] [SEED] [STREAMS_IN_LABS]

The truth is simulated and is not the model's own: steady levels, ramps and steps that may begin before or after the
forecast, wandering levels, heavy tails, dependent lots; irregular dates with pauses, 3 to 12 bags, 4 to 80 lots. A breach
is a lot at or over the limit in the 13 weeks after the last one seen.

The second tables are of labs as in `bench_busy_labs.py`, in which no two streams are alike and 5, 15 or 40 % of them change
within a year, all towards the limit, which lies 2.5 to 6 standard deviations of a lot above the first level; in the last lab it
lies 1 to 6 above. The outcome is a chance too: that of a breach with the level of every coming day, the law of the lots and
the autocorrelation with the last lot known. Compared with breaches instead, the errors would be about twice as large or more.
`knows` knows the mean, the scatter, the law of the lots, the change so far and how changes happen; it does not use the
autocorrelation. `share estimated` is the forecast with its prior odds of a move multiplied by the factor that 100 streams of
the lab ask for together (posterior mean of its log, lognormal prior about 1); `no wander` leaves out the models in which the
level wanders. `+-` is one standard error.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from unittest.mock import patch

import numpy as np
from bench_busy_labs import FIRST_CHANGE, WEEKS, Change, change, lots_of, one_tester
from scipy import special, stats

from spc.stream import forecast as of_streams
from spc.stream import trend_posterior
from spc.stream.forecast import forecast

HORIZON = 13.0
KINDS = {"steady": 0.3, "ramp": 0.25, "step": 0.15, "wandering": 0.1, "tails": 0.1, "dependent": 0.1}


def dates(rng: np.random.Generator, seen: int) -> tuple[np.ndarray, float]:
    pace = float(rng.choice([0.5, 1.0, 1.0, 2.0, 2.0, 4.0]))
    number = seen + int(4 * HORIZON / pace) + 20
    gaps = pace * rng.gamma(2.0, 0.5, number) if rng.random() < 0.7 else np.full(number, pace)
    if rng.random() < 0.2:
        gaps[rng.integers(0, number, 3)] += 6.0 * pace
    return np.cumsum(gaps), pace


def course(rng: np.random.Generator, kind: str, weeks: np.ndarray, end: float, pace: float) -> np.ndarray:
    if kind == "ramp":
        start = rng.uniform(-0.3, 1.0) * end
        slope = rng.choice([-1.0, 1.0], p=[0.3, 0.7]) * np.exp(rng.uniform(np.log(0.02), np.log(0.3))) / pace
        return slope * (np.maximum(weeks - start, 0.0) - max(weeks[0] - start, 0.0))
    if kind == "step":
        return rng.normal(0.0, 2.0) * (weeks > rng.uniform(0.0, end))
    if kind == "wandering":
        return rng.choice([0.1, 0.2, 0.4]) * np.cumsum(
            rng.standard_normal(weeks.size) * np.sqrt(np.diff(weeks, prepend=0.0) / pace)
        )
    return np.zeros(weeks.size)


def scatter(rng: np.random.Generator, kind: str, number: int) -> np.ndarray:
    fresh = rng.standard_t(4, number) / np.sqrt(2.0) if kind == "tails" else rng.standard_normal(number)
    if kind == "dependent":
        r = float(rng.choice([0.3, 0.5]))
        for i in range(1, number):
            fresh[i] = r * fresh[i - 1] + np.sqrt(1.0 - r**2) * fresh[i]
    return fresh


def stream(rng: np.random.Generator) -> tuple[str, np.ndarray, np.ndarray, np.ndarray, float, bool]:
    kind = str(rng.choice(list(KINDS), p=list(KINDS.values())))
    seen = int(rng.choice([4, 6, 8, 12, 16, 25, 40, 60, 80]))
    weeks, pace = dates(rng, seen)
    now = weeks[seen - 1]
    bags = rng.choice([3, 6, 12], weeks.size) if rng.random() < 0.5 else np.full(weeks.size, 6)
    share = float(rng.choice([0.05, 0.2, 0.5]))
    noise = share * 6 / bags
    levels = course(rng, kind, weeks, now + HORIZON, pace) + np.sqrt(1.0 - share) * scatter(rng, kind, weeks.size)
    levels += rng.standard_normal(weeks.size) * np.sqrt(noise)
    limit = rng.uniform(1.5, 7.0)
    coming = (weeks > now) & (weeks <= now + HORIZON)
    return kind, weeks[:seen], levels[:seen], noise[:seen], limit, bool((levels[coming] >= limit).any())


def straight_line(weeks: np.ndarray, levels: np.ndarray, limit: float) -> float:
    """Least squares with normal residuals, as a spreadsheet would have it."""
    slope, base = np.polyfit(weeks, levels, 1)
    sd = np.sqrt(np.sum((levels - base - slope * weeks) ** 2) / (weeks.size - 2))
    pace = (weeks[-1] - weeks[0]) / (weeks.size - 1)
    ahead = weeks[-1] + np.arange(1.0, HORIZON / pace + 1e-9) * pace
    return float(1.0 - np.prod(special.ndtr((limit - base - slope * ahead) / sd)))


def brier(given: np.ndarray, breached: np.ndarray) -> float:
    return float(((given - breached) ** 2).mean())


# Labs in which streams differ

STREAMS_A_LAB = 100
MOVE_ODDS = ("_STEP_ODDS", "_RAMP_ODDS", "_OLD_RAMP_ODDS")
FACTORS = np.exp(np.linspace(np.log(0.02), np.log(5.0), 61))
FACTOR_SD = 1.5  # Prior standard deviation of the log of the factor
NODES, NODE_WEIGHTS = special.roots_hermitenorm(20)
PATHS = 1_000


@dataclass(frozen=True, slots=True, eq=False)
class Sample:
    """A stream up to a day, its limit, the chance of a breach after it for `knows`, and the true one."""

    weeks: np.ndarray
    levels: np.ndarray
    noise: np.ndarray
    limit: float
    knows: float
    outcome: float


def of_lab(rng: np.random.Generator, changing: float, lowest_limit: float) -> Sample:
    times = np.sort(rng.uniform(0.0, WEEKS, rng.poisson(WEEKS)))
    now = rng.uniform(FIRST_CHANGE + 4.0, WEEKS - HORIZON)
    tails, dependence = rng.random() < 1 / 3, rng.uniform(0.3, 0.5) if rng.random() < 1 / 9 else 0.0
    own = change(rng, one_tester(changing)) if rng.random() < changing else Change(1e9, 0.0, 0.0)
    noise = 0.25 / rng.integers(3, 13, times.size)
    lots = lots_of(rng, times.size, tails=tails, dependence=dependence)
    level = lots + own.at(times) + np.sqrt(noise) * rng.standard_normal(times.size)
    limit, seen = rng.uniform(lowest_limit, 6.0), times <= now
    coming = ~seen & (times <= now + HORIZON)
    knows = known_chance(
        rng, own if own.start <= now else None, changing, now, times[coming], noise[coming], limit, tails
    )
    room = limit - own.at(times[coming])
    outcome = (
        chance_after(lots[seen][-1], room, noise[coming], tails, dependence)
        if dependence
        else independent_chance(room, noise[coming], tails)
    )
    return Sample(times[seen], level[seen], noise[seen], limit, knows, outcome)


def independent_chance(room: np.ndarray, noise: np.ndarray, tails: bool) -> float:
    """Chance that a coming lot is over a limit that lies `room` above its level; the error of its bags is integrated out."""
    if not tails:
        return 1.0 - float(np.prod(special.ndtr(room / np.sqrt(1.0 + noise))))
    z = room[:, None] - np.sqrt(noise)[:, None] * NODES
    inside = stats.t.cdf(np.sqrt(2.0) * z, 4) @ NODE_WEIGHTS / NODE_WEIGHTS.sum()
    return 1.0 - float(np.prod(inside))


def chance_after(last: float, room: np.ndarray, noise: np.ndarray, tails: bool, dependence: float) -> float:
    """The same for lots that depend on the one before, by simulation with numbers of its own."""
    rng = np.random.default_rng(7)
    lot, inside = np.full(PATHS, last), np.ones(PATHS)
    for one, error in zip(room, np.sqrt(noise), strict=True):
        fresh = lots_of(rng, PATHS, tails=tails, dependence=0.0)
        lot = dependence * lot + np.sqrt(1.0 - dependence**2) * fresh
        inside *= special.ndtr((one - lot) / error)
    return 1.0 - float(inside.mean())


def known_chance(
    rng: np.random.Generator,
    own: Change | None,
    changing: float,
    now: float,
    times: np.ndarray,
    noise: np.ndarray,
    limit: float,
    tails: bool,
) -> float:
    def breach(moved: np.ndarray) -> float:
        z = (limit - moved) / np.sqrt(1.0 + noise)
        return 1.0 - float(np.prod(stats.t.cdf(np.sqrt(2.0) * z, 4) if tails else special.ndtr(z)))

    if own is not None:
        return breach(own.at(times))
    steady = breach(np.zeros(times.size))
    past, ahead = (now - FIRST_CHANGE) / (WEEKS - FIRST_CHANGE), (WEEKS - now) / (WEEKS - FIRST_CHANGE)
    begins = changing * ahead / (1.0 - changing * past)
    drawn = [change(rng, one_tester(changing)) for _ in range(60)]
    later = [breach(Change(rng.uniform(now, WEEKS), one.slope, one.step).at(times)) for one in drawn]
    return (1.0 - begins) * steady + begins * float(np.mean(later))


def odds_of_moves(factor: float) -> dict[str, float]:
    return {name: factor * getattr(trend_posterior, name) for name in MOVE_ODDS}


def estimated_factor(samples: Sequence[Sample]) -> float:
    """Factor of the prior odds of a move that these streams together ask for."""
    log_chance = -0.5 * (np.log(FACTORS) / FACTOR_SD) ** 2
    for sample in samples:
        used = [part[-of_streams.WINDOW :] for part in (sample.weeks, sample.levels, sample.noise)]
        moves = trend_posterior._moves(used[0], of_streams._mean_interval(used[0][-of_streams._RECENT_GAPS - 1 :]))
        weight = of_streams._fit(*used, None, 1.0).weight.reshape(-1, moves.log_odds.size)
        log_chance += np.log(weight[:, 0].sum() + FACTORS * weight[:, 1:].sum())
        log_chance -= np.log1p(FACTORS * np.exp(moves.log_odds[1:]).sum())
    chance = np.exp(log_chance - log_chance.max())
    return float(np.exp(chance @ np.log(FACTORS) / chance.sum()))


def share_estimated(samples: Sequence[Sample]) -> Iterator[np.ndarray]:
    for start in range(0, len(samples), STREAMS_A_LAB):
        lab = samples[start : start + STREAMS_A_LAB]
        with patch.multiple(trend_posterior, **odds_of_moves(estimated_factor(lab))):
            yield chances_of(lab)


def labs(number: int, seed: int) -> None:
    steady = np.where(trend_posterior._RANDOM_WALK > 0, -np.inf, trend_posterior._LOG_ODDS)
    for changing, lowest_limit in ((0.05, 2.5), (0.15, 2.5), (0.40, 2.5), (0.15, 1.0)):
        rng = np.random.default_rng([seed, round(100 * changing)])
        samples = [of_lab(rng, changing, lowest_limit) for _ in range(number)]
        knows, outcome = (np.array([getattr(one, name) for one in samples]) for name in ("knows", "outcome"))
        usual = chances_of(samples)
        with patch.object(trend_posterior, "_LOG_ODDS", steady):
            no_wander = chances_of(samples)
        print(
            f"\nlab where {100 * changing:.0f} % change, limits from {lowest_limit:g}, {number} streams, "
            f"{100 * outcome.mean():.1f} % breach"
        )
        for name, chance in (
            ("as it is", usual),
            ("no wander", no_wander),
            ("share estimated", np.concatenate(list(share_estimated(samples)))),
            ("knows", knows),
        ):
            print(
                f"{name}: mean {100 * chance.mean():.1f}, Brier {expected_brier(chance, outcome).mean():.4f}, "
                f"{against(chance, knows, outcome)} knows, {against(chance, usual, outcome)} as it is; {tenths(chance, outcome)}"
            )


def chances_of(samples: Sequence[Sample]) -> np.ndarray:
    chances = [
        forecast(
            one.weeks, one.levels, one.noise, lower=None, upper=one.limit, horizon_weeks=HORIZON
        ).breach_probability
        for one in samples
    ]
    return np.array(chances, dtype=float)


def expected_brier(chance: np.ndarray, outcome: np.ndarray) -> np.ndarray:
    """Expected score of each stream."""
    return (chance - outcome) ** 2 + outcome * (1.0 - outcome)


def against(chance: np.ndarray, other: np.ndarray, outcome: np.ndarray) -> str:
    own, others = expected_brier(chance, outcome), expected_brier(other, outcome)
    ratio = own.mean() / others.mean()
    error = np.std(own - ratio * others) / np.sqrt(own.size) / others.mean()
    return f"{ratio:.3f} +- {error:.3f} x"


def tenths(chance: np.ndarray, outcome: np.ndarray) -> str:
    """Mean forecast of each tenth with 20 cases or more, and by how much the mean outcome differs."""
    parts = []
    for tenth in range(10):
        here = np.minimum((chance * 10).astype(int), 9) == tenth
        if here.sum() >= 20:
            off = outcome[here] - chance[here]
            error = np.std(off) / np.sqrt(off.size)
            parts.append(f"{100 * chance[here].mean():.0f} {100 * off.mean():+.1f} +- {100 * error:.1f} ({here.sum()})")
    return ", ".join(parts)


def main() -> None:
    number, seed, in_labs = (
        int(sys.argv[place]) if len(sys.argv) > place else usual for place, usual in ((1, 12_000), (2, 20), (3, 2_000))
    )
    if number:
        mixed(number, seed)
    if in_labs:
        labs(in_labs, seed)


def mixed(number: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    kinds, given, line, breached, spent = [], [], [], [], 0.0
    for _ in range(number):
        kind, weeks, levels, noise, limit, breach = stream(rng)
        begun = time.perf_counter()
        found = forecast(weeks, levels, noise, lower=None, upper=limit, horizon_weeks=HORIZON)
        spent += time.perf_counter() - begun
        kinds.append(kind)
        given.append(found.breach_probability)
        line.append(straight_line(weeks, levels, limit))
        breached.append(breach)
    report(np.array(kinds), np.array(given), np.array(line), np.array(breached, dtype=float))
    print(f"{1000 * spent / number:.2f} ms a stream")


def report(kinds: np.ndarray, given: np.ndarray, line: np.ndarray, breached: np.ndarray) -> None:
    print("given       streams  mean given  breached  difference in points")
    for tenth in range(10):
        here = np.minimum((given * 10).astype(int), 9) == tenth
        if here.any():
            p, b = given[here].mean(), breached[here].mean()
            print(
                f"{10 * tenth:3d} to {10 * tenth + 10:3d} % {here.sum():6d} {100 * p:10.1f} {100 * b:9.1f} {100 * (b - p):+8.1f}"
            )
    base = np.full(breached.size, breached.mean())
    print(
        f"Brier score {brier(given, breached):.4f}; base rate {brier(base, breached):.4f}; straight line {brier(line, breached):.4f}"
    )
    for kind in KINDS:
        here = kinds == kind
        print(
            f"  {kind:10s} {brier(given[here], breached[here]):.4f}; base {brier(base[here], breached[here]):.4f}; line {brier(line[here], breached[here]):.4f}"
        )


if __name__ == "__main__":
    main()
