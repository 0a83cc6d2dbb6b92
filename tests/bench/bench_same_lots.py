"""What more could be had of the same lots in the search for shifts in common: rules that ask less.

    python tests/bench/bench_same_lots.py [LABS] [SEED]

The labs of `bench_shared_shift.py` without check standards, and the search taken day by day: a lab is called shifted where a suspect
passes the rule at the end of a day, nothing being settled, ended or taken out later. S is the score of all suppliers on a suspect, T that
of the others without the one that moved most. A rule asks S to be what is needed for so many independent looks a week, and T to be a share
of that. For each rule:

- findings by chance a year, with the 95 % interval: days that begin to pass after at least eight weeks in which none did, on steady labs;
- the share of labs in which a tester that moved by one sigma on two streams a supplier is named in three weeks (the right suspect passes);
- the share in which the bench is named within six weeks for one supplier that moved by 1, 2 or 3 sigma by itself, and by 0.

Forty labs take two and a half minutes of one core.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from bench_shared_shift import (
    ALONE_SIGMAS,
    ALONE_WEEKS,
    CHANCE_WEEKS,
    START,
    WITHIN,
    YEAR_WEEKS,
    Lots,
    lots,
    scored,
    share,
)
from scipy import special, stats

from spc.shared_shift.candidates import PRIOR
from spc.shared_shift.lot_points import LotPoints, lot_points, window
from spc.shared_shift.supplier_agreement import Agreement, agreement

QUIET_WEEKS = 8.0  # after so long the same lots are news again, as in the search
FEWEST_SUPPLIERS, AGREEING = 3, 0.4  # as in the search: of three or more suppliers seven in ten moved one way


@dataclass(frozen=True, slots=True)
class Rule:
    """Independent looks a week that S has to stand against, and the share of that for T."""

    words: str
    looks: float
    others: float


RULES = (
    Rule("S and T as needed for 1.4 looks a week (in use)", 1.4, 1.0),
    Rule("S for 4 looks, T 0.87 of it", 4.0, 0.87),
    Rule("S for 4 looks, T 0.8 of it", 4.0, 0.8),
)


@dataclass(frozen=True, slots=True, eq=False)
class Day:
    """The end of one day of tests: what each suspect's suppliers say, (suspects, windows) a kind."""

    weeks: float
    kinds: list[tuple[str, list[tuple[str, ...]], Agreement]]


def days(points: LotPoints, after: float) -> list[Day]:
    ends = np.flatnonzero(np.diff(np.floor(points.weeks * 7.0), append=np.inf)) + 1
    return [day(points, int(end)) for end in ends if points.weeks[end - 1] >= after]


def day(points: LotPoints, end: int) -> Day:
    found = []
    for kind, table in zip(points.kinds, agreement(window(points, end, np.zeros(end))), strict=True):
        if table is not None:
            first = table.first_source
            found.append((kind.name, kind.labels[first : first + len(table.score)], table))
    return Day(float(points.weeks[end - 1]), found)


def named(one: Day, rule: Rule) -> set[tuple[str, tuple[str, ...], int]]:
    """The suspects that pass, with their direction."""
    passing = set()
    for kind, labels, table in one.kinds:
        enough = (table.suppliers >= FEWEST_SUPPLIERS) & (np.abs(table.balance) >= AGREEING * table.suppliers)
        tried = max(int((table.suppliers >= FEWEST_SUPPLIERS).any(axis=1).sum()), 1)
        needed = -special.ndtri(min(0.5 * PRIOR[kind] / (YEAR_WEEKS * rule.looks * tried), 0.25))
        passed = enough & (np.abs(table.score) >= needed) & (np.abs(table.others) >= rule.others * needed)
        for suspect, span in np.argwhere(passed):
            passing.add((kind, labels[suspect], int(np.sign(table.score[suspect, span]))))
    return passing


def findings(seen: list[Day], rule: Rule) -> int:
    """Days that begin to pass after at least eight weeks in which none did."""
    passed = [one.weeks for one in seen if named(one, rule)]
    return len(passed) and 1 + sum(later - earlier > QUIET_WEEKS for earlier, later in pairwise(passed))


def by_chance(labs: int, seed: int) -> dict[Rule, str]:
    truth = Lots(6)
    count = dict.fromkeys(RULES, 0)
    for number in range(labs):
        table = lots(np.random.default_rng([seed, number]), CHANCE_WEEKS, truth, False)
        seen = days(lot_points(scored(table)), 8.0)
        for rule in RULES:
            count[rule] += findings(seen, rule)
    years = labs * (CHANCE_WEEKS - 8.0) / YEAR_WEEKS
    words = {}
    for rule, found in count.items():
        low, high = stats.chi2.ppf([0.025, 0.975], [2 * found, 2 * found + 2]) / 2.0 / years
        words[rule] = f"{found / years:.2f} ({np.nan_to_num(low):.2f} to {high:.2f})"
    return words


def shifted(
    labs: int,
    seed: int,
    place: int,
    weeks: float,
    move: Callable[[pd.DataFrame], None],
    right: Callable[[str, tuple[str, ...], int], bool],
) -> dict[Rule, str]:
    """Share of labs in which the suspect that is meant passes from the start of the move on."""
    count = dict.fromkeys(RULES, 0)
    for number in range(labs):
        table = lots(np.random.default_rng([seed, place + number]), START + weeks, Lots(6), False)
        move(table)
        seen = days(lot_points(scored(table)), START)
        for rule in RULES:
            count[rule] += any(right(*one) for moment in seen for one in named(moment, rule))
    return {rule: share(found, labs) for rule, found in count.items()}


def tester_moves(table: pd.DataFrame) -> None:
    table.loc[(table["weeks"] >= START) & (table["instrument"] == "pulse 1"), "z"] += 1.0


def supplier_moves(sigmas: float) -> Callable[[pd.DataFrame], None]:
    def move(table: pd.DataFrame) -> None:
        table.loc[(table["weeks"] >= START) & (table["supplier"] == "supplier 2"), "z"] += sigmas

    return move


def main() -> None:
    labs, seed = (int(sys.argv[place]) if len(sys.argv) > place else usual for place, usual in ((1, 40), (2, 4242)))
    columns = {
        "findings by chance a year": by_chance(labs, seed),
        "tester on 2 streams named in 3 weeks": shifted(
            labs,
            seed,
            1000,
            WITHIN,
            tester_moves,
            lambda kind, label, way: (kind, label, way) == ("instrument", ("pulse 1",), 1),
        ),
    }
    for sigmas in (0.0, *ALONE_SIGMAS):
        columns[f"one supplier alone by {sigmas:g} sigma: bench named in 6 weeks"] = shifted(
            labs, seed, 3000, ALONE_WEEKS, supplier_moves(sigmas), lambda *one: True
        )
    print(f"| rule | {' | '.join(columns)} |\n|{' --- |' * (len(columns) + 1)}")
    for rule in RULES:
        print(f"| {rule.words} | {' | '.join(column[rule] for column in columns.values())} |")


if __name__ == "__main__":
    main()
