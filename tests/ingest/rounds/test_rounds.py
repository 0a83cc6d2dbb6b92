"""One round from dropped files to the store, and what two rounds, late files and kills leave behind."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from pathlib import Path

from sqlalchemy import text
from support.labs import MONDAY, NOW, Bench, lot_rows

from dashboard.queries import lot_document, stored_documents, stream_document
from ingest.config.lab import load
from ingest.store.store import known_store

BOTH_STORES = True


def counts(bench: Bench) -> dict[str, int]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        names = ("reading", "earlier_value", "session", "refusal")
        return {name: connection.execute(text(f"SELECT count(*) FROM {name}")).scalar_one() for name in names}


def fill(bench: Bench, lots: int = 3) -> None:
    """A log that shows the conditioning, and a lot a week."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * lots)
    for number in range(lots):
        tested = MONDAY + timedelta(weeks=number)
        bench.drop_tests(
            f"wk{number}.csv", lot_rows(f"L{number}", tested, [[10.0 + number, 11.0], [10.5, 9.5], [10.2, 10.8]])
        )


def test_a_round_stores_files_them_away_and_evaluates(bench: Bench) -> None:
    fill(bench)

    done = bench.run()

    assert [(entry.name, entry.state, entry.stored) for entry in done.entries if entry.kind == "tests"] == [
        ("wk0.csv", "stored", 6),
        ("wk1.csv", "stored", 6),
        ("wk2.csv", "stored", 6),
    ]
    assert done.evaluated == 1
    assert not any((bench.folder / "drops" / "tests").iterdir())
    assert {path.name for path in (bench.folder / "filed").iterdir()} == {"log.csv", "wk0.csv", "wk1.csv", "wk2.csv"}


def test_a_second_round_with_nothing_new_changes_nothing(bench: Bench) -> None:
    fill(bench)
    bench.run()
    before = counts(bench)

    done = bench.run(NOW + timedelta(hours=1))

    assert (done.entries, done.evaluated, done.raised) == ([], 0, [])
    assert counts(bench) == before


def test_one_new_lot_evaluates_one_stream(bench: Bench) -> None:
    fill(bench)
    bench.drop_tests("other.csv", lot_rows("X1", MONDAY, [[5.0], [6.0]], supplier="Birch Pack"))
    assert bench.run().evaluated == 2

    bench.drop_tests("new.csv", lot_rows("X2", MONDAY + timedelta(days=7), [[5.0], [6.0]], supplier="Birch Pack"))

    assert bench.run().evaluated == 1


def test_the_same_file_again_is_seen_and_leaves_the_drop_folder(bench: Bench) -> None:
    fill(bench, lots=1)
    path = bench.folder / "drops" / "tests" / "wk0.csv"
    content = path.read_bytes()
    bench.run()

    path.write_bytes(content)
    (entry,) = bench.run().entries

    assert (entry.state, entry.stored, entry.duplicate) == ("seen", 0, 0)
    assert not path.exists()
    assert (bench.folder / "filed" / "wk0.2.csv").read_bytes() == content


def test_the_same_rows_in_another_file_are_duplicates(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, 11.0], [10.5, 9.5]])
    bench.drop_tests("a.csv", rows)
    bench.run()

    bench.drop_tests("b.csv", rows[::-1])
    (entry,) = bench.run().entries

    assert (entry.stored, entry.duplicate, entry.corrected, entry.refused) == (0, 4, 0, 0)


def test_another_value_for_a_known_reading_is_a_correction_and_the_earlier_one_is_kept(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, 11.0], [10.5, 9.5]])
    bench.drop_tests("a.csv", rows)
    bench.run()

    rows[0]["value"] = 12.5
    bench.drop_tests("b.csv", rows)
    (entry,) = bench.run().entries

    assert (entry.stored, entry.duplicate, entry.corrected) == (0, 3, 1)
    assert counts(bench)["earlier_value"] == 1
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        document = lot_document.lot(connection, load(bench.folder), "Alder Film", "L0")
    assert document["sessions"][0]["readings"][0]["value"] == 12.5
    assert document["sessions"][0]["readings"][0]["state"] == "corrected"


