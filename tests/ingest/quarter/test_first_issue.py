"""A finished quarter says when it was first drawn up and what has changed since; the same store gives the same bytes."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from support.labs import LAB_TOML, NOW, Bench, lot_rows

from dashboard.cli import main
from dashboard.scorecard import export, scorecard, wording
from dashboard.web.app import make_app
from ingest.config.lab import load
from ingest.quarter import first_issue
from ingest.quarter.full_round import full_round
from ingest.quarter.lots import gather, quarter
from ingest.store.store import known_store, open_store

Q3 = datetime(2026, 7, 6, 9, tzinfo=UTC)
LATER = NOW + timedelta(days=3)


@pytest.fixture
def finished(bench: Bench) -> Bench:
    bench.drop_climate("log.csv", Q3 - timedelta(days=4), 24 * 60)
    rows = [row for week in range(6) for row in lot_rows(f"L{week}", Q3 + timedelta(weeks=week), [[9.0, 9.1]] * 2)]
    rows += lot_rows("B0", Q3, [[8.0, 8.1]] * 2, supplier="Birch Bags")
    bench.drop_tests("t.csv", rows)
    bench.run()
    return bench


def round_of(bench: Bench, now: datetime = NOW) -> None:
    """A round as the server does it."""
    full_round(load(bench.folder), now)


def drawn_up(bench: Bench, name: str = "2026-Q3") -> bytes:
    done = CliRunner().invoke(main, ["scorecard", name, "--lab", str(bench.folder), "--formats", "html,pdf,csv"])
    assert done.exit_code == 0, done.stderr
    return b"".join(path.read_bytes() for path in sorted((bench.folder / "exports").iterdir()))


def card(bench: Bench, supplier: str = "Alder Film", name: str = "2026-Q3") -> dict[str, Any]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        (found,) = scorecard.documents(connection, load(bench.folder), name, supplier)
    return found


def noted(folder: Path) -> list[tuple[Any, ...]]:
    with open_store(folder).reading() as connection:
        return [tuple(row) for row in connection.exec_driver_sql("SELECT * FROM drawn_quarter")]


def test_the_first_card_and_the_next_of_the_same_store_are_the_same_bytes(finished: Bench) -> None:
    before = drawn_up(finished)
    round_of(finished)
    first, second = drawn_up(finished), drawn_up(finished)

    assert before == first == second
    assert len(noted(finished.folder)) == 1
    assert card(finished)["first_drawn_up_at"] == card(finished)["drawn_up_at"] == NOW.isoformat()
    assert "First issued" not in wording.drawn_up(card(finished))


def test_a_round_that_brought_nothing_says_so(finished: Bench) -> None:
    round_of(finished)
    round_of(finished, LATER)

    assert wording.drawn_up(card(finished)) == (
        "Data as of 28 Nov 2026. First issued 25 Nov 2026; since then no changes. "
        "Since the end of the quarter no reading corrected."
    )


def test_what_changed_since_is_counted_by_hand(finished: Bench) -> None:
    # A correction that the first card held already is none since.
    finished.drop_tests("early.csv", lot_rows("L2", Q3 + timedelta(weeks=2), [[9.0, 9.2]] * 2))
    round_of(finished)
    # L1 fails after a correction of its four readings; a lot comes late.
    finished.drop_tests("corrected.csv", lot_rows("L1", Q3 + timedelta(weeks=1), [[29.0, 29.1]] * 2))
    finished.drop_tests("late.csv", lot_rows("L9", Q3 + timedelta(weeks=7), [[9.0, 9.1]] * 2))
    round_of(finished, LATER)
    drawn_up(finished)

    found = card(finished)
    assert found["since_first_drawn_up"] == {
        "readings_corrected": 4, "lots_added": 1, "lots_gone": 0, "verdicts_changed": 1, "other_figures": False,
    }  # fmt: skip
    assert found["first_drawn_up_at"] == NOW.isoformat()
    assert "since then 4 readings corrected, 1 lot of a stream added, 1 verdict changed." in wording.drawn_up(found)
    assert card(finished, "Birch Bags")["since_first_drawn_up"]["readings_corrected"] == 0
    page = (finished.folder / "exports" / "scorecard-2026-Q3-all-suppliers.html").read_text()
    assert "First issued 25 Nov 2026; since then 4 readings corrected" in page.replace("\N{NO-BREAK SPACE}", " ")


def test_figures_that_moved_without_a_reading_are_told(finished: Bench) -> None:
    round_of(finished)
    with open_store(finished.folder).writing() as connection:
        connection.exec_driver_sql("UPDATE session SET worst = worst + 1")

    found = card(finished)["since_first_drawn_up"]

    assert found["other_figures"] is True
    assert not any(value for key, value in found.items() if key != "other_figures")


def test_a_quarter_that_is_not_over_is_not_noted(finished: Bench) -> None:
    finished.drop_climate("log2.csv", NOW - timedelta(days=20), 24 * 10)
    finished.drop_tests("now.csv", lot_rows("L20", NOW - timedelta(days=12), [[9.0, 9.1]] * 2))
    round_of(finished, LATER)

    drawn_up(finished, "2026-Q4")

    assert [row[0] for row in noted(finished.folder)] == ["2026-Q3"]


def test_a_round_draws_up_every_quarter_that_is_over_and_has_lots(finished: Bench) -> None:
    # The lots of a check standard are on no scorecard: the first quarter of the year has no other.
    finished.declare(f'{LAB_TOML}[[check_standard]]\nsupplier = "Bench"\nproduct = "Reference"\n')
    long_ago, standard = datetime(2025, 5, 6, 9, tzinfo=UTC), datetime(2026, 2, 3, 9, tzinfo=UTC)
    finished.drop_tests("old.csv", lot_rows("L0", long_ago, [[9.0, 9.1]] * 2))
    finished.drop_tests("standard.csv", lot_rows("S0", standard, [[9.0]], supplier="Bench", product="Reference"))
    round_of(finished)

    assert sorted(row[0] for row in noted(finished.folder)) == ["2025-Q2", "2026-Q3"]
    # All suppliers are noted.
    assert set(json.loads({row[0]: row[3] for row in noted(finished.folder)}["2026-Q3"])) == {
        "Alder Film",
        "Birch Bags",
    }


def test_neither_a_download_nor_a_command_notes_anything(finished: Bench) -> None:
    client = make_app(finished.folder).server.test_client()
    query = {"quarter": "2026-Q3", "supplier": "Alder Film", "form": "html"}

    got = client.get("/scorecard-file", query_string=query)

    assert got.status_code == 200
    assert client.get("/evidence-file?quarter=2026-Q3").status_code == 200
    done = CliRunner().invoke(main, ["evidence", "2026-Q3", "--lab", str(finished.folder)])
    assert done.exit_code == 0
    drawn_up(finished)
    assert noted(finished.folder) == []
    assert got.data == export.FORMS["html"](card(finished))


def test_a_quarter_is_noted_once(finished: Bench) -> None:
    assert card(finished)["first_drawn_up_at"] == NOW.isoformat()
    store, lab = open_store(finished.folder), load(finished.folder)
    first_issue.record_first_issue(store, lab)
    first_issue.record_first_issue(store, lab)

    assert len(noted(finished.folder)) == 1
    with store.reading() as connection:
        span = quarter("2026-Q3", lab)
        drawn_us, changed = first_issue.changes(connection, span, gather(connection, lab, span), 2**62)
    assert drawn_us is not None
    assert all(not any(one.values()) for one in changed.values())


def test_every_test_with_another_verdict_is_counted_repeats_included(finished: Bench) -> None:
    repeats = [lot_rows(f"L{week}", Q3 + timedelta(days=7 * week + 3), [[9.0, 9.1]] * 2) for week in range(3)]
    for rows in repeats:
        for row in rows:
            row["specimen"] = int(str(row["specimen"])) + 10
    finished.drop_tests("repeats.csv", [row for rows in repeats for row in rows])
    round_of(finished)
    # The limit was declared wrongly: all tests of the supplier fail by the right one.
    finished.declare(LAB_TOML.replace("value = 20.0", "value = 5.0"))
    round_of(finished, LATER)

    changes = card(finished)["since_first_drawn_up"]

    assert (changes["verdicts_changed"], changes["lots_added"]) == (9, 0)
    assert "since then 9 verdicts changed." in wording.drawn_up(card(finished))


def test_a_note_of_an_earlier_version_is_compared_by_how_each_lot_stood(finished: Bench) -> None:
    round_of(finished)
    with open_store(finished.folder).writing() as connection:
        (notes,) = connection.exec_driver_sql("SELECT lots FROM drawn_quarter").one()
        old = {
            supplier: {lot: one["standing"] for lot, one in lots.items()}
            for supplier, lots in json.loads(notes).items()
        }
        connection.exec_driver_sql("UPDATE drawn_quarter SET lots = ?", (json.dumps(old),))
    assert not any(card(finished)["since_first_drawn_up"].values())

    finished.declare(LAB_TOML.replace("value = 20.0", "value = 5.0"))
    round_of(finished, LATER)
    assert card(finished)["since_first_drawn_up"]["verdicts_changed"] == 6


def test_a_quarter_that_came_with_an_import_was_not_issued_then(finished: Bench) -> None:
    finished.drop_tests("old.csv", lot_rows("L0", datetime(2025, 5, 6, 9, tzinfo=UTC), [[9.0, 9.1]] * 2))
    round_of(finished)
    round_of(finished, LATER)

    old, last = card(finished, name="2025-Q2"), card(finished)
    assert (old["from_history"], last["from_history"]) == (True, False)
    assert "Taken from imported history on 25 Nov 2026; since then no changes." in wording.drawn_up(old)
    assert "First issued" not in wording.drawn_up(old)
    assert "First issued 25 Nov 2026" in wording.drawn_up(last)
