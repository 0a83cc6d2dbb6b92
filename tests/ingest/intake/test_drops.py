"""Which files are taken, in which order, and how they are put away."""

from __future__ import annotations

import errno
import os
import random
import shutil
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from support.labs import LAB_TOML, MONDAY, NOW, Bench, lot_rows

from ingest.common.errors import StoreError
from ingest.config.lab import load
from ingest.intake import archive
from ingest.intake.archive import digest_of
from ingest.intake.dry_run import check
from ingest.intake.insert_rows import add_readings
from ingest.intake.staging import READINGS
from ingest.intake.store_drop import KINDS
from ingest.parsing.parse_file import read_file
from ingest.parsing.rows.measurement_rows import contradicting_readings
from ingest.rounds import rounds
from ingest.store.store import Store, open_store

BOTH_STORES = True

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
        staged.setattr("ingest.intake.store_drop.digest_of", refuse)
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


def test_two_rounds_at_once_count_each_row_once(bench: Bench) -> None:
    for number in range(20):
        bench.drop_tests(f"wk{number}.csv", lot_rows(f"L{number}", MONDAY, [[10.0, 11.0], [9.0, 9.5]]))
    later: list[rounds.Round] = []
    second = threading.Thread(target=lambda: later.append(bench.run()))

    def begin_the_second(what: str, done: int, _of: int) -> None:
        """The first round knows its files by now and has taken none: time enough for the second to take some."""
        if (what, done) == ("files taken in", 0):
            second.start()
            second.join(timeout=1)

    first = rounds.run(load(bench.folder), NOW, begin_the_second)
    second.join()

    assert [(entry.state, entry.stored) for entry in first.entries] == [("stored", 4)] * 20
    assert [one.entries for one in later] == [[]]
    assert stored_readings(bench.folder) == 80
    assert len(list((bench.folder / "filed").iterdir())) == 20


def stored_readings(folder: Path) -> int:
    from sqlalchemy import text

    from ingest.store.store import known_store

    store = known_store(folder)
    assert store is not None
    with store.reading() as connection:
        return int(connection.execute(text("SELECT count(*) FROM reading")).scalar_one())


# Names


def test_a_name_that_is_no_text_is_told_and_the_file_stays(bench: Bench) -> None:
    content = bench.drop_tests("a.csv", ROWS).read_bytes()
    path = os.fsencode(bench.folder / "drops" / "tests") + b"/\xff.csv"
    Path(os.fsdecode(path)).write_bytes(content)

    refused, stored = sorted(bench.run().entries, key=lambda entry: entry.state)

    assert (stored.name, stored.state) == ("a.csv", "stored")
    assert (refused.name, refused.state) == ("\N{REPLACEMENT CHARACTER}.csv", "refused")
    assert refused.reason.endswith("its name is not UTF-8 text; it stays where it is, rename it")
    assert Path(os.fsdecode(path)).read_bytes() == content


def test_names_as_long_as_the_system_takes_are_filed_reported_and_numbered(bench: Bench) -> None:
    name = "ü" * 125 + "a.csv"
    assert len(name.encode()) == 255
    for number in range(2):
        bench.drop_tests(name, lot_rows(f"L{number}", MONDAY, [[10.0, "OL"]]))
        bench.run()
        bench.drop(name, f"nothing of use\n{number}\n")
        bench.run()

    assert len(list((bench.folder / "filed").iterdir())) == 2
    # Twice a report, twice a file that is no table, and the reason of both, for which the name leaves no number.
    assert len(list((bench.folder / "refused").iterdir())) == 5


# Putting away


