"""Where drops end up: never fewer bytes than came, whatever links and folders there are, and on the disk before they go."""

from __future__ import annotations

import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from support.commands import assert_one_line, call
from support.labs import LAB_TOML, MONDAY, NOW, Bench, lot_rows

from ingest.config.lab import load
from ingest.intake import archive
from ingest.intake.archive import put_away
from ingest.rounds import rounds

ROWS = lot_rows("L0", MONDAY, [[10.0, 11.0]])
BAD = lot_rows("L0", MONDAY, [[10.0, "OL"]])


def everywhere(folder: Path) -> list[bytes]:
    """The bytes of all files, each file once: links are followed nowhere."""
    return [path.read_bytes() for path in sorted(folder.rglob("*.csv")) if path.is_file() and not path.is_symlink()]


# Drop folders that are no drop folders


def from_folder(bench: Bench, place: str) -> None:
    bench.declare(LAB_TOML.replace('folder = "drops/tests"', f'folder = "{place}"'))


@pytest.mark.parametrize(
    "place",
    ["filed", "./filed/.", "filed/2026", "refused", "outbox", "exports", "exports/again", ".", "drops/link", "up"],
)
def test_a_drop_folder_that_leads_to_where_files_are_put_is_refused_and_no_file_is_lost(
    place: str, bench: Bench
) -> None:
    bench.drop_tests("a.csv", BAD)
    bench.drop("b.csv", "nothing of use\n")
    bench.run()
    (bench.folder / "drops" / "link").symlink_to(bench.folder / "filed")
    (bench.folder / "up").symlink_to(bench.folder.parent)
    before = everywhere(bench.folder)
    from_folder(bench, place)

    assert_one_line(
        call(bench.folder, "run"), 2, "lab.toml, source.1.folder: expected a folder apart from ", f'got "{place}"'
    )

    assert everywhere(bench.folder) == before


def test_a_standard_drop_folder_that_is_a_link_to_where_files_are_put_is_refused(bench: Bench) -> None:
    bench.drop_tests("a.csv", ROWS)
    bench.run()
    bench.declare(LAB_TOML.split("[[source]]")[0])
    (bench.folder / "drops" / "tests").rmdir()
    (bench.folder / "drops" / "tests").symlink_to("../filed")

    assert_one_line(call(bench.folder, "run"), 2, "lab.toml, drops/tests: expected a folder apart from filed")

    assert [path.name for path in (bench.folder / "filed").iterdir()] == ["a.csv"]


def test_a_drop_folder_whose_name_only_begins_like_one_of_ours_is_none_of_them(bench: Bench) -> None:
    (bench.folder / "filed-by-hand").mkdir()
    from_folder(bench, "filed-by-hand")

    assert load(bench.folder).sources[0].folder == "filed-by-hand"


def test_links_in_a_circle_in_place_of_a_drop_folder_are_told_as_a_folder_that_can_not_be_read(bench: Bench) -> None:
    (bench.folder / "round").symlink_to("round")
    from_folder(bench, "round")

    (problem,) = bench.run().problems

    assert problem.startswith("round: the drop folder can't be read (")


# The only copy


def test_a_folder_that_became_a_link_after_lab_toml_was_read_loses_no_file(bench: Bench) -> None:
    bench.drop_tests("a.csv", ROWS)
    bench.run()
    lab = load(bench.folder)
    (bench.folder / "drops" / "tests").rmdir()
    (bench.folder / "drops" / "tests").symlink_to("../filed")

    for _ in range(2):
        (entry,) = rounds.run(lab, NOW).entries

        assert entry.state == "seen"
        assert [path.name for path in (bench.folder / "filed").iterdir()] == ["a.csv"]


