"""`lab.toml`: the documented example, each rule, and the one line that is said of each mistake."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.common.errors import CallError, LabFileError
from ingest.config.lab import load
from ingest.config.models import CLIMATE_COLUMNS, TEST_COLUMNS, Source
from ingest.parsing.proposal.source_preview import as_toml

EXAMPLE = """
[lab]
name = "Marrowstone Depot, static-control bench"
timezone = "Europe/Lisbon"
session_hours = 24

[conditioning.dry]
humidity_percent = 12.0
humidity_tolerance = 3.0
temperature_c = 23.0
temperature_tolerance_c = 3.0
hours = 48
longest_gap_minutes = 60

[[characteristic]]
name = "shielding_energy"
unit = "nJ"
scale = "log"
conditioning = "dry"
judged = "mean"
guard_percent = 0
upper_limit = [ { value = 50.0, document = "older edition" }, { value = 20.0, from = 2018-10-01 } ]

[[characteristic]]
name = "surface_resistance"
unit = "ohm"
scale = "log"
lower_limit = [ { value = 1e4 } ]
upper_limit = [ { value = 1e11 } ]

[[product]]
name = "PB-100"
class = "low charging poly"
outside = false
upper_limit = { shielding_energy = false }

[[check_standard]]
supplier = "bench"
product = "kept coupon"

[shielding_source]
capacitance_pf = 100
voltage_v = 1000

[baseline]
lots = 25

[alerts]
false_alerts_per_stream_year = 0.2
horizon_weeks = 13
breach_probability = 0.2

