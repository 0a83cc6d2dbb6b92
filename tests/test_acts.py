"""What people enter on a baseline: it holds at once, and what was before stays in the history."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
from click.testing import CliRunner
from labs import MONDAY, Bench, lot_rows

from dashboard.cli import main

NAMES = ("Alder Film", "MB-10", "shielding_energy")


def fill(bench: Bench) -> None:
    """Thirty lots near 10 nJ, then thirty near 13 nJ after a process change."""
    bench.drop_climate("log.csv", MONDAY - timedelta(weeks=61), 24 * 7 * 62)
    levels = np.exp(np.random.default_rng(3).normal(0, 0.04, 60)) * np.where(np.arange(60) < 30, 10.0, 13.0)
    rows = []
    for number, level in enumerate(levels):
        values = [[round(level * part, 4)] for part in (0.95, 1.0, 1.05)]
        rows += lot_rows(f"L{number}", MONDAY - timedelta(weeks=60 - number), values)
    bench.drop_tests("all.csv", rows)


def stream(bench: Bench) -> dict:
    said = CliRunner().invoke(main, ["stream", *NAMES, "--lab", str(bench.folder), "--json"])
    return dict(json.loads(said.stdout))


def call(bench: Bench, *arguments: str) -> tuple[int, str]:
    said = CliRunner().invoke(main, ["baseline", *arguments, "--lab", str(bench.folder)])
    return said.exit_code, said.stderr


def test_limits_set_again_from_a_day_hold_from_then_on_and_the_old_ones_stay(bench: Bench) -> None:
    fill(bench)
    bench.run()
    before = stream(bench)
    day = (MONDAY - timedelta(weeks=30, days=1)).date().isoformat()

    assert call(bench, *NAMES, "--from", day, "--by", "A. Specialist", "--because", "new laminator") == (0, "")
    after = stream(bench)
    assert after["limits"]["center"] > 1.2 * before["limits"]["center"]
    assert [round(one["center"], 1) for one in after["limits_history"]] == [
        round(before["limits"]["center"], 1),
        round(after["limits"]["center"], 1),
    ]
    # Evaluated at once: the next round finds nothing to do and changes nothing.
    assert bench.run().evaluated == 0
    assert stream(bench) == after
    (act,) = after["acts"]
    assert (act["who"], act["what"], act["reason"]) == ("A. Specialist", "set baseline", "new laminator")


def test_a_lot_left_out_is_named_with_its_reason(bench: Bench) -> None:
    fill(bench)
    bench.run()

    assert call(bench, *NAMES, "--leave-out", "L3", "--by", "A. Specialist", "--because", "wrong film")[0] == 0

    (left,) = [out for out in stream(bench)["limits"]["left_out"] if out["lot"] == "L3"]
    assert (left["why"], left["who"], left["reason"]) == ("by_hand", "A. Specialist", "wrong film")
    assert left["tested_at"] == (MONDAY - timedelta(weeks=57)).isoformat()


def test_an_entry_needs_a_name_a_reason_and_a_stream(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))
    bench.run()

    blank = call(bench, *NAMES, "--leave-out", "L0", "--by", " ", "--because", "x")
    assert blank == (2, "leave out: who is blank; an entry needs a name and a reason\n")
    unknown = call(bench, "Nobody", "X", "shielding_energy", "--leave-out", "L0", "--by", "A", "--because", "x")
    assert unknown == (2, "baseline: there is no stream Nobody · X · shielding_energy; lotdrift board lists them all\n")
    neither = call(bench, *NAMES, "--by", "A", "--because", "x")
    assert neither == (2, "baseline: give one of --from DAY, --take-back DAY, --leave-out LOT, --put-back LOT\n")
