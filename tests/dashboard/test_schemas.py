"""The published schemas: made from the types of the documents, closed, and strict about times, days and words."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from dashboard.schemas import DOCUMENTS, schema

README_NAMES = (
    "ageing",
    "alerts",
    "bags",
    "board",
    "cases",
    "check",
    "check-file",
    "compare",
    "decision",
    "find",
    "history",
    "instruments",
    "limits",
    "lot",
    "ready",
    "replay",
    "report",
    "retest",
    "run",
    "scorecard",
    "stock",
    "stream",
    "study",
    "users",
    "waveform",
    "whatif",
)


def objects(node: Any) -> Iterator[dict[str, Any]]:
    if isinstance(node, dict):
        if node.get("type") == "object":
            yield node
        for value in node.values():
            yield from objects(value)
    elif isinstance(node, list):
        for value in node:
            yield from objects(value)


def fields(name: str) -> Iterator[tuple[str, dict[str, Any]]]:
    for node in objects(schema(name)):
        yield from node.get("properties", {}).items()


def formats(field: dict[str, Any]) -> set[str | None]:
    parts = field.get("anyOf", [field])
    return {part.get("format") for part in parts if part.get("type") != "null"}


def test_every_document_of_the_commands_has_a_schema() -> None:
    assert tuple(DOCUMENTS) == README_NAMES


@pytest.mark.parametrize("name", DOCUMENTS)
def test_a_schema_is_valid_and_allows_no_key_that_it_does_not_name(name: str) -> None:
    jsonschema.Draft202012Validator.check_schema(schema(name))
    assert all("properties" not in node or node["additionalProperties"] is False for node in objects(schema(name)))


@pytest.mark.parametrize("name", DOCUMENTS)
def test_times_and_days_carry_their_format_and_no_document_shows_microseconds(name: str) -> None:
    found = list(fields(name))

    assert all(
        formats(field) == {"date-time"}
        for key, field in found
        if key == "at" or (key.endswith("_at") and key != "to_look_at")
    )
    assert all(formats(field) == {"date"} for key, field in found if re.search(r"(^|_)on$|_day$|^day$", key))
    assert name == "history" or not [key for key, _ in found if key.endswith("_us")]


@pytest.mark.parametrize(
    ("document", "at"),
    [
        ({"name": "Ann", "role": "viewer", "made_at": "2026-03-18T00:00:00+00:00", "closed_at": None, "hash": "x"}, []),
        ({"name": "Ann", "role": "owner", "made_at": "2026-03-18T00:00:00+00:00", "closed_at": None}, ["role"]),
        ({"name": "Ann", "role": "viewer", "made_at": "18 March", "closed_at": None}, ["made_at"]),
        ({"name": "Ann", "role": "viewer", "made_at": "2026-03-18T00:00:00+00:00"}, []),
    ],
    ids=["a surplus key", "an unknown word", "a time in another form", "a missing key"],
)
def test_a_document_that_strays_from_its_type_is_refused(document: dict[str, Any], at: list[str]) -> None:
    formats_known = jsonschema.Draft202012Validator.FORMAT_CHECKER

    with pytest.raises(jsonschema.ValidationError) as caught:
        jsonschema.validate([document], schema("users"), format_checker=formats_known)
    assert list(caught.value.path) == [0, *at]


def test_the_module_prints_a_schema_and_names_them_all_where_it_knows_none() -> None:
    shown = subprocess.run([sys.executable, "-m", "dashboard.schemas", "board"], capture_output=True, check=True)
    assert json.loads(shown.stdout) == schema("board")

    refused = subprocess.run([sys.executable, "-m", "dashboard.schemas", "boards"], capture_output=True, check=False)
    assert refused.returncode == 1
    assert refused.stderr.decode().strip().endswith(", ".join(DOCUMENTS))
