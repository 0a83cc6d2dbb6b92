"""Uncertainty and decision rules in the store: one round and many end alike, declarations take effect from their day."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import pytest
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows
from support.stores import on_both_stores

from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.store.store import known_store

STANDARD = """
[[product]]
name = "coupon"
upper_limit = { shielding_energy = false }

[[check_standard]]
supplier = "Kept"
product = "coupon"
conditioned = true

[[instrument]]
name = "E1"
uncertainty_percent = 2
"""
RULE = "upper_limit = [ { value = 50.0, document"
GUARDED = 'decision = [ { rule = "simple" }, { rule = "guarded", wrong_pass = 0.05, from = 2026-03-02 } ]\n' + RULE


def week(number: int) -> tuple[str, list[dict[str, object]]]:
    """The drop of a week: a film lot near 18.6 nJ, and the coupon, which moves with the bench."""
    shift = 1 + 0.03 * (number % 3 - 1)
    tested = MONDAY + timedelta(weeks=number)
    film = [[18.6 * shift * (1 + 0.01 * (bag - 3)), 18.7 * shift * (1 + 0.01 * (bag - 3))] for bag in range(1, 6)]
    coupon = [[50.0 * shift, 50.5 * shift], [55.0 * shift, 55.2 * shift]]
    rows = lot_rows(f"L{number}", tested, film)
    rows += lot_rows(f"S{number}", tested + timedelta(hours=1), coupon, supplier="Kept", product="coupon")
    return f"wk{number:02}.csv", rows


def stored(bench: Bench) -> dict[str, tuple[str, dict]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.exec_driver_sql(
            "SELECT l.lot, s.verdict, c.document FROM conformity c JOIN session s ON s.id = c.session_id "
            "JOIN lot l ON l.id = s.lot_id"
        )
        return {lot: (verdict, json.loads(document)) for lot, verdict, document in rows}


@on_both_stores
def test_one_round_and_many_rounds_end_in_the_same_uncertainties(bench: Bench, tmp_path: Path) -> None:
    weekly = Bench(tmp_path / "weekly")
    for lab in (bench, weekly):
        lab.declare(LAB_TOML.replace(RULE, GUARDED) + STANDARD)
        lab.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
    for number in range(12):
        bench.drop_tests(*week(number))
        weekly.drop_tests(*week(number))
        if number in (4, 7, 8, 11):
            weekly.run()
    bench.run()

    found = stored(bench)
    assert found == stored(weekly)
    assert found["L3"][1]["bench"] == "not known"
    assert found["L11"][1]["bench"] == "check standard"
    # The coupon moves by 3 % from week to week, and so does all that the bench measures.
    assert 0.02 < found["L11"][1]["parts"]["bench"] < 0.03
    assert found["L11"][1]["parts"]["instrument"] == 0.02


@on_both_stores
def test_sessions_while_a_calibration_says_the_tester_was_off_do_not_feed_the_bench_part(
    bench: Bench, tmp_path: Path
) -> None:
    weekly, right = Bench(tmp_path / "weekly"), Bench(tmp_path / "right")
    for lab in (bench, weekly, right):
        lab.declare(LAB_TOML.replace(RULE, GUARDED) + STANDARD)
        lab.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
        (lab.folder / "drops" / "calibrations").mkdir()
    columns = ("instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty")
    good, found = ((MONDAY + timedelta(weeks=number)).isoformat() for number in (4.5, 7.5))
    for lab in (bench, weekly):
        lab.drop("good.csv", csv_text(columns, [("E1", good, "2026-12-31", "0", "0", "2")]), "calibrations")
    for number in range(12):
        name, rows = week(number)
        if number in (5, 6, 7):
            # The tester reads 12 % low for three weeks.
            off = [{**row, "value": 0.88 * float(row["value"])} for row in rows]
            rows = [row for row in rows if row["supplier"] != "Kept"]
        else:
            off = rows
        bench.drop_tests(name, off)
        weekly.drop_tests(name, off)
        right.drop_tests(name, rows)
        if number in (4, 7, 8, 11):
            if number == 8:
                sheet = csv_text(columns, [("E1", found, "2026-12-31", "-12", "0", "2")])
                bench.drop("found.csv", sheet, "calibrations")
                weekly.drop("found.csv", sheet, "calibrations")
            weekly.run()
    bench.run()
    right.run()

    last = stored(bench)["L11"][1]
    assert last["bench"] == "check standard"
    assert last["parts"]["bench"] == pytest.approx(stored(right)["L11"][1]["parts"]["bench"])
    assert stored(bench) == stored(weekly)
    # A calibration that is corrected gives the sessions back.
    sheet = csv_text(columns, [("E1", found, "2026-12-31", "0", "0", "2")])
    bench.drop("corrected.csv", sheet, "calibrations")
    bench.run()
    assert stored(bench)["L11"][1]["parts"]["bench"] > 1.5 * last["parts"]["bench"]


def test_check_standards_that_arrive_late_reach_the_lots_tested_since(bench: Bench, tmp_path: Path) -> None:
    late = Bench(tmp_path / "late")
    for lab in (bench, late):
        lab.declare(LAB_TOML.replace(RULE, GUARDED) + STANDARD)
        lab.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
    for number in range(12):
        name, rows = week(number)
        film = [row for row in rows if row["supplier"] != "Kept"]
        bench.drop_tests(name, rows)
        late.drop_tests(f"film-{name}", film)
    late.run()
    assert stored(late)["L11"][1]["bench"] == "not known"
    for number in range(12):
        name, rows = week(number)
        late.drop_tests(f"kept-{name}", [row for row in rows if row["supplier"] == "Kept"])
    late.run()
    bench.run()

    assert stored(late) == stored(bench)
    assert stored(late)["L11"][1]["bench"] == "check standard"


def test_a_rule_counts_from_its_day_on(bench: Bench) -> None:
    bench.declare(LAB_TOML.replace(RULE, GUARDED) + STANDARD)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
    for number in range(12):
        bench.drop_tests(*week(number))
    bench.run()

    verdicts = {lot: verdict for lot, (verdict, _) in stored(bench).items() if lot.startswith("L")}
    # Week 8 begins on 2 March 2026.
    assert {verdicts[f"L{number}"] for number in range(8)} == {"pass"}
    assert "undecided" in {verdicts[f"L{number}"] for number in range(8, 12)}
    document = stored(bench)["L9"][1]
    assert document["rule"] == {"rule": "guarded", "wrong_pass": 0.05, "wrong_fail": None, "from": "2026-03-02"}
    assert document["accept_upper"] < 20.0 == document["reject_upper"]

    # Without the rule the next round judges again by the limit itself.
    bench.declare(LAB_TOML + STANDARD)
    bench.run()
    assert {verdict for lot, (verdict, _) in stored(bench).items() if lot.startswith("L")} == {"pass"}


def test_a_standard_that_is_no_longer_declared_leaves_the_bench_part_unknown(bench: Bench) -> None:
    bench.declare(LAB_TOML + STANDARD)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
    for number in range(12):
        bench.drop_tests(*week(number))
    bench.run()
    assert stored(bench)["L11"][1]["bench"] == "check standard"

    bench.declare(LAB_TOML + STANDARD.replace("conditioned = true\n", ""))
    bench.run()
    last = stored(bench)["L11"][1]
    assert last["bench"] == "not known"
    assert last["p_low"] < last["p"]


@pytest.mark.parametrize(
    ("declared", "complaint"),
    [
        ('decision = [ { rule = "guarded" } ]\n', "expected wrong_pass, such as 0.05"),
        ('decision = [ { rule = "simple", wrong_fail = 0.05 } ]\n', 'only with rule = "guarded"'),
        ('decision = [ { rule = "lenient" } ]\n', "expected"),
        ('decision = [ { rule = "guarded", wrong_pass = 0.6 } ]\n', "expected a number above 0 and at most 0.5"),
        ('guard_percent = 5\ndecision = [ { rule = "simple" } ]\n', "never add"),
        (
            'decision = [ { rule = "simple", from = 2026-02-01 }, { rule = "simple", from = 2026-01-01 } ]\n',
            "rising dates",
        ),
    ],
)
def test_a_wrong_rule_is_one_line(bench: Bench, declared: str, complaint: str) -> None:
    bench.declare(LAB_TOML.replace(RULE, declared + RULE, 1))
    with pytest.raises(LabFileError, match=r"characteristic\.shielding_energy") as error:
        load(bench.folder)
    assert complaint in str(error.value)
