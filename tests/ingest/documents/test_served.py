"""A stored document and the document that is shown differ in their times and in nothing else."""

from __future__ import annotations

import types
from typing import Any, NotRequired, Union, get_args, get_origin
from zoneinfo import ZoneInfo

import pytest
import typing_extensions

from ingest.documents.entries import StoredEntryBody
from ingest.documents.fields import ConditioningState, Moment, PointState, Standing
from ingest.documents.lot import SessionMark
from ingest.documents.served import SERVED, TIMES, iso, served
from ingest.quarter.lots import DISPOSITIONS
from ingest.sessions.conditioning import State
from ingest.sessions.suspect_values import SET_ASIDE, STANDS
from spc.stream.baseline import LeftOutReason
from spc.vocabulary.enums import Verdict

LISBON = ZoneInfo("Europe/Lisbon")


def optional(kind: Any) -> tuple[Any, bool, bool]:
    """A field's type, whether its key may be absent, and whether its value may be null."""
    absent = get_origin(kind) is NotRequired
    kind = get_args(kind)[0] if absent else kind
    parts = get_args(kind) if get_origin(kind) in (Union, types.UnionType) else ()
    if type(None) not in parts:
        return kind, absent, False
    (plain,) = (part for part in parts if part is not type(None))
    return plain, absent, True


def differences(stored: Any, shown: Any, path: str) -> list[str]:
    if get_origin(stored) is list and get_origin(shown) is list:
        return differences(*get_args(stored), *get_args(shown), f"{path}[]")
    if stored == shown:
        return []
    if not (typing_extensions.is_typeddict(stored) and typing_extensions.is_typeddict(shown)):
        return [path]
    before, after = (typing_extensions.get_type_hints(kind, include_extras=True) for kind in (stored, shown))
    found = [f"{path}: keys"] if {TIMES.get(key, key) for key in before} != set(after) else []
    for key, kind in before.items():
        (plain, *optionals), (other, *others) = optional(kind), optional(after[TIMES.get(key, key)])
        found += [f"{path}.{key}: optional"] if optionals != others else []
        same = (plain, other) == (int, Moment) if key in TIMES else not differences(plain, other, f"{path}.{key}")
        found += [] if same else [f"{path}.{key}"]
    return found


@pytest.mark.parametrize("stored", list(SERVED), ids=lambda kind: kind.__name__)
def test_what_is_shown_has_the_keys_of_what_is_stored_with_times_in_the_form_of_a_page(stored: type) -> None:
    assert differences(stored, SERVED[stored], stored.__name__) == []


def test_no_stored_time_is_left_out_of_the_list_of_times() -> None:
    def keys(kind: Any) -> set[str]:
        if not typing_extensions.is_typeddict(kind):
            return set().union(*map(keys, get_args(kind)))
        hints = typing_extensions.get_type_hints(kind)
        return set(hints).union(*map(keys, hints.values()))

    found = set().union(*map(keys, SERVED))

    assert {key for key in found if key.endswith("_us")} == set(TIMES)


def test_times_at_any_depth_become_iso_8601_in_the_zone_of_the_lab() -> None:
    body: StoredEntryBody = {"from_us": 1_790_000_000_000_000, "lot": "L1"}
    assert served(body, LISBON) == {"from_at": "2026-09-21T15:13:20+01:00", "lot": "L1"}

    nested: Any = {"limits": {"left_out": [{"tested_us": 0, "who": "from_us"}], "set_by": None, "frozen_us": None}}
    assert served(nested, LISBON) == {
        "limits": {
            "left_out": [{"tested_at": "1970-01-01T01:00:00+01:00", "who": "from_us"}],
            "set_by": None,
            "frozen_at": None,
        }
    }
    assert iso(None, LISBON) is None


def test_words_that_documents_declare_are_those_that_the_statistics_and_the_sessions_use() -> None:
    assert set(get_args(ConditioningState)) == set(State)
    assert set(get_args(PointState)) == {*State, SET_ASIDE}
    assert set(get_args(Standing)) == set(DISPOSITIONS) == {*Verdict, "set_aside", "retested"}
    settled, _, _ = optional(typing_extensions.get_type_hints(SessionMark)["settled"])
    assert set(get_args(settled)) == {STANDS, SET_ASIDE}
    assert {"by_hand", "far_from_the_rest", "tells_nothing"} == set(LeftOutReason)
