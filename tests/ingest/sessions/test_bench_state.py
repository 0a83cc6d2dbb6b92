"""The instrument of each session: edges worked by hand, and the way through the store with records that come late."""

from __future__ import annotations

import csv
import math
from datetime import datetime, timedelta

import pytest
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows

from dashboard.queries import lot_document
from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.sessions.bench_state import BenchState, Calibration, Check, Outcome, bench_state, check_outcome, read_again
from ingest.store.store import known_store

BOTH_STORES = True

CALIBRATED = [Calibration(0, 1000)]


def check(at: int, outcome: Outcome = Outcome.PASSED, *, after: bool = False) -> Check:
    return Check(at, outcome, 50, after)


@pytest.mark.parametrize(
    ("calibrations", "checks", "state"),
    [
        (None, None, "unchecked"),
        (CALIBRATED, None, "checked"),
        ([], None, "unchecked"),
        ([Calibration(200, None)], None, "unchecked"),
        ([Calibration(0, None)], None, "checked"),
        ([Calibration(0, 100)], None, "overdue"),
        ([Calibration(0, 101)], None, "checked"),
        ([Calibration(0, 50), Calibration(60, 500)], None, "checked"),
        (CALIBRATED, [check(50)], "checked"),
        (CALIBRATED, [check(49)], "unchecked"),
        (CALIBRATED, [check(60), check(90, Outcome.FAILED)], "failed"),
        (CALIBRATED, [check(60, Outcome.FAILED), check(90)], "checked"),
        (CALIBRATED, [check(60, Outcome.OPEN)], "unchecked"),
        ([Calibration(0, 100)], [check(60, Outcome.FAILED)], "failed"),
        (CALIBRATED, [check(60, after=True)], "unchecked"),
        (CALIBRATED, [check(60, after=True), check(160, after=True)], "checked"),
        (CALIBRATED, [check(60, after=True), check(161, after=True)], "unchecked"),
        (CALIBRATED, [check(60, after=True), check(150, Outcome.FAILED, after=True)], "failed"),
        (CALIBRATED, [check(60), check(150, Outcome.FAILED)], "checked"),
        # A calibration after a failed check settles it where it left the instrument right; else the check since counts.
        ([Calibration(90, 1000, left_right=True)], [check(80, Outcome.FAILED)], "unchecked"),
        ([Calibration(90, 1000)], [check(80, Outcome.FAILED)], "failed"),
        ([Calibration(70, 1000, left_right=True)], [check(80, Outcome.FAILED)], "failed"),
        ([Calibration(105, 1000, left_right=True)], [check(80, Outcome.FAILED)], "failed"),
        ([Calibration(90, 1000, left_right=True)], [check(80, Outcome.FAILED), check(95)], "checked"),
    ],
)
def test_the_state_of_an_instrument_for_a_session_from_100_to_110(calibrations, checks, state) -> None:
    assert bench_state(100, 110, calibrations, checks) == BenchState(state)


@pytest.mark.parametrize(
    ("value", "sd", "outcome"),
    [
        (10.5, 0.0, "passed"),
        (9.5, 0.0, "passed"),
        (10.51, 0.0, "failed"),
        (9.49, 0.0, "failed"),
        (10.4, 0.02, "open"),
        (12.0, 0.02, "failed"),
        (10.0, 0.02, "passed"),
    ],
)
def test_a_check_is_decided_by_its_interval(value: float, sd: float, outcome: str) -> None:
    assert check_outcome(math.log(value), sd**2, 10.0, 5.0)[0] == Outcome(outcome)
    assert check_outcome(float("nan"), 0.0, 10.0, 5.0)[0] == Outcome.OPEN


# Level, and its standard error as a share, against 10.0 within 10 %.
@pytest.mark.parametrize(
    ("levels", "calibrated", "outcomes"),
    [
        # The invented tester that reads 14 % high: no check settles it alone.
        ([11.14, 11.35, 11.16], [], ["open", "failed", "failed"]),
        ([9.0 - 0.1, 9.0 - 0.1], [], ["open", "failed"]),
        ([11.14, 8.9], [], ["open", "open"]),
        ([11.14, 10.0, 11.14], [], ["open", "passed", "open"]),
        ([11.14, 10.9, 11.14], [], ["open", "open", "open"]),
        ([12.0, 11.14], [], ["failed", "failed"]),
        ([11.14, 11.35], [15], ["open", "open"]),
        ([11.14, 11.35], [5], ["open", "failed"]),
    ],
)
def test_a_second_check_outside_on_one_side_fails(levels, calibrated, outcomes) -> None:
    checks = []
    for place, level in enumerate(levels, 1):
        outcome, reading = check_outcome(math.log(level), 0.02**2, 10.0, 10.0)
        checks.append(Check(10 * place, outcome, 5, after=False, reading=reading))
    assert [one.outcome.value for one in read_again(checks, calibrated)] == outcomes


