"""The commands as a person and a script meet them: exit statuses, one line for trouble, one document for `--json`."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner
from support.commands import assert_one_line, call, document
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

from dashboard.cli import main
from dashboard.schemas import schema

pytestmark = pytest.mark.usefixtures("lab_clock")

LOTDRIFT = Path(sys.executable).with_name("lotdrift")
STREAM = ("Alder Film", "MB-10", "shielding_energy")
SIGNED = ("--by", "Sam", "--because", "a slip of the finger")
COMMANDS: dict[str, list[str]] = {
    "run": ["run"],
    "check": ["check"],
    "board": ["board"],
    "stream": ["stream", *STREAM],
    "lot": ["lot", "Alder Film", "L0"],
    "alerts": ["alerts", "--all"],
    "scorecard": ["scorecard", "2026-Q1", "--formats", "csv"],
}


def listing(folder: Path) -> dict[str, tuple[int, int]]:
    """What is in a folder, so that any change is seen; SQLite's own side files come and go with a reader."""
    return {
        str(path.relative_to(folder)): (path.stat().st_size, path.stat().st_mtime_ns)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not path.name.endswith(("-wal", "-shm"))
    }


def fill(bench: Bench) -> None:
    """Nine lots of one stream, an invalid one of another, a bounded reading, a retest, a bad row and a file that is none."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 9)
    for week in range(9):
        values = [[10.0 + week, 11.0], [10.5, 9.5 + week / 3]]
        bench.drop_tests(f"wk{week}.csv", lot_rows(f"L{week}", MONDAY + timedelta(weeks=week), values))
    bench.drop_tests("again.csv", lot_rows("L0", MONDAY + timedelta(days=3), [[9.0, "<0.5"]]))
    ohms = lot_rows("R0", MONDAY, [[">1E12", ">1E12"]], characteristic="surface_resistance", unit="ohm", chamber="C9")
    bench.drop_tests("ohms.csv", ohms)
    bench.drop_tests("bad.csv", lot_rows("L0", MONDAY + timedelta(days=60), [[9.0, "OL"]]))
    bench.drop("none.csv", "nothing of use\n1\n")


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = Bench(tmp_path_factory.mktemp("lab"))
    fill(bench)
    bench.run()
    return bench.folder


# Documents


@pytest.mark.parametrize("name", COMMANDS)
def test_each_document_is_as_its_schema_says(name: str, filled: Path) -> None:
    jsonschema.validate(
        document(filled, *COMMANDS[name]), schema(name), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


# The keys of section 4 of the public surface.
KEYS = {
    "board": "supplier, product, characteristic, unit, lots, last_lot, last_tested_at, level, limit_lower, limit_upper, "
    "change_percent_per_month, breach_probability, weeks_to_limit, ppk, ppk_lower, state",
    "alerts": "id, kind, grade, supplier, product, characteristic, lot, raised_at, message, evidence, state",
    "scorecard": "supplier",
}


@pytest.mark.parametrize("name", KEYS)
def test_each_row_has_the_promised_keys(name: str, filled: Path) -> None:
    rows = document(filled, *COMMANDS[name])

    assert rows
    for row in rows:
        assert set(KEYS[name].split(", ")) <= set(row)


def test_the_run_document_counts_every_data_row_of_every_file(bench: Bench) -> None:
    fill(bench)
    rows = {path.name: len(path.read_text().splitlines()) - 1 for path in (bench.folder / "drops").rglob("*.csv")}

    result = call(bench.folder, "run", "--json")

    entries = json.loads(result.stdout)["files"]
    assert result.exit_code == 1
    assert len(entries) == len(rows)
    for entry in entries:
        counted = sum(entry[fate] for fate in ("stored", "duplicate", "corrected", "refused"))
        assert counted == (0 if entry["state"] == "refused" else rows[entry["name"]])


def test_the_stream_document_holds_points_limits_and_components(filled: Path) -> None:
    told = document(filled, *COMMANDS["stream"])

    assert {"center", "lower", "upper", "from_lots", "frozen_at"} <= set(told["limits"])
    assert {"lot", "bag", "reading"} <= set(told["components"])
    assert [point["lot"] for point in told["points"]] == [f"L{week}" for week in range(9)]
    keys = {"lot", "tested_at", "n", "level", "bag_spread", "reading_spread", "ewma", "signals", "state"}
    assert all(keys <= set(point) for point in told["points"])


def test_the_lot_document_holds_every_reading_with_its_bound_file_and_line(filled: Path) -> None:
    sessions = document(filled, *COMMANDS["lot"])["sessions"]

    first, again, later = sessions
    assert [r["value"] for r in first["readings"]] == [10.0, 11.0, 10.5, 9.5]
    assert [(r["value"], r["bound"]) for r in again["readings"]] == [(9.0, 0), (0.5, -1)]
    assert {(r["file"], r["line"]) for r in later["readings"]} == {("bad.csv", 2)}
    assert first["conditioning"]["state"] == "valid"


def test_times_are_iso_8601_with_the_offset_of_the_lab(filled: Path) -> None:
    # 9:00 UTC on 5 January is 9:00 in Lisbon; on 4 May it would be 10:00+01:00.
    assert document(filled, *COMMANDS["stream"])["points"][0]["tested_at"] == "2026-01-05T09:00:00+00:00"


def test_alerts_shows_open_ones_and_all_shows_the_closed_too(filled: Path) -> None:
    everything = document(filled, "alerts", "--all")

    assert [one for one in everything if one["state"] != "closed"] == document(filled, "alerts")


def test_documents_hold_names_in_full_and_messages_hold_no_control_characters(bench: Bench) -> None:
    bench.drop_tests("a\nb.csv", lot_rows("Lö\u0007", MONDAY, [[10.0, "\u001b[2J"]]))
    bench.drop("c\td.csv", "nothing of use\n1\n")

    told = document(bench.folder, "run")

    assert {entry["name"] for entry in told["files"]} == {"a\nb.csv", "c\td.csv"}
    assert all(entry["reason"] is None or entry["reason"].isprintable() for entry in told["files"])
    assert all(alert["message"].isprintable() for alert in told["raised"])
    assert call(bench.folder, "alerts").stdout.replace("\n", "").isprintable()


@pytest.mark.parametrize("name", COMMANDS)
def test_what_a_person_reads_is_text_without_control_characters(name: str, filled: Path) -> None:
    result = call(filled, *COMMANDS[name])

    assert result.stdout.replace("\n", "").isprintable()
    assert not result.stdout.startswith(("[", "{"))


def test_run_ends_with_what_came_in_what_was_refused_and_what_is_new(bench: Bench) -> None:
    fill(bench)

    told = call(bench.folder, "run").stdout

    assert told.startswith("13 files read: ")
    assert "1 file refused:\n  none.csv: " in told
    assert "refused/" in told
    assert "2 streams evaluated" in told
    assert "new alert" in told
    assert call(bench.folder, "run").stdout == "Nothing new in the drop folders.\n"


def test_a_file_that_could_not_be_read_is_not_told_as_taken_in(bench: Bench) -> None:
    bench.drop("a.csv", "no,table,of,ours\n1,2,3,4\n")
    alone = call(bench.folder, "run").stdout
    bench.drop("b.csv", "no,table,of,ours\n5,6,7,8\n")
    bench.drop_tests("c.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]]))
    beside = call(bench.folder, "run").stdout

    assert " read: " not in alone
    assert "1 file refused:\n  a.csv: lacks the column" in alone
    assert beside.startswith("1 file read: 2 rows stored.\n1 file refused:\n  b.csv: ")


# Before the first round, and nothing new


def test_board_and_alerts_are_empty_before_the_first_round_and_make_no_store(bench: Bench) -> None:
    before = listing(bench.folder)

    for name in ("board", "alerts"):
        result = call(bench.folder, name, "--json")
        assert (result.exit_code, json.loads(result.stdout), result.stderr) == (0, [], "")
    assert listing(bench.folder) == before


@pytest.mark.parametrize("name", ["stream", "lot", "scorecard"])
def test_what_needs_a_store_says_how_to_get_one(name: str, bench: Bench) -> None:
    assert_one_line(call(bench.folder, *COMMANDS[name]), 2, "lotdrift run")


def test_a_round_over_an_empty_lab_is_done_and_refuses_nothing(bench: Bench) -> None:
    assert document(bench.folder, "run") == {"files": [], "evaluated": 0, "to_look_at": 0, "raised": [], "unread": []}
    assert call(bench.folder, "run").exit_code == 0


# Wrong calls: status 2, one line, nothing written


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["stream", "Alder Film", "MB-10", "colour"], "colour"),
        (["stream", "Nobody", "MB-10", "shielding_energy"], "Nobody"),
        (["lot", "Alder Film", "L77"], "L77"),
        (["lot", "Alder Film", "a\u001b[2Jb"], "a\N{REPLACEMENT CHARACTER}[2Jb"),
        (["scorecard", "2026-Q5"], "2026-Q5"),
        (["scorecard", "last"], "last"),
        (["scorecard", "1999-Q1"], "1999-Q1"),
        (["scorecard", "2026-Q1", "--formats", "docx"], "docx"),
        (["scorecard", "2026-Q1", "--formats", ""], "pdf"),
        (["scorecard", "2026-Q1", "--supplier", "Nobody"], "Nobody"),
        (["check", "no-such.csv"], "no-such.csv"),
    ],
)
def test_a_wrong_call_is_one_line_with_status_2_and_writes_nothing(
    arguments: list[str], said: str, filled: Path
) -> None:
    before = listing(filled)

    assert_one_line(call(filled, *arguments), 2, said)

    assert listing(filled) == before


@pytest.mark.parametrize("day", ["0001-01-01", "1989-12-31", "2100-01-01", "9999-12-31"])
@pytest.mark.parametrize(
    "arguments",
    [
        ["replay", "DAY"],
        ["baseline", *STREAM, "--from", "DAY", *SIGNED],
        ["baseline", *STREAM, "--take-back", "DAY", *SIGNED],
        ["limit", *STREAM[1:], "--upper", "15", "--from", "DAY", *SIGNED],
        ["limit", *STREAM[1:], "--take-back", "upper", "--from", "DAY", *SIGNED],
    ],
)
def test_a_day_that_can_not_be_meant_is_one_line_with_status_2(arguments: list[str], day: str, filled: Path) -> None:
    before = listing(filled)

    told = call(filled, *(day if argument == "DAY" else argument for argument in arguments))

    assert_one_line(told, 2, f"expected a day from 1990-01-01 to 2099-12-31, got {day}")
    assert listing(filled) == before


@pytest.mark.parametrize("quarter", ["0001-Q1", "1989-Q4", "1990-Q1", "2099-Q4", "2100-Q1", "9999-Q4"])
@pytest.mark.parametrize("command", ["scorecard", "evidence"])
def test_a_quarter_that_can_not_be_meant_is_one_line_with_status_2(command: str, quarter: str, filled: Path) -> None:
    before = listing(filled)

    assert_one_line(call(filled, command, quarter), 2, quarter)

    assert listing(filled) == before


@pytest.mark.parametrize(
    "arguments", [["board", "--jsn"], ["bord"], ["stream", "Alder Film"], ["serve", "--port", "x"]]
)
def test_a_mistyped_call_is_told_with_status_2(arguments: list[str], filled: Path) -> None:
    result = CliRunner().invoke(main, arguments)

    assert result.exit_code == 2
    assert "Traceback" not in result.output


@pytest.mark.parametrize("name", COMMANDS)
def test_a_folder_without_lab_toml_is_told_and_left_as_it_is(name: str, tmp_path: Path) -> None:
    assert_one_line(call(tmp_path, *COMMANDS[name]), 2, "lab.toml")
    assert not any(tmp_path.iterdir())


@pytest.mark.parametrize("name", COMMANDS)
def test_a_wrong_lab_toml_is_one_line_that_names_the_key(name: str, bench: Bench) -> None:
    bench.declare(LAB_TOML.replace("hours = 48", 'hours = "48h"'))
    before = listing(bench.folder)

    assert_one_line(call(bench.folder, *COMMANDS[name]), 2, "lab.toml", "conditioning.dry.hours", '"48h"')

    assert listing(bench.folder) == before


def test_a_port_in_use_is_one_line_with_status_2(bench: Bench) -> None:
    before = listing(bench.folder)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        result = call(bench.folder, "serve", "--port", str(port))

    assert_one_line(result, 2, str(port), "--port")
    assert listing(bench.folder) == before


def test_another_unit_for_stored_values_is_refused(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]]))
    bench.run()
    bench.declare(LAB_TOML.replace('unit = "nJ"', 'unit = "uJ"'))

    # Whatever shows a value refuses it too: 10 nJ would be told as 10 uJ.
    names = ("Alder Film", "MB-10", "shielding_energy")
    for command in (
        ["run"],
        ["board"],
        ["alerts"],
        ["stream", *names],
        ["lot", "Alder Film", "L0"],
        ["scorecard", "2026-Q1"],
    ):
        told = call(bench.folder, *command)
        assert_one_line(told, 2, "lab.toml", "characteristic.shielding_energy.unit", '"nJ"', '"uJ"')


# check


def test_check_tells_what_a_round_would_refuse_and_moves_nothing(bench: Bench) -> None:
    fill(bench)
    before = listing(bench.folder)

    result = call(bench.folder, "check", "--json")

    told = json.loads(result.stdout)
    assert result.exit_code == 1
    assert listing(bench.folder) == before
    assert [(item["file"], item["line"]) for item in told["refusals"]] == [("bad.csv", 3)]
    assert {item["name"] for item in told["files"] if item["state"] == "refused"} == {"none.csv"}
    done = document(bench.folder, "run")
    assert {item["name"]: item["refused"] for item in told["files"]} == {
        item["name"]: item["refused"] for item in done["files"]
    }


def test_check_tells_of_a_name_that_is_no_text(bench: Bench) -> None:
    content = bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]])).read_bytes()
    Path(os.fsdecode(os.fsencode(bench.folder) + b"/drops/tests/\xff.csv")).write_bytes(content)

    told = document(bench.folder, "check")

    assert {item["name"]: item["state"] for item in told["files"]} == {
        "a.csv": "readable",
        "\N{REPLACEMENT CHARACTER}.csv": "refused",
    }


def test_check_of_a_sound_lab_ends_with_0(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))

    assert call(bench.folder, "check").exit_code == 0


def test_check_of_a_file_shows_how_it_would_be_read_and_a_source_to_paste(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "theirs.csv"
    path.write_text(
        "Tested;Vendor;Part;Batch;Bag;Shot;Test;Result;Units\n"
        "2026-01-05T09:00:00Z;Alder Film;MB-10;L0;1;1;shielding_energy;12.5;nJ\n"
        "2026-01-05T09:01:00Z;Alder Film;MB-10;L0;1;2;shielding_energy;OL;nJ\n"
    )
    before = listing(bench.folder)

    result = call(bench.folder, "check", str(path))

    assert result.exit_code == 1
    assert "[[source]]" in result.stdout
    assert 'supplier = "Vendor"' in result.stdout
    assert "12.5" in result.stdout
    assert "line 3" in result.stdout
    assert listing(bench.folder) == before


# The store


@pytest.mark.parametrize("name", ["run", "board", "lot", "stream", "alerts", "scorecard"])
def test_a_broken_store_is_one_line_that_names_it_and_its_bytes_stay(name: str, bench: Bench) -> None:
    (bench.folder / "lotdrift.db").write_bytes(b"not a database" * 500)
    fill(bench)
    before = listing(bench.folder)

    assert_one_line(call(bench.folder, *COMMANDS[name]), 3, str(bench.folder / "lotdrift.db"))

    assert {name: seen for name, seen in listing(bench.folder).items() if name != ".lotdrift.lock"} == before


# Processes


def lotdrift(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run([LOTDRIFT, *arguments], capture_output=True, text=True, check=False, timeout=120, **options)


def test_the_command_is_there_and_works_on_this_folder_by_default(bench: Bench) -> None:
    fill(bench)

    done = lotdrift("run", "--json", cwd=bench.folder)

    assert done.returncode == 1
    assert len(json.loads(done.stdout)["files"]) == 14
    # No progress in a pipe.
    assert done.stderr == ""


def test_a_reader_that_leaves_early_sees_no_traceback(filled: Path) -> None:
    command = f"{LOTDRIFT} lot 'Alder Film' L0 --json --lab {filled} | head -c 1"
    done = subprocess.run(["sh", "-c", command], capture_output=True, text=True, check=False, timeout=120)

    assert (done.stdout, done.stderr) == ("{", "")


@pytest.fixture
def serving(bench: Bench) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [LOTDRIFT, "serve", "--port", "0", "--lab", bench.folder],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={"PYTHONUNBUFFERED": "1"},
    )
    yield process
    process.kill()
    process.communicate()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_serve_does_a_round_and_ends_without_a_traceback_when_told_to(
    number: signal.Signals, bench: Bench, serving: subprocess.Popen[str]
) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))
    assert serving.stdout is not None
    assert "http://127.0.0.1:" in serving.stdout.readline()
    deadline = time.monotonic() + 60
    while not (bench.folder / "filed" / "a.csv").exists():
        assert time.monotonic() < deadline
        time.sleep(0.05)

    serving.send_signal(number)
    out, err = serving.communicate(timeout=60)

    assert serving.returncode == 0
    assert out == "Stopped.\n"
    assert "Traceback" not in err


def test_a_round_ended_by_sigint_leaves_no_traceback_and_the_next_one_does_the_rest(bench: Bench) -> None:
    # So many that the round is surely under way when the signal comes; years before the clock of the computer.
    first = MONDAY - timedelta(weeks=312)
    for number in range(200):
        bench.drop_tests(f"{number}.csv", lot_rows(f"L{number}", first + timedelta(days=number), [[10.0, 11.0]]))
    process = subprocess.Popen(
        [LOTDRIFT, "run", "--lab", bench.folder], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    while not (bench.folder / "filed").exists():
        time.sleep(0.01)

    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)

    assert process.returncode != 0
    assert "Traceback" not in err
    call(bench.folder, "run")
    assert len(list((bench.folder / "filed").iterdir())) == 200
    assert document(bench.folder, "board")[0]["lots"] == 0


def test_ctrl_c_at_the_end_of_an_objects_life_is_not_lost(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    class Ending:
        def __del__(self) -> None:
            raise KeyboardInterrupt

    def round_that_drops_it(*_: object) -> None:
        Ending()
        # A long wait in short pieces: what is raised in Python's own name does not cut one sleep short.
        for _ in range(300):
            time.sleep(0.1)

    monkeypatch.setattr("ingest.rounds.rounds.run", round_that_drops_it)

    assert_one_line(call(bench.folder, "run"), 130, "Stopped.")


def test_ctrl_c_while_a_connection_is_closed_leaves_no_traceback(bench: Bench) -> None:
    # A process of its own: here the tests' own handler of log records stands in for the one that prints.
    program = (
        "import sys, sqlite3; from ingest.store import sqlite_store; from dashboard.cli import main\n"
        "def close(self):\n"
        "    sqlite3.Connection.close(self)\n"
        "    raise KeyboardInterrupt\n"
        "sqlite_store._Connection.close = close\n"
        f"main(['run', '--lab', {str(bench.folder)!r}])\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=False)

    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == "Stopped. The next round completes what was not finished.\n"


def test_a_round_that_is_ended_by_ctrl_c_says_so_in_one_line(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("ingest.rounds.rounds.run", interrupted)

    # 128 and the number of SIGINT, as a shell tells it (POSIX.1-2017, Shell Command Language, 2.8.2: above 128).
    assert_one_line(call(bench.folder, "run"), 130, "Stopped.")
