"""Units and values as written, against scipy's SI prefixes and exact fractions."""

from __future__ import annotations

from fractions import Fraction

import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st

from ingest.common.units import (
    ENERGY,
    RESISTANCE,
    UNITS,
    UnitError,
    Value,
    ValueTextError,
    parse_number,
    parse_unit,
    parse_value,
    to_unit,
)

# SI prefixes as scipy.constants has them (BIPM, The International System of Units, 9th edition, table 7).
PREFIXES = {
    "n": scipy.constants.nano,
    "u": scipy.constants.micro,
    "m": scipy.constants.milli,
    "k": scipy.constants.kilo,
    "M": scipy.constants.mega,
    "G": scipy.constants.giga,
    "T": scipy.constants.tera,
}


@pytest.mark.parametrize("name", UNITS)
def test_every_unit_has_the_size_of_its_si_prefix(name):
    unit = parse_unit(name)
    prefix = PREFIXES.get(name[0], 1.0) if name not in {"J", "ohm"} else 1.0

    assert float(f"1e{unit.exponent}") == prefix


def test_the_units_of_energy_and_resistance_are_those_of_the_feeds():
    assert ENERGY.units == ("nJ", "uJ", "mJ", "J")
    assert RESISTANCE.units == ("ohm", "kohm", "Mohm", "Gohm", "Tohm")


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("NJ", "nJ"),
        ("OHM", "ohm"),
        ("gohm", "Gohm"),
        ("MOHM", "Mohm"),
        ("KOHM", "kohm"),
        ("uj", "uJ"),
        ("mj", "mJ"),
        ("\u00b5J", "uJ"),  # micro sign
        ("\u03bcJ", "uJ"),  # Greek mu
        ("\u2126", "ohm"),  # ohm sign
        ("\u03a9", "ohm"),  # Greek omega
        ("M\u03a9", "Mohm"),
        ("\u00a0nJ ", "nJ"),
        ("KV", "kV"),
        ("sec", "s"),
        ("n", "N"),
        ("\u00b5m", "um"),
        ("MM", "mm"),
        ("g/m\u00b2/day", "g/m2/day"),
        ("g/(m\u00b2 d)", "g/m2/day"),
        ("g / m2 / 24 h", "g/m2/day"),
        ("percent", "%"),
    ],
)
def test_letter_case_and_signs_are_read_where_they_change_nothing(text, name):
    assert parse_unit(text).name == name


@pytest.mark.parametrize("text", ["mohm", "mOhm", "mOHM", "m\u03a9", "MJ", "Mj", "MN", "S"])
def test_a_unit_whose_letter_case_could_be_wrong_is_refused_and_says_so(text):
    with pytest.raises(
        UnitError, match=rf'^"{text}" is refused: it could mean (milliohm or megohm|mega.* or milli|second or)'
    ):
        parse_unit(text)


@pytest.mark.parametrize("text", ["ohm/sq", "ohm / sq", "\u03a9/\u25a1", "Ohm/square", "ohms per square"])
def test_ohm_per_square_is_another_quantity(text):
    with pytest.raises(UnitError, match="is a unit of sheet resistance, another quantity; give the resistance between"):
        parse_unit(text, RESISTANCE)


def test_an_unknown_unit_is_told_with_those_that_may_be_written():
    with pytest.raises(UnitError) as refused:
        parse_unit("nJ/m", ENERGY)

    assert str(refused.value) == '"nJ/m" is not a unit of energy; write nJ, uJ, mJ or J'


def test_a_unit_of_another_quantity_is_told_by_its_own():
    with pytest.raises(UnitError) as refused:
        parse_unit("kohm", ENERGY)

    assert str(refused.value) == '"kohm" is a unit of resistance, not of energy; write nJ, uJ, mJ or J'


# Values


