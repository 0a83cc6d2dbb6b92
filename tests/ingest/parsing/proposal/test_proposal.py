"""A source is proposed for the usual shapes of a file, and each doubt is named with the key that settles it."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from support.exports import (
    CALIBRATIONS,
    CAPTURES,
    FAHRENHEIT_LOG,
    GERMAN,
    GERMAN_LOG,
    GERMAN_STOCK,
    LOADS,
    TWO_CHARACTERISTICS,
    TWO_FACES,
)
from support.feedfiles import NOW, file_of, lab
from support.labs import LAB_TOML

from ingest.common.errors import LabFileError
from ingest.config.lab_file import read_lab_file
from ingest.config.models import Characteristic, Source
from ingest.parsing.parse_file import FileRefused
from ingest.parsing.proposal.source_preview import Preview, preview
from ingest.parsing.proposal.stamp_format import stamp_format


def proposed(data: bytes | str, name: str = "export 12.csv") -> Preview:
    outcome = preview(data.encode() if isinstance(data, str) else data, None, lab(), NOW, name)
    assert isinstance(outcome, Preview), outcome
    again = preview(data.encode() if isinstance(data, str) else data, pasted(outcome), lab(), NOW, name)
    assert isinstance(again, Preview)
    assert (again.source, again.data_rows, again.problem) == (outcome.source, outcome.data_rows, outcome.problem)
    assert again.first_rows.equals(outcome.first_rows)
    return outcome


def pasted(outcome: Preview) -> Source:
    return Source.model_validate(tomllib.loads(outcome.source)["source"][0])


def meanings(outcome: Preview) -> dict[str, str]:
    return {column.cell: column.ours for column in outcome.columns}


def test_a_german_export_with_a_row_a_bag_is_read_by_the_proposal_alone() -> None:
    outcome = proposed(GERMAN)

    source = pasted(outcome)
    assert (source.encoding, source.delimiter, source.decimal, source.skip_rows) == ("cp1252", ";", ",", 2)
    assert (source.time_column, source.time_format) == ("Uhrzeit", "%d.%m.%Y %H:%M")
    assert len(source.readings) == 6
    assert source.fixed == {"characteristic": "shielding_energy"}
    assert (outcome.problem, outcome.data_rows) == ("", 6)
    assert outcome.first_rows[["lot", "specimen", "reading", "operator"]].astype(object).to_numpy().tolist() == [
        ["CH-16", 1, number, "Jürgen Groß"] for number in range(1, 6)
    ]
    assert outcome.first_rows["value"].tolist() == [11.1, 11.15, 11.2, 11.25, 11.3]
    # The charged source of this lab stores 50 µJ, so a value above 50,000 µJ has a wrong unit.
    assert [(one.line, one.column) for one in outcome.refusals] == [(5, "Entladung 5 [µJ]")]
    (doubt,) = outcome.doubts
    assert doubt.startswith('the text is not UTF-8; encoding = "cp1252"')


def test_a_logger_without_a_chamber_is_a_log_and_the_chamber_is_asked_for() -> None:
    outcome = proposed(GERMAN_LOG)

    assert outcome.kind == "climate"
    assert list(meanings(outcome).values()) == ["logged_at", "time of day", "humidity_percent", "temperature_c"]
    assert outcome.first_rows["humidity_percent"].tolist() == [12.1, 12.2]
    assert any(
        "names the chamber; it must be the name that the tests use; write the chamber of all rows" in one
        for one in outcome.doubts
    )


# Exports of a lab with its own words; invented.
STAMPED = """Stamp;Cell;Meter;Maker;Style;Roll lot;Piece;R1 (ohm);R2 (ohm)
10/01/2026 13:10;C1;RM;Alder;MB-10;L1;1;5E9;6E9
10/14/2026 13:12;C1;RM;Alder;MB-10;L1;2;5E9;6E9
"""
UNNAMED_STAMP = STAMPED.replace("Stamp", "Entry")
TWO_COLUMNS = """Jour;Clock;RH (%);Temp (°F)
10/01/2026;00:00;12,1;72,9
10/14/2026;00:20;12,2;73,0
"""
LOAD_BOOK = """When;Load;Cell;What;Maker;Style;Roll lot;Bags;Laid
08/03/2026 07:30;B1;Bay;in;Alder;MB-10;L1;1-6;hung
08/17/2026 17:30;B1;Bay;out;;;;;
"""
SHELF = """Count day;Maker;Style;Roll lot;On hand;Each;Place
09/27/2026;Alder;MB-10;L1;2400;bags;cage 2
"""
METERS = """Meter;Done;Next due;As found %;As left %;U95 %;Cert
RM;02/10/2026 10:00;08/10/2026;0.4;0.4;2.0;T-1
RM;05/18/2026 10:00;08/10/2026;0.4;0.4;2.0;T-2
"""


@pytest.mark.parametrize(
    ("text", "kind", "expected"),
    [
        (STAMPED, "tests", {"Stamp": "tested_at", "Cell": "chamber", "Roll lot": "lot", "Piece": "specimen"}),
        (UNNAMED_STAMP, "tests", {"Entry": "tested_at"}),
        (TWO_COLUMNS, "climate", {"Jour": "logged_at", "Clock": "time of day"}),
        (LOAD_BOOK, "loads", {"When": "at", "What": "event", "Roll lot": "lot", "Bags": "specimens"}),
        (SHELF, "stock", {"Count day": "counted_on", "On hand": "quantity", "Place": "storage"}),
        (METERS, "calibrations", {"As found %": "as_found", "As left %": "as_left", "U95 %": "uncertainty"}),
    ],
)
def test_exports_with_other_words_are_recognised_by_their_names_and_their_cells(
    text: str, kind: str, expected: dict[str, str]
) -> None:
    outcome = proposed(text)

    assert (outcome.kind, outcome.problem, outcome.refusals) == (kind, "", [])
    assert expected.items() <= meanings(outcome).items()
    assert not any("no column of day and time" in one for one in outcome.doubts)
    by_cells = [one for one in outcome.doubts if "as its cells hold days and times" in one]
    assert len(by_cells) == int(text in (UNNAMED_STAMP, TWO_COLUMNS))


def test_a_german_column_of_shots_numbers_the_readings() -> None:
    outcome = proposed(
        "Datum;Kammer;Lieferant;Artikel;Charge;Beutel;Schuss;Wert (nJ)\n27.07.2026 10:00;C1;A;B;L1;1;2;10,2\n"
    )
    assert outcome.first_rows["reading"].tolist() == [2]


def test_what_a_person_has_to_fill_in_cannot_stay_in_lab_toml(tmp_path: Path) -> None:
    outcome = proposed("Stamp;Maker;Lot;Bag;Energy (nJ)\n2026-07-30 10:00;Alder;L1;1;10.2\n")
    assert 'product = "…"' in outcome.source
    assert 'no column names the product; write the product of all rows in place of "…" in fixed' in outcome.doubts
    declared = (LAB_TOML + outcome.source.replace("drops/tests", "drops/more")).encode()
    with pytest.raises(LabFileError, match=r'source\.3\.fixed\.product: expected the product of all rows, got "…"'):
        read_lab_file(tmp_path, declared)
    read_lab_file(tmp_path, declared.replace("…".encode(), b"MB-10"))


def test_several_characteristics_in_a_row_and_an_open_day_order_are_named() -> None:
    outcome = proposed(TWO_CHARACTERISTICS)

    assert pasted(outcome).values == {"R inside [ohm]": "surface_resistance", "Energy [nJ]": "shielding_energy"}
    assert outcome.first_rows["value"].tolist() == [5e9, 12.3, 6e9, 12.4]
    assert outcome.doubts == (
        '"03/04/2026" could be day or month first; day first is proposed, for the other order declare time_format with '
        '"%m/%d/%Y"',
    )


def test_a_logger_that_writes_its_units_behind_the_names_is_a_log_in_fahrenheit() -> None:
    outcome = proposed(FAHRENHEIT_LOG)

    assert (outcome.kind, outcome.problem, outcome.refusals, outcome.doubts) == ("climate", "", [], ())
    assert list(meanings(outcome).values()) == ["logged_at", "chamber", "humidity_percent", "temperature_c"]
    assert pasted(outcome).units == {"temperature_c": "degF"}
    assert outcome.first_rows["temperature_c"].tolist() == pytest.approx([23.0, 22.888888889])


def test_a_log_whose_figures_can_only_be_fahrenheit_is_a_doubt() -> None:
    outcome = proposed(FAHRENHEIT_LOG.replace(b"Temp F", b"Temp"))

    assert pasted(outcome).units == {"temperature_c": "degF"}
    assert outcome.doubts == ('"Temp" names no unit and holds 73.4, so °F is proposed; for °C take it out of units',)


def test_a_stock_list_with_german_days_is_read_by_the_proposal_alone() -> None:
    outcome = proposed(GERMAN_STOCK)

    assert (outcome.kind, outcome.problem, outcome.refusals, outcome.doubts) == ("stock", "", [], ())
    assert list(meanings(outcome).values()) == [
        "counted_on", "supplier", "product", "lot", "quantity", "unit", "storage",
    ]  # fmt: skip
    assert pasted(outcome).time_format == "%d.%m.%Y"
    assert outcome.first_rows["counted_day"].tolist() == [20777, 20777]


def test_records_of_loads_and_calibrations_need_nothing_but_their_kind() -> None:
    for data, kind in ((LOADS, "loads"), (CALIBRATIONS, "calibrations")):
        outcome = proposed(data)

        assert (outcome.kind, outcome.problem, outcome.refusals, outcome.doubts) == (kind, "", [], ())
        assert outcome.source == f'[[source]]\nkind = "{kind}"\nfolder = "drops/{kind}"\n'


def test_the_time_of_day_of_a_load_may_have_its_own_column() -> None:
    outcome = proposed("Datum;Uhrzeit;Ladung;Kammer;Vorgang\n13.03.2026;15:00;K1-01;C1;in\n")

    assert (outcome.kind, outcome.problem, outcome.refusals) == ("loads", "", [])
    # Noon in Lisbon in winter is noon of UTC.
    assert outcome.first_rows["at_us"].tolist() == [1773414000000000]


def test_captures_are_recognised_and_their_readings_follow_from_the_name_of_the_file() -> None:
    outcome = proposed(CAPTURES, "Alder_A-1041_1_2.csv")

    assert (outcome.kind, outcome.problem, outcome.data_rows) == ("waveforms", "", 1)
    assert list(meanings(outcome).values()) == ["time", "current"]
    assert pasted(outcome).names == "{supplier}_{lot}_{specimen}_{reading}.csv"
    assert outcome.first_rows[["supplier", "lot", "specimen", "reading"]].to_numpy().tolist() == [
        ["Alder", "A-1041", 1, 2]
    ]
    (doubt,) = outcome.doubts
    assert doubt.startswith("the readings follow from the name of the file")


def test_captures_without_a_reading_are_shown_with_what_is_missing() -> None:
    outcome = proposed(CAPTURES)

    assert outcome.kind == "waveforms"
    assert "supplier and lot and specimen of its reading can't be told" in outcome.problem
    (doubt,) = outcome.doubts
    assert doubt.startswith("no column names supplier, lot and specimen, and the name of the file does not show them")


def test_a_german_column_of_loads_is_proposed_and_its_other_meaning_is_a_doubt() -> None:
    outcome = proposed(GERMAN.replace(b"Klimakammer", b"Ladung"))

    assert pasted(outcome).columns["load"] == "Ladung"
    assert '"Ladung" is taken for load; if it is an electric charge, take it out of columns' in outcome.doubts


def test_in_a_lab_that_records_loads_a_test_file_without_one_is_a_doubt() -> None:
    recorded = replace(lab(), sources=(Source(kind="loads", folder="drops/loads"),))

    doubts = {
        kind: [one for one in outcome.doubts if "names the load" in one]
        for kind, one_lab in (("with", recorded), ("without", lab()))
        if isinstance(outcome := preview(GERMAN, None, one_lab, NOW, "a.csv"), Preview)
    }

    assert (len(doubts["with"]), len(doubts["without"])) == (1, 0)


@pytest.mark.parametrize(
    ("first", "second", "doubted"),
    [
        ("R inside (ohm)", "R outside (ohm)", 0),
        ("R outside (ohm)", "R inside (ohm)", 0),
        ("R1 (ohm)", "R inside (ohm)", 1),
    ],
)
def test_a_characteristic_that_the_name_says_is_no_doubt(first: str, second: str, doubted: int) -> None:
    faces = [Characteristic(name=f"resistance_{face}", unit="ohm", scale="log") for face in ("inside", "outside")]
    data = TWO_FACES.replace(b"R inside (ohm)", b"1st").replace(b"R outside (ohm)", second.encode())
    data = data.replace(b"1st", first.encode())

    outcome = preview(data, None, replace(lab(), characteristics=tuple(faces)), NOW, "a.csv")

    assert isinstance(outcome, Preview)
    assert pasted(outcome).values["R inside (ohm)"] == "resistance_inside"
    assert len([one for one in outcome.doubts if "is proposed, correct it in values" in one]) == doubted


def test_several_missing_columns_are_one_list() -> None:
    outcome = proposed("one,two\n1,2\n")

    assert outcome.problem.startswith(
        "lacks the columns tested_at, lot, specimen, reading, value and unit; add them, or map them in"
    )


def test_a_unit_that_is_nowhere_written_is_a_doubt() -> None:
    outcome = proposed("tested_at,supplier,product,lot,bag,result\n2026-03-02T10:15,S,P,L,1,12.5\n")

    source = pasted(outcome)
    assert (source.units, source.fixed["reading"]) == ({"value": "nJ"}, "1")
    assert outcome.problem == ""
    assert any(one.startswith('no unit is written; units = { value = "nJ" } is proposed') for one in outcome.doubts)
    assert any(
        one.startswith("no column names the characteristic; shielding_energy is proposed") for one in outcome.doubts
    )
    assert any("no column names the chamber; tests that need conditioning" in one for one in outcome.doubts)


def test_units_in_a_line_of_their_own_are_found() -> None:
    outcome = proposed("tested_at,supplier,product,lot,bag,d1,d2\n,,,,,nJ,nJ\n2026-03-02T10:15,S,P,L,1,12.5,13\n")

    assert pasted(outcome).units_row
    assert outcome.first_rows["value"].tolist() == [12.5, 13.0]


def test_a_file_that_misses_what_no_declaration_gives_still_shows_its_columns_and_says_what_is_missing() -> None:
    outcome = proposed("when,vendor,result [nJ]\n2026-03-02T10:15,S,12.5\n")

    assert meanings(outcome) == {"when": "tested_at", "vendor": "supplier", "result [nJ]": "value"}
    assert outcome.problem.startswith("lacks the column")
    assert sum("no column of " in one for one in outcome.doubts) == 2


def test_a_word_among_the_numbers_is_named_with_how_to_declare_it() -> None:
    outcome = proposed(file_of({}, {"specimen": "2", "value": "OL"}))

    assert outcome.refusals
    assert any(
        one.startswith('"OL" is no number, so its rows are refused; if it means out of range') for one in outcome.doubts
    )


@pytest.mark.parametrize(
    ("cells", "form", "doubt"),
    [
        (["2026-03-02T10:15", "2026-03-02 10:15:01"], None, ""),
        (["02.03.2026 10:15"], "%d.%m.%Y %H:%M", ""),
        (["13/03/2026 10:15:09", "02/03/2026 10:15:09"], "%d/%m/%Y %H:%M:%S", ""),
        (["03/13/2026 1:15 PM"], "%m/%d/%Y %I:%M %p", ""),
        (["02/03/2026 10:15"], "%d/%m/%Y %H:%M", "could be day or month first"),
        (["03/02/2026 10:15", "03/13/2026 10:15", "03/14/2026 10:15", "14/03/2026 10:15"], "%m/%d/%Y %H:%M", ""),
        ([*[f"03/02/2026 10:{n:02}" for n in range(60)] * 4, "03/13/2026 10:15"], "%m/%d/%Y %H:%M", ""),
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
    derived = stamp_format(cells)

    assert derived.form == form
    assert doubt in derived.doubt
    assert bool(doubt) == bool(derived.doubt)


OHMS = (
    "Date/Time,Chamber,Meter,Vendor,Part Number,Lot No.,Received,Mfg Date,Bag,Reading,Test,Ohms\n"
    "3/13/2026 9:23:00 AM,C1,T1,S,P,L1,02/25/2026,02/13/2026,1,1,Surface resistance,2.248E+09\n"
    "3/13/2026 9:24:00 AM,C1,T1,S,P,L1,02/25/2026,02/13/2026,2,1,%s,1.735E+09\n"
)


def test_a_text_of_the_characteristic_and_a_unit_as_the_name_of_the_column_are_read_by_the_proposal_alone() -> None:
    outcome = proposed(OHMS % "Surface resistance")

    assert (outcome.problem, outcome.refusals, outcome.doubts) == ("", [], ())
    source = pasted(outcome)
    assert source.characteristics == {"Surface resistance": "surface_resistance"}
    assert source.units == {"value": "ohm"}
    assert meanings(outcome)["Mfg Date"] == "made_on"
    assert outcome.first_rows["characteristic"].tolist() == ["surface_resistance"] * 2
    assert outcome.first_rows["value"].tolist() == [2.248e9, 1.735e9]
    assert outcome.first_rows["made_on"].tolist() == ["2026-02-13"] * 2


@pytest.mark.parametrize(
    ("text", "name", "doubt"),
    [
        ("Resistance R1", "surface_resistance", '"Resistance R1" is taken for surface_resistance; correct it in characteristics'),
        ("Thickness", None, '"Thickness" is no characteristic of lab.toml, so its rows are refused; declare it, or name it as'),
    ],
)  # fmt: skip
def test_a_text_that_only_may_be_a_characteristic_is_a_doubt(text: str, name: str | None, doubt: str) -> None:
    outcome = proposed(OHMS % text)

    assert pasted(outcome).characteristics.get(text) == name
    assert [one.startswith(doubt) for one in outcome.doubts] == [True]
    assert len(outcome.refusals) == (name is None)


def test_units_of_measure_and_an_uncertainty_with_its_factor_are_recognised() -> None:
    stock = proposed("Count Date,Vendor,Part Number,Lot No.,Qty,UOM\n11/27/2026,S,P,L1,400,bags\n")
    calibrations = proposed(
        "Instrument,Calibrated,Due,As Found (%),As Left (%),U k=2 (%)\nT1,2026-02-16T09:00,,0.4,0.4,2.0\n"
    )

    assert (meanings(stock)["UOM"], stock.doubts) == ("unit", ())
    assert list(meanings(calibrations).values())[-3:] == ["as_found", "as_left", "uncertainty"]
    assert calibrations.doubts == ()


@pytest.mark.parametrize(
    ("cell", "text", "like"),
    [
        ("Mfg. Dt", "week 7", "made_on"),
        ("Arrived", "02/25/2026", "received_on or made_on"),
        ("Load ref", "B-01", "load"),
        ("Remark", "torn corner", ""),
    ],
)
def test_a_column_that_looks_like_a_known_one_is_a_doubt(cell: str, text: str, like: str) -> None:
    lines = (OHMS % "surface_resistance").replace("Surface resistance", "surface_resistance").splitlines()
    kept = [",".join(part for n, part in enumerate(line.split(",")) if n not in (6, 7)) for line in lines]
    outcome = proposed("\n".join([f"{kept[0]},{cell}", *(f"{line},{text}" for line in kept[1:])]) + "\n")

    assert meanings(outcome)[cell] == ""
    expected = f'"{cell}" is kept as a note; if it is {like}, name it as columns = '
    assert [one.startswith(expected) for one in outcome.doubts] == ([True] if like else [])


def log_of(stamps: list[str]) -> str:
    return "Date,Time,Chamber,RH (%),Temp (C)\n" + "".join(f"{one},C1,12.1,23.0\n" for one in stamps)


@pytest.mark.parametrize("days", ["one stretch", "beyond the beginning"])
def test_any_row_of_the_file_settles_whether_the_day_or_the_month_comes_first(days: str) -> None:
    repeats = 1 if days == "one stretch" else 6
    rows = [
        f"02/{day:02}/2026,{hour:02}:{minute:02}:{second:02}"
        for day in (*range(1, 13), 13)
        for hour in range(24)
        for minute in range(0, 60, 2)
        for second in range(0, 60, 60 // repeats)
    ]

    outcome = proposed(log_of(rows))

    assert pasted(outcome).time_format == "%m/%d/%Y %H:%M:%S"
    assert (outcome.refusals, outcome.doubts) == ([], ())


def test_a_column_of_days_beside_the_stamp_settles_the_order_too() -> None:
    data = TWO_CHARACTERISTICS.decode() if isinstance(TWO_CHARACTERISTICS, bytes) else TWO_CHARACTERISTICS
    first, *rest = data.splitlines()
    mark = next(one for one in ";\t," if one in first)
    lines = [f"{first}{mark}received_on", *(f"{line}{mark}02/25/2026" for line in rest)]

    outcome = proposed("\n".join(lines) + "\n")

    assert pasted(outcome).time_format.startswith("%m/%d/%Y")
    assert not any("could be day or month first" in one for one in outcome.doubts)


def test_what_is_no_table_is_refused_in_one_line() -> None:
    assert preview(b"", None, lab(), NOW, "a.csv") == FileRefused(
        "a.csv: is empty; a header row and a row a reading are expected"
    )
