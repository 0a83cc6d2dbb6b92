"""What the bench page says first: the most urgent of what the pages of the bench ask for."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from support.commands import call, document
from support.demolab import copy_of, demo_lab
from support.labs import LAB_TOML, MONDAY, NOW, Bench, csv_text, lot_rows
from support.page_text import words

from dashboard.delivery import weekly_digest
from dashboard.pages import board
from dashboard.pages import retest as retest_page
from dashboard.pages.bench import bench as bench_page
from dashboard.pages.bench import instruments as instruments_page
from dashboard.pages.bench import ready as ready_page
from dashboard.queries.lab_reader import LabReader
from dashboard.text.bench.advice import Advice, Urgency, most_urgent
from ingest.sessions.calibration_due import overdue_instruments
from ingest.store.store import known_store

IN_ORDER = "Nothing to do on the bench: test the loads that have had their hours."
STANDARD = '[[check_standard]]\nsupplier = "Kept references"\nproduct = "coupon"\nexpected = 10.0\nbefore_hours = 60\n'


def lead(bench: Bench | Path) -> str:
    """The first line below the headline of the bench page."""
    page = bench_page.layout(LabReader(bench if isinstance(bench, Path) else bench.folder))
    first = next(part for part in page.children if getattr(part, "className", "") == "lead")
    return " ".join(" ".join(words(first)).split())


@pytest.fixture
def in_order(tmp_path: Path, lab_clock: None) -> Bench:
    """A lab whose log goes on to this moment, with a load, a tester in date and checked, and a lot that passed."""
    bench = Bench(tmp_path, LAB_TOML + STANDARD)
    for folder in ("loads", "calibrations"):
        (bench.folder / "drops" / folder).mkdir()
    bench.drop_climate("c.csv", NOW - timedelta(days=13), 24 * 13)
    at = NOW - timedelta(hours=20)
    bench.drop_tests("k.csv", lot_rows("K", at, [[10.0] * 2] * 2, supplier="Kept references", product="coupon"))
    bench.drop_tests("t.csv", lot_rows("L1", at + timedelta(hours=2), [[12.0] * 2] * 2))
    event = ((NOW - timedelta(hours=50)).isoformat(), "A", "C1", "in")
    bench.drop("l.csv", csv_text(("at", "load", "chamber", "event"), [event]), "loads")
    bench.drop("a.csv", csv_text(("instrument", "done_at"), [("E1", MONDAY.isoformat())]), "calibrations")
    bench.run()
    return bench


def test_nothing_is_to_be_done_only_where_every_page_says_so(in_order: Bench) -> None:
    assert lead(in_order) == IN_ORDER
    reader = LabReader(in_order.folder)
    assert "Nothing to do." in " ".join(words(instruments_page.layout(reader)))
    assert "Ready to test: A." in " ".join(words(ready_page.layout(reader)))
    assert "No lot to test again." in " ".join(words(retest_page.layout(reader)))


def test_what_another_page_asks_for_leads_the_bench_page_with_its_link(in_order: Bench) -> None:
    in_order.drop_tests("u.csv", lot_rows("L2", NOW - timedelta(hours=17), [[25.0] * 2] * 2))
    in_order.run()
    assert lead(in_order) == "1 lot to test again. Test again"

    other = lot_rows("L3", NOW - timedelta(hours=16), [[12.0] * 2] * 2)
    in_order.drop_tests("v.csv", [{**row, "instrument": "E2"} for row in other])
    in_order.run()
    assert lead(in_order).startswith("Record the calibration of E2, or run its set-up check before the next test.")
    assert lead(in_order).endswith("Instruments")

    high = lot_rows("K2", NOW - timedelta(hours=15), [[13.0] * 2] * 2, supplier="Kept references", product="coupon")
    after = lot_rows("L4", NOW - timedelta(hours=14), [[12.0] * 2] * 2)
    in_order.drop_tests("w.csv", [*high, *after])
    in_order.run()
    assert lead(in_order).startswith("Do not test on E1 until it is calibrated or passes its check")


def test_a_check_that_failed_since_the_last_test_stops_the_instrument_until_one_passes(in_order: Bench) -> None:
    def check(name: str, hours: float, value: float) -> str:
        at = NOW - timedelta(hours=hours)
        rows = lot_rows(name, at, [[value] * 2] * 2, supplier="Kept references", product="coupon")
        in_order.drop_tests(f"{name}.csv", rows)
        in_order.run()
        (one,) = document(in_order.folder, "instruments")
        return str(one["state"])

    assert check("K2", 15, 13.0) == "failed"
    assert lead(in_order).startswith("Do not test on E1 until it is calibrated or passes its check")
    assert check("K3", 14, 10.0) == "checked"
    assert lead(in_order) == IN_ORDER

    # A calibration that leaves it right settles the failed check, and shows no check.
    assert check("K4", 13, 13.0) == "failed"
    columns = ("instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty")
    row = ("E1", (NOW - timedelta(hours=12)).isoformat(), "", "25", "0.1", "2")
    in_order.drop("d.csv", csv_text(columns, [row]), "calibrations")
    in_order.run()
    (one,) = document(in_order.folder, "instruments")
    assert one["state"] == "unchecked"


def test_a_calibration_past_its_due_date_is_stated_in_the_same_words_wherever_work_begins(in_order: Bench) -> None:
    columns = ("instrument", "done_at", "due_on")
    in_order.drop(
        "b.csv", csv_text(columns, [("E1", (MONDAY + timedelta(days=1)).isoformat(), "2026-11-23")]), "calibrations"
    )
    in_order.run()
    reader = LabReader(in_order.folder)
    line = "Do not test on E1 (calibration due 23 Nov 2026) until it is calibrated; an authorised person decides about the tests since."
    for page in (bench_page, instruments_page, board, ready_page, retest_page):
        assert line in " ".join(" ".join(words(page.layout(reader))).split()), page.__name__
    for command in ("instruments", "board", "ready", "retest"):
        assert line in call(in_order.folder, command).stdout, command
    overdue = [{"name": "E1", "due_on": "2026-11-23"}]
    assert document(in_order.folder, "ready")["overdue"] == overdue
    assert document(in_order.folder, "instruments")[0]["state"] == "overdue"
    for command in ("board", "retest"):
        assert call(in_order.folder, command, "--json").stderr == f"{line}\n"
    with reader.reading() as connection:
        week = weekly_digest.document(connection, reader.lab, NOW)
    assert week["overdue"] == overdue
    assert line in weekly_digest.as_message(week, {}, None).text

    # On its due day an instrument is in date, and so is one that was calibrated since.
    with reader.reading() as connection:
        on_its_day = datetime(2026, 11, 23, 23, 59, tzinfo=reader.lab.zone)
        assert overdue_instruments(connection, reader.lab, on_its_day) == []
        assert overdue_instruments(connection, reader.lab, on_its_day + timedelta(minutes=1)) == overdue
        # Not tested on for a year, it is out of use: the page Instruments alone names it.
        later = NOW + timedelta(days=365)
        assert overdue_instruments(connection, reader.lab, later) == []
        assert overdue_instruments(connection, reader.lab, later, in_use=False) == overdue
    done = (NOW - timedelta(hours=1)).isoformat()
    in_order.drop("c.csv", csv_text(columns, [("E1", done, "2027-11-24")]), "calibrations")
    in_order.run()
    for page in (bench_page, instruments_page, board, ready_page, retest_page):
        assert "Do not test on" not in " ".join(words(page.layout(reader))), page.__name__
    (one,) = document(in_order.folder, "instruments")
    assert one["state"] == "unchecked"


def test_the_demo_is_not_told_that_there_is_nothing_to_do(tmp_path_factory: pytest.TempPathFactory) -> None:
    lab = demo_lab(Path(str(tmp_path_factory.getbasetemp())))
    assert "Nothing to do" not in lead(lab)


def test_the_first_of_the_most_urgent_comes_first() -> None:
    some = [Advice(Urgency.TEST, "a"), Advice(Urgency.STOP, "b"), Advice(Urgency.STOP, "c")]
    found = most_urgent(some)
    assert found is not None
    assert found.text == "b"
    assert most_urgent([]) is None


def test_an_open_finding_about_the_bench_does_not_stop_the_page_ready(
    tmp_path_factory: pytest.TempPathFactory, tmp_path: Path
) -> None:
    lab = copy_of(demo_lab(Path(str(tmp_path_factory.getbasetemp()))), tmp_path / "lab")
    store = known_store(lab)
    assert store is not None
    with store.writing() as connection:
        # The finding of the demo, as on the days before its tester was mended.
        opened = connection.exec_driver_sql(
            "UPDATE alert SET state = 'open' WHERE kind = 'bench' AND stream_id IS NULL"
        )
        assert opened.rowcount > 0
    store.close()
    assert "Chamber" in " ".join(words(ready_page.layout(LabReader(lab))))
