"""Nothing is lost and nothing is changed, whatever a file holds."""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from datetime import datetime
from fractions import Fraction

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.feedfiles import HEADER, NOW, ROW, accounted, file_of, lab, lines_lost, read, read_log, source

from ingest.parsing.parse_file import Parsed, read_tests

NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=8
).filter(lambda text: text.strip() == text and text.strip("\u00a0\u2007\u2009\u202f\ufeff") == text)
# Sizes of the units, the prefixes of the SI brochure (BIPM, 9th edition, table 7).
SIZES_NJ = {"nJ": 1, "uJ": 10**3, "mJ": 10**6, "J": 10**9}
SIZES_OHM = {"ohm": 1, "kohm": 10**3, "Mohm": 10**6, "Gohm": 10**9, "Tohm": 10**12}


@st.composite
def readings(draw):
    """A reading in any unit, with its value in the unit of its characteristic as exact fractions give it."""
    energy = draw(st.booleans())
    unit = draw(st.sampled_from(sorted(SIZES_NJ if energy else SIZES_OHM)))
    size = (SIZES_NJ if energy else SIZES_OHM)[unit]
    written = repr(draw(st.floats(min_value=1e-250, max_value=49_000.0 / size if energy else 1e250)))
    # Fraction to float rounds correctly, so equality holds to the last bit.
    value = float(Fraction(written) * size)
    bound = draw(st.sampled_from([-1, 0, 1]))
    tested = draw(st.datetimes(min_value=datetime(1990, 1, 2), max_value=datetime(2026, 11, 24)))  # noqa: DTZ001
    row = {
        "tested_at": tested.isoformat() + "Z",
        "supplier": draw(NAMES),
        "product": draw(NAMES),
        "lot": draw(NAMES),
        "specimen": str(draw(st.integers(0, 10**12))),
        "reading": str(draw(st.integers(0, 50))),
        "characteristic": "shielding_energy" if energy else "surface_resistance",
        "value": {-1: "<", 0: "", 1: ">"}[bound] + written,
        "unit": unit,
    }
    return row, value, bound


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(readings(), min_size=1, max_size=20), st.sampled_from([",", ";", "\t"]))
def test_every_value_comes_back_bit_for_bit_and_every_row_is_accounted_for(drawn, delimiter):
    parsed = read(file_of(*(row for row, _, _ in drawn), delimiter=delimiter))

    assert accounted(parsed) == parsed.data_rows == len(drawn)
    by_line = dict(enumerate(drawn, 2))
    for line, value, bound in parsed.rows[["line", "value", "bound"]].itertuples(index=False):
        assert (value, bound) == by_line[line][1:]


CELLS = st.sampled_from(
    [
        "",
        "1",
        "2",
        "-1",
        "0",
        "12.5",
        "<3",
        "OL",
        "nJ",
        "ohm",
        "x",
        "2026-03-02T10:15",
        '"',
        "1,5",
        "a\nb",
        "\u00e9",
        "5e9",
    ]
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_whatever_the_cells_hold_each_row_is_stored_repeated_or_refused(data):
    rows = [
        {
            name: data.draw(st.one_of(st.just(ROW[name]), CELLS))
            for name in ("tested_at", "lot", "specimen", "value", "unit")
        }
        for _ in range(data.draw(st.integers(0, 12)))
    ]

    parsed = read(file_of(*rows))

    assert accounted(parsed) == parsed.data_rows == len(rows)
    lines = Counter([*parsed.rows["line"], *(refusal.line for refusal in parsed.refusals)])
    assert not lines or max(lines.values()) == 1
    assert np.isfinite(parsed.rows["value"]).all()
    assert (parsed.rows["value"] > 0).all()


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.one_of(
        st.binary(max_size=400),
        st.builds(lambda tail: HEADER.encode() + b"\n" + tail, st.binary(max_size=400)),
        st.builds(
            lambda text, cut, patch: text[:cut] + patch + text[cut:],
            st.just(file_of({}, {"lot": 'q"uote'}, {"value": "OL"}).encode()),
            st.integers(0, 500),
            st.binary(max_size=6),
        ),
    ),
    st.sampled_from([None, "utf-16-le", "cp1252", "shift_jis"]),
)
def test_bytes_of_any_kind_give_rows_or_reasons_and_never_an_exception(data, encoding):
    for parse in (read, read_log):
        parsed = parse(data, encoding=encoding)
        if isinstance(parsed, Parsed):
            if parse is read and encoding is None and data.startswith(HEADER.encode() + b"\n"):
                assert lines_lost(data) == []
            json.dumps([list(refusal.cells) for refusal in parsed.refusals], ensure_ascii=False).encode()
            assert all(refusal.reason.isprintable() for refusal in parsed.refusals)
        else:
            assert parsed.reason.isprintable()


@settings(max_examples=100)
@given(
    st.lists(
        st.lists(st.text(st.sampled_from('ab"\n\r,; \u00e9'), max_size=5), min_size=2, max_size=2),
        min_size=1,
        max_size=8,
    )
)
def test_cells_are_those_that_the_csv_module_wrote(rows):
    # The standard library's csv module is the outside reference for quoting.
    text = io.StringIO()
    csv.writer(text).writerows([["note", "mark", *HEADER.split(",")], *([*row, *ROW.values()] for row in rows)])

    parsed = read_tests(text.getvalue().encode(), source(), lab(), NOW)

    assert parsed.data_rows == len(rows)
    noted = json.loads(parsed.rows["notes"][0] or "{}")
    first = {name: cell.strip(" ") for name, cell in zip(("note", "mark"), rows[0], strict=True)}
    assert noted == {name: cell for name, cell in first.items() if cell}


@settings(max_examples=60)
@given(
    st.lists(
        st.lists(st.text(st.sampled_from('ab"\n\r,; \u00e9'), max_size=4), min_size=2, max_size=2),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from(["too,few\n", b'"open,quote\n', b"\xff\xfe,x\n"]),
)
def test_a_broken_row_changes_no_other(rows, broken):
    text = io.StringIO()
    csv.writer(text).writerows(
        [
            ["note", "mark", *HEADER.split(",")],
            *([*row, *{**ROW, "lot": f"L{i}"}.values()] for i, row in enumerate(rows)),
        ]
    )
    whole = text.getvalue().encode()

    alone = read(whole)
    beside = read(whole + (broken.encode() if isinstance(broken, str) else broken))

    pd.testing.assert_frame_equal(alone.rows, beside.rows)
    assert len(beside.refusals) == len(alone.refusals) + 1
