"""Which files are taken, in which order, and how they are put away."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from labs import MONDAY, Bench, lot_rows

ROWS = lot_rows("L0", MONDAY, [[10.0, 11.0]])


def names(bench: Bench) -> list[str]:
    return [entry.name for entry in bench.run().entries]


@pytest.mark.parametrize("name", ["a.csv.part", "a.tmp", "a.csv~", "~$a.csv", ".a.csv", "a.swp", "a.txt", "a.csv.swp"])
def test_names_that_are_no_finished_csv_are_left_alone(bench: Bench, name: str) -> None:
    path = bench.drop_tests(name, ROWS)

    assert names(bench) == []
    assert path.exists()


def test_the_ending_counts_in_either_case(bench: Bench) -> None:
    bench.drop_tests("A.CSV", ROWS)

    assert names(bench) == ["A.CSV"]


def test_folders_pipes_and_links_out_of_the_folder_are_stepped_over(
    bench: Bench, tmp_path_factory: pytest.TempPathFactory
) -> None:
    drops = bench.folder / "drops" / "tests"
    (drops / "folder.csv").mkdir()
    os.mkfifo(drops / "pipe.csv")
    outside = tmp_path_factory.mktemp("outside") / "secret.csv"
    outside.write_text("x\n")
    (drops / "link.csv").symlink_to(outside)
    bench.drop_tests("a.csv", ROWS)

    assert names(bench) == ["a.csv"]
    assert outside.exists()


def test_drops_are_taken_by_file_time_then_name(bench: Bench) -> None:
    now = time.time()
    for name, age in (("b.csv", 50), ("a.csv", 50), ("c.csv", 100)):
        rows = lot_rows(name, MONDAY, [[10.0]])
        path = bench.drop_tests(name, rows)
        os.utime(path, (now - age, now - age))

    assert names(bench) == ["c.csv", "a.csv", "b.csv"]


def test_a_file_that_is_still_being_written_waits_and_its_neighbour_does_not(bench: Bench) -> None:
    growing = bench.drop_tests("growing.csv", ROWS)
    bench.drop_tests("ready.csv", lot_rows("L1", MONDAY, [[10.0]]))

    with growing.open("a"):
        assert names(bench) == ["ready.csv"]

    assert names(bench) == ["growing.csv"]


def test_a_file_that_can_not_be_read_is_told_stays_and_is_taken_once_it_can(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)

    def refuse(_path: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    # The superuser, who runs the tests in many places, may read anything: the refusal has to be staged.
    with monkeypatch.context() as staged:
        staged.setattr("ingest.drops.digest_of", refuse)
        (entry,) = bench.run().entries
    assert (entry.state, entry.stored) == ("refused", 0)
    assert entry.reason.startswith("a.csv: can't be read (Permission denied)")
    assert path.exists()

    assert [entry.state for entry in bench.run().entries] == ["stored"]


def test_a_kept_source_leaves_its_files_and_reads_them_again_only_when_they_change(bench: Bench) -> None:
    declared = (bench.folder / "lab.toml").read_text()
    bench.declare(declared.replace('folder = "drops/tests"', 'folder = "drops/tests"\nkeep = true'))
    path = bench.drop_tests("a.csv", ROWS)

    assert [entry.state for entry in bench.run().entries] == ["stored"]
    assert [entry.state for entry in bench.run().entries] == ["seen"]
    assert path.exists()

    bench.drop_tests("a.csv", [*ROWS, *lot_rows("L1", MONDAY, [[9.0]])])
    (entry,) = bench.run().entries
    assert (entry.state, entry.stored, entry.duplicate) == ("stored", 1, 2)


def test_no_name_is_overwritten_in_filed_or_refused(bench: Bench) -> None:
    for number in range(3):
        bench.drop_tests("a.csv", lot_rows(f"L{number}", MONDAY, [[10.0, "bad"]]))
        bench.run()

    for folder in ("filed", "refused"):
        assert sorted(path.name for path in (bench.folder / folder).iterdir()) == ["a.2.csv", "a.3.csv", "a.csv"]
    assert "L0" in (bench.folder / "filed" / "a.csv").read_text()
    assert "L2" in (bench.folder / "filed" / "a.3.csv").read_text()


ROUND = "import sys; from pathlib import Path; from datetime import UTC, datetime; from ingest import rounds; from ingest.lab import load; "
ROUND += "rounds.run(load(Path(sys.argv[1])), datetime(2026, 11, 25, tzinfo=UTC))"


def test_two_rounds_at_once_count_each_row_once(bench: Bench) -> None:
    for number in range(20):
        bench.drop_tests(f"wk{number}.csv", lot_rows(f"L{number}", MONDAY, [[10.0, 11.0], [9.0, 9.5]]))

    both = [subprocess.Popen([sys.executable, "-c", ROUND, str(bench.folder)]) for _ in range(2)]

    assert [process.wait(timeout=120) for process in both] == [0, 0]
    assert stored_readings(bench.folder) == 80
    assert len(list((bench.folder / "filed").iterdir())) == 20


def stored_readings(folder: Path) -> int:
    from sqlalchemy import text

    from ingest.store import known_store

    store = known_store(folder)
    assert store is not None
    with store.reading() as connection:
        return int(connection.execute(text("SELECT count(*) FROM reading")).scalar_one())
