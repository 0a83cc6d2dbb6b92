"""Call a command as a person or a script does, and hold what it prints."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from dashboard.cli import main

__all__ = ["assert_one_line", "call", "document"]


def call(folder: Path, *arguments: str) -> Result:
    return CliRunner().invoke(main, [*arguments, "--lab", str(folder)])


def document(folder: Path, *arguments: str) -> Any:
    """The one document that `--json` prints; nan and infinity are no JSON."""
    result = call(folder, *arguments, "--json")
    assert "Traceback" not in result.stderr
    return json.loads(result.stdout, parse_constant=_refuse_constant)


def _refuse_constant(name: str) -> None:
    pytest.fail(f"{name} in a document")


def assert_one_line(result: Result, status: int, *parts: str) -> None:
    assert result.exit_code == status, result.output
    assert result.stdout == ""
    assert result.stderr.endswith("\n")
    (line,) = result.stderr.splitlines()
    assert line.isprintable()
    assert all(part in line for part in parts), line
