"""The subjects of entries: printed as the audit log keeps them, and read back; what names none is none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.audit.subjects import Subject

NAMES = st.text(max_size=80)


@pytest.mark.parametrize(
    ("subject", "text"),
    [
        (Subject.alert("4f2a"), "alert:4f2a"),
        (Subject.account("Ann: B"), "account:Ann: B"),
        (Subject.stream("Ålder", "MB-10", "energy"), '["Ålder", "MB-10", "energy"]'),
        (Subject.limit("MB-10", "energy"), 'limit:["MB-10", "energy"]'),
        (Subject.lot("Alder", 'L"1'), 'lot:["Alder", "L\\"1"]'),
        (Subject.session("Alder", "MB-10", "energy", "L1", 86), 'session:["Alder", "MB-10", "energy", "L1", "86"]'),
    ],
)
def test_a_subject_is_printed_as_the_audit_log_keeps_it_and_read_back(subject: Subject, text: str) -> None:
    assert str(subject) == text
    assert Subject.parse(text) == subject


@given(NAMES, NAMES, NAMES, NAMES)
def test_names_of_any_characters_are_read_back(supplier: str, product: str, characteristic: str, lot: str) -> None:
    for subject in (
        Subject.alert(lot),
        Subject.stream(supplier, product, characteristic),
        Subject.lot(supplier, lot),
        Subject.session(supplier, product, characteristic, lot, -1),
    ):
        assert Subject.parse(str(subject)) == subject


@pytest.mark.parametrize(
    "text",
    ["", "nothing", "lot:", 'lot:["a"]', "lot:[1, 2]", '["a", "b"]', '{"a": 1}', "limit:" + "[" * 5000, 'stream:["a"]'],
)
def test_a_text_that_names_nothing_is_no_subject(text: str) -> None:
    assert Subject.parse(text) is None


def test_an_alert_is_never_taken_for_a_stream_whose_supplier_begins_alike() -> None:
    stream = Subject.stream("alert:x", "P", "c")

    assert Subject.parse(str(stream)) == stream
    assert Subject.parse('alert:["x", "P", "c"]') == Subject.alert('["x", "P", "c"]')
