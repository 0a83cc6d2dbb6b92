"""The mutation run: what it changes, what it reports, and that it goes on where it stopped."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from mutants.__main__ import ROOT, difference, only_path, table
from mutants.mutations import mutations

PRODUCT = '''"""Limits."""

MARGIN = 2


def inside(value: float, limit: float) -> bool:
    """Whether a value is under its limit."""
    return value < limit


def kept(values: list[float], limit: float) -> list[float]:
    found = []
    for value in values:
        if inside(value, limit - MARGIN):
            found.append(value)
    return found
'''
WEAK_TESTS = """from limits import inside, kept

def test_a_value_far_from_its_limit():
    assert inside(1.0, 2.0)
    assert not inside(3.0, 2.0)

def test_a_list_keeps_what_is_inside():
    assert kept([0.0, 7.9, 8.1], 10.0) == [0.0, 7.9]
"""


def changed_lines(text: str) -> list[tuple[str, str]]:
    return [(one.kind, difference(text, one).splitlines()[-1][1:].strip()) for one in mutations(text)]


@pytest.mark.parametrize(
    ("line", "changes"),
    [
        ("a = b <= c", {"a = b < c", "a = b >= c"}),
        ("a = b and c or d", {"a = b or c or d", "a = b and c and d"}),
        ("a -= b + 1", {"a += b + 1", "a -= b - 1", "a -= b + 2"}),
        ("a = b if c else d", {"a = b if (not (c)) else d"}),
        ("a = [b for b in c if b]", {"a = [b for b in c if (not (b))]"}),
        ("save(a)", {"pass"}),
        ("a = f(b, *c)", {"a = f(*c, b)"}),
        ("a = min(b, c)", set()),
        ("a = not b", {"a = (b)"}),
        ('a = "é" + b', {'a = "é" - b', "a = 'é?' + b"}),
        ("raise ValueError(f'{a + 1}')", {"pass"}),
        ("a: tuple[int, 1] = b", set()),
        ('__all__ = ["a"]', set()),
        ('"""A text that says what it is."""', set()),
        ("a = zip(b, c, strict=True)", {"a = zip(c, b, strict=True)"}),
    ],
)
def test_each_kind_of_line_has_its_changes(line: str, changes: set[str]) -> None:
    assert {new for _, new in changed_lines(line)} == changes


def test_a_function_is_changed_in_what_it_returns() -> None:
    assert ("returns True", "return True") in changed_lines("def f(a, b):\n    return a < b\n")
    assert ("returns None", "return None") in changed_lines("def f(a):\n    return a.b\n")


def run(project: Path, *arguments: str) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "mutants", "--root", project, "--table", project / "files.toml", *arguments],
        env={**os.environ, "PYTHONPATH": str(ROOT / "tests")}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    return done.stdout + done.stderr


@pytest.fixture
def project(tmp_path: Path) -> Path:
    (tmp_path / "limits.py").write_text(PRODUCT)
    (tmp_path / "test_limits.py").write_text(WEAK_TESTS)
    (tmp_path / "files.toml").write_text('[limits]\n"limits.py" = ["test_limits.py"]\n')
    (tmp_path / "pyproject.toml").write_text('[tool.pytest]\naddopts = ["-p", "no:dash"]\n')
    return tmp_path


def test_a_weak_test_lets_the_edge_of_its_limit_survive_and_nothing_else(project: Path) -> None:
    report = run(project)

    assert "limits.py:8 < becomes > killed by" in report
    assert "limits.py:15 call left out killed by test_limits.py::test_a_list_keeps_what_is_inside" in report
    assert "limits.py:3 constant changed killed by" in report
    assert report.partition("\n\n")[2].splitlines() == [
        "limits.py:8 < becomes <= survived",
        "-    return value < limit",
        "+    return value <= limit",
    ]
    assert re.search(r"limits\.py: \d+ changes, 1 survived, 0 ended by the clock", report)
    assert (project / "limits.py").read_text() == PRODUCT


def test_a_second_run_tries_only_what_is_new(project: Path) -> None:
    first = run(project, "--count", "3")
    again = run(project, "--count", "3")
    (project / "test_limits.py").write_text(WEAK_TESTS + "\ndef test_the_edge():\n    assert not inside(2.0, 2.0)\n")
    mended = run(project, "--line", "8")

    assert first.count("killed by") + first.count("survived\n-") == 3
    assert "killed by" not in again
    assert "limits.py:8 < becomes <= killed by test_limits.py::test_the_edge" in mended
    assert mended.endswith("No change survived.\n")


def test_tests_that_fail_before_any_change_end_the_run_with_their_words(project: Path) -> None:
    (project / "test_limits.py").write_text("def test_it():\n    assert 1 == 2\n")

    assert "limits.py: the tests fail before anything is changed" in run(project)


def test_tests_that_never_run_the_file_prove_nothing(project: Path) -> None:
    (project / "test_limits.py").write_text("def test_it():\n    pass\n")

    assert "limits.py: none of test_limits.py runs it" in run(project)


def test_each_name_of_the_table_is_one_file_of_the_project() -> None:
    rows = table()

    assert {"verdicts.py", "conditioning.py", "request_guard.py"} <= {Path(row.file).name for row in rows}
    assert all((ROOT / name).is_file() for row in rows for name in [row.file, *row.tests])


def test_a_name_that_fits_two_files_is_refused_with_both(tmp_path: Path) -> None:
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "same.py").touch()

    with pytest.raises(Exception, match=r"same\.py: one/same\.py, two/same\.py"):
        only_path(tmp_path, "same.py")
    assert only_path(tmp_path, "two/same.py") == "two/same.py"