[[source]]
kind = "tests"
folder = "drops/tests"
"""


@pytest.fixture
def lab_of(tmp_path):
    def make(text=EXAMPLE):
        (tmp_path / "lab.toml").write_text(text, encoding="utf-8")
        return load(tmp_path)

    return make


@pytest.fixture
def said_of(lab_of):
    """The message about the example with one text in it replaced."""

    def say(old, new):
        assert old in EXAMPLE
        with pytest.raises(LabFileError) as refused:
            lab_of(EXAMPLE.replace(old, new, 1))
        assert str(refused.value).isprintable()
        return str(refused.value)

    return say


def test_the_documented_example_is_read(lab_of):
    lab = lab_of()

    assert lab.name == "Marrowstone Depot, static-control bench"
    assert lab.zone.key == "Europe/Lisbon"
    assert lab.session_hours == 24
    assert lab.conditioning["dry"].hours == 48
    assert [one.name for one in lab.characteristics] == ["shielding_energy", "surface_resistance"]
    assert lab.baseline.lots == 25
    assert lab.alerts.false_alerts_per_stream_year == 0.2
    assert [(source.kind, source.folder) for source in lab.sources] == [("tests", "drops/tests")]


def test_baseline_and_alerts_may_be_left_out(lab_of):
    start, end = EXAMPLE.index("[baseline]"), EXAMPLE.index("[[source]]")

    lab = lab_of(EXAMPLE[:start] + EXAMPLE[end:])

    assert lab.baseline.lots == 25
    assert (lab.alerts.false_alerts_per_stream_year, lab.alerts.horizon_weeks, lab.alerts.breach_probability) == (
        0.2,
        13,
        0.2,
    )


def test_conditioning_may_be_left_out_where_one_is_declared(lab_of):
    lab = lab_of()

    assert lab.characteristic("surface_resistance").conditioning == "dry"
    assert lab.conditioning_for("surface_resistance").hours == 48


def test_a_lot_is_judged_by_its_mean_unless_declared_otherwise(lab_of):
    assert lab_of().characteristic("surface_resistance").judged == "mean"
    assert lab_of(EXAMPLE.replace('"mean"', '"worst"')).characteristic("shielding_energy").judged == "worst"


def test_the_limit_in_force_is_that_of_the_day_in_the_zone_of_the_lab(lab_of):
    lab = lab_of()

    # Lisbon keeps summer time on 30 September 2018: midnight there is 23:00 UTC (tz database).
    before = lab.limits_at("MB-2", "shielding_energy", datetime(2018, 9, 30, 22, 59, tzinfo=UTC))
    after = lab.limits_at("MB-2", "shielding_energy", datetime(2018, 9, 30, 23, 0, tzinfo=UTC))

    assert before == (None, 50.0, "older edition")
    assert after == (None, 20.0, "")


def test_a_product_may_have_no_limit_or_its_own(lab_of):
    when = datetime(2026, 1, 1, tzinfo=UTC)

    assert lab_of().limits_at("PB-100", "shielding_energy", when).upper is None
    assert lab_of().limits_at("PB-100", "surface_resistance", when) == (1e4, 1e11, "")
    stricter = lab_of(EXAMPLE.replace("shielding_energy = false", "surface_resistance = 1e9"))
    assert stricter.limits_at("PB-100", "surface_resistance", when) == (1e4, 1e9, "declared for PB-100")


def test_before_the_first_dated_limit_there_is_none(lab_of):
    lab = lab_of(EXAMPLE.replace('{ value = 50.0, document = "older edition" }, ', ""))

    assert lab.limits_at("MB-2", "shielding_energy", datetime(2015, 1, 1, tzinfo=UTC)).upper is None


def test_a_check_standard_is_known_by_supplier_and_product(lab_of):
    lab = lab_of()

    assert lab.is_check_standard("bench", "kept coupon")
    assert not lab.is_check_standard("bench", "PB-100")


def test_the_source_of_the_discharge_stores_half_c_v_squared(lab_of):
    # 100 pF at 1 kV store 50 uJ: the figure of the method, and C V^2 / 2.
    assert lab_of().shielding_source.stored_nj == 50_000.0


def test_names_are_brought_to_unicode_form_c(lab_of):
    decomposed = EXAMPLE.replace('"PB-100"', '"Se\u0301rie"')

    assert lab_of(decomposed).product("S\u00e9rie") is not None


def test_a_kind_without_a_source_is_read_from_its_standard_folder_where_that_is(lab_of, tmp_path):
    (tmp_path / "drops" / "climate").mkdir(parents=True)

    assert [(source.kind, source.folder) for source in lab_of().sources] == [
        ("tests", "drops/tests"),
        ("climate", "drops/climate"),
    ]


# What is said


def test_a_value_of_the_wrong_type_names_file_key_and_what_was_expected(said_of):
    assert said_of("hours = 48", 'hours = "48h"') == (
        'lab.toml, conditioning.dry.hours: expected a number above 0, got "48h"'
    )


def test_an_unknown_key_names_file_key_and_the_nearest_known_one(said_of):
    assert said_of("hours = 48", "hour = 48") == "lab.toml, conditioning.dry.hour: unknown key; did you mean hours?"
    assert said_of("[baseline]", "[wiring]").startswith("lab.toml, wiring: unknown key; expected one of lab, cond")
    assert said_of("from = 2018", "form = 2018") == (
        "lab.toml, characteristic.shielding_energy.upper_limit.2.form: unknown key; did you mean from?"
    )


def test_broken_toml_names_its_line(said_of):
    assert "(at line 2, column 5)" in said_of("[lab]", "[lab")


def test_a_folder_without_the_file_is_a_wrong_call(tmp_path):
    with pytest.raises(CallError, match=r"there is no lab.toml; give a lab folder with --lab DIR"):
        load(tmp_path / "nowhere")


def test_text_that_is_not_utf8_is_refused(tmp_path):
    (tmp_path / "lab.toml").write_bytes(b'[lab]\nname = "\xff"\n')

    with pytest.raises(LabFileError, match=r"lab.toml: is not UTF-8 text \(byte 14\)"):
        load(tmp_path)


DRY = "lab.toml, conditioning.dry"
ENERGY = "lab.toml, characteristic.shielding_energy"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        # Negative tolerances, hours or gaps not above 0, nan, a truth value as a number, humidity above 100.
        (
            "humidity_tolerance = 3.0",
            "humidity_tolerance = -3.0",
            f"{DRY}.humidity_tolerance: expected a number not below 0, got -3.0",
        ),
        (
            "temperature_tolerance_c = 3.0",
            "temperature_tolerance_c = -0.1",
            f"{DRY}.temperature_tolerance_c: expected a number not below 0, got -0.1",
        ),
        ("hours = 48", "hours = 0", f"{DRY}.hours: expected a number above 0, got 0"),
        ("hours = 48", "hours = true", f"{DRY}.hours: expected a number above 0, got true"),
        ("hours = 48", "hours = nan", f"{DRY}.hours: expected a number above 0, got nan"),
        ("hours = 48", "hours = inf", f"{DRY}.hours: expected a number above 0, got inf"),
        (
            "longest_gap_minutes = 60",
            "longest_gap_minutes = 0",
            f"{DRY}.longest_gap_minutes: expected a number above 0, got 0",
        ),
        (
            "humidity_percent = 12.0",
            "humidity_percent = 100.5",
            f"{DRY}.humidity_percent: expected a number from 0 to 100, got 100.5",
        ),
        ("session_hours = 24", "session_hours = -1", "lab.toml, lab.session_hours: expected a number above 0, got -1"),
        # A probability above 1; budgets and counts not above 0.
        (
            "breach_probability = 0.2",
            "breach_probability = 1.01",
            "lab.toml, alerts.breach_probability: expected a number above 0 and at most 1, got 1.01",
        ),
        (
            "false_alerts_per_stream_year = 0.2",
            "false_alerts_per_stream_year = 0",
            "lab.toml, alerts.false_alerts_per_stream_year: expected a number above 0, got 0",
        ),
        ("lots = 25", "lots = 0", "lab.toml, baseline.lots: expected a whole number above 0, got 0"),
        ("lots = 25", "lots = 25.0", "lab.toml, baseline.lots: expected a whole number above 0, got 25.0"),
        ("lots = 25", "lots = true", "lab.toml, baseline.lots: expected a whole number above 0, got true"),
        # Limits.
        (
            "value = 50.0, document",
            "value = 50.0, from = 2018-10-01, document",
            f"{ENERGY}: expected upper_limit entries with rising dates in `from`, got 2018-10-01, 2018-10-01",
        ),
        (
            "from = 2018-10-01",
            'document = "undated"',
            f"{ENERGY}: expected upper_limit entries with rising dates in `from`, got no date, no date",
        ),
        (
            "from = 2018-10-01",
            "from = 2018-10-01T00:00:00",
            f"{ENERGY}.upper_limit.2.from: expected a date such as 2018-10-01, got 2018-10-01 00:00:00",
        ),
        (
            "{ value = 1e4 }",
            "{ value = 1e11 }",
            "lab.toml, characteristic.surface_resistance.lower_limit: expected a limit below the upper one, 1e+11, "
            "got 1e+11",
        ),
        ("value = 20.0", "value = 0", f"{ENERGY}: expected upper_limit above 0 on a log scale, got 0.0"),
        (
            "shielding_energy = false",
            "surface_resistance = 1e3",
            "lab.toml, product.PB-100.lower_limit: expected a limit below the upper one, 1000, got 10000",
        ),
        (
            "shielding_energy = false",
            "shielding_energy = true",
            "lab.toml, product.PB-100.upper_limit.shielding_energy: expected a number, or false for no limit, got true",
        ),
        (
            "shielding_energy = false",
            "shielding = 1.0",
            'lab.toml, product.PB-100.upper_limit.shielding: expected a declared characteristic, got "shielding"',
        ),
        (
            "shielding_energy = false",
            "shielding_energy = -1",
            "lab.toml, product.PB-100.upper_limit.shielding_energy: expected a limit above 0 on a log scale, got -1.0",
        ),
        # A characteristic twice; unknown unit, scale, kind, zone, encoding, column.
        (
            'name = "surface_resistance"',
            'name = "shielding_energy"',
            f'{ENERGY}: expected each characteristic once, got "shielding_energy" twice',
        ),
        (
            'unit = "nJ"',
            'unit = "nJ/m"',
            f"{ENERGY}.unit: expected one of nJ, uJ, mJ, J, ohm, kohm, Mohm, Gohm, Tohm, V, kV, ms, s, mN, N, um, mm, "
            'g/m2/day or %, got "nJ/m"',
        ),
        ('scale = "log"', 'scale = "ln"', f'{ENERGY}.scale: expected "log" or "linear", got "ln"'),
        ('judged = "mean"', 'judged = "best"', f'{ENERGY}.judged: expected "mean" or "worst", got "best"'),
        ('conditioning = "dry"', 'conditioning = "wet"', f'{ENERGY}.conditioning: expected "dry", got "wet"'),
        (
            'kind = "tests"',
            'kind = "test"',
            'lab.toml, source.1.kind: expected "tests", "climate", "stock", "loads", "calibrations" or "waveforms", got "test"',
        ),
        (
            "Europe/Lisbon",
            "Europe/Lisboa",
            'lab.toml, lab.timezone: expected a time zone such as "Europe/Lisbon", got "Europe/Lisboa"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\nencoding = "utf-99"',
            'lab.toml, source.1.encoding: expected a text encoding such as "utf-8" or "cp1252", got "utf-99"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\ncolumns = { worth = "Result" }',
            f'lab.toml, source.1: expected a column of tests in columns ({", ".join(TEST_COLUMNS)}), got "worth"',
        ),
        (
            'kind = "tests"',
            'kind = "climate"\nfixed = { lot = "L1" }',
            f'lab.toml, source.1: expected a column of climate in fixed ({", ".join(CLIMATE_COLUMNS)}), got "lot"',
        ),
        (
            'kind = "tests"',
            'kind = "climate"\nunits = { temperature_c = "K" }',
            'lab.toml, source.1: expected degC or degF as unit of temperature_c, got "K"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\nunits = { lot = "nJ" }',
            'lab.toml, source.1: expected a column that has a unit in units (value), got "lot"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\nwords = { OL = "high" }',
            'lab.toml, source.1: expected a value such as ">1E13" for "OL" in words, got "high"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\ntime_format = "%d.%m.%Y"',
            'lab.toml, source.1: expected a time_format with date and time such as "%d.%m.%Y %H:%M", got "%d.%m.%Y"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\nreadings = ["d1", "d1"]',
            "lab.toml, source.1: expected each column once in readings",
        ),
        (
            'kind = "tests"',
            'kind = "climate"\nreadings = ["d1"]',
            'lab.toml, source.1: expected readings, values, characteristics and log10 only with kind = "tests"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\ncharacteristics = { "R" = "resistance" }',
            'lab.toml, source.1.characteristics: expected a declared characteristic, got "resistance"',
        ),
        (
            'kind = "tests"',
            'kind = "tests"\ndelimiter = "tab"',
            'lab.toml, source.1.delimiter: expected one character such as "," or ";", got "tab"',
        ),
        (
            "drops/tests",
            "../elsewhere",
            'lab.toml, source.1.folder: expected a folder such as "drops/tests", without "..", got "../elsewhere"',
        ),
        ('supplier = "bench"', 'supplier = " "', None),
        ("capacitance_pf = 100", "capacitance_pf = 0", None),
        ("[baseline]", "[schedule]\nevery_minutes = 5\ncron = '0 6 * * 1'\n[baseline]", None),
        ("[baseline]", "[schedule]\ncron = 'daily'\n[baseline]", None),
        ("[lab]", "lab = 3\n[laboratory]", None),
        ("[[source]]", "[source]", "lab.toml, source: expected a list, got a table"),
        (
            "lower_limit = [ { value = 1e4 } ]",
            "lower_limit = 1e4",
            "lab.toml, characteristic.surface_resistance.lower_limit: expected a list, got 10000.0",
        ),
        (
            'name = "Marrowstone Depot, static-control bench"',
            "",
            "lab.toml, lab.name: is missing; add it",
        ),
    ],
)
def test_a_wrong_declaration_is_told_in_one_line(said_of, old, new, message):
    said = said_of(old, new)

    assert said.startswith("lab.toml, ")
    if message is not None:
        assert said == message


def test_no_characteristic_at_all_is_refused(lab_of):
    first, after = EXAMPLE.index("[[characteristic]]"), EXAMPLE.index("[[product]]")
    nothing = (
        "characteristic = []\n"
        + EXAMPLE[:first]
        + EXAMPLE[after:].replace("upper_limit = { shielding_energy = false }", "")
    )

    with pytest.raises(LabFileError, match=r"expected at least one \[\[characteristic\]\], got none"):
        lab_of(nothing)


def test_conditioning_must_be_named_where_several_are_declared(lab_of):
    wet = EXAMPLE[EXAMPLE.index("[conditioning.dry]") : EXAMPLE.index("[[characteristic]]")].replace(
        ".dry", ".moderate"
    )

    with pytest.raises(LabFileError) as refused:
        lab_of(EXAMPLE + wet)

    assert str(refused.value) == (
        "lab.toml, characteristic.surface_resistance.conditioning: is missing where several are declared; "
        'add "dry" or "moderate"'
    )


def test_a_characteristic_that_is_no_longer_declared_is_told(lab_of):
    with pytest.raises(LabFileError, match='the store holds readings of "gone", which is not declared'):
        lab_of().characteristic("gone")


def test_a_wrong_file_changes_nothing_in_the_folder(lab_of, tmp_path):
    with pytest.raises(LabFileError):
        lab_of(EXAMPLE.replace("hours = 48", "hours = 0"))

    assert [path.name for path in tmp_path.iterdir()] == ["lab.toml"]


# The table to paste


def test_a_source_written_as_a_table_reads_back_as_itself():
    source = Source.model_validate(
        {
            "kind": "tests",
            "folder": "drops/tests",
            "pattern": "bench \u00e9*.csv",
            "encoding": "cp1252",
            "delimiter": "\t",
            "decimal": ",",
            "timezone": "Europe/Lisbon",
            "keep": True,
            "columns": {"lot": 'Lot "A"\\', "value": "Result\x7f"},
            "units": {"value": "uJ"},
            "fixed": {"chamber": "C1"},
            "readings": ["d1", "d 2"],
            "skip_rows": 2,
            "time_format": "%d.%m.%Y %H:%M",
            "words": {"O L": ">1E13"},
            "log10": True,
            "silent_after_days": 9.5,
        }
    )

    written = tomllib.loads(as_toml(source))["source"][0]

    assert Source.model_validate(written) == source


def test_the_example_of_this_file_is_all_that_is_documented_of_a_source():
    # Options named in the contract of the lab folder; more may be added, none taken away.
    documented = {"kind", "folder", "pattern", "encoding", "delimiter", "decimal", "timezone", "keep", "columns"}
    documented |= {"units", "fixed", "readings"}

    assert documented <= set(Source.model_fields)


def test_path_of_the_lab_is_kept(lab_of, tmp_path: Path):
    assert lab_of().folder == tmp_path


def test_a_decimal_comma_and_a_delimiter_that_is_a_comma_too_are_refused(lab_of):
    with pytest.raises(LabFileError) as refused:
        lab_of(f'{EXAMPLE}decimal = ","\ndelimiter = ","\n')

    assert str(refused.value) == (
        'lab.toml, source.1: expected another delimiter than the decimal comma, such as delimiter = ";"'
    )


@pytest.mark.parametrize(
    ("unit", "name"),
    [("V", "V"), ("s", "s"), ("N", "N"), ("\u00b5m", "um"), ("um", "um"), ("g/m\u00b2/day", "g/m2/day"), ("%", "%")],
)
def test_other_quantities_than_energy_and_resistance_may_be_declared(lab_of, unit, name):
    lab = lab_of(EXAMPLE.replace('unit = "nJ"', f'unit = "{unit}"'))

    assert lab.characteristic("shielding_energy").unit == name