# Through the store

STANDARD = """
[[check_standard]]
supplier = "Kept references"
product = "coupon"
expected = 10.0
tolerance_percent = 10
before_hours = 12
"""
GATED = '\n[[instrument]]\nname = "tester 1"\ngates = true\n'
GATED_SECOND = GATED.replace("tester 1", "tester 2")


def put_tests(bench: Bench, name: str, lot: str, at: datetime, value: float = 15.0, *, standard: bool = False) -> None:
    names = {"supplier": "Kept references", "product": "coupon"} if standard else {}
    rows = lot_rows(lot, at, [[value, value * 1.01], [value * 0.99, value]], **names)
    bench.drop_tests(name, [{**row, "instrument": "tester 1"} for row in rows])


def put_calibration(bench: Bench, name: str, *row: object) -> None:
    (bench.folder / "drops" / "calibrations").mkdir(exist_ok=True)
    columns = ("instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty", "certificate")
    bench.drop(name, csv_text(columns, [[*row, *[""] * (7 - len(row))]]), "calibrations")


def states(bench: Bench) -> dict[str, tuple[str, str, str | None]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.exec_driver_sql(
            "SELECT l.lot, s.bench, s.conditioning, s.verdict FROM session s JOIN lot l ON l.id = s.lot_id"
        ).fetchall()
    store.close()
    return {row[0]: (row[1], row[2], row[3]) for row in rows}


def test_records_that_come_late_change_the_state_both_ways(bench: Bench) -> None:
    bench.declare(LAB_TOML + STANDARD)
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 70)
    put_tests(bench, "t.csv", "L1", MONDAY)
    bench.run()
    assert states(bench)["L1"] == ("unchecked", "valid", "pass")

    put_tests(bench, "k.csv", "K1", MONDAY - timedelta(hours=2), 10.1, standard=True)
    bench.run()
    assert states(bench)["L1"][0] == "checked"

    put_calibration(bench, "a.csv", "tester 1", (MONDAY - timedelta(days=400)).isoformat(), "2025-12-31")
    bench.run()
    assert states(bench)["L1"][0] == "overdue"

    put_calibration(bench, "b.csv", "tester 1", (MONDAY - timedelta(days=10)).isoformat(), "2026-12-31")
    bench.run()
    assert states(bench)["L1"][0] == "checked"

    put_tests(bench, "m.csv", "K2", MONDAY - timedelta(hours=1), 12.5, standard=True)
    bench.run()
    assert states(bench)["L1"] == ("failed", "valid", "pass")


@pytest.mark.parametrize(
    ("before", "after", "state"),
    [("12", "0.2", "unchecked"), ("12", "12", "failed"), ("", "", "failed"), ("0.2", "", "unchecked")],
)
def test_a_calibration_that_leaves_the_instrument_right_settles_a_failed_check_before_it(
    bench: Bench, before: str, after: str, state: str
) -> None:
    bench.declare(LAB_TOML + STANDARD)
    put_tests(bench, "k.csv", "K1", MONDAY - timedelta(hours=4), 12.5, standard=True)
    put_tests(bench, "t.csv", "L1", MONDAY)
    bench.run()
    assert states(bench)["L1"][0] == "failed"
    put_calibration(bench, "b.csv", "tester 1", (MONDAY - timedelta(hours=2)).isoformat(), "", before, after, "2")
    bench.run()
    assert states(bench)["L1"][0] == state


def test_an_instrument_that_gates_makes_its_tests_invalid_and_its_mend_valid_again(bench: Bench) -> None:
    bench.declare(LAB_TOML + GATED)
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 70)
    put_tests(bench, "t.csv", "L1", MONDAY)
    put_calibration(bench, "a.csv", "tester 1", (MONDAY - timedelta(days=400)).isoformat(), "2025-12-31")
    bench.run()
    assert states(bench)["L1"] == ("overdue", "instrument", "invalid")

    put_calibration(bench, "b.csv", "tester 1", (MONDAY - timedelta(days=10)).isoformat())
    bench.run()
    assert states(bench)["L1"] == ("checked", "valid", "pass")


def on(tester: str, rows: list[dict[str, object]], first_bag: int = 1) -> list[dict[str, object]]:
    return [{**row, "instrument": tester, "specimen": int(str(row["specimen"])) + first_bag - 1} for row in rows]


