"""An optional cell that can't be read does not cost the reading: it is left out, counted and reported."""

from __future__ import annotations

import pytest
from support.feedfiles import HEADER, file_of, read, read_log, reasons

from ingest.parsing.parse_file import Parsed

PLAIN = file_of({})


def whole(content: str | bytes, **options: object) -> Parsed:
    parsed = read(content, **options)
    assert isinstance(parsed, Parsed)
    return parsed


@pytest.mark.parametrize(
    ("column", "text", "reason"),
    [
        ("operator", "J\nK", '"J\ufffdK" holds a control character'),
        ("operator", "x" * 151, "write a name of at most 150"),
        ("received_on", "calendar week 9", '"calendar week 9" is not a date; write it as 2026-03-02'),
        ("made_on", "02/03/2026", '"02/03/2026" is not a date'),
    ],
)
def test_an_optional_cell_that_cannot_be_read_is_left_out_and_its_reading_stored(
    column: str, text: str, reason: str
) -> None:
    parsed = whole(file_of({"specimen": "1"}, {"specimen": "2", column: text}))

    assert not parsed.refusals
    assert parsed.rows["specimen"].tolist() == [1, 2]
    assert parsed.rows[column].tolist() == [file_value(column), ""]
    assert parsed.omissions.count == 1
    (example,) = parsed.omissions.examples
    assert example.startswith(f"line 3, {column}: ")
    assert reason in example


def file_value(column: str) -> str:
    return str(whole(PLAIN).rows[column].iloc[0])


def test_a_foreign_byte_in_operator_or_note_costs_only_that_cell() -> None:
    text = file_of({"specimen": "1"}, {"specimen": "2"}, header=f"{HEADER},seam,shift")
    data = text.replace(",,\n", ",good,early\n").encode().replace(b"bench 1", b"J\xfcrgen", 1)
    data = data.replace(b"good", b"gut \xe4", 1)

    parsed = whole(data)

    assert parsed.rows["operator"].tolist() == ["", "bench 1"]
    assert parsed.rows["notes"].tolist() == ['{"shift": "early"}', '{"seam": "good", "shift": "early"}']
    assert parsed.omissions.count == 2
    assert [one.split(":")[0] for one in parsed.omissions.examples] == ["line 2, operator", "line 2, seam"]
    assert "holds a byte that is not UTF-8 text; declare the encoding" in parsed.omissions.examples[0]


@pytest.mark.parametrize("name", ["Invented Films", "PB-100", "C1", "T1,bench 1", "week 9", "12.5", "2026-03-02T10:15"])
def test_a_foreign_byte_in_a_cell_that_decides_refuses_the_row_with_its_cells_as_they_came(name: str) -> None:
    data = file_of({"specimen": "1"}, {"specimen": "2"}).encode()
    data = data.replace(name.encode(), b"\xfc" + name.encode(), 1)

    parsed = whole(data)

    assert parsed.rows["specimen"].tolist() == [2]
    at = data.splitlines()[1].index(b"\xfc") + 1
    assert reasons(parsed) == {2: f"row: byte {at} of the line is not UTF-8 text; declare the encoding in [[source]]"}
    assert f"\\xfc{name.split(',')[0]}" in parsed.refusals[0].cells
    assert parsed.omissions.count == 0


def test_a_foreign_byte_in_a_value_does_not_change_the_decimal_mark_of_the_column() -> None:
    rows = file_of({"specimen": "1", "value": "12,5"}, {"specimen": "2", "value": "1,5"}, delimiter=";")

    parsed = whole(rows.encode().replace(b"12,5", b"12,5\xfc", 1))

    assert parsed.rows["value"].tolist() == [1.5]


def test_a_cell_of_a_refused_row_is_not_counted_as_left_out() -> None:
    parsed = whole(file_of({"specimen": "one", "operator": "J\nK"}))

    assert len(parsed.refusals) == 1
    assert parsed.omissions.count == 0


def test_a_foreign_byte_in_an_unknown_column_of_a_log_costs_nothing() -> None:
    log = b"logged_at,chamber,humidity_percent,temperature_c,door\n2026-03-02T10:00,C1,12,23,auf\xfc\n"

    parsed = read_log(log)

    assert not parsed.refusals
    assert len(parsed.rows) == 1
    assert reasons(read_log(log.replace(b"C1", b"C\xfc"))) == {
        2: "row: byte 19 of the line is not UTF-8 text; declare the encoding in [[source]]"
    }


def test_a_report_of_many_cells_gives_the_first_and_counts_the_others() -> None:
    parsed = whole(file_of(*({"specimen": str(number), "operator": "J\nK"} for number in range(5))))

    assert str(parsed.omissions).startswith(
        "5 cells that can't be read were left out and the rest of the row stored: line 2,"
    )
    assert str(parsed.omissions).endswith("; and 2 more")
