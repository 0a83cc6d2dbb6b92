"""How a file would be read, for a person who sets up a source."""

from __future__ import annotations

import tomllib

import pytest
from support.feedfiles import NOW, ROW, file_of, lab, source

from ingest.config.models import Source
from ingest.parsing.parse_file import FileRefused
from ingest.parsing.proposal.source_preview import preview

MESSY = (
    "Export of an invented bench\n"
    ";;\n"
    "Timestamp;Vendor;Part;Batch;Bag;Test;Units;D1;D2;D3;Remark\n"
    "2026-03-02T10:15;S;P;L;1;shielding_energy;nJ;12,5;13,25;;torn corner\n"
    "2026-03-02T10:20;S;P;L;2;shielding_energy;nJ;12,5;OL;;\n"
)


@pytest.fixture
def shown(tmp_path):
    def show(data, declared=None):
        path = tmp_path / "export.csv"
        path.write_bytes(data.encode() if isinstance(data, str) else data)
        return preview(path, declared, lab(), NOW)

    return show


def test_a_declared_file_is_shown_as_a_round_would_read_it(shown):
    told = shown(file_of({}, {"lot": "b", "value": "OL"}), source())

    assert (told.kind, told.encoding, told.delimiter, told.data_rows) == ("tests", "utf-8", ",", 2)
    assert [column.ours for column in told.columns] == list(ROW)
    assert told.columns[12].examples == ("12.5", "OL")
    assert list(told.first_rows["value"]) == [12.5]
    assert [(refusal.line, refusal.column) for refusal in told.refusals] == [(3, "value")]


def test_columns_that_are_not_known_are_shown_as_notes(shown):
    told = shown(file_of({"remark": "torn"}, header=",".join([*ROW, "remark"])), source())

    assert (told.columns[-1].cell, told.columns[-1].ours, told.columns[-1].examples) == ("remark", "", ("torn",))


def test_a_source_is_proposed_for_a_file_that_nobody_declared(shown):
    told = shown(MESSY)

    assert {column.cell: column.ours for column in told.columns} == {
        "Timestamp": "tested_at",
        "Vendor": "supplier",
        "Part": "product",
        "Batch": "lot",
        "Bag": "specimen",
        "Test": "characteristic",
        "Units": "unit",
        "D1": "reading 1",
        "D2": "reading 2",
        "D3": "reading 3",
        "Remark": "",
    }
    assert list(told.first_rows["value"]) == [12.5, 13.25]
    assert [refusal.line for refusal in told.refusals] == [5]


def test_the_proposed_table_can_be_pasted_and_reads_the_file_in_the_same_way(shown):
    first = shown(MESSY)

    pasted = Source.model_validate(tomllib.loads(first.source)["source"][0])
    again = shown(MESSY, pasted)

    assert again.source == first.source
    assert again.first_rows.equals(first.first_rows)


def test_a_log_is_told_from_tests_and_its_units_from_the_header(shown):
    told = shown("Date Time,Cabinet,RH (%),Temp (\u00b0F)\n2026-03-02T10:15,C1,12.1,78.8\n")

    assert told.kind == "climate"
    assert [(column.ours, column.unit) for column in told.columns][2:] == [
        ("humidity_percent", "%"),
        ("temperature_c", "\u00b0F"),
    ]
    assert told.first_rows["temperature_c"][0] == 26.0


def test_what_is_no_table_is_told_in_one_line(shown):
    assert shown(b"") == FileRefused("export.csv: is empty; a header row and a row a reading are expected")
    assert shown("one,two\n1,2\n").problem.startswith("lacks the column")


def test_nothing_is_moved_or_written(shown, tmp_path):
    shown(MESSY)

    assert [path.name for path in tmp_path.iterdir()] == ["export.csv"]