def put_two_testers(bench: Bench, values: tuple[float, float], pause: timedelta = timedelta(minutes=5)) -> None:
    """A check standard under one lot name on two testers, one after the other, and a lot measured on each."""
    names = {"supplier": "Kept references", "product": "coupon"}
    rows: list[dict[str, object]] = []
    for number, (tester, value) in enumerate(zip(("tester 1", "tester 2"), values, strict=True), start=1):
        at = MONDAY - timedelta(hours=2) + (number - 1) * pause
        rows += on(tester, lot_rows("K1", at, [[value, value * 1.01]], **names), number)
        rows += on(tester, lot_rows(f"L{number}", MONDAY, [[15.0, 15.1], [14.9, 15.0]]))
    bench.drop_tests("t.csv", rows)


@pytest.mark.parametrize("pause", [timedelta(minutes=5), timedelta()])
@pytest.mark.parametrize(("values", "wrong"), [((10.0, 12.5), "L2"), ((12.5, 10.0), "L1")])
def test_a_check_covers_only_the_tester_that_was_checked(
    bench: Bench, values: tuple[float, float], wrong: str, pause: timedelta
) -> None:
    bench.declare(LAB_TOML + STANDARD + GATED_SECOND)
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 70)
    put_calibration(bench, "a.csv", "tester 1", (MONDAY - timedelta(days=10)).isoformat())
    put_calibration(bench, "b.csv", "tester 2", (MONDAY - timedelta(days=10)).isoformat())
    put_two_testers(bench, values, pause)
    bench.run()

    of_lots = {lot: state[0] for lot, state in states(bench).items() if lot != "K1"}
    assert of_lots == {"L1": "checked", "L2": "checked"} | {wrong: "failed"}
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        document = lot_document.lot(connection, load(bench.folder), "Kept references", "K1")
    store.close()
    # Each session with the readings of its tester alone, also where both begin in the same minute.
    assert [(one["instrument"], [row["value"] for row in one["readings"]]) for one in document["sessions"]] == [
        (tester, [value, pytest.approx(value * 1.01)])
        for tester, value in zip(("tester 1", "tester 2"), values, strict=True)
    ]


@pytest.mark.parametrize(
    ("values", "state"), [((10.0, 10.0), "checked"), ((10.0, 12.5), "failed"), ((12.5, 10.0), "failed")]
)
def test_a_lot_on_two_testers_is_as_good_as_the_worse_of_them(
    bench: Bench, values: tuple[float, float], state: str
) -> None:
    bench.declare(LAB_TOML + STANDARD + GATED_SECOND)
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 70)
    for tester in ("tester 1", "tester 2"):
        put_calibration(bench, f"{tester}.csv", tester, (MONDAY - timedelta(days=10)).isoformat())
    rows = on("tester 1", lot_rows("L1", MONDAY, [[15.0, 15.1]])) + on(
        "tester 2", lot_rows("L1", MONDAY, [[14.9, 15.0]]), 2
    )
    bench.drop_tests("l.csv", rows)
    bench.run()
    assert states(bench)["L1"][:2] == ("unchecked", "valid")

    # The checks come late.
    put_two_testers(bench, values)
    bench.run()

    valid = state == "checked" or values[1] == 10.0
    assert states(bench)["L1"][:2] == (state, "valid" if valid else "instrument")

    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        (session,) = lot_document.lot(connection, load(bench.folder), "Alder Film", "L1")["sessions"]
    store.close()
    assert session["bench"] == {"instruments": ["tester 1", "tester 2"], "state": state}

    # A calibration that was due long ago comes later still.
    put_calibration(
        bench,
        "c.csv",
        "tester 2",
        (MONDAY - timedelta(days=2)).isoformat(),
        (MONDAY - timedelta(days=1)).date().isoformat(),
    )
    bench.run()
    assert states(bench)["L1"][:2] == ("failed" if state == "failed" else "overdue", "instrument")


WIDE = 0.03


def put_wide_check(bench: Bench, name: str, lot: str, at: datetime, value: float) -> None:
    """A check of three coupons whose scatter of a few percent leaves it open near the tolerance."""
    rows = lot_rows(
        lot, at, [[value * (1 + off)] * 2 for off in (-WIDE, 0, WIDE)], supplier="Kept references", product="coupon"
    )
    bench.drop_tests(name, [{**row, "instrument": "tester 1"} for row in rows])


