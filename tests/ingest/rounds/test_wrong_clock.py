"""A computer's clock that was wrong for a while: once it is right, nothing stays as the wrong one made it look."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import text
from support.alarms import Alarms
from support.labs import LAB_TOML, NOW, Bench, lot_rows
from support.receivers import free_port

from dashboard.cli import main
from dashboard.pages.bench.bench import layout
from dashboard.queries import bench_queries, page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import scorecard
from ingest.common.clock import now
from ingest.common.instants import microseconds
from ingest.config.lab import load
from ingest.quarter import first_issue
from ingest.rounds import rounds
from ingest.store.last_round import last_round, misdated
from ingest.store.store import known_store, open_store

pytestmark = pytest.mark.usefixtures("lab_clock")

BOTH_STORES = True

YEAR = timedelta(days=365)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
WEEKLY = LAB_TOML.replace('folder = "drops/tests"', 'folder = "drops/tests"\nsilent_after_days = 7')
THIS_QUARTER = "2026-Q4"


@pytest.fixture
def running(bench: Bench) -> Bench:
    """A lab whose streams had their last lots a moment ago, on 25 November 2026."""
    bench.declare(WEEKLY)
    first = NOW - timedelta(weeks=8, hours=2)
    bench.drop_climate("log.csv", first - timedelta(days=4), 24 * 64)
    rows = [row for week in range(9) for row in lot_rows(f"L{week}", first + timedelta(weeks=week), [[9.0, 9.1]] * 2)]
    bench.drop_tests("t.csv", rows)
    bench.run(NOW)
    return bench


def noted(bench: Bench) -> list[tuple[str, datetime]]:
    with open_store(bench.folder).reading() as connection:
        rows = connection.execute(
            text("SELECT quarter, drawn_us FROM drawn_quarter WHERE quarter = :name"), {"name": THIS_QUARTER}
        )
        return [(name, datetime.fromtimestamp(us / 1e6, UTC)) for name, us in rows]


def draw(bench: Bench, name: str = THIS_QUARTER) -> dict[str, object]:
    """The card as it stands after what a round notes of quarters that are over."""
    store, lab = known_store(bench.folder), load(bench.folder)
    assert store is not None
    first_issue.record_first_issue(store, lab)
    with store.reading() as connection:
        (card,) = scorecard.documents(connection, lab, name)
    return card


def feed_alerts(bench: Bench) -> list[datetime]:
    with open_store(bench.folder).reading() as connection:
        rows = connection.execute(text("SELECT raised_us FROM alert WHERE kind = 'feed' ORDER BY raised_us"))
        return [datetime.fromtimestamp(us / 1e6, UTC) for us in rows.scalars()]


def test_after_one_round_a_year_ahead_nothing_stays_silent_and_papers_have_the_right_day(running: Bench) -> None:
    lab = load(running.folder)
    running.run(NOW + YEAR)
    with open_store(running.folder).reading() as connection:
        assert {row["state"] for row in stored_documents.board(connection, lab)} == {"silent"}

    running.run(NOW + HOUR)

    with open_store(running.folder).reading() as connection:
        assert {row["state"] for row in stored_documents.board(connection, lab)} == {"learning"}
        assert page_queries.reviewed(connection, lab) == (NOW + HOUR).isoformat()
        week = page_queries.last_week(connection, lab)
    assert week is not None
    assert week["lots"] == 1
    assert draw(running)["drawn_up_at"] == (NOW + HOUR).isoformat()


def test_a_quarter_that_only_a_wrong_clock_called_over_is_drawn_up_first_when_it_is(running: Bench) -> None:
    running.run(NOW + YEAR)
    assert draw(running)["first_drawn_up_at"] == (NOW + YEAR).isoformat()
    assert noted(running) == [(THIS_QUARTER, NOW + YEAR)]

    running.run(NOW + HOUR)
    assert draw(running)["first_drawn_up_at"] is None
    over = datetime(2027, 1, 4, 9, tzinfo=UTC)
    running.run(over)
    assert draw(running)["first_drawn_up_at"] == over.isoformat()
    assert noted(running) == [(THIS_QUARTER, over)]
    # Also when the time is reached that the wrong clock showed.
    running.run(NOW + YEAR + DAY)
    assert draw(running)["first_drawn_up_at"] == over.isoformat()


def test_what_was_noted_under_a_right_clock_outlasts_one_that_is_behind(running: Bench) -> None:
    running.run(NOW + HOUR)
    over = datetime(2027, 1, 4, 9, tzinfo=UTC)
    running.run(over)
    draw(running)
    running.run(datetime(2020, 1, 1, tzinfo=UTC))
    assert draw(running)["first_drawn_up_at"] is None
    running.run(over + DAY)

    assert draw(running)["first_drawn_up_at"] == over.isoformat()
    assert noted(running) == [(THIS_QUARTER, over)]


def test_a_source_is_silent_by_the_right_clock(running: Bench) -> None:
    running.drop_tests("ahead.csv", lot_rows("A0", NOW - DAY, [[9.0, 9.1]] * 2))
    running.run(NOW + YEAR)
    assert feed_alerts(running) == []
    running.run(NOW + YEAR + 8 * DAY)
    assert len(feed_alerts(running)) == 1

    # What came under the wrong clock counts from the first round after it.
    running.run(NOW + HOUR)
    assert feed_alerts(running) == []
    assert running.run(NOW + HOUR + 7 * DAY).raised == []
    assert len(running.run(NOW + 2 * HOUR + 7 * DAY).raised) == 1
    assert feed_alerts(running) == [NOW + HOUR]


def test_a_file_refused_under_a_wrong_clock_is_dated_by_the_right_one(running: Bench) -> None:
    running.drop("bad.csv", "nothing of use\n1\n")
    running.run(NOW + YEAR)
    assert feed_alerts(running) == [NOW + YEAR]
    with open_store(running.folder).writing() as connection:
        connection.exec_driver_sql("UPDATE alert SET state = 'acknowledged' WHERE kind = 'feed'")

    assert running.run(NOW + HOUR).raised == []

    assert feed_alerts(running) == [NOW + HOUR]
    with open_store(running.folder).reading() as connection:
        assert connection.exec_driver_sql("SELECT state FROM alert WHERE kind = 'feed'").scalars().all() == [
            "acknowledged"
        ]


def test_a_message_that_waits_by_a_wrong_clock_is_tried_by_the_right_one(tmp_path: Path) -> None:
    port = free_port()
    declared = (
        f'\n[mail]\nserver = "127.0.0.1"\nport = {port}\nfrom = "bench@example.org"\nsecurity = "none"\n'
        'to = ["sam@example.org"]\n'
    )
    alarms = Alarms(tmp_path, declared)
    alarms.raise_alert("one")
    alarms.clock += YEAR
    assert len(alarms.deliver()) > 0
    assert alarms.deliver() == []

    alarms.clock -= YEAR
    (line,) = alarms.deliver(after=HOUR)
    assert "to send again" in line


def test_a_file_that_only_a_clock_behind_would_refuse_waits_for_a_right_one(running: Bench) -> None:
    rows = lot_rows("N0", NOW + HOUR, [[9.0, 9.1]] * 2)
    new = running.drop_tests("new.csv", rows)
    old = running.drop_tests("old.csv", lot_rows("O0", datetime(2019, 5, 1, tzinfo=UTC), [[9.0]]))

    done = running.run(datetime(2020, 1, 1, tzinfo=UTC))

    found = {entry.name: entry for entry in done.entries}
    assert (found["new.csv"].state, found["old.csv"].stored) == ("refused", 1)
    assert "set the clock" in found["new.csv"].reason
    assert (new.exists(), old.exists()) == (True, False)
    (entry,) = running.run(NOW + 2 * HOUR).entries
    assert (entry.state, entry.stored, entry.refused) == ("stored", 4, 0)


def test_a_stamp_ahead_of_a_right_clock_is_refused_also_after_a_wrong_one(running: Bench) -> None:
    running.run(NOW + YEAR)
    running.drop_tests("slip.csv", lot_rows("S0", NOW + 3 * DAY, [[9.0]]))

    (entry,) = running.run(NOW + HOUR).entries

    assert (entry.state, entry.refused) == ("stored", 1)


def test_the_console_and_the_bench_page_say_that_the_clock_went_back(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", now() - 2 * DAY, [[10.0]]))
    ahead = now() + timedelta(days=100, hours=1)
    rounds.run(load(bench.folder), ahead)

    said = CliRunner().invoke(main, ["run", "--lab", str(bench.folder)])

    (line,) = [line for line in said.stderr.splitlines() if "clock" in line]
    assert line.startswith("The computer's clock went back by 100 days between two rounds: the earlier one began at ")
    assert line.endswith("The newest round is believed; see that the clock is right now.")
    assert said.exit_code == 0
    desk = LabReader(bench.folder)
    with desk.reading() as connection:
        assert bench_queries.bench(connection, desk.lab)["clock"] == line
    assert "went back by 100 days" in str(layout(desk))
    assert "clock" not in CliRunner().invoke(main, ["run", "--lab", str(bench.folder)]).stderr


def test_a_clock_that_was_never_wrong_is_not_spoken_of(bench: Bench) -> None:
    for minutes in (0, 10, 5, 60):
        # Two rounds that waited for each other are out of order by a few minutes.
        assert bench.run(NOW + timedelta(minutes=minutes)).notes == []
    with open_store(bench.folder).reading() as connection:
        assert bench_queries.bench(connection, load(bench.folder))["clock"] == ""
        assert misdated(connection) == {}


@pytest.mark.parametrize(
    ("days", "wrong"),
    [
        ([0, 1, 2], {}),
        ([0, 1, 366, 2], {366: 2}),
        ([0, 1, 366, 367, 2, 3], {366: 2, 367: 2}),
        # The time is reached that the wrong clock showed.
        ([0, 1, 366, 2, 3, 365, 366.5, 367], {366: 2}),
        ([0, 1, -2000, 2], {-2000: 2}),
        ([0, 1, 1.5, -2000, -1999, 2, 3], {-2000: 2, -1999: 2}),
        ([0, 1, 366, 2, 500, 3], {366: 2, 500: 3}),
        # Nothing tells yet that this clock is the wrong one.
        ([0, 1, -2000], {0: -2000, 1: -2000}),
    ],
)
def test_rounds_of_a_wrong_clock_stand_out_by_their_order(
    bench: Bench, days: list[float], wrong: dict[float, float]
) -> None:
    def us(day: float) -> int:
        return microseconds(NOW + timedelta(days=day))

    with open_store(bench.folder).writing() as connection:
        assert last_round(connection) is None
        for day in days:
            connection.exec_driver_sql("INSERT INTO round (started_us) VALUES (?)", (us(day),))
        assert last_round(connection) == us(days[-1])
        assert misdated(connection) == {us(one): us(other) for one, other in wrong.items()}
