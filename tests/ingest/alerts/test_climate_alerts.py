"""Readings without valid conditioning: one alert an excursion and chamber, none against a supplier."""

from __future__ import annotations

from datetime import datetime, timedelta

from support.labs import MONDAY, Bench, csv_text, lot_rows

from dashboard.queries import stored_documents
from ingest.config.lab import load
from ingest.store.store import known_store

BOTH_STORES = True


def log(bench: Bench, name: str, start: datetime, hours: int, humid: tuple[int, int]) -> None:
    """Hourly-and-a-half entries at 12 %, and at 18 % between two hours of `humid`."""
    rows = [
        (
            (start + timedelta(minutes=30 * step)).isoformat(),
            "C1",
            18.0 if humid[0] <= step / 2 < humid[1] else 12.0,
            23.0,
        )
        for step in range(2 * hours + 1)
    ]
    bench.drop(name, csv_text(("logged_at", "chamber", "humidity_percent", "temperature_c"), rows), "climate")


def alerts(bench: Bench) -> list[dict[str, object]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        return stored_documents.alerts(connection, load(bench.folder), closed_too=True)


def test_one_humid_night_is_one_alert_for_all_sessions_it_spoils(bench: Bench) -> None:
    log(bench, "log.csv", MONDAY - timedelta(hours=100), 200, humid=(80, 90))
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[25.0]]) + lot_rows("L1", MONDAY + timedelta(hours=3), [[25.0]]))

    bench.run()

    (alert,) = alerts(bench)
    assert (alert["kind"], alert["grade"], alert["supplier"], alert["lot"]) == ("climate", "note", None, None)
    assert alert["message"] == (
        "Chamber C1 was too humid before 2 test sessions; they set no limit and raise no alert against a supplier"
    )
    assert alert["evidence"]["lots"] == ["Alder Film L0", "Alder Film L1"]  # type: ignore[index]


def test_two_excursions_are_two_alerts(bench: Bench) -> None:
    log(bench, "log.csv", MONDAY - timedelta(hours=100), 120, humid=(80, 90))
    log(bench, "later.csv", MONDAY + timedelta(hours=30), 400, humid=(200, 210))
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))
    bench.drop_tests("b.csv", lot_rows("L1", MONDAY + timedelta(hours=250), [[10.0]]))

    bench.run()

    assert len(alerts(bench)) == 2


def test_the_alert_goes_when_the_missing_log_arrives(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]]))
    bench.run()
    assert [alert["kind"] for alert in alerts(bench)] == ["climate"]

    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 72)
    bench.run()

    assert alerts(bench) == []


def test_a_load_that_went_in_late_is_named_and_its_chamber_is_not_blamed(bench: Bench) -> None:
    """The chamber was inside its tolerance all the time: 8 of 48 hours were missing to the load."""
    log(bench, "log.csv", MONDAY - timedelta(hours=100), 120, humid=(200, 210))
    (bench.folder / "drops" / "loads").mkdir()
    entered = MONDAY - timedelta(hours=40)
    bench.drop(
        "l.csv", csv_text(("at", "load", "chamber", "event"), [(entered.isoformat(), "N-1", "C1", "in")]), "loads"
    )
    bench.drop_tests("a.csv", [{**row, "load": "N-1"} for row in lot_rows("L0", MONDAY, [[10.0]])])

    bench.run()

    (alert,) = alerts(bench)
    assert alert["message"] == (
        "1 test session too early: load N-1 went into chamber C1 on 3 Jan 2026, 17:00; it sets no limit and raises no alert "
        "against a supplier"
    )


def test_a_log_that_begins_late_is_a_matter_of_the_chamber(bench: Bench) -> None:
    log(bench, "log.csv", MONDAY - timedelta(hours=30), 40, humid=(200, 210))
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))

    bench.run()

    (alert,) = alerts(bench)
    assert str(alert["message"]).startswith("Chamber C1 ")


def test_the_note_about_a_test_without_a_log_names_it_and_the_next_step(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 40)
    bench.drop_tests("a.csv", lot_rows("L1", MONDAY, [[11.0]]))
    bench.run()
    (alert,) = alerts(bench)
    assert alert["message"] == (
        "Nothing shows how dry the bags were before 1 test session: the log of chamber C1 is missing or has a gap. Bring the missing record "
        "or test again; until then it sets no limit and raises no alert against a supplier"
    )

    # With a record of its load the bags may also have left the chamber that was logged.
    columns = ("at", "load", "chamber", "event", "supplier", "product", "lot")
    rows = [
        ((MONDAY - timedelta(hours=hours)).isoformat(), "N-1", "C1", event, "Alder Film", "MB-10", "L1")
        for hours, event in ((59, "in"), (30, "out"))
    ]
    (bench.folder / "drops" / "loads").mkdir()
    bench.drop("l.csv", csv_text(columns, rows), "loads")
    bench.run()
    (alert,) = alerts(bench)
    assert "the log of chamber C1 is missing or has a gap, or the load had been taken out. Bring" in str(
        alert["message"]
    )
