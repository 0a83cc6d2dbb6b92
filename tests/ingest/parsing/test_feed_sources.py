"""Sources as other people's software writes them: encodings, delimiters, decimals, names, units, a row a bag."""

from __future__ import annotations

import tempfile
from pathlib import Path

import pytest
from support.feedfiles import HEADER, LAB, NOW, accounted, file_of, read, reasons, source

from ingest.config.lab import load
from ingest.parsing.parse_file import FileRefused, read_tests

# Encodings, delimiters, decimals


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_unicode_is_read_with_and_without_its_mark(encoding):
    assert read(file_of({"lot": "s\u00e9rie \u03b1"}).encode(encoding)).rows["lot"][0] == "s\u00e9rie \u03b1"


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "cp850", "utf-16-le"])
def test_a_code_page_is_read_where_the_source_declares_it(encoding):
    assert read(file_of({"lot": "s\u00e9rie"}).encode(encoding), encoding=encoding).rows["lot"][0] == "s\u00e9rie"


def test_bytes_that_are_no_text_cost_their_row_and_no_other():
    data = file_of({"lot": "a"}, {"lot": "b\u00e9"}, {"lot": "c"}).encode("cp1252")

    parsed = read(data)

    assert list(parsed.rows["lot"]) == ["a", "c"]
    assert "is not UTF-8 text; declare the encoding in [[source]]" in reasons(parsed)[3]
    assert "b\\xe9" in parsed.refusals[0].cells


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
def test_the_delimiter_is_recognised_by_the_header(delimiter):
    parsed = read(file_of({"lot": "a,b;c\td"}, delimiter=delimiter))

    assert (parsed.delimiter, parsed.refusals[0].column) == (delimiter, "lot")
    assert read(file_of({"lot": "a,b;c"}, delimiter=delimiter)).rows["lot"][0] == "a,b;c"


def test_another_delimiter_is_read_where_the_source_declares_it():
    assert len(read(file_of({}, delimiter="|"), delimiter="|").rows) == 1


def test_a_decimal_comma_is_decided_by_the_column_and_never_by_the_cell():
    proven = read(file_of({"value": "12,5"}, {"lot": "b", "value": "1,125"}, delimiter=";"))
    unproven = read(file_of({"value": "1,250"}, {"lot": "b", "value": "1,125"}, delimiter=";"))
    mixed = read(file_of({"value": "12,5"}, {"lot": "b", "value": "12.5"}, delimiter=";"))

    assert list(proven.rows["value"]) == [12.5, 1.125]
    # A comma before three digits could part thousands: nothing in the column says which.
    assert set(reasons(unproven)) == {2, 3}
    assert list(mixed.rows["value"]) == [12.5]
    assert set(reasons(mixed)) == {2}


def test_a_declared_decimal_comma_holds_for_every_cell():
    parsed = read(file_of({"value": "1,250"}, {"lot": "b", "value": "1.250"}, delimiter=";"), decimal=",")

    assert list(parsed.rows["value"]) == [1.25]
    assert "has a decimal point in a column of decimal commas" in reasons(parsed)[3]


# Sources as they are


def test_columns_are_read_under_the_names_that_the_source_declares():
    header = HEADER.replace("lot", "Batch").replace("value", "Result (mean)")

    row = read(
        file_of({"Batch": "B7", "Result (mean)": "12.5"}, header=header),
        columns={"lot": "Batch", "value": "Result (mean)"},
    ).rows.iloc[0]

    assert (row["lot"], row["value"]) == ("B7", 12.5)


def test_a_declared_column_that_is_not_there_refuses_the_file():
    refused = read(file_of({}, header=HEADER.replace("lot", "Batch")), columns={"lot": "Charge"})

    assert refused == FileRefused(
        'this file: lacks the column "Charge", declared as lot in [[source]]; correct one of them'
    )


@pytest.mark.parametrize("cell", ["value [uJ]", "value (\u00b5J)", "Value [uJ]"])
def test_a_unit_in_the_header_stands_for_a_unit_column(cell):
    parsed = read(file_of({cell: "0.0125"}, header=HEADER.replace("value,unit", cell)))

    assert (parsed.rows["value"][0], parsed.rows["written"][0]) == (12.5, "0.0125 " + cell[-3:-1])


def test_a_unit_in_the_header_that_the_column_contradicts_is_refused():
    parsed = read(file_of({"value [uJ]": "12.5"}, header=HEADER.replace("value", "value [uJ]")))

    assert reasons(parsed)[2] == 'unit: "nJ" contradicts the header, which says uJ; correct one of them'


def test_a_wrong_unit_in_the_header_refuses_the_file():
    refused = read(file_of({}, header=HEADER.replace("value,unit", "value [MJ]")))

    assert isinstance(refused, FileRefused)
    assert 'has a wrong unit in the header of "value": "MJ" is refused: it could mean' in refused.reason


def test_a_unit_or_a_chamber_may_be_declared():
    header = HEADER.replace(",unit", "").replace(",chamber", "")

    by_units = read(file_of({"value": "0.0125"}, header=header), units={"value": "uJ"}, fixed={"chamber": "C7"})
    by_fixed = read(file_of({"value": "0.0125"}, header=header), fixed={"unit": "uJ", "chamber": "C7"})

    for parsed in (by_units, by_fixed):
        assert (parsed.rows["value"][0], parsed.rows["chamber"][0]) == (12.5, "C7")