def test_files_of_a_kept_source_are_known_by_name_size_and_time_and_not_opened_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(bench, LAB_TOML)

    def put(name: str, value: float, seconds: int) -> None:
        os.utime(bench.drop_tests(name, lot_rows("L0", MONDAY + timedelta(days=value), [[value]])), (seconds, seconds))

    put("a.csv", 1.0, 1_780_000_000)
    bench.run()
    # Of the same size and time under another name; then other bytes of the same size at another time.
    put("b.csv", 2.0, 1_780_000_000)
    assert [(entry.state, entry.stored) for entry in bench.run().entries] == [("seen", 0), ("stored", 1)]
    put("b.csv", 3.0, 1_780_000_060)
    assert [(entry.state, entry.stored) for entry in bench.run().entries] == [("seen", 0), ("stored", 1)]

    monkeypatch.setattr("ingest.intake.store_drop.digest_of", lambda _: pytest.fail("opened again"))
    assert [entry.state for entry in bench.run().entries] == ["seen", "seen"]


def test_the_same_bytes_under_another_name_are_seen_and_filed(bench: Bench) -> None:
    nothing = {
        "kind": "tests",
        "stored": 0,
        "duplicate": 0,
        "corrected": 0,
        "refused": 0,
        "omitted": 0,
        "reason": "",
        "note": "",
    }
    bench.drop_tests("a.csv", ROWS)
    stored = bench.run().entries
    bench.drop_tests("b.csv", ROWS)

    assert [asdict(entry) for entry in stored] == [nothing | {"name": "a.csv", "state": "stored", "stored": 2}]
    assert [asdict(entry) for entry in bench.run().entries] == [nothing | {"name": "b.csv", "state": "seen"}]
    assert {path.name for path in (bench.folder / "filed").iterdir()} == {"a.csv", "b.csv"}


def test_a_file_that_changes_while_it_is_read_waits_for_the_next_round(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)
    more = lot_rows("L1", MONDAY, [[9.0]])

    def add_and_grow(*arguments: Any) -> None:
        add_readings(*arguments)
        bench.drop_tests("a.csv", [*ROWS, *more])

    with monkeypatch.context() as staged:
        staged.setitem(KINDS, "tests", (READINGS, add_and_grow, contradicting_readings))
        assert bench.run().entries == []
    assert path.exists()

    (entry,) = bench.run().entries
    assert (entry.state, entry.stored) == ("stored", 3)


def test_a_file_that_changes_after_it_was_stored_is_not_put_away_unread(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)
    settle = archive.archive_drop

    def grow_and_settle(store: Store, folder: Path, drop_id: int) -> None:
        bench.drop_tests("a.csv", [*ROWS, *lot_rows("L1", MONDAY, [[9.0]])])
        settle(store, folder, drop_id)

    with monkeypatch.context() as staged:
        staged.setattr("ingest.intake.store_drop.archive_drop", grow_and_settle)
        bench.run()
    assert path.exists()

    (entry,) = bench.run().entries
    assert (entry.stored, entry.duplicate) == (1, 2)
    assert not path.exists()


def refuse_links(number: int) -> Callable[..., None]:
    def link(path: Path, _target: Path, *, follow_symlinks: bool) -> None:
        raise OSError(number, os.strerror(number), str(path), follow_symlinks)

    return link


@pytest.mark.parametrize("number", [errno.EXDEV, errno.EPERM, errno.ENOTSUP])
def test_a_file_is_put_away_on_another_file_system_and_on_one_without_links(
    number: int, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)
    content = path.read_bytes()
    monkeypatch.setattr("ingest.intake.archive.os.link", refuse_links(number))

    bench.run()

    assert [one.name for one in (bench.folder / "filed").iterdir()] == ["a.csv"]
    assert (bench.folder / "filed" / "a.csv").read_bytes() == content
    assert not path.exists()


def test_a_copy_that_a_killed_round_made_is_known_and_not_made_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)

    def copy_and_die(_store: Store, folder: Path, _drop_id: int) -> None:
        (folder / "filed").mkdir()
        shutil.copy2(path, folder / "filed" / "a.csv")
        (folder / "filed" / archive.DRAFT).write_bytes(b"half")
        raise KeyboardInterrupt

    with monkeypatch.context() as staged:
        staged.setattr("ingest.intake.store_drop.archive_drop", copy_and_die)
        with pytest.raises(KeyboardInterrupt):
            bench.run()
    bench.run()

    assert [one.name for one in (bench.folder / "filed").iterdir()] == ["a.csv"]
    assert not path.exists()


