"""What people enter on a baseline: it holds at once, and what was before stays in the history."""

from __future__ import annotations

import json
from datetime import timedelta

import numpy as np
import pytest
from click.testing import CliRunner
from support.labs import MONDAY, Bench, lot_rows
from support.processchange import CHANGED, NAMES, fill, levels

from dashboard.cli import main

BOTH_STORES = True


def center_of(lots: np.ndarray) -> float:
    """Geometric mean of lots whose bags lie at 0.95, 1 and 1.05 times the level."""
    return float(np.exp(np.log(lots).mean() + np.log([0.95, 1.0, 1.05]).mean()))


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

    assert call(bench, *NAMES, "--from", CHANGED, "--by", "A. Specialist", "--because", "new laminator") == (0, "")
    after = stream(bench)
    # Bags scatter alike in every lot, so each lot weighs the same: the centre is the plain mean of the logs of the first 25
    # lots of the new process. Values were dropped with four decimals: five digits are left.
    assert after["limits"]["center"] == pytest.approx(center_of(levels()[30:55]), rel=1e-5)
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
