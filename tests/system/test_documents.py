"""Every JSON document against its published schema; README.md, the guide and DEVELOPERS.md against the code."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from datetime import timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any, get_args

import click
import jsonschema
import pytest
from click.testing import CliRunner
from pydantic import BaseModel, TypeAdapter
from pydantic_core import PydanticUndefined
from support.demolab import copy_of, demo_lab
from support.documents import GUIDE, README, ROOT, examples, rows, run_demo_examples, run_first_lab
from support.labs import MONDAY, Bench, lot_rows
from support.people import declare

from dashboard.cli import main
from dashboard.commands import common
from dashboard.pages import guide
from dashboard.schemas import schema
from ingest.audit.accounts import Role
from ingest.config.models import CLIMATE_COLUMNS, TEST_COLUMNS, LabFile, Weights
from ingest.documents.case import CaseState
from ingest.sessions import conditioning
from spc import patterns, runlength
from spc.stream.evaluate import CHART_PATTERNS
from spc.vocabulary.enums import AlertState, Effectiveness, Grade, Kind, StreamState, Verdict

pytestmark = pytest.mark.usefixtures("lab_clock")

FORMATS = jsonschema.Draft202012Validator.FORMAT_CHECKER


def answer(bench: Bench, *arguments: str) -> tuple[int, Any]:
    result = CliRunner().invoke(main, [*arguments, "--lab", str(bench.folder), "--json"])
    return result.exit_code, json.loads(result.stdout)


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
        ("cases", ["cases", "--all"]),
        ("retest", ["retest"]),
        ("find", ["find", "L1"]),
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
        code, document = answer(bench, *arguments)
        assert code == 1
    else:
        code, round_document = answer(bench, "run")
        assert code == 1
        jsonschema.validate(round_document, schema("run"), format_checker=FORMATS)
        code, document = answer(bench, *arguments)
        assert code == 0

    jsonschema.validate(document, schema(name), format_checker=FORMATS)
    assert document


@pytest.mark.parametrize(("name", "arguments"), [("users", ["user", "list"]), ("history", ["history"])])
def test_users_and_entries_keep_to_their_schema(bench: Bench, name: str, arguments: list[str]) -> None:
    declare(bench.folder, ("Ann", "viewer"), ("Sam", "specialist"))
    CliRunner().invoke(main, ["user", "close", "Ann", "--lab", str(bench.folder)])

    code, document = answer(bench, *arguments)

    jsonschema.validate(document, schema(name), format_checker=FORMATS)
    assert (code, len(document)) == (0, {"users": 2, "history": 3}[name])
    assert "argon2" not in json.dumps(document)


@pytest.mark.parametrize("command", ["board", "alerts", "cases", "history", "retest"])
def test_before_the_first_round_there_is_nothing_and_that_is_no_error(bench: Bench, command: str) -> None:
    assert answer(bench, command) == (0, [])
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

    result = CliRunner().invoke(main, [*arguments, "--lab", str(bench.folder)])

    assert result.exit_code == 2
    assert result.stderr.startswith(line)
    assert result.stderr.count("\n") == 1
    assert not (bench.folder / "exports").exists()


def test_a_wrong_lab_file_is_one_line_and_the_folder_stays_as_it_is(bench: Bench) -> None:
    text = (bench.folder / "lab.toml").read_text()
    bench.declare(text.replace("hours = 48", 'hours = "48h"'))
    before = sorted(path.name for path in bench.folder.rglob("*"))

    result = CliRunner().invoke(main, ["run", "--lab", str(bench.folder)])

    assert (result.exit_code, result.stderr) == (
        2,
        'lab.toml, conditioning.dry.hours: expected a number above 0, got "48h"\n',
    )
    assert sorted(path.name for path in bench.folder.rglob("*")) == before


def test_a_broken_store_is_one_line_and_exit_status_three(bench: Bench) -> None:
    (bench.folder / "lotdrift.db").write_bytes(b"no database" * 50)

    result = CliRunner().invoke(main, ["board", "--lab", str(bench.folder)])

    assert result.exit_code == 3
    assert "lotdrift.db: is not a database; move it away" in result.stderr
    assert result.stderr.count("\n") == 1


def section(part: str, *headings: str) -> list[list[str]]:
    """The rows of the tables right below these headings (from the second level on) of a part of the guide."""
    return [cells for above, cells in rows(GUIDE / f"{part}.md") if above[1:] == headings]


def codes(cells: list[list[str]], column: int = 0) -> list[str]:
    """The words in code marks in one column."""
    return [code for row in cells for code in re.findall(r"`([^`]+)`", row[column])]


def tables_of(model: type[BaseModel]) -> Iterator[tuple[str, type[BaseModel]]]:
    """Every model below a model, with the key under which it stands."""
    for name, field in model.model_fields.items():
        for inner in models_in(field.annotation):
            yield field.alias or name, inner
            yield from tables_of(inner)


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from models_in(argument)


def default_text(field: Any) -> str:
    """A default as the guide writes it; a dash for one that declares nothing."""
    if field.is_required():
        return "required"
    value = field.default
    if value is PydanticUndefined or value is None:
        return "–"
    if isinstance(value, BaseModel):
        return "see below"
    return f"`{json.dumps(value)}`"


def test_the_guide_has_every_key_of_lab_toml_with_its_default_and_no_other() -> None:
    documented: dict[str, dict[str, str]] = {}
    for above, cells in rows(GUIDE / "lab-toml.md"):
        for name in above[-1].split(", "):
            documented.setdefault(name, {})[cells[0].strip("`")] = cells[1]

    declared = {
        table: {field.alias or name: default_text(field) for name, field in model.model_fields.items()}
        for table, model in tables_of(LabFile)
    }

    assert documented == declared


def test_the_guide_has_a_section_for_every_table_of_lab_toml() -> None:
    sections = {above[1] for above, _ in rows(GUIDE / "lab-toml.md")}

    assert sections == set(LabFile.model_fields)


def test_every_example_of_lab_toml_in_the_guide_is_accepted() -> None:
    ((_, whole),) = examples(GUIDE / "lab-toml.md", "toml")
    others = [text for _, text in examples(GUIDE / "sharing.md", "toml")]

    assert len(others) == 2
    for text in ("", *others):
        TypeAdapter(LabFile).validate_python({**tomllib.loads(whole), **tomllib.loads(text)})


def test_the_guide_has_every_column_of_the_feeds_and_the_required_ones() -> None:
    tests, climate = section("feeds", "Test results"), section("feeds", "Chamber logs")

    assert (tuple(codes(tests)), tuple(codes(climate))) == (TEST_COLUMNS, CLIMATE_COLUMNS)
    required = {"tested_at", "supplier", "product", "lot", "specimen", "reading", "characteristic", "value", "unit"}
    assert {row[0].strip("`") for row in tests if row[1] == "yes"} == required
    # A dew or frost point may stand in place of the humidity.
    assert [row[0].strip("`") for row in climate if row[1] != "yes"] == ["dew_point_c", "frost_point_c"]


def commands_below(group: click.Group, above: str = "lotdrift") -> Iterator[tuple[str, click.Command]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        if isinstance(command, click.Group):
            yield from commands_below(command, f"{above} {name}")
        else:
            yield f"{above} {name}", command


def written(argument: click.Argument) -> str:
    name = str(argument.name).upper()
    return argument.metavar or (name if argument.required else f"[{name}]")


def test_the_guide_has_every_command_with_its_arguments_and_options_and_no_other() -> None:
    text = (GUIDE / "commands.md").read_text(encoding="utf-8")
    sections = dict(re.findall(r"^## (lotdrift [\w ]+)\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL))
    commands = dict(commands_below(main))

    assert set(sections) == set(commands)
    for name, command in commands.items():
        paragraph = sections[name].split("```")[0].split("| option")[0]
        listed = codes(section("commands", name)) + re.findall(r"`(--[\w-]+)`", paragraph.partition("Common")[2])
        options = {one for parameter in command.params if isinstance(parameter, click.Option) for one in parameter.opts}
        options |= {one for parameter in command.params for one in parameter.secondary_opts}
        assert sorted(one.split()[0] for one in listed) == sorted(options), name
        arguments = [one for one in command.params if isinstance(one, click.Argument)]
        call = " ".join([name, *map(written, arguments)])
        assert f"`{call}`" in paragraph, name


def test_the_guide_says_which_options_are_required() -> None:
    for name, command in commands_below(main):
        required = {row[0].strip("`").split()[0] for row in section("commands", name) if row[1].endswith("Required.")}
        options = [one for one in command.params if isinstance(one, click.Option)]
        assert required == {one.opts[0] for one in options if one.required}, name


def test_the_guide_has_every_exit_status_and_no_other() -> None:
    statuses = {0, common.REFUSED, common.WRONG_CALL, common.NO_STORE, common.INTERRUPTED}

    assert {int(code) for code in codes(section("commands", "Exit status"))} == statuses


@pytest.mark.parametrize(
    ("part", "heading", "first", "words"),
    [
        ("charts", "Verdicts", "verdict", Verdict),
        ("charts", "States of a stream", "state", StreamState),
        ("charts", "Alerts", "kind", Kind),
        ("charts", "Alerts", "grade", Grade),
        ("charts", "Alerts", "state of an alert", AlertState),
        ("feeds", "Valid tests", "state", conditioning.State),
        ("suppliers", "Corrective actions", "result", Effectiveness),
        ("work", "Cases", "state", get_args(CaseState)),
        ("sharing", "Users", "role", Role),
    ],
)
def test_the_guide_has_every_word_of_a_closed_set_and_no_other(
    part: str, heading: str, first: str, words: type[StrEnum] | tuple[str, ...]
) -> None:
    text = (GUIDE / f"{part}.md").read_text(encoding="utf-8").split(f"## {heading}\n")[1].split("\n## ")[0]
    table = text.split(f"| {first} |")[1].split("\n\n")[0]

    assert sorted(re.findall(r"^\| `([^`]+)` \|", table, re.MULTILINE)) == sorted(words)


def test_the_guide_has_every_part_of_the_score_and_no_other() -> None:
    assert codes(section("suppliers", "The scorecard")) == list(Weights.model_fields)


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


def test_the_patterns_are_those_of_the_public_surface_and_of_the_guide() -> None:
    names = codes(section("charts", "Patterns on the chart"))

    assert sorted(patterns.PATTERNS) == sorted(PATTERN_NAMES) == sorted(names)
    assert tuple(names[: len(CHART_PATTERNS)]) == CHART_PATTERNS


def test_the_prices_of_the_patterns_in_the_guide_are_the_computed_ones() -> None:
    table = section("charts", "Patterns on the chart")
    prices = {row[0].strip("`"): int(row[2].removesuffix(" lots").replace(",", "")) for row in table}

    assert prices == {name: round(runlength.shewhart(0.0, [name])) for name in PATTERN_NAMES}
    text = (GUIDE / "charts.md").read_text(encoding="utf-8")
    assert f"together once in {runlength.shewhart(0.0, CHART_PATTERNS):.0f} lots" in text


def test_the_first_lab_of_the_readme_prints_what_the_readme_shows(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    sessions = run_first_lab(monkeypatch, tmp_path)

    assert len(sessions) == 5
    assert {one.command: one.shown for one in sessions if not one.agrees()} == {}


def test_the_commands_of_the_guide_print_what_the_guide_shows(
    monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> None:
    lab = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("guide") / "lab")
    sessions = run_demo_examples(monkeypatch, lab)

    assert len(sessions) >= 10
    assert {one.command: one.shown for one in sessions if not one.agrees()} == {}


def test_a_document_with_an_alert_of_the_demo_says_that_another_demo_has_other_ones() -> None:
    for path in (README, *GUIDE.glob("*.md")):
        text = path.read_text(encoding="utf-8")
        shown = [one for _, block in examples(path, "console") for one in re.findall(r"\b[0-9a-f]{12}\b", block)]
        before = text.partition("```console")[0]
        assert not shown or ("the identifiers of alerts" in before and shown[0] in before), path.name


def test_a_newcomer_reads_where_the_command_lies_before_the_first_call() -> None:
    for path in (README, GUIDE / "commands.md"):
        before, _, _ = path.read_text(encoding="utf-8").partition("$ lotdrift")
        assert ".venv/bin/lotdrift" in before
        assert "source .venv/bin/activate" in before


def test_every_part_of_the_guide_is_in_its_contents_and_in_the_readme() -> None:
    files = {path.stem for path in GUIDE.glob("*.md")}

    assert files == set(guide.PARTS)
    assert set(re.findall(r"\(dashboard/guide/([\w-]+)\.md\)", README.read_text(encoding="utf-8"))) == files


DEVELOPERS = ROOT / "DEVELOPERS.md"
ROOMS = ("spc", "ingest", "dashboard")


def developers(heading: str) -> list[list[str]]:
    return [cells for above, cells in rows(DEVELOPERS) if above[-1] == heading]


def settings() -> dict[str, Any]:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_map_of_the_rooms_is_that_of_the_folders() -> None:
    folders = {f"{top}/{path.parent.name}" for top in ROOMS for path in (ROOT / top).glob("*/__init__.py")}

    assert {code for code in codes(developers("The map")) if "." not in code} == folders


def test_the_map_of_the_rooms_is_in_the_order_of_the_layers() -> None:
    order = [code.replace("/", ".").removesuffix(".py") for code in codes(developers("The map"))]
    for contract in settings()["tool"]["importlinter"]["contracts"]:
        for container in contract.get("containers", ()):
            ranks = {
                f"{container}.{module}": rank
                for rank, layer in enumerate(contract["layers"])
                for module in re.split(r" [|:] ", layer)
            }
            mapped = [ranks[room] for room in order if room in ranks]
            modules = {room for room in ranks if (ROOT / f"{room.replace('.', '/')}.py").exists()}
            assert mapped == sorted(mapped), container
            assert set(ranks) - set(order) - (modules if container == "spc" else set()) == set(), container


def test_every_file_that_the_developers_guide_names_is_there() -> None:
    named = {
        code
        for _, cells in rows(DEVELOPERS)
        for cell in cells
        for code in re.findall(r"`((?:spc|ingest|dashboard|tests)/[\w/.]+)`", cell)
    }

    assert len(named) > 50
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_the_developers_guide_has_every_dependency_and_no_other() -> None:
    project = settings()["project"]
    wanted = [*project["dependencies"], *(one for group in project["optional-dependencies"].values() for one in group)]

    names = {re.split(r"[\[<>=]", one)[0] for one in wanted}

    assert sorted(codes(developers("Why each dependency"))) == sorted(names)


def test_the_glossary_has_each_word_once_in_about_thirty() -> None:
    words = [row[0] for row in developers("Glossary")]

    assert len(words) == len(set(words))
    assert 28 <= len(words) <= 36
    assert {row[2] for row in developers("Glossary")}.isdisjoint(words)


DOCUMENTS = [README, DEVELOPERS, ROOT / "CHANGELOG.md", ROOT / "sample_feeds/README.md"]
DOCUMENTS += [ROOT / "tests/bench/RESULTS.md", *sorted(GUIDE.glob("*.md"))]


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_every_link_of_a_document_leads_to_a_file_and_a_heading(document: Path) -> None:
    text = document.read_text(encoding="utf-8")
    broken = []
    for target in re.findall(r"\]\(([^)\s]+)\)", re.sub(r"```.*?```", "", text, flags=re.DOTALL)):
        name, _, anchor = target.partition("#")
        other = document.parent / name if name else document
        headings = re.findall(r"^#+ (.+)$", other.read_text(encoding="utf-8"), re.MULTILINE) if anchor else []
        if not other.exists() or (anchor and anchor not in map(guide.heading_anchor, headings)):
            broken.append(target)

    assert broken == []


def test_the_readme_stays_short() -> None:
    assert len(README.read_text(encoding="utf-8").splitlines()) <= 175