def test_a_drop_folder_that_may_not_be_written_is_one_line_and_nothing_is_lost(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)

    def refuse(one: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(one))

    with monkeypatch.context() as staged:
        staged.setattr("ingest.intake.archive.Path.unlink", lambda one, missing_ok=False: missing_ok or refuse(one))
        with pytest.raises(StoreError, match=r"a\.csv: can't be written \(Permission denied\); see to it"):
            bench.run()
    assert path.exists()

    bench.run()
    assert not path.exists()
    assert [one.name for one in (bench.folder / "filed").iterdir()] == ["a.csv"]
    assert stored_readings(bench.folder) == 2


def test_a_drop_folder_that_can_not_be_listed_is_told_and_the_rest_goes_on(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop_tests("a.csv", ROWS)
    scandir = os.scandir

    def refuse(folder: Path) -> object:
        if folder.name == "climate":
            raise PermissionError(errno.EACCES, "Permission denied", str(folder))
        return scandir(folder)

    monkeypatch.setattr("ingest.intake.find_drops.os.scandir", refuse)

    done = bench.run()

    assert [entry.name for entry in done.entries] == ["a.csv"]
    assert done.problems == [
        "drops/climate: the drop folder can't be read (Permission denied); give this account the right to"
    ]


def test_a_file_that_is_gone_when_its_turn_comes_is_told(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    path = bench.drop_tests("a.csv", ROWS)

    def take_away(one: Path) -> bytes:
        one.unlink()
        return digest_of(one)

    monkeypatch.setattr("ingest.intake.store_drop.digest_of", take_away)

    (entry,) = bench.run().entries

    assert entry.reason.startswith("a.csv: can't be read (No such file or directory)")
    assert not path.exists()


# Files that stay


def keep(bench: Bench, text: str) -> None:
    bench.declare(text.replace('folder = "drops/tests"', 'folder = "drops/tests"\nkeep = true'))


def test_a_kept_file_that_is_no_table_stays_is_told_each_round_and_noted_once(bench: Bench) -> None:
    keep(bench, LAB_TOML)
    path = bench.drop("a.csv", "nothing of use\n1\n")

    first, second = bench.run(), bench.run()

    assert path.exists()
    assert first.entries == second.entries
    assert [entry.state for entry in second.entries] == ["refused"]
    assert (len(first.raised), second.raised) == (1, [])
    with open_store(bench.folder).reading() as connection:
        assert connection.exec_driver_sql('SELECT name, state FROM "drop"').fetchall() == [("a.csv", "refused")]
    assert [one.name for one in (bench.folder / "refused").iterdir()] == ["a.csv.reason.txt"]


def test_a_kept_file_is_taken_in_once_lab_toml_is_mended(bench: Bench) -> None:
    keep(bench, LAB_TOML)
    bench.drop("a.csv", bench.drop_tests("b.csv", ROWS).read_text().replace("lot,", "batch,"))
    (bench.folder / "drops" / "tests" / "b.csv").unlink()
    assert [entry.state for entry in bench.run().entries] == ["refused"]

    keep(bench, LAB_TOML.replace('folder = "drops/tests"', 'folder = "drops/tests"\ncolumns = { lot = "batch" }'))

    assert [entry.state for entry in bench.run().entries] == ["stored"]
    assert [entry.state for entry in bench.run().entries] == ["seen"]


# Files that nothing foresaw


def rows_of(number: int, **changes: object) -> list[dict[str, object]]:
    return [{**row, **changes} for row in lot_rows(f"L{number}", MONDAY, [[10.0, 11.0]])]


def drop_three(bench: Bench, **changes: object) -> Path:
    """Three files, of which the second, the path, differs."""
    paths = [bench.drop_tests(f"{n}.csv", rows_of(n, **(changes if n == 1 else {}))) for n in range(3)]
    for age, path in enumerate(reversed(paths)):
        os.utime(path, (1_780_000_000 - age, 1_780_000_000 - age))
    return paths[1]


def assert_only_the_second_is_put_aside(bench: Bench, done: rounds.Round, content: bytes, told: str) -> None:
    assert [(entry.name, entry.state, entry.stored) for entry in done.entries] == [
        ("0.csv", "stored", 2),
        ("1.csv", "refused", 0),
        ("2.csv", "stored", 2),
    ]
    reason = done.entries[1].reason
    assert reason.startswith(f"1.csv: {told}")
    assert reason.isprintable()
    assert (bench.folder / "refused" / "1.csv").read_bytes() == content
    assert (bench.folder / "refused" / "1.csv.reason.txt").read_text() == f"{reason}\n"
    assert lots_of(bench.folder) == {"L0", "L2"}
    assert stored_readings(bench.folder) == 4
    again = bench.run()
    assert (again.entries, again.problems) == ([], [])


def lots_of(folder: Path) -> set[str]:
    from sqlalchemy import text

    from ingest.store.store import known_store

    store = known_store(folder)
    assert store is not None
    with store.reading() as connection:
        return set(connection.execute(text("SELECT lot FROM lot")).scalars())


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (
            OverflowError("string longer than INT_MAX bytes"),
            "can't be taken in (OverflowError: string longer than INT_MAX",
        ),
        (MemoryError(), "needs more memory than there is; split it, then drop the parts"),
        (RuntimeError("two\nlines \x1b[2J"), "can't be taken in (RuntimeError: two lines"),
        # Cut to 200 characters.
        (RuntimeError("x" * 300), f"can't be taken in (RuntimeError: {'x' * 186}); correct it, then drop it again"),
    ],
    ids=["overflow", "memory", "unforeseen", "long"],
)
def test_a_file_that_fails_in_a_way_nobody_foresaw_is_put_aside_whole_and_its_neighbours_go_on(
    error: Exception, told: str, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = drop_three(bench).read_bytes()

    def fail_late(connection: Any, arrivals: Any, drop_id: int, rows: Any) -> None:
        add_readings(connection, arrivals, drop_id, rows)
        if "L1" in set(rows["lot"]):
            raise error

    # Such an error comes from a fault of ours; a fault that is known is mended, so it has to be staged.
    with monkeypatch.context() as staged:
        staged.setitem(KINDS, "tests", (READINGS, fail_late, contradicting_readings))
        done = bench.run()

    assert_only_the_second_is_put_aside(bench, done, content, told)


def test_a_check_tells_such_a_file_and_goes_on_to_its_neighbours(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    drop_three(bench)

    def fail_on_the_second(path: Path, *others: Any) -> Any:
        if path.name == "1.csv":
            raise OverflowError("string longer than INT_MAX bytes")
        return read_file(path, *others)

    monkeypatch.setattr("ingest.intake.dry_run.read_file", fail_on_the_second)

    files = check(load(bench.folder), NOW).files

    assert [(file["name"], file["state"]) for file in files] == [
        ("0.csv", "readable"),
        ("1.csv", "refused"),
        ("2.csv", "readable"),
    ]
    assert files[1]["reason"].startswith("1.csv: can't be taken in (OverflowError: string longer than INT_MAX bytes)")


def test_a_file_whose_rows_the_store_can_not_keep_is_put_aside_whole_and_its_neighbours_go_on(
    bench: Bench, request: pytest.FixtureRequest
) -> None:
    content = drop_three(bench, value=77).read_bytes()
    later = list((bench.folder / "drops" / "tests").iterdir())
    kept = {path: path.read_bytes() for path in later}
    for path in later:
        path.unlink()
    bench.run()
    add_rule(bench, request)
    for path, data in sorted(kept.items()):
        path.write_bytes(data)
        os.utime(path, (1_780_000_000, 1_780_000_000))

    done = bench.run()

    assert_only_the_second_is_put_aside(bench, done, content, "its rows can't be stored (")
    assert "correct them, then drop the file again" in done.entries[1].reason


def add_rule(bench: Bench, request: pytest.FixtureRequest) -> None:
    """The store keeps no 77."""
    if bench.store is None:
        with sqlite3.connect(bench.folder / "lotdrift.db") as connection:
            connection.execute(
                "CREATE TRIGGER rule BEFORE INSERT ON reading WHEN NEW.value = 77 BEGIN SELECT RAISE(ABORT, 'no 77'); END"
            )
        connection.close()
    else:
        schema = bench.store.rpartition("search_path%3D")[2]
        request.getfixturevalue("server").do(f"ALTER TABLE {schema}.reading ADD CHECK (value <> 77)")


def test_a_store_that_breaks_in_the_middle_of_a_round_ends_it_and_the_drops_stay(
    bench: Bench, request: pytest.FixtureRequest
) -> None:
    drop_three(bench)
    bench.run()
    paths = [bench.drop_tests(f"{n}.csv", rows_of(n + 3)) for n in range(2)]
    if bench.store is None:
        with sqlite3.connect(bench.folder / "lotdrift.db") as connection:
            connection.execute("DROP TABLE reading")
        connection.close()
        # What looks at the store first sees the table; no round can use it.
        with sqlite3.connect(bench.folder / "lotdrift.db") as connection:
            connection.execute("CREATE TABLE reading (stream_id)")
        connection.close()
    else:
        schema = bench.store.rpartition("search_path%3D")[2]
        request.getfixturevalue("server").do(f"ALTER TABLE {schema}.reading DROP COLUMN value")

    with pytest.raises(StoreError, match=r"value|stream_id|column"):
        bench.run()

    assert all(path.exists() for path in paths)


# Sixty times the four bytes that a character can take at most.
LONG = "\N{PILE OF POO}" * 150


@pytest.mark.parametrize("column", ["supplier", "product", "lot", "chamber", "instrument", "load"])
def test_a_name_is_stored_up_to_its_longest_and_refused_in_words_beyond_it(column: str, bench: Bench) -> None:
    drop_three(bench, **{column: LONG})
    bench.drop_tests("3.csv", rows_of(3, **{column: LONG + "x"}))

    entries = bench.run().entries

    assert [(entry.state, entry.stored, entry.refused) for entry in entries] == [("stored", 2, 0)] * 3 + [
        ("stored", 0, 2)
    ]
    report = (bench.folder / "refused" / "3.csv").read_text()
    assert f"{column}: " in report
    assert "has 151 characters; write a name of at most 150" in report


def test_the_longest_names_fit_together_into_every_key_of_the_store(bench: Bench) -> None:
    """Random characters: a server packs what repeats itself, and would take more of it than it promises."""
    rng = random.Random(1)
    names = ["".join(chr(rng.randrange(0x20000, 0x2A6D0)) for _ in range(150)) for _ in range(4)]
    whole = dict(zip(("supplier", "product", "lot", "chamber"), names, strict=True))
    bench.drop_tests("a.csv", rows_of(0, **whole))

    (entry,) = bench.run().entries

    assert (entry.stored, entry.refused) == (2, 0)


@pytest.mark.parametrize("year", [1901, 2400])
def test_a_file_time_far_away_is_no_reason_to_refuse_a_file(year: int, bench: Bench) -> None:
    path = bench.drop_tests("a.csv", ROWS)
    seconds = int(datetime(year, 1, 1, tzinfo=UTC).timestamp())
    os.utime(path, (seconds, seconds))
    bench.drop_tests("b.csv", lot_rows("L1", MONDAY, [[9.0]]))

    entries = bench.run().entries

    assert {(entry.name, entry.state) for entry in entries} == {("a.csv", "stored"), ("b.csv", "stored")}
    assert not path.exists()


def test_a_link_to_itself_is_stepped_over(bench: Bench) -> None:
    drops = bench.folder / "drops" / "tests"
    (drops / "loop.csv").symlink_to("loop.csv")
    (drops / "there.csv").symlink_to("back.csv")
    (drops / "back.csv").symlink_to("there.csv")
    bench.drop_tests("a.csv", ROWS)

    assert names(bench) == ["a.csv"]
    assert names(bench) == []