@pytest.mark.parametrize("order", [(0, 1, 2), (2, 1, 0), (1, 2, 0)])
def test_a_tester_off_by_more_than_the_tolerance_fails_with_its_second_check_in_any_order(
    bench: Bench, order: tuple[int, ...]
) -> None:
    bench.declare(LAB_TOML + STANDARD + GATED)
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 24 * 20)
    put_calibration(bench, "a.csv", "tester 1", (MONDAY - timedelta(days=10)).isoformat(), "2027-12-31")
    weeks = [MONDAY + timedelta(days=7 * week) for week in range(2)]
    steps = [
        lambda: put_wide_check(bench, "k0.csv", "K0", weeks[0] - timedelta(hours=2), 11.14),
        lambda: put_wide_check(bench, "k1.csv", "K1", weeks[1] - timedelta(hours=2), 11.35),
        lambda: [put_tests(bench, f"t{week}.csv", f"L{week}", weeks[week]) for week in range(2)],
    ]
    for place in order:
        steps[place]()
        bench.run()
    found = states(bench)
    assert (found["L0"][:2], found["L1"][:2]) == (("unchecked", "valid"), ("failed", "instrument"))

    # A calibration between the two mends it: the row begins anew.
    put_calibration(bench, "b.csv", "tester 1", (MONDAY + timedelta(days=3)).isoformat(), "2027-12-31")
    bench.run()
    assert states(bench)["L1"][:2] == ("unchecked", "valid")


def test_one_round_over_all_and_a_round_a_file_end_alike(bench: Bench, tmp_path) -> None:
    once = Bench(tmp_path / "once", LAB_TOML + STANDARD + GATED)
    bench.declare(LAB_TOML + STANDARD + GATED)
    steps = [
        lambda b: put_tests(b, "m.csv", "K2", MONDAY - timedelta(hours=1), 12.5, standard=True),
        lambda b: put_tests(b, "t.csv", "L1", MONDAY),
        lambda b: put_calibration(b, "b.csv", "tester 1", (MONDAY - timedelta(days=10)).isoformat()),
        lambda b: b.drop_climate("c.csv", MONDAY - timedelta(hours=60), 70),
        lambda b: put_tests(b, "u.csv", "L2", MONDAY + timedelta(hours=2)),
    ]
    for step in steps:
        step(bench)
        bench.run()
        step(once)
    once.run()
    assert states(bench) == states(once)
    assert states(once)["L1"] == ("failed", "instrument", "invalid")


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        (("", "2026-01-03T09:00:00Z"), "instrument: is blank; write it"),
        (("tester 1", "3 January"), "done_at: "),
        (("tester 1", "2026-01-03T09:00:00Z", "next year"), "due_on: "),
        (
            ("tester 1", "2026-01-03T09:00:00Z", "", "-100"),
            'as_found: "-100" is no percentage of an instrument that works',
        ),
        (("tester 1", "2026-01-03T09:00:00Z", "", "", "", "-1"), 'uncertainty: "-1" is no percentage'),
        (("tester 1", "2026-01-03T09:00:00Z", "", "<2"), 'as_found: "<2" is bounded; write a number'),
    ],
)
def test_a_calibration_that_cannot_be_meant_is_refused_with_its_reason(
    bench: Bench, row: tuple[object, ...], reason: str
) -> None:
    put_calibration(bench, "a.csv", *row)
    (entry,) = bench.run().entries
    assert (entry.stored, entry.refused) == (0, 1)
    with (bench.folder / "refused" / "a.csv").open(encoding="utf-8") as file:
        assert next(csv.DictReader(file))["reason"].startswith(reason)


def test_a_corrected_calibration_keeps_its_earlier_values(bench: Bench) -> None:
    at = (MONDAY - timedelta(days=10)).isoformat()
    put_calibration(bench, "a.csv", "tester 1", at, "2026-12-31", "-8", "0", "3", "C-17")
    put_calibration(bench, "b.csv", "tester 1", at, "2026-12-31", "-8.0", "0", "3", "C-17")
    put_calibration(bench, "c.csv", "tester 1", at, "2026-12-31", "-7", "0", "3", "C-17")
    outcomes = [(one.stored, one.duplicate, one.corrected) for one in bench.run().entries]
    assert outcomes == [(1, 0, 0), (0, 1, 0), (0, 0, 1)]
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        (earlier,) = connection.exec_driver_sql("SELECT as_found FROM earlier_calibration").fetchall()
    store.close()
    assert earlier[0] == "-8.0"


def test_a_wrong_declaration_is_named(bench: Bench) -> None:
    bench.declare(LAB_TOML + STANDARD.replace("expected = 10.0", "expected = -1"))
    with pytest.raises(LabFileError, match="expected: expected a number above 0, got -1"):
        load(bench.folder)
