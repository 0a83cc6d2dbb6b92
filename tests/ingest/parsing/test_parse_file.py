"""Dropped files of tests to typed rows and refusals: one test a sentence of what is promised of the feeds."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta

import pytest
from support.feedfiles import HEADER, ROW, file_of, read, reasons

from ingest.parsing.parse_file import FileRefused

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


# A plain file


def test_a_plain_row_is_read_with_all_that_it_says():
    parsed = read(file_of({}))

    row = parsed.rows.iloc[0].to_dict()
    assert row == {
        "tested_at_us": (datetime(2026, 3, 2, 10, 15, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1),
        **{name: ROW[name] for name in ("chamber", "instrument", "operator", "supplier", "product", "lot")},
        "received_on": "2026-02-20",
        "made_on": "",
        "load": "week 9",
        "specimen": 1,
        "reading": 1,
        "characteristic": "shielding_energy",
        "value": 12.5,
        "bound": 0,
        "written": "12.5 nJ",
        "line": 2,
        "notes": "",
    }
    assert (parsed.data_rows, parsed.repeats, parsed.refusals) == (1, 0, [])


def test_types_are_those_of_the_store():
    types = read(file_of({})).rows.dtypes

    assert {name: str(types[name]) for name in ("tested_at_us", "specimen", "reading", "line")} == dict.fromkeys(
        ("tested_at_us", "specimen", "reading", "line"), "int64"
    )
    assert (str(types["value"]), str(types["bound"])) == ("float64", "int8")


def test_columns_come_in_any_order_and_unknown_ones_are_kept_as_notes():
    header = "remark,unit,value,characteristic,reading,specimen,lot,product,supplier,tested_at,second remark"

    parsed = read(file_of({"remark": 'torn, "left" corner', "second remark": ""}, {}, header=header))

    assert list(parsed.rows["value"]) == [12.5]
    assert json.loads(parsed.rows["notes"][0]) == {"remark": 'torn, "left" corner'}
    assert parsed.rows["chamber"][0] == ""


def test_unknown_columns_of_one_name_are_both_kept():
    parsed = read(f"{HEADER},note,note\n" + file_of({}).splitlines()[1] + ",a,b\n")

    assert json.loads(parsed.rows["notes"][0]) == {"note": "a", "note 17": "b"}


def test_only_nine_columns_are_required():
    header = "tested_at,supplier,product,lot,specimen,reading,characteristic,value,unit"

    assert len(read(file_of({}, header=header)).rows) == 1
    for name in header.split(","):
        without = ",".join(column for column in header.split(",") if column != name)
        refused = read(file_of({}, header=without))
        assert isinstance(refused, FileRefused)
        assert refused.reason.startswith(f'this file: lacks the column "{name}"; add it, or map it in [[source]]')


def test_a_required_column_that_is_there_twice_refuses_the_file():
    refused = read(file_of({}, header=HEADER + ",lot"))

    assert refused == FileRefused(
        'this file: has the column "lot" twice; take one out, or map the right one in [[source]] columns'
    )


# Values and units


@pytest.mark.parametrize(
    ("value", "unit", "number", "bound"),
    [
        ("12.5", "nJ", 12.5, 0),
        ("0.0125", "uJ", 12.5, 0),
        ("0.0125", "\u00b5J", 12.5, 0),
        ("1.25e-8", "J", 12.5, 0),
        ("<0.5", "nJ", 0.5, -1),
        ("\u00a0> 1.2E1 ", "NJ", 12.0, 1),
        ("12.5 nJ", "nJ", 12.5, 0),
    ],
)
def test_a_value_is_read_in_the_unit_of_its_characteristic(value, unit, number, bound):
    row = read(file_of({"value": value, "unit": unit})).rows.iloc[0]

    assert (row["value"], row["bound"]) == (number, bound)


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("0", '"0" is not above 0'),
        ("-3", '"-3" is not above 0'),
        ("nan", '"nan" is not finite'),
        ("inf", '"inf" is not finite'),
        ("1e400", '"1e400" is too large'),
        ("OL", '"OL" is a word; write a number, or map it in [[source]]'),
        ("1,234", '"1,234" has a comma'),
        ("1 234", '"1 234" has thousands separators'),
        ("12 %", '"12 %" carries another unit than nJ'),
        ("12.5 uJ", '"12.5 uJ" carries another unit than nJ'),
        ("", "is blank"),
    ],
)
def test_what_is_no_value_is_refused_with_line_column_and_reason(value, reason):
    parsed = read(file_of({"lot": "good"}, {"value": value}))

    assert list(parsed.rows["lot"]) == ["good"]
    assert reasons(parsed)[3].startswith(f"value: {reason}")
    assert parsed.refusals[0].column == "value"


@pytest.mark.parametrize(
    ("unit", "reason"),
    [
        ("nJ/m", 'unit: "nJ/m" is not a unit of energy; write nJ, uJ, mJ or J'),
        ("ohm", 'unit: "ohm" is a unit of resistance, not of energy; write nJ, uJ, mJ or J'),
        ("MJ", 'unit: "MJ" is refused: it could mean megajoule or millijoule; write mJ, or give the value in J'),
        ("", "unit: is blank; write nJ, uJ, mJ or J"),
    ],
)
def test_a_unit_that_is_none_of_the_quantity_is_refused_with_those_that_are(unit, reason):
    assert reasons(read(file_of({"unit": unit}))) == {2: reason}


def test_ohm_per_square_is_refused_as_another_quantity():
    parsed = read(file_of({"characteristic": "surface_resistance", "unit": "ohm/sq"}))

    assert "another quantity" in reasons(parsed)[2]


def test_energy_above_what_the_source_stores_is_refused():
    # 100 pF at 1 kV store C V^2 / 2 = 50 uJ; no reading can hold more.
    parsed = read(
        file_of(
            {"lot": "at", "value": "50", "unit": "uJ"},
            {"lot": "above", "value": "50.001", "unit": "uJ"},
            {"lot": "over range", "value": ">60000"},
            {"lot": "below", "value": "<60", "unit": "uJ"},
            {"lot": "ohm", "value": "1e11", "unit": "ohm", "characteristic": "surface_resistance"},
        )
    )

    assert list(parsed.rows["lot"]) == ["at", "below", "ohm"]
    assert "is more energy than the declared source stores (50 uJ)" in reasons(parsed)[3]
    assert 4 in reasons(parsed)


@pytest.mark.parametrize(
    ("column", "text", "reason"),
    [
        ("specimen", "1.5", '"1.5" is not a whole number from 0 on'),
        ("specimen", "-1", '"-1" is not a whole number'),
        ("reading", "first", '"first" is not a whole number'),
        ("specimen", "", "is blank"),
        ("supplier", " ", "is blank"),
        ("product", "", "is blank"),
        ("lot", "\u00a0", "is blank"),
        ("characteristic", "", "is blank"),
        ("characteristic", "charge decay", '"charge decay" is not declared in lab.toml; write one of shielding_energy'),
        ("lot", "a\x07b", '"a\ufffdb" holds a control character'),
        ("tested_at", "2026-03-02", '"2026-03-02" is a date without a time'),
    ],
)
def test_names_numbers_and_dates_that_make_no_sense_are_refused(column, text, reason):
    assert reasons(read(file_of({column: text})))[2].startswith(f"{column}: {reason}")


def test_whole_numbers_keep_their_meaning_with_leading_zeros_and_lots_their_zeros():
    row = read(file_of({"specimen": "007", "reading": "2.0", "lot": "0012"})).rows.iloc[0]

    assert (row["specimen"], row["reading"], row["lot"]) == (7, 2, "0012")


def test_a_reading_may_be_numbered_from_nought():
    assert read(file_of({"specimen": "0", "reading": "0"})).rows["specimen"][0] == 0


def test_names_compare_in_unicode_form_c():
    parsed = read(file_of({"lot": "se\u0301rie"}, {"lot": "s\u00e9rie"}))

    assert list(parsed.rows["lot"]) == ["s\u00e9rie"]
    assert parsed.repeats == 1


def test_a_row_with_several_faults_tells_them_all_at_once():
    said = reasons(read(file_of({"value": "OL", "unit": "nJ/m", "specimen": "x"})))[2]

    assert all(f"{column}: " in said for column in ("value", "unit", "specimen"))


def test_reasons_hold_no_control_characters():
    for refusal in read(file_of({"value": "1\x1b[2J\n2", "lot": "a\u2028b", "unit": "\r\n"})).refusals:
        assert refusal.reason.isprintable()


# Identity within one file


def test_the_same_reading_again_is_a_repeat_after_conversion():
    parsed = read(file_of({}, {"value": "0.0125", "unit": "uJ", "tested_at": "2026-03-02T11:15+01:00"}))

    assert (len(parsed.rows), parsed.repeats, parsed.refusals) == (1, 1, [])
    assert parsed.rows["line"][0] == 2


def test_the_same_reading_with_another_value_refuses_both():
    parsed = read(file_of({}, {"lot": "other"}, {"value": "13"}))

    assert list(parsed.rows["lot"]) == ["other"]
    assert reasons(parsed) == {
        2: 'value: "12.5 nJ" contradicts "13 nJ" on line 4 for the same reading; both are refused, send the right one',
        4: 'value: "13 nJ" contradicts "12.5 nJ" on line 2 for the same reading; both are refused, send the right one',
    }


def test_the_bound_is_part_of_the_value():
    assert set(reasons(read(file_of({"value": "12.5"}, {"value": "<12.5"})))) == {2, 3}


def test_three_of_which_two_agree_are_all_refused():
    assert set(reasons(read(file_of({}, {}, {"value": "13"})))) == {2, 3, 4}


def test_a_refused_row_contradicts_nobody():
    parsed = read(file_of({}, {"value": "13", "unit": "nJ/m"}))

    assert len(parsed.rows) == 1
    assert set(reasons(parsed)) == {3}


@pytest.mark.parametrize("part", ["supplier", "product", "lot", "specimen", "reading", "tested_at", "characteristic"])
def test_each_part_of_the_identity_tells_readings_apart(part):
    other = {
        "tested_at": "2026-03-02T10:16",
        "specimen": "2",
        "reading": "2",
        "characteristic": "surface_resistance",
    }.get(part, "another")
    unit = "ohm" if part == "characteristic" else "nJ"

    parsed = read(file_of({}, {part: other, "value": "13", "unit": unit}))

    assert len(parsed.rows) == 2


# Rows, lines and cells


def test_a_bad_row_never_refuses_its_file_and_keeps_its_cells_unchanged():
    text = file_of({}, {"value": " OL ", "lot": "x"})

    refusal = read(text).refusals[0]

    assert refusal.line == 3
    assert list(refusal.cells) == next(csv.reader([text.splitlines()[2]]))


def test_a_row_with_too_few_or_too_many_cells_is_refused():
    lines = file_of({}, {"lot": "b"}, {"lot": "c"}).splitlines()
    lines[2] += ",extra"
    lines[3] = "2026-03-02T10:15,C1"

    parsed = read("\n".join(lines))

    assert reasons(parsed) == {
        3: "row: has 16 cells where the header has 15; correct the delimiters of this row",
        4: "row: has 2 cells where the header has 15; correct the delimiters of this row",
    }
    assert parsed.refusals[1].cells == ("2026-03-02T10:15", "C1")
    assert (len(parsed.rows), parsed.data_rows) == (1, 3)


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_lines_count_as_an_editor_counts_them(newline):
    lines = file_of({"lot": "a"}, {"lot": "b"}).splitlines()

    parsed = read(newline.join([lines[0], lines[1], "", "", lines[2], ""]))

    assert list(parsed.rows["line"]) == [2, 5]


def test_a_quoted_cell_may_hold_newlines_and_the_lines_after_it_still_count():
    header = HEADER + ",remark"
    text = file_of({"lot": "a", "remark": "two\nlines\n\nand more"}, {"lot": "b"}, header=header)

    parsed = read(text)

    assert list(parsed.rows["line"]) == [2, 6]
    assert json.loads(parsed.rows["notes"][0]) == {"remark": "two\nlines\n\nand more"}


def test_a_quote_that_is_not_closed_costs_its_row_and_no_other():
    lines = file_of({"lot": "a"}, {"lot": "b"}, {"lot": "c"}).splitlines()
    lines[2] = lines[2].replace("b", '"b', 1)

    parsed = read("\n".join(lines) + "\n")

    assert list(parsed.rows["lot"]) == ["a", "c"]
    assert "opens a quote that is not closed" in reasons(parsed)[3]


def test_a_quote_that_is_not_closed_on_the_last_line_is_found_too():
    lines = file_of({"lot": "a"}, {"lot": "b"}).splitlines()
    lines[2] = lines[2].replace("week 9", '"week 9')

    parsed = read("\n".join(lines))

    assert list(parsed.rows["lot"]) == ["a"]
    assert "opens a quote that is not closed" in reasons(parsed)[3]


def test_an_inch_mark_inside_a_name_is_part_of_the_name():
    lines = file_of({"product": "bag 10x12"}, {"lot": "b"}).splitlines()
    lines[1] = lines[1].replace("10x12", '10x12"')

    assert list(read("\n".join(lines)).rows["product"]) == ['bag 10x12"', "PB-100"]


def test_title_lines_above_the_header_are_counted_but_not_read():
    parsed = read("Export of the bench\n\n" + file_of({}), skip_rows=2)

    assert list(parsed.rows["line"]) == [4]


def test_a_file_with_a_header_and_no_rows_is_a_file_with_no_rows():
    parsed = read(HEADER)

    assert (parsed.data_rows, len(parsed.rows), parsed.refusals) == (0, 0, [])


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "this file: is empty"),
        (b"\n \n", "this file: has no header row"),
        (b"\x89PNG\r\n\x1a\n\0\0", "this file: is not UTF-8 text (line 1)"),
        (b"a\0b\n", "this file: holds zero bytes"),
        (b"one,two\n1,2\n", "this file: lacks the column"),
    ],
)
def test_what_is_no_table_is_refused_as_a_file(data, reason):
    refused = read(data)

    assert isinstance(refused, FileRefused)
    assert refused.reason.startswith(reason)
