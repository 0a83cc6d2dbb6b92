"""Every JSON document against its published schema, and what the README documents against the code."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from click.testing import CliRunner
from support.labs import MONDAY, Bench, lot_rows
from support.people import declare

from dashboard.cli import main
from dashboard.schemas import schema
from ingest.config.models import Source
from spc import patterns, runlength
from spc.stream.evaluate import CHART_PATTERNS

pytestmark = pytest.mark.usefixtures("lab_clock")

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
FORMATS = jsonschema.Draft202012Validator.FORMAT_CHECKER


def said(bench: Bench, *arguments: str) -> tuple[int, Any]:
    found = CliRunner().invoke(main, [*arguments, "--lab", str(bench.folder), "--json"])
    return found.exit_code, json.loads(found.stdout)


def fill(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 12)
    for number in range(12):
        tested = MONDAY + timedelta(weeks=number)
        bench.drop_tests(f"wk{number}.csv", lot_rows(f"L{number}", tested, [[10.0 + number % 3, 11.0], [10.5, "<9.5"]]))
    bench.drop_tests("bad.csv", lot_rows("L20", MONDAY, [[25.0, "OL"]]))


@pytest.mark.parametrize(
    ("name", "arguments"),
    [
        ("board", ["board"]),
        ("alerts", ["alerts", "--all"]),
        ("stream", ["stream", "Alder Film", "MB-10", "shielding_energy"]),
        ("lot", ["lot", "Alder Film", "L20"]),
        ("check", ["check"]),
        ("scorecard", ["scorecard", "2026-Q1"]),
        ("replay", ["replay", "2026-03-31"]),
    ],
)
def test_each_document_keeps_to_its_schema(bench: Bench, name: str, arguments: list[str]) -> None:
    fill(bench)
    if name == "check":
        code, document = said(bench, *arguments)
        assert code == 1
    else:
        code, round_document = said(bench, "run")
        assert code == 1
        jsonschema.validate(round_document, schema("run"), format_checker=FORMATS)
        code, document = said(bench, *arguments)
        assert code == 0

    jsonschema.validate(document, schema(name), format_checker=FORMATS)
    assert document


@pytest.mark.parametrize(("name", "arguments"), [("users", ["user", "list"]), ("history", ["history"])])
def test_users_and_entries_keep_to_their_schema(bench: Bench, name: str, arguments: list[str]) -> None:
    declare(bench.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    CliRunner().invoke(main, ["user", "close", "Ann", "--lab", str(bench.folder)])

    code, document = said(bench, *arguments)

    jsonschema.validate(document, schema(name), format_checker=FORMATS)
    assert (code, len(document)) == (0, {"users": 2, "history": 3}[name])
    assert "argon2" not in json.dumps(document)


@pytest.mark.parametrize("command", ["board", "alerts", "history"])
def test_before_the_first_round_there_is_nothing_and_that_is_no_error(bench: Bench, command: str) -> None:
    assert said(bench, command) == (0, [])
    assert not (bench.folder / "lotdrift.db").exists()


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["stream", "Nobody", "X", "shielding_energy"], 'stream: there is none for supplier "Nobody"'),
        (["lot", "Alder Film", "L99"], 'lot: supplier "Alder Film" has no lot "L99"'),
        (["scorecard", "Q1-2026"], "scorecard"),
        (["scorecard", "1999-Q1"], "scorecard"),
        (["scorecard", "2026-Q1", "--formats", "docx"], "scorecard: expected forms out of pdf, xlsx, html, csv"),
        (["scorecard", "2026-Q1", "--supplier", "Nobody"], "scorecard"),
    ],
)
def test_a_wrong_call_is_one_line_and_exit_status_two(bench: Bench, arguments: list[str], line: str) -> None:
    fill(bench)
    bench.run()

    found = CliRunner().invoke(main, [*arguments, "--lab", str(bench.folder)])

    assert found.exit_code == 2
    assert found.stderr.startswith(line)
    assert found.stderr.count("\n") == 1
    assert not (bench.folder / "exports").exists()


def test_a_wrong_lab_file_is_one_line_and_the_folder_stays_as_it_is(bench: Bench) -> None:
    text = (bench.folder / "lab.toml").read_text()
    bench.declare(text.replace("hours = 48", 'hours = "48h"'))
    before = sorted(path.name for path in bench.folder.rglob("*"))

    found = CliRunner().invoke(main, ["run", "--lab", str(bench.folder)])

    assert (found.exit_code, found.stderr) == (
        2,
        'lab.toml, conditioning.dry.hours: expected a number above 0, got "48h"\n',
    )
    assert sorted(path.name for path in bench.folder.rglob("*")) == before


def test_a_broken_store_is_one_line_and_exit_status_three(bench: Bench) -> None:
    (bench.folder / "lotdrift.db").write_bytes(b"no database" * 50)

    found = CliRunner().invoke(main, ["board", "--lab", str(bench.folder)])

    assert found.exit_code == 3
    assert "lotdrift.db: is not a database; move it away" in found.stderr
    assert found.stderr.count("\n") == 1


def test_the_readme_names_every_command_and_no_other() -> None:
    assert set(re.findall(r"^\| `lotdrift (\w+)", README, re.MULTILINE)) == set(main.commands)


def test_the_readme_names_every_key_of_a_source_and_no_other() -> None:
    rows = README.split("Keys of a `[[source]]`")[1].split("## The feeds")[0]
    named = {key for row in re.findall(r"^\| (`[^|]*`) \|", rows, re.MULTILINE) for key in re.findall(r"`(\w+)`", row)}

    assert named == set(Source.model_fields)


PATTERN_NAMES = [
    "beyond_three_sigma",
    "two_of_three_beyond_two_sigma",
    "four_of_five_beyond_one_sigma",
    "eight_on_one_side",
    "nine_on_one_side",
    "six_rising_or_falling",
    "fourteen_alternating",
    "fifteen_within_one_sigma",
    "eight_outside_one_sigma",
]


def test_the_patterns_are_those_of_the_public_surface_and_of_the_readme() -> None:
    rows = re.findall(r"^\| `(\w+)` \| [^|]+ \| ([\d,]+) lots \|$", README, re.MULTILINE)

    assert sorted(patterns.PATTERNS) == sorted(PATTERN_NAMES) == sorted(name for name, _ in rows)
    assert tuple(name for name, _ in rows[: len(CHART_PATTERNS)]) == CHART_PATTERNS


def test_the_prices_of_the_patterns_in_the_readme_are_the_computed_ones() -> None:
    rows = re.findall(r"^\| `(\w+)` \| [^|]+ \| ([\d,]+) lots \|$", README, re.MULTILINE)
    told = {name: int(lots.replace(",", "")) for name, lots in rows}

    assert told == {name: round(runlength.shewhart(0.0, [name])) for name in PATTERN_NAMES}
    assert f"together once in {runlength.shewhart(0.0, CHART_PATTERNS):.0f} lots" in README
