"""Further shapes of a file: several characteristics in a row, date and time apart, the units in a line of their own."""

from __future__ import annotations

import pytest
from pydantic import ValidationError
from support.feedfiles import lab, read, read_log, reasons, source

from ingest.parsing.parse_file import FileRefused, Parsed

BOTH = {"E [uJ]": "shielding_energy", "R": "surface_resistance"}
ROWS = "tested_at,supplier,product,lot,specimen,E [uJ],R\n2026-03-02T10:15,S,P,L,1,0.0125,5E9\n2026-03-02T10:15,S,P,L,2,,6E9\n"


def whole(content: str, **options: object) -> Parsed:
    parsed = read(content, **options)
    assert isinstance(parsed, Parsed), parsed
    return parsed


def test_several_characteristics_in_a_row_become_a_reading_each() -> None:
    parsed = whole(ROWS, values=BOTH, units={"R": "ohm"})

    assert not parsed.refusals
    rows = parsed.rows[["specimen", "reading", "characteristic", "value", "written", "line"]].astype(object)
    assert rows.values.tolist() == [
        [1, 1, "shielding_energy", 12.5, "0.0125 uJ", 2],
        [1, 1, "surface_resistance", 5e9, "5E9 ohm", 2],
        [2, 1, "surface_resistance", 6e9, "6E9 ohm", 3],
    ]


def test_a_column_of_readings_numbers_the_values_of_its_row() -> None:
    numbered = ROWS.replace("specimen,", "specimen,reading,").replace(",L,1,", ",L,1,4,").replace(",L,2,", ",L,2,5,")

    assert whole(numbered, values=BOTH, units={"R": "ohm"}).rows["reading"].tolist() == [4, 4, 5]


def test_one_bad_cell_refuses_the_row_and_names_its_column() -> None:
    parsed = whole(ROWS.replace("5E9", "OL"), values=BOTH, units={"R": "ohm"})

    assert list(reasons(parsed)) == [2]
    assert reasons(parsed)[2].startswith('R: "OL" is a word')
    assert parsed.rows["specimen"].tolist() == [2]


def test_a_column_without_unit_or_not_in_the_file_is_reported() -> None:
    assert read(ROWS, values=BOTH) == FileRefused(
        'this file: names no unit for the column "R"; declare it in [[source]], such as units = { "R" = "ohm" }'
    )
    missing = read(ROWS.replace(",R\n", ",X\n"), values=BOTH, units={"R": "ohm"})
    assert missing == FileRefused('this file: lacks the column "R", declared in [[source]] values; correct one of them')


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"values": BOTH, "readings": ["a", "b"]}, "either readings"),
        ({"values": BOTH, "fixed": {"characteristic": "shielding_energy"}}, "no characteristic in fixed beside values"),
        ({"values": {"a": "x", "b": "x"}}, 'each characteristic once in values, got "x" twice'),
    ],
)
def test_values_beside_what_contradicts_them_are_refused(options: dict[str, object], what: str) -> None:
    with pytest.raises(ValidationError, match=what):
        source(**options)


def test_date_and_time_in_two_columns_are_one_stamp() -> None:
    text = (
        "Datum;Zeit;supplier;product;lot;specimen;reading;characteristic;value;unit;received_on\n"
        "02.03.2026; 10:15 ;S;P;L;1;1;shielding_energy;12,5;nJ;27.02.2026\n"
    )

    parsed = whole(text, columns={"tested_at": "Datum"}, time_column="Zeit", time_format="%d.%m.%Y %H:%M")

    # Lisbon keeps UTC in March before the clocks change.
    assert parsed.rows["tested_at_us"].tolist() == [1772446500000000]
    assert parsed.rows["received_on"].tolist() == ["2026-02-27"]
    assert parsed.rows["notes"].tolist() == [""]
    assert lab().zone.key == "Europe/Lisbon"


def test_date_and_time_in_two_columns_of_a_log_and_a_missing_one() -> None:
    log = "day,time,chamber,humidity_percent,temperature_c\n2026-03-02,10:15:00,C1,12,23\n"
    options = {"columns": {"logged_at": "day"}, "time_column": "time"}

    assert read_log(log, **options).rows["logged_at_us"].tolist() == [1772446500000000]
    assert read_log(log.replace(",time,", ",clock,"), **options) == FileRefused(
        'this file: lacks the column "time", declared as time_column in [[source]]; correct one of them'
    )


def test_a_line_of_units_below_the_header_gives_the_columns_their_units() -> None:
    text = (
        "export of an invented bench\n"
        "tested_at,supplier,product,lot,specimen,reading,characteristic,value\n,,,,,,,[uJ]\n"
        "2026-03-02T10:15,S,P,L,1,1,shielding_energy,0.0125\nnonsense\n"
    )

    parsed = whole(text, skip_rows=1, units_row=True)

    assert parsed.rows[["value", "line"]].values.tolist() == [[12.5, 4]]
    assert list(reasons(parsed)) == [5]