def test_an_earlier_file_dropped_again_does_not_undo_a_correction(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0]])
    first = bench.drop_tests("a.csv", rows)
    content = first.read_bytes()
    bench.run()
    rows[0]["value"] = 12.5
    bench.drop_tests("b.csv", rows)
    bench.run()

    bench.drop("a.csv", content)
    bench.run()

    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        assert connection.execute(text("SELECT value FROM reading")).scalars().all() == [12.5]


def test_a_bad_row_is_reported_with_file_line_and_reason_and_its_neighbours_are_kept(bench: Bench) -> None:
    rows = lot_rows("L0", MONDAY, [[10.0, "OL", 11.0]])
    bench.drop_tests("a.csv", rows)

    done = bench.run()

    (entry,) = done.entries
    assert (entry.stored, entry.refused) == (2, 1)
    assert done.refused_something
    with (bench.folder / "refused" / "a.csv").open(newline="") as file:
        (report,) = list(csv.DictReader(file))
    assert (report["file"], report["line"], report["value"]) == ("a.csv", "3", "OL")
    assert report["reason"].startswith("value")


def test_a_missing_drop_folder_is_one_line_and_the_rest_goes_on(bench: Bench) -> None:
    (bench.folder / "drops" / "climate").rmdir()
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))

    done = bench.run()

    assert [entry.stored for entry in done.entries] == [1]
    assert done.problems == [
        "drops/climate: the drop folder does not exist; make it, or correct [[source]] folder in lab.toml"
    ]


def test_a_file_that_is_no_table_is_put_aside_with_the_reason_beside_it(bench: Bench) -> None:
    bench.drop("a.csv", "nothing of use\n1\n")

    (entry,) = bench.run().entries

    assert entry.state == "refused"
    assert (bench.folder / "refused" / "a.csv").read_text() == "nothing of use\n1\n"
    assert "a.csv" in (bench.folder / "refused" / "a.csv.reason.txt").read_text()


def test_a_log_that_arrives_late_makes_the_session_valid_in_the_next_round(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0, 11.0], [10.5, 9.5]]))
    bench.run()
    assert state_of(bench) == "unlogged"

    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 72)
    done = bench.run()

    assert done.evaluated == 1
    assert state_of(bench) == "valid"


def state_of(bench: Bench) -> str:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        document = lot_document.lot(connection, load(bench.folder), "Alder Film", "L0")
    return str(document["sessions"][0]["conditioning"]["state"])


def documents(bench: Bench) -> str:
    """All that the outside can see of the store, as text."""
    store = known_store(bench.folder)
    assert store is not None
    lab = load(bench.folder)
    with store.reading() as connection:
        board = stored_documents.board(connection, lab)
        streams = [
            stream_document.stream(connection, lab, row["supplier"], row["product"], row["characteristic"])
            for row in board
        ]
        return json.dumps([board, streams, stored_documents.alerts(connection, lab, closed_too=True)], sort_keys=True)


def test_one_round_and_many_rounds_in_any_order_end_alike(tmp_path: Path) -> None:
    at_once, one_by_one = Bench(tmp_path / "a"), Bench(tmp_path / "b")
    fill(at_once, lots=12)
    fill(one_by_one, lots=12)
    drops = one_by_one.folder / "drops" / "tests"
    waiting = {path.name: path.read_bytes() for path in drops.iterdir()}
    for path in list(drops.iterdir()):
        path.unlink()

    at_once.run()
    for name in sorted(waiting, reverse=True):
        one_by_one.drop(name, waiting[name])
        one_by_one.run()

    assert documents(one_by_one) == documents(at_once)
