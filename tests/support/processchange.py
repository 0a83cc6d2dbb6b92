"""A stream whose supplier changed its process: steady near 10 nJ, then steady near 13 nJ. Invented."""

from __future__ import annotations

import shutil
from datetime import timedelta
from functools import cache
from pathlib import Path

import numpy as np
from support.labs import MONDAY, Bench, lot_rows

NAMES = ("Alder Film", "MB-10", "shielding_energy")
LOTS = 60
# The day before the first lot of the new process.
CHANGED = (MONDAY - timedelta(weeks=30, days=1)).date().isoformat()


def levels() -> np.ndarray:
    """The levels of the lots in nJ, a lot a week."""
    return np.exp(np.random.default_rng(3).normal(0, 0.04, LOTS)) * np.where(np.arange(LOTS) < 30, 10.0, 13.0)


def fill(bench: Bench) -> None:
    """Drop the lots L0 to L59, three bags each, with the chamber's log."""
    bench.drop_climate("log.csv", MONDAY - timedelta(weeks=61), 24 * 7 * 62)
    rows = []
    for number, level in enumerate(levels()):
        values = [[round(level * part, 4)] for part in (0.95, 1.0, 1.05)]
        rows += lot_rows(f"L{number}", MONDAY - timedelta(weeks=60 - number), values)
    bench.drop_tests("all.csv", rows)


@cache
def _after_its_first_round(session_folder: Path) -> Path:
    bench = Bench(session_folder / "process-change")
    fill(bench)
    bench.run()
    return bench.folder


def changed_lab(session_folder: Path, to: Path) -> Bench:
    """A lab of one's own with these lots, after its first round."""
    shutil.copytree(_after_its_first_round(session_folder), to)
    return Bench(to)