@pytest.mark.parametrize(
    ("text", "number", "bound", "unit"),
    [
        ("12.5", "12.5", 0, ""),
        ("12", "12", 0, ""),
        (".5", ".5", 0, ""),
        ("5.", "5.", 0, ""),
        ("+5", "+5", 0, ""),
        ("1.2E9", "1.2E9", 0, ""),
        ("1e-05", "1e-05", 0, ""),
        ("<0.5", "0.5", -1, ""),
        (">1E12", "1E12", 1, ""),
        ("> 1.0E12", "1.0E12", 1, ""),
        (">1E+12", "1E+12", 1, ""),
        ("\u00a0 12.5\u202f", "12.5", 0, ""),
        ("12.5 nJ", "12.5", 0, "nJ"),
        ("12.5\u00b5J", "12.5", 0, "\u00b5J"),
    ],
)
def test_a_value_is_a_number_in_decimal_or_exponent_form_led_by_a_bound_or_not(text, number, bound, unit):
    assert parse_value(text) == Value(number, bound, unit)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "is blank; write a number"),
        (" \u00a0", "is blank; write a number"),
        ("0", '"0" is not above 0; write the floor'),
        ("0.000", '"0.000" is not above 0; write the floor'),
        ("<0", '"<0" is not above 0'),
        ("-1", '"-1" is not above 0; write a number above 0'),
        ("-0", '"-0" is not above 0; write a number above 0'),
        ("nan", '"nan" is not finite'),
        ("NaN", '"NaN" is not finite'),
        ("inf", '"inf" is not finite'),
        ("-Infinity", '"-Infinity" is not finite'),
        ("1e400", '"1e400" is too large'),
        ("1e-400", '"1e-400" is not above 0'),
        ("OL", '"OL" is a word; write a number, or map it'),
        ("over", '"over" is a word'),
        ("1,234", '"1,234" has a comma'),
        ("1'234", '"1\'234" has thousands separators'),
        ("1 234", '"1 234" has thousands separators'),
        ("1\u202f234.5", "has thousands separators"),
        ("1.234.567", '"1.234.567" has thousands separators'),
        ("1.0x10^11", '"1.0x10^11" is not a number'),
        ("0x10", '"0x10" is not a number'),
        ("1_000", '"1_000" is not a number'),
        ("\u0661\u0662", "is not a number"),  # digits of another script
        (">=5", '">=5" is not a number'),
        ("<>5", '"<>5" is not a number'),
        ("5..6", '"5..6" is not a number'),
        ("--5", '"--5" is not a number'),
    ],
)
def test_what_is_no_value_is_refused_with_the_reason(text, why):
    with pytest.raises(ValueTextError) as refused:
        parse_value(text)

    assert why in str(refused.value)


def test_a_decimal_comma_is_read_in_a_column_of_commas_only():
    assert parse_value("12,5", ",") == Value("12.5", 0, "")
    assert parse_value("<0,5 nJ", ",") == Value("0.5", -1, "nJ")
    with pytest.raises(ValueTextError, match="has a decimal point in a column of decimal commas"):
        parse_value("12.5", ",")
    with pytest.raises(ValueTextError, match="thousands separators"):
        parse_value("1,234,567", ",")


def test_a_climate_number_may_be_zero_or_negative():
    assert parse_number("-40.0").number == "-40.0"
    assert parse_number("0").number == "0"


def test_a_message_holds_no_control_characters_and_stays_short():
    with pytest.raises(ValueTextError) as refused:
        parse_value("a\x1b[31m\n" * 50)

    assert str(refused.value).isprintable()
    assert len(str(refused.value)) < 200


# Conversion


def test_the_example_of_the_feeds_is_exact():
    assert to_unit("0.0125", UNITS["uJ"], UNITS["nJ"]) == 12.5


@given(
    digits=st.decimals(min_value="1e-30", max_value="1e30", allow_nan=False, places=None).map(str),
    names=st.sampled_from([(a, b) for q in (ENERGY, RESISTANCE) for a in q.units for b in q.units]),
)
def test_a_conversion_is_the_float_nearest_to_the_exact_product(digits, names):
    unit, target = UNITS[names[0]], UNITS[names[1]]

    exact = Fraction(digits) * Fraction(10) ** (unit.exponent - target.exponent)

    # Fraction to float rounds correctly, so equality holds to the last bit.
    assert to_unit(digits, unit, target) == float(exact)


@given(st.floats(min_value=5e-324, allow_infinity=False))
def test_any_positive_float_comes_back_bit_for_bit_from_its_shortest_text(value):
    assert float(parse_value(repr(value)).number) == value


def test_two_quantities_do_not_convert():
    with pytest.raises(UnitError, match='"J" is a unit of energy, not of resistance'):
        to_unit("1", UNITS["J"], UNITS["ohm"])


def test_a_value_with_the_unit_of_moisture_passage_in_its_cell_is_read():
    assert parse_value("3.2 g/m\u00b2/day") == Value("3.2", 0, "g/m\u00b2/day")
    assert parse_value("12 %") == Value("12", 0, "%")


def test_a_unit_of_another_quantity_is_refused_with_those_to_write():
    with pytest.raises(UnitError, match=r'^"N" is a unit of force, not of voltage; write V or kV$'):
        parse_unit("N", UNITS["V"].quantity)
    with pytest.raises(UnitError, match=r'^"J" is a unit of energy, not of moisture passage; write g/m2/day$'):
        parse_unit("J", UNITS["g/m2/day"].quantity)
