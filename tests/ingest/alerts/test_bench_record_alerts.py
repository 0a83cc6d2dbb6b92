"""Alerts that a record of the bench raises by itself, and the tests that they mark: meters found off, sensors, recovery."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

import jsonschema
import numpy as np
import pytest
from support.commands import document
from support.labs import LAB_TOML, MONDAY, NOW, Bench, csv_text, lot_rows
from support.page_text import words

from dashboard.components.alert_card import alert_card
from dashboard.delivery.alert_messages import MessageContext, about_one
from dashboard.pages.bench import bench as bench_page
from dashboard.pages.bench import ready as ready_page
from dashboard.queries import lot_document, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.schemas import schema
from dashboard.text.bench.bench_mark_text import mark_sentence
from ingest.common.errors import CallError
from ingest.config.lab import load
from ingest.decisions.responses import respond
from ingest.decisions.sensor_checks import record_check, take_back_check
from ingest.rounds.recompute import derive
from ingest.sessions.ready import ready
from ingest.sessions.sensors import sensors
from ingest.store.store import open_store

BOTH_STORES = True

CHAMBER = '\n[[chamber]]\nname = "C1"\nsensor_uncertainty = 1.0\nsecond = "C1 b"\nsecond_uncertainty = 1.0\n'
CALIBRATIONS = ("instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty")


def reading(bench: Bench, of: Callable[[Any], Any], *, write: bool = False) -> Any:
    store = open_store(bench.folder)
    try:
        with store.writing() if write else store.reading() as connection:
            return of(connection)
    finally:
        store.close()


def alerts(bench: Bench) -> list[tuple[str, str, str]]:
    sql = "SELECT grade, state, message FROM alert WHERE kind = 'bench' ORDER BY raised_us"
    return [tuple(row) for row in reading(bench, lambda one: one.exec_driver_sql(sql).fetchall())]


def lot(bench: Bench, name: str) -> Any:
    return reading(bench, lambda one: lot_document.lot(one, load(bench.folder), "Alder Film", name))


def marks(bench: Bench, name: str) -> list[Any]:
    return [mark for session in lot(bench, name)["sessions"] for mark in session["bench_findings"]]


def put_tests(bench: Bench, name: str, tested: datetime, level: float) -> None:
    rows = lot_rows(name, tested, [[level * 0.99, level, level * 1.01]] * 3)
    bench.drop_tests(f"{name}.csv", [{**row, "instrument": "T1"} for row in rows])


@pytest.fixture
def off(bench: Bench) -> Bench:
    """A meter found 8 % low after 90 days: lot A of day 85 turns, lot B of day 50 does not; both lie after the calibration."""
    bench.declare(LAB_TOML + '\n[[instrument]]\nname = "T1"\ntolerance_percent = 5\n')
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 24 * 95)
    put_tests(bench, "A", MONDAY + timedelta(days=85), 18.9)
    put_tests(bench, "B", MONDAY + timedelta(days=50), 12.0)
    put_tests(bench, "C", MONDAY + timedelta(days=92), 12.0)
    (bench.folder / "drops" / "calibrations").mkdir()
    rows = [
        ("T1", MONDAY.isoformat(), "2026-12-31", "0", "0", "2"),
        ("T1", (MONDAY + timedelta(days=90)).isoformat(), "2027-06-30", "-8", "0", "2"),
    ]
    bench.drop("k.csv", csv_text(CALIBRATIONS, rows), "calibrations")
    bench.run()
    return bench


def test_a_meter_found_off_raises_an_act_alert_and_marks_the_tests_since_the_last_good_evidence(off: Bench) -> None:
    ((grade, state, message),) = alerts(off)
    assert (grade, state) == ("act", "open")
    assert message == (
        "T1 was 8 % low at its calibration of 5 Apr 2026, tolerance 5 %; last good evidence calibration of 5 Jan 2026: "
        "the verdict of 1 lot could change"
    )
    (mark,) = marks(off, "A")
    assert (mark["size"], mark["size_unit"]) == (-8.0, "%")
    assert mark["level_without"] == pytest.approx(18.9 / 0.92, rel=1e-4)
    # The verdict is not changed, and what was tested afterwards is not marked.
    assert lot(off, "A")["sessions"][0]["verdict"] == "pass"
    assert len(marks(off, "B")) == 1
    assert marks(off, "C") == []


def test_it_closes_when_a_person_decided_about_every_lot_whose_verdict_could_change(off: Bench) -> None:
    reading(off, lambda one: respond(one, 'lot:["Alder Film", "A"]', "hold", "Ann", "test again", "", NOW), write=True)
    assert off.run().raised == []
    ((_, state, _),) = alerts(off)
    assert state == "closed"
    assert len(marks(off, "A")) == 1


def test_a_corrected_calibration_takes_alert_and_marks_away(off: Bench) -> None:
    row = ("T1", (MONDAY + timedelta(days=90)).isoformat(), "2027-06-30", "-1", "0", "2")
    off.drop("k2.csv", csv_text(CALIBRATIONS, [row]), "calibrations")
    off.run()
    assert alerts(off) == []
    assert marks(off, "A") == []


def test_one_that_changes_no_verdict_is_a_note_that_is_closed(bench: Bench) -> None:
    bench.declare(LAB_TOML + '\n[[instrument]]\nname = "T1"\ntolerance_percent = 5\n')
    put_tests(bench, "B", MONDAY + timedelta(days=50), 12.0)
    (bench.folder / "drops" / "calibrations").mkdir()
    rows = [
        ("T1", MONDAY.isoformat(), "", "0", "0", "2"),
        ("T1", (MONDAY + timedelta(days=90)).isoformat(), "", "6", "0", "2"),
    ]
    bench.drop("k.csv", csv_text(CALIBRATIONS, rows), "calibrations")
    bench.run()
    ((grade, state, _),) = alerts(bench)
    assert (grade, state) == ("note", "closed")


# Sensors


@pytest.fixture
def logged(bench: Bench) -> Bench:
    bench.declare(LAB_TOML + CHAMBER)
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 24 * 40)
    for number, day in enumerate((5, 15, 25)):
        put_tests(bench, f"L{number}", MONDAY + timedelta(days=day), 12.0)
    bench.run()
    return bench


def check(bench: Bench, day: float, reads: str, **fields: str) -> None:
    at = (MONDAY + timedelta(days=day)).isoformat()
    written = {"sensor": "C1", "reads": reads, "salt": "lithium chloride", "temperature": "25", "at": at, **fields}

    def enter(connection: Any) -> None:
        record_check(connection, load(bench.folder), "Ann", "", written, NOW)
        derive(connection, load(bench.folder))

    reading(bench, enter, write=True)


def marked(bench: Bench) -> list[int]:
    return [len(marks(bench, name)) for name in ("L0", "L1", "L2")]


def test_the_document_of_the_instruments_has_the_sensors_with_their_checks(logged: Bench) -> None:
    check(logged, 10, "12.3")
    check(logged, 20, "12.4")
    every = document(logged.folder, "instruments")
    jsonschema.validate(every, schema("instruments"), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER)
    assert {one["kind"] for one in every if one["sensor"] is None} <= {"test instrument"}
    sensors = {one["name"]: one for one in every if one["kind"] == "humidity sensor"}
    assert {name: one["state"] for name, one in sensors.items()} == {"C1": "failed", "C1 b": "unchecked"}
    assert [(one["reads"], one["outcome"]) for one in sensors["C1"]["sensor"]["checks"]] == [
        (12.4, "failed"),
        (12.3, "passed"),
    ]
    assert sensors["C1 b"]["sensor"]["chamber"] == "C1"


def test_tests_between_a_failed_check_and_the_last_good_one_are_marked_and_stay_so(logged: Bench) -> None:
    # OIML R 121: 11.3 +- 0.3 % at 25 degrees. With U = 1.0 of the sensor, 1.04 % is the largest difference that passes.
    check(logged, 10, "12.3")
    assert marked(logged) == [0, 0, 0]
    check(logged, 20, "12.4")
    assert marked(logged) == [0, 1, 1]
    ((grade, state, message),) = alerts(logged)
    assert (grade, state) == ("act", "open")
    assert message == (
        "Humidity sensor of chamber C1 read 12.4 % RH over lithium chloride, expected 11.3 ± 0.3 %, on 25 Jan 2026; last good check "
        "15 Jan 2026: 2 test sessions since then marked"
    )
    (mark,) = marks(logged, "L1")
    assert (mark["size"], mark["level_without"]) == (None, None)
    sentence = mark_sentence([mark], 12.0, {"unit": "nJ", "digits": 3})
    assert "lots conditioned in chamber C1 not known to be right since 15 Jan 2026" in sentence
    assert lot(logged, "L1")["sessions"][0]["verdict"] == "pass"
    (chamber,) = reading(logged, lambda one: ready(one, load(logged.folder), NOW))["chambers"]
    assert chamber["sensor"]["state"] == "failed"

    # It passes again: the alert closes, the tests stay marked up to this check.
    check(logged, 22, "11.2")
    ((_, state, _),) = alerts(logged)
    assert state == "closed"
    assert marked(logged) == [0, 1, 0]

    # A round derives the same, and a check that is taken back was never made.
    logged.run()
    assert marked(logged) == [0, 1, 0]
    at = (MONDAY + timedelta(days=20)).isoformat()

    def undo(connection: Any) -> None:
        take_back_check(connection, load(logged.folder), "C1", at, "Ann", "another sensor", NOW)
        derive(connection, load(logged.folder))

    reading(logged, undo, write=True)
    assert (alerts(logged), marked(logged)) == ([], [0, 0, 0])


def test_a_first_check_that_fails_marks_everything_before(logged: Bench) -> None:
    check(logged, 30, "14")
    assert marked(logged) == [1, 1, 1]
    assert "it was never checked before" in alerts(logged)[0][2]


def test_without_a_declared_uncertainty_a_check_decides_nothing(logged: Bench) -> None:
    logged.declare(LAB_TOML)
    check(logged, 30, "14")
    assert (alerts(logged), marked(logged)) == ([], [0, 0, 0])
    (sensor,) = reading(logged, lambda one: sensors(one, load(logged.folder), NOW))
    assert (sensor["state"], sensor["checks"][0]["outcome"]) == ("unchecked", "open")


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"sensor": "X"}, "no log has the sensor"),
        ({"reads": "dry"}, "reads: expected a number"),
        ({"reads": "101"}, "reads: expected a humidity from 0 to 100"),
        ({"temperature": "23"}, "temperature must be from 25 to 30 degrees for lithium chloride"),
        ({"salt": "table salt"}, "salt must be one of lithium chloride"),
        ({"salt": "potassium acetate"}, "no uncertainty of potassium acetate is known here"),
        ({"salt": "", "reference": "12", "uncertainty": "0"}, "uncertainty: expected a number above 0"),
        ({"at": "2027-01-01T10:00"}, "is in the future"),
    ],
)
def test_a_check_that_can_not_be_meant_is_one_clear_line(logged: Bench, fields: dict[str, str], message: str) -> None:
    with pytest.raises(CallError, match=r"^check sensor: ") as refused:
        check(
            logged, 20, fields.get("reads", "11.3"), **{name: text for name, text in fields.items() if name != "reads"}
        )
    assert message in str(refused.value)


def test_a_second_sensor_that_reads_apart_asks_for_a_check_until_they_agree(logged: Bench) -> None:
    # The two uncertainties of 1.0 allow 1.41 %.
    logged.drop_climate("b.csv", MONDAY - timedelta(hours=60), 24 * 40, humidity=13.4, chamber="C1 b")
    logged.run()
    assert alerts(logged) == []
    start = MONDAY - timedelta(hours=60) + timedelta(days=40, minutes=30)
    logged.drop_climate("c2.csv", start, 24 * 8)
    logged.drop_climate("b2.csv", start, 24 * 8, humidity=13.5, chamber="C1 b")
    logged.run()
    ((grade, _, message),) = alerts(logged)
    assert grade == "look"
    assert message.startswith(
        "C1 b reads 1.5 % RH more than the sensor of chamber C1 over 8 days, the two uncertainties allow 1.4 %"
    )
    assert logged.run().raised == []
    later = start + timedelta(days=8, minutes=30)
    logged.drop_climate("c3.csv", later, 24 * 8)
    logged.drop_climate("b3.csv", later, 24 * 8, humidity=12.5, chamber="C1 b")
    logged.run()
    assert alerts(logged) == []


# Recovery


def test_a_recovery_that_slows_raises_a_look_alert_with_its_figures_once(bench: Bench) -> None:
    rng = np.random.default_rng(3)
    minutes = np.arange(0.0, 120 * 1440.0, 10.0)
    humidity = np.full(len(minutes), 12.0)
    for at in np.arange(600.0, 118 * 1440.0, 2 * 1440.0):
        constant = 20.0 * 1.2 ** (at / 1440 / 30.4375) * np.exp(0.1 * rng.standard_normal())
        after = np.flatnonzero(minutes >= at)[:100]
        humidity[after] += 9.0 * np.exp(-(minutes[after] - at) / constant)
    rows = [
        ((MONDAY + timedelta(minutes=minute)).isoformat(), "C1", round(value, 1), 23.0)
        for minute, value in zip(minutes.tolist(), humidity.tolist(), strict=True)
    ]
    bench.drop("c.csv", csv_text(("logged_at", "chamber", "humidity_percent", "temperature_c"), rows), "climate")
    assert len(bench.run().raised) >= 1
    ((grade, state, message),) = alerts(bench)
    assert (grade, state) == ("look", "open")
    assert message.startswith("Chamber C1 recovers more slowly after each door opening: ")
    assert message.endswith("look at the dryer and the door seal")
    assert bench.run().raised == []

    # The person beside the chamber reads it there, with the way to the alert.
    shown = ready_page.layout(LabReader(bench.folder))
    assert message in " ".join(words(shown))
    assert "href='/alerts?show=all#alert-check" in str(shown)


# In words


def test_mail_and_page_of_a_meter_found_off_name_the_matter_and_lead_to_the_sheet(off: Bench) -> None:
    store = open_store(off.folder)
    with store.reading() as connection:
        (alert,) = [one for one in stored_documents.alerts(connection, load(off.folder)) if one["kind"] == "bench"]
    store.close()
    message = about_one(alert, MessageContext("Lab", 13, None))
    assert message.subject == "[lotdrift] act: bench, meter found off"
    assert (
        "Look at the sheet of its lots on the page Instruments; an authorised person decides about them."
        in message.text
    )
    assert "lots of 0 streams" not in message.text
    shown = " ".join(words(alert_card(alert, [])))
    assert "instruments and the sheet of lots" in shown
    assert "streams were measured" not in shown
    assert "T1" in " ".join(words(bench_page.layout(LabReader(off.folder))))