def test_a_drop_of_a_killed_round_that_was_moved_by_hand_to_where_it_belongs_stays_there(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, lab = bench.drop_tests("a.csv", ROWS), load(bench.folder)

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as staged:
        staged.setattr("ingest.intake.store_drop.archive_drop", die)
        with pytest.raises(KeyboardInterrupt):
            rounds.run(lab, NOW)
    (bench.folder / "filed").mkdir()
    path.rename(bench.folder / "filed" / "a.csv")
    path.parent.rmdir()
    path.parent.symlink_to("../filed")

    rounds.run(lab, NOW)

    assert [path.name for path in (bench.folder / "filed").iterdir()] == ["a.csv"]


@pytest.fixture
def folders(tmp_path: Path) -> tuple[Path, Path]:
    drops, filed = tmp_path / "drops", tmp_path / "filed"
    for folder in (drops, filed):
        folder.mkdir()
    (drops / "a.csv").write_text("bytes")
    return drops / "a.csv", filed


def test_a_file_that_is_in_its_place_already_stays_there(folders: tuple[Path, Path]) -> None:
    path, _ = folders

    assert put_away(path, path.parent) == "a.csv"

    assert everywhere(path.parent) == [b"bytes"]


def test_a_link_that_leads_back_to_the_drop_is_not_taken_for_its_copy(folders: tuple[Path, Path]) -> None:
    path, filed = folders
    (filed / "a.csv").symlink_to(path)

    assert put_away(path, filed) == "a.2.csv"

    assert (filed / "a.2.csv").read_bytes() == b"bytes"
    assert not path.exists()


def test_a_link_that_leads_nowhere_is_not_overwritten(folders: tuple[Path, Path]) -> None:
    path, filed = folders
    (filed / "a.csv").symlink_to("nowhere")

    assert put_away(path, filed) == "a.2.csv"

    assert (filed / "a.csv").readlink() == Path("nowhere")


def test_a_second_name_that_a_killed_round_left_is_known_and_the_first_goes(folders: tuple[Path, Path]) -> None:
    path, filed = folders
    os.link(path, filed / "a.csv")

    assert put_away(path, filed) == "a.csv"

    assert everywhere(path.parent.parent) == [b"bytes"]
    assert not path.exists()


def test_a_third_name_of_the_file_does_not_let_the_only_one_in_the_lab_go(folders: tuple[Path, Path]) -> None:
    path, _ = folders
    os.link(path, path.parent.parent / "elsewhere")

    put_away(path, path.parent)

    assert path.read_bytes() == b"bytes"


def test_a_file_that_somebody_takes_away_in_that_moment_is_no_trouble(folders: tuple[Path, Path]) -> None:
    path, filed = folders
    path.unlink()

    assert put_away(path, filed) == ""

    assert list(filed.iterdir()) == []


def test_a_move_that_finds_no_place_is_an_error_and_the_drop_stays(
    folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, filed = folders

    def no_place(_path: Path, target: Path, **_: object) -> None:
        target.parent.rmdir()
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(target))

    # The folder goes in the moment of the move, after it was made.
    monkeypatch.setattr("ingest.intake.archive.os.link", no_place)

    with pytest.raises(FileNotFoundError):
        put_away(path, filed)

    assert path.read_bytes() == b"bytes"


def test_a_file_that_takes_the_name_in_that_moment_is_not_overwritten(
    folders: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    path, filed = folders
    link = os.link

    def too_late(one: Path, target: Path, **how: bool) -> None:
        target.write_text("of another program")
        link(one, target, **how)

    monkeypatch.setattr("ingest.intake.archive.os.link", too_late)

    with pytest.raises(FileExistsError):
        put_away(path, filed)

    assert path.read_bytes() == b"bytes"
    assert (filed / "a.csv").read_text() == "of another program"


@pytest.mark.parametrize("place", ["filed", "refused"])
def test_a_draft_that_a_killed_round_left_goes_with_the_next_round(place: str, bench: Bench) -> None:
    (bench.folder / place).mkdir()
    (bench.folder / place / archive.DRAFT).write_text("half a repo")

    bench.run()

    assert list((bench.folder / place).iterdir()) == []


def test_a_report_that_a_killed_round_wrote_is_found_again_and_no_draft_stays(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop_tests("a.csv", BAD)

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    # The report is written and the file not moved yet.
    with monkeypatch.context() as staged:
        staged.setattr("ingest.intake.archive._move_to_promised_name", die)
        with pytest.raises(KeyboardInterrupt):
            bench.run()
    report = (bench.folder / "refused" / "a.csv").read_bytes()

    bench.run()

    assert {path.name: path.read_bytes() for path in (bench.folder / "refused").iterdir()} == {"a.csv": report}
    assert [path.name for path in (bench.folder / "filed").iterdir()] == ["a.csv"]


def test_a_link_inside_the_drop_folder_is_filed_as_the_bytes_that_were_read(bench: Bench) -> None:
    """Both what it leads to and a link as such are left as they came, so that the drop is never a link to nothing."""
    data = bench.drop_tests("latest.txt", ROWS)
    (data.parent / "a.csv").symlink_to("latest.txt")

    (entry,) = bench.run().entries

    assert (entry.name, entry.state, entry.stored) == ("a.csv", "stored", 2)
    assert not (bench.folder / "filed" / "a.csv").is_symlink()
    assert (bench.folder / "filed" / "a.csv").read_bytes() == data.read_bytes()
    assert list(data.parent.iterdir()) == [data]
    assert bench.run().entries == []


# What is on the disk before something else goes


@contextmanager
def synced(monkeypatch: pytest.MonkeyPatch, look: Path) -> Iterator[list[tuple[str, set[str]]]]:
    """What was brought to the disk, by its path below the lab, each with the files that were there at that moment."""
    seen: list[tuple[str, set[str]]] = []
    fsync = os.fsync

    def told(number: int) -> None:
        fsync(number)
        path = Path(f"/proc/self/fd/{number}").readlink()
        files = {str(one.relative_to(look)) for one in look.rglob("*.csv*")}
        seen.append((str(path.relative_to(look)), files))

    with monkeypatch.context() as staged:
        # The real one is called too; from outside nobody can see that it was.
        staged.setattr("ingest.common.durable.os.fsync", told)
        yield seen


def test_a_report_is_on_the_disk_before_it_gets_its_name_and_the_name_before_the_drop_goes(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop_tests("a.csv", BAD)

    with synced(monkeypatch, bench.folder) as seen:
        bench.run()

    assert seen[:3] == [
        (".", {"drops/tests/a.csv"}),  # the name of the folder refused
        (f"refused/{archive.DRAFT}", {"drops/tests/a.csv"}),
        ("refused", {"drops/tests/a.csv", "refused/a.csv"}),
    ]


def test_the_name_of_a_filed_drop_is_on_the_disk_before_the_drop_goes(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.drop_tests("a.csv", ROWS)

    with synced(monkeypatch, bench.folder) as seen:
        bench.run()

    assert seen == [(".", {"drops/tests/a.csv"}), ("filed", {"drops/tests/a.csv", "filed/a.csv"})]
    assert not (bench.folder / "drops" / "tests" / "a.csv").exists()


def test_a_copy_on_another_file_system_is_on_the_disk_before_it_gets_its_name(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = bench.drop_tests("a.csv", ROWS)
    os.utime(path, ns=(1_780_000_000_000_000_000, 1_780_000_000_000_000_000))

    def far(path: Path, _target: Path, *, follow_symlinks: bool) -> None:
        raise OSError(errno.EXDEV, os.strerror(errno.EXDEV), str(path), follow_symlinks)

    # Two file systems are not to be had everywhere.
    monkeypatch.setattr("ingest.intake.archive.os.link", far)
    with synced(monkeypatch, bench.folder) as seen:
        bench.run()

    assert seen == [
        (".", {"drops/tests/a.csv"}),  # the name of the folder filed
        (f"filed/{archive.DRAFT}", {"drops/tests/a.csv"}),
        ("filed", {"drops/tests/a.csv", "filed/a.csv"}),
    ]
    # Writing after the times were copied would give it the time of now.
    assert (bench.folder / "filed" / "a.csv").stat().st_mtime_ns == 1_780_000_000_000_000_000


# Cells of the report


def test_cells_that_begin_like_a_formula_stand_unchanged_in_the_report_and_a_caution_lies_beside_it(
    bench: Bench,
) -> None:
    formula = "=cmd|' /C calc'!A0"
    bench.drop_tests("a.csv", [{**BAD[1], "operator": formula, "load": " @x", "made_on": "-1"}])

    bench.run()
    shutil.rmtree(bench.folder / "filed")

    refused = bench.folder / "refused"
    assert formula in (refused / "a.csv").read_text()
    (line,) = (refused / "a.csv.caution.txt").read_text().splitlines()
    assert line.startswith(
        "a.csv holds refused rows with their cells as they came. Cells that begin like a formula: 2."
    )


def test_a_report_without_such_cells_has_no_caution(bench: Bench) -> None:
    bench.drop_tests("a.csv", [{**BAD[1], "made_on": "-1"}])

    bench.run()

    assert [path.name for path in (bench.folder / "refused").iterdir()] == ["a.csv"]
