"""A source is proposed for the usual shapes of a file, and each doubt is named with the key that settles it."""

from __future__ import annotations

import tomllib

import pytest
from support.exports import GERMAN, GERMAN_LOG, TWO_CHARACTERISTICS
from support.feedfiles import NOW, file_of, lab

from ingest.config.models import Source
from ingest.parsing.parse_file import FileRefused
from ingest.parsing.source_preview import Preview, preview
from ingest.parsing.stamp_format import stamp_format


def proposed(data: bytes | str) -> Preview:
    told = preview(data.encode() if isinstance(data, str) else data, None, lab(), NOW, "export 12.csv")
    assert isinstance(told, Preview), told
    again = preview(data.encode() if isinstance(data, str) else data, pasted(told), lab(), NOW)
    assert isinstance(again, Preview)
    assert (again.source, again.data_rows, again.problem) == (told.source, told.data_rows, told.problem)
    assert again.first_rows.equals(told.first_rows)
    return told


def pasted(told: Preview) -> Source:
    return Source.model_validate(tomllib.loads(told.source)["source"][0])


def meanings(told: Preview) -> dict[str, str]:
    return {column.cell: column.ours for column in told.columns}


def test_a_german_export_with_a_row_a_bag_is_read_by_the_proposal_alone() -> None:
    told = proposed(GERMAN)

    source = pasted(told)
    assert (source.encoding, source.delimiter, source.decimal, source.skip_rows) == ("cp1252", ";", ",", 2)
    assert (source.time_column, source.time_format) == ("Uhrzeit", "%d.%m.%Y %H:%M")
    assert len(source.readings) == 6
    assert source.fixed == {"characteristic": "shielding_energy"}
    assert (told.problem, told.data_rows) == ("", 6)
    assert told.first_rows[["lot", "specimen", "reading", "operator"]].astype(object).to_numpy().tolist() == [
        ["CH-16", 1, number, "Jürgen Groß"] for number in range(1, 6)
    ]
    assert told.first_rows["value"].tolist() == [11.1, 11.15, 11.2, 11.25, 11.3]
    # The charged source of this lab stores 50 µJ, so a value above 50,000 µJ has a wrong unit.
    assert [(one.line, one.column) for one in told.refusals] == [(5, "Entladung 5 [µJ]")]
    (doubt,) = told.doubts
    assert doubt.startswith('the text is not UTF-8; encoding = "cp1252"')


def test_a_logger_without_a_chamber_is_a_log_and_the_chamber_is_asked_for() -> None:
    told = proposed(GERMAN_LOG)

    assert told.kind == "climate"
    assert list(meanings(told).values()) == ["logged_at", "time of day", "humidity_percent", "temperature_c"]
    assert told.first_rows["humidity_percent"].tolist() == [12.1, 12.2]
    assert any(
        "names the chamber; it must be the name that the tests use; fixed = { chamber" in one for one in told.doubts
    )


def test_several_characteristics_in_a_row_and_an_open_day_order_are_named() -> None:
    told = proposed(TWO_CHARACTERISTICS)

    assert pasted(told).values == {"R inside [ohm]": "surface_resistance", "Energy [nJ]": "shielding_energy"}
    assert told.first_rows["value"].tolist() == [5e9, 12.3, 6e9, 12.4]
    assert told.doubts == (
        '"03/04/2026" could be day or month first; day first is proposed, for the other order declare time_format with '
        '"%m/%d/%Y"',
    )


def test_a_unit_that_is_nowhere_written_is_a_doubt() -> None:
    told = proposed("tested_at,supplier,product,lot,bag,result\n2026-03-02T10:15,S,P,L,1,12.5\n")

    source = pasted(told)
    assert (source.units, source.fixed["reading"]) == ({"value": "nJ"}, "1")
    assert told.problem == ""
    assert any(one.startswith('no unit is written; units = { value = "nJ" } is proposed') for one in told.doubts)
    assert any(
        one.startswith("no column names the characteristic; shielding_energy is proposed") for one in told.doubts
    )
    assert any("no column names the chamber; tests that need conditioning" in one for one in told.doubts)


def test_units_in_a_line_of_their_own_are_found() -> None:
    told = proposed("tested_at,supplier,product,lot,bag,d1,d2\n,,,,,nJ,nJ\n2026-03-02T10:15,S,P,L,1,12.5,13\n")

    assert pasted(told).units_row
    assert told.first_rows["value"].tolist() == [12.5, 13.0]


def test_a_file_that_misses_what_no_declaration_gives_still_shows_its_columns_and_says_what_is_missing() -> None:
    told = proposed("when,vendor,result [nJ]\n2026-03-02T10:15,S,12.5\n")

    assert meanings(told) == {"when": "", "vendor": "supplier", "result [nJ]": "value"}
    assert told.problem.startswith("lacks the column")
    assert sum("no column of " in one or "no column holds" in one for one in told.doubts) == 3


def test_a_word_among_the_numbers_is_named_with_how_to_declare_it() -> None:
    told = proposed(file_of({}, {"specimen": "2", "value": "OL"}))

    assert told.refusals
    assert any(
        one.startswith('"OL" is no number, so its rows are refused; if it means out of range') for one in told.doubts
    )


@pytest.mark.parametrize(
    ("cells", "form", "doubt"),
    [
        (["2026-03-02T10:15", "2026-03-02 10:15:01"], None, ""),
        (["02.03.2026 10:15"], "%d.%m.%Y %H:%M", ""),
        (["13/03/2026 10:15:09", "02/03/2026 10:15:09"], "%d/%m/%Y %H:%M:%S", ""),
        (["03/13/2026 1:15 PM"], "%m/%d/%Y %I:%M %p", ""),
        (["02/03/2026 10:15"], "%d/%m/%Y %H:%M", "could be day or month first"),
        (["2.3.26 10:15"], "%d.%m.%y %H:%M", ""),
        (["2026/03/02 10:15:00.250"], "%Y/%m/%d %H:%M:%S.%f", ""),
        (["2 March 2026"], None, "are in no known format; declare time_format"),
        (["02.03.2026"], None, "has no time of day that can be read; declare time_column or time_format"),
        ([], None, "no time is filled in"),
    ],
)
def test_the_format_of_stamps_follows_from_the_cells_or_is_a_doubt(
    cells: list[str], form: str | None, doubt: str
) -> None:
    found = stamp_format(cells)

    assert found.form == form
    assert doubt in found.doubt
    assert bool(doubt) == bool(found.doubt)


def test_what_is_no_table_is_refused_in_one_line() -> None:
    assert preview(b"", None, lab(), NOW, "a.csv") == FileRefused(
        "a.csv: is empty; a header row and a row a reading are expected"
    )