def test_a_declared_text_fills_blank_cells_and_replaces_none():
    parsed = read(file_of({"chamber": ""}, {"lot": "b", "chamber": "C2"}), fixed={"chamber": "C7"})

    assert list(parsed.rows["chamber"]) == ["C7", "C2"]


def test_words_of_a_meter_are_read_as_the_source_maps_them():
    resistance = {"characteristic": "surface_resistance", "unit": "ohm"}
    parsed = read(
        file_of(resistance | {"value": "ol"}, resistance | {"lot": "b", "value": "9.99E+12"}),
        words={"OL": ">1E13", "9.99E+12": ">1E12"},
    )

    assert list(zip(parsed.rows["value"], parsed.rows["bound"], strict=True)) == [(1e13, 1), (1e12, 1)]
    assert list(parsed.rows["written"]) == ["ol ohm", "9.99E+12 ohm"]


def test_decimal_logarithms_are_read_where_the_source_declares_them():
    resistance = {"characteristic": "surface_resistance", "unit": "Mohm"}
    parsed = read(file_of(resistance | {"value": "3"}, resistance | {"lot": "b", "value": ">-2"}), log10=True)

    # 10^3 Mohm and above 10^-2 Mohm; powers of ten are exact here.
    assert list(parsed.rows["value"]) == [1e9, 1e4]
    assert list(parsed.rows["bound"]) == [0, 1]


def test_a_declared_order_of_day_and_month_is_read():
    parsed = read(file_of({"tested_at": "02.03.2026 10:15", "received_on": "20.02.2026"}), time_format="%d.%m.%Y %H:%M")

    assert parsed.rows["tested_at_us"][0] == read(file_of({})).rows["tested_at_us"][0]
    assert parsed.rows["received_on"][0] == "2026-02-20"


def test_wall_clock_stamps_are_those_of_the_zone_of_the_source():
    parsed = read(file_of({"tested_at": "2026-03-02T05:15"}), timezone="America/New_York")

    assert parsed.rows["tested_at_us"][0] == read(file_of({})).rows["tested_at_us"][0]


# Wide files

WIDE = "tested_at,supplier,product,lot,specimen,characteristic,unit,d1,d2,d3"
READINGS = ["d1", "d2", "d3"]


def test_a_wide_row_makes_a_reading_of_each_filled_column():
    parsed = read(
        file_of(
            {"d1": "11", "d2": "", "d3": "<13"}, {"specimen": "2", "d1": "21", "d2": "22", "d3": "23"}, header=WIDE
        ),
        readings=READINGS,
    )

    assert list(parsed.rows["reading"]) == [1, 3, 1, 2, 3]
    assert list(parsed.rows["value"]) == [11, 13, 21, 22, 23]
    assert list(parsed.rows["line"]) == [2, 2, 3, 3, 3]
    assert list(parsed.rows["bound"]) == [0, -1, 0, 0, 0]
    assert parsed.data_rows == 2


def test_a_wide_row_with_a_bad_cell_is_refused_as_a_whole():
    parsed = read(file_of({"d1": "11", "d2": "OL", "d3": "13"}, header=WIDE), readings=READINGS)

    assert len(parsed.rows) == 0
    assert reasons(parsed)[2].startswith('d2: "OL" is a word')
    assert accounted(parsed) == parsed.data_rows == 1


def test_a_wide_row_without_any_reading_is_refused():
    parsed = read(file_of({}, header=WIDE), readings=READINGS)

    assert reasons(parsed) == {2: "row: holds no reading; write one, or take the row out"}


def test_a_wide_row_that_contradicts_another_in_one_cell_is_refused_with_it():
    parsed = read(
        file_of({"d1": "11", "d2": "12"}, {"d1": "11", "d2": "13"}, {"d1": "11"}, header=WIDE), readings=READINGS
    )

    assert set(reasons(parsed)) == {2, 3}
    assert list(parsed.rows["line"]) == [4]


def test_a_wide_row_counts_as_a_repeat_where_all_its_readings_are():
    parsed = read(
        file_of({"d1": "11", "d2": "12"}, {"d2": "12"}, {"d2": "12", "d3": "13"}, header=WIDE), readings=READINGS
    )

    assert list(zip(parsed.rows["line"], parsed.rows["reading"], strict=True)) == [(2, 1), (2, 2), (4, 3)]
    assert parsed.repeats == 1
    assert accounted(parsed) == parsed.data_rows == 3


def test_a_declared_reading_column_that_is_not_there_refuses_the_file():
    refused = read(file_of({}, header=WIDE.replace(",d3", "")), readings=READINGS)

    assert refused == FileRefused(
        'this file: lacks the column "d3", declared in [[source]] readings; correct one of them'
    )


def test_the_energy_that_the_source_stores_bounds_no_other_quantity():
    declared = LAB.replace('name = "surface_resistance"\nunit = "ohm"', 'name = "decay_voltage"\nunit = "V"')
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "lab.toml").write_text(declared, encoding="utf-8")
        parsed = read_tests(
            file_of({"characteristic": "decay_voltage", "value": "90", "unit": "kV"}).encode(),
            source(), load(Path(folder)), NOW,
        )  # fmt: skip

    assert parsed.rows["value"].tolist() == [90_000.0]
