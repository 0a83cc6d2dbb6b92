"""Commands start without what they do not use."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest
from click.testing import CliRunner
from support.labs import MONDAY, Bench, lot_rows

from dashboard.cli import COMMANDS, main

pytestmark = pytest.mark.usefixtures("lab_clock")

HEAVY = ("numpy", "pandas", "scipy", "pyarrow", "plotly", "dash", "flask", "typst", "xlsxwriter")
LOADED = f"""
import sys
from click.testing import CliRunner
from dashboard.cli import main
result = CliRunner().invoke(main, sys.argv[1:])
assert result.exit_code == 0, result.output
print(*sorted(set(sys.modules) & {{*{HEAVY!r}, "sqlalchemy", "pydantic"}}))
"""


def loaded_by(*arguments: str) -> set[str]:
    """The heavy modules, sqlalchemy and pydantic, as far as a process that runs the command has imported them."""
    command = [sys.executable, "-c", LOADED, *arguments]
    return set(subprocess.run(command, capture_output=True, text=True, check=True, timeout=120).stdout.split())


def test_help_loads_no_library_but_click() -> None:
    assert loaded_by("--help") == set()


@pytest.mark.parametrize("command", ["alerts", "board", "history"])
@pytest.mark.parametrize("form", [(), ("--json",)], ids=["text", "json"])
def test_a_list_of_the_store_loads_no_statistics_and_no_screen(
    bench: Bench, command: str, form: tuple[str, ...]
) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]]))
    bench.run()

    assert loaded_by(command, "--lab", str(bench.folder), *form) == {"sqlalchemy", "pydantic"}


def test_every_subcommand_is_found_and_its_line_in_the_list_is_the_first_of_its_help() -> None:
    context = click.Context(main)
    for name, (_, line) in COMMANDS.items():
        command = main.get_command(context, name)
        assert command is not None
        assert command.name == name
        assert (command.help or "").splitlines()[0] == line, name
        # One line on a terminal of 80 columns, beside the longest name.
        assert len(line) <= 66, name


def test_an_unknown_subcommand_is_refused_with_a_usage_line() -> None:
    assert main.get_command(click.Context(main), "no-such-command") is None


@pytest.mark.parametrize(
    ("call", "line"),
    [
        (["nope"], "lotdrift: no such command 'nope'; see lotdrift --help"),
        (["run", "--foo"], "lotdrift run: no such option '--foo'; see lotdrift run --help"),
        (["lot", "A"], "lotdrift lot: missing argument 'LOT'; see lotdrift lot --help"),
        (["user", "add"], "lotdrift user add: missing argument 'NAME'; see lotdrift user add --help"),
    ],
)
def test_a_wrong_call_is_one_line_that_leads_to_the_right_one(call: list[str], line: str) -> None:
    result = CliRunner().invoke(main, call, prog_name="lotdrift")

    assert (result.exit_code, result.stdout, result.stderr) == (2, "", f"{line}\n")


def test_a_call_without_a_command_shows_the_help() -> None:
    assert "Commands:" in CliRunner().invoke(main, []).output
