"""Average run lengths of sets of run patterns: a chain whose states are the last points themselves, each rule read literally.

A state is what the last eight points were, as bands of one sigma with their side, cut to what any rule of the set looks back on.
All states that can be reached are listed, and the run length solves one linear equation a state. Rules and zero-state run lengths
as in C. W. Champ and W. H. Woodall (1987), Technometrics 29, 393-399.

    python tests/figures/pattern_runs.py
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence

import numpy as np
from scipy import sparse, special
from scipy.sparse import linalg

# Bands of one sigma, from the lowest: -4 is below -3 sigma, -1 is from -1 sigma to the centre line, 1 from there to 1 sigma.
BANDS = (-4, -3, -2, -1, 1, 2, 3, 4)
EDGES = (-np.inf, -3.0, -2.0, -1.0, 0.0, 1.0, 2.0, 3.0, np.inf)

Points = tuple[int, ...]
Rule = Callable[[Points], bool]


def beyond_three_sigma(points: Points) -> bool:
    return abs(points[-1]) == 4


def beyond(hits: int, of: int, sigmas: int) -> tuple[Rule, int]:
    """At least `hits` of the last `of` points beyond so many sigma on one side; and how many points that looks at."""

    def rule(points: Points) -> bool:
        last = points[-of:]
        return any(sum(side * band > sigmas for band in last) >= hits for side in (-1, 1))

    return rule, of


def on_one_side(number: int) -> tuple[Rule, int]:
    return beyond(number, number, 0)


ONE = (beyond_three_sigma, 1)
TWO = beyond(2, 3, 2)
FOUR = beyond(4, 5, 1)


def run_lengths(rules: Sequence[tuple[Rule, int]], shifts: Sequence[float]) -> list[float]:
    """Average run length of a set of rules at each shift."""
    states, moves = _chain(rules)
    start, end, band = np.array(moves).T
    lengths = []
    for shift in shifts:
        chance = np.diff(special.ndtr(np.array(EDGES) - shift))
        steps = sparse.csc_array((chance[band], (start, end)), shape=(states, states))
        system = sparse.eye_array(states, format="csc") - steps
        lengths.append(float(linalg.spsolve(system, np.ones(states))[0]))
    return lengths


def _chain(rules: Sequence[tuple[Rule, int]]) -> tuple[int, list[tuple[int, int, int]]]:
    """Number of states, and moves (from, to, place of the band) that bring no signal; state 0 is before the first point."""
    numbers: dict[Points, int] = {(): 0}
    waiting: list[Points] = [()]
    moves = []
    while waiting:
        state = waiting.pop()
        for place, band in enumerate(BANDS):
            points = (*state, band)
            if any(rule(points) for rule, _ in rules):
                continue
            after = _kept(points, rules)
            if after not in numbers:
                numbers[after] = len(numbers)
                waiting.append(after)
            moves.append((numbers[state], numbers[after], place))
    return len(numbers), moves


def _kept(points: Points, rules: Sequence[tuple[Rule, int]]) -> Points:
    """What later points can still need: all that the windows of several sigma look at, and the side of a run before that.

    Of a point that only a run on one side still looks at, the side is kept and the band not; one before the run began not at all.
    """
    bands = max((looks for rule, looks in rules if looks <= 5), default=1) - 1
    farthest = max(looks for _, looks in rules) - 1
    near = points[-bands:] if bands else ()
    run = 0
    while run < min(len(points), farthest) and points[-1 - run] * points[-1] > 0:
        run += 1
    far = (1 if points[-1] > 0 else -1,) * max(run - len(near), 0)
    return far + near


SETS = {
    "one": [ONE],
    "one, two": [ONE, TWO],
    "one, eight": [ONE, on_one_side(8)],
    "one, two, four": [ONE, TWO, FOUR],
    "one, two, four, eight": [ONE, TWO, FOUR, on_one_side(8)],
    "nine": [on_one_side(9)],
    "one, nine": [ONE, on_one_side(9)],
    "one, two, four, nine": [ONE, TWO, FOUR, on_one_side(9)],
    "one, 2 of 2 beyond 2": [ONE, beyond(2, 2, 2)],
    "one, 5 of 5 beyond 1": [ONE, beyond(5, 5, 1)],
}


def main() -> None:
    shifts = [0.2 * step for step in range(16)]
    for name, rules in SETS.items():
        sys.stdout.write(f"{name}: {' '.join(f'{length:.3f}' for length in run_lengths(rules, shifts))}\n")


if __name__ == "__main__":
    main()
