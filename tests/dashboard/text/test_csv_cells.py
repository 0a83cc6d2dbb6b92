"""No text of a CSV file begins a formula, whatever a spreadsheet strips before it, in any of the files that are handed out."""

from __future__ import annotations

import csv
import io
import unicodedata
import zipfile
from datetime import UTC, datetime, timedelta

import pytest
from support.labs import MONDAY, Bench, lot_rows
from support.people import HERE

from dashboard.evidence import bundle_file, bundle_scope
from dashboard.scorecard import export
from dashboard.text.csv_cells import safe_cell
from dashboard.web.app import make_app
from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.subjects import Subject
from ingest.config.lab import load
from ingest.store.store import known_store

# Unicode 15: blanks (White_Space), what is drawn as nothing (Default_Ignorable_Code_Point), both from memory, and controls.
BLANKS = (
    " ", "\u00a0", "\u1680", "\u2000", "\u2003", "\u2007", "\u2009", "\u200a", "\u202f", "\u205f", "\u3000",
    "\u2028", "\u2029", "\u0085", "\x0b", "\x0c", "\x00", "\x1f", "\x7f",
    "\u00ad", "\u034f", "\u061c", "\u115f", "\u1160", "\u17b4", "\u180b", "\u180e", "\u200b", "\u200c", "\u200d",
    "\u200e", "\u200f", "\u202a", "\u202e", "\u2060", "\u2064", "\u2066", "\u206f", "\u2800", "\u3164", "\ufe00",
    "\ufe0f", "\ufeff", "\uffa0", "\ue000", "\U000e0001", "\U000e0020", "\U000e0100", "\U000e01ef",
)  # fmt: skip
# Plain, full-width, small, raised and lowered, and the sign for minus.
SIGNS = "=+-@\uff1d\uff0b\uff0d\uff20\ufe66\ufe62\ufe63\ufe6b\u207c\u207a\u207b\u208c\u208a\u208b\u2212"


@pytest.mark.parametrize("sign", SIGNS, ids=unicodedata.name)
def test_a_formula_is_led_by_an_apostrophe_behind_any_blank(sign: str) -> None:
    for blank in ("", *BLANKS, *(first + second for first in BLANKS for second in BLANKS)):
        text = f"{blank}{sign}1+1"
        assert safe_cell(text) == f"'{text}", text.encode("unicode_escape")


@pytest.mark.parametrize("text", ["\t=1", "\r=1", "\n=1", " \tcmd", "\u200b\nx"])
def test_a_text_that_begins_with_the_end_of_a_cell_or_a_line_is_led_by_an_apostrophe(text: str) -> None:
    assert safe_cell(text) == f"'{text}"


@pytest.mark.parametrize(
    "value",
    [
        "L-1",
        "a=b",
        "1+1",
        "\u00a0L1",
        "\u200bfilm",
        "",
        " ",
        "\u200b",
        "\u00b5J",
        "\u00e9t\u00e9",
        "<0.5",
        0,
        -1.5,
        True,
    ],
)
def test_what_is_no_formula_stays_as_it_is(value: object) -> None:
    assert safe_cell(value) == value


@pytest.mark.parametrize(
    "blank", ["", "\u00a0", "\u200b", "\u2060", "\ufeff"], ids=lambda one: one.encode("unicode_escape").decode()
)
def test_no_file_that_is_handed_out_begins_a_cell_with_a_formula(bench: Bench, blank: str) -> None:
    hostile = f"{blank}=1+1"
    wide = f"{blank}\uff1d1+1"
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 62)
    # Blanks that exports put around cells are taken off names; inside of names they stay.
    rows = lot_rows(hostile, MONDAY, [[10.0, 11.0], [12.0, 13.0]], supplier=wide, product=hostile)
    bench.drop_tests("t.csv", rows)
    bench.run()
    store, lab = known_store(bench.folder), load(bench.folder)
    assert store is not None
    with store.writing() as connection:
        record(
            connection,
            AuditEntry(datetime(2026, 1, 6, tzinfo=UTC), wide, "note", Subject.account("x"), hostile, {hostile: wide}),
        )
    out = io.BytesIO()
    with store.reading() as connection:
        (card,) = export.documents(connection, lab, "2026-Q1", None)
        quarter = bundle_scope.of_quarter(connection, lab, "2026-Q1", None)
        bundle_file.write(connection, lab, quarter, out)
    supplier, product = card["supplier"], card["streams"][0]["product"]
    client = make_app(bench.folder).server.test_client()
    names = {"supplier": supplier, "product": product, "characteristic": "shielding_energy"}
    texts = {
        "scorecard": export.FORMS["csv"](card).decode(),
        "stream": client.get("/stream-file", query_string=names, headers=HERE).text,
        "history": client.get("/history-file", headers=HERE).text,
    }
    with zipfile.ZipFile(out) as archive:
        texts |= {name: archive.read(name).decode() for name in archive.namelist() if name.endswith(".csv")}
    assert len(texts) > 10

    hidden = 0
    for name, text in texts.items():
        for row in csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")):
            for cell in row:
                seen = unicodedata.normalize("NFKC", cell).lstrip("".join(BLANKS))
                assert not seen.startswith(("=", "@", "+")), (name, cell)
                hidden += seen.startswith("'") and "1+1" in seen
    # In each of the files above, and in many of the bundle.
    assert hidden >= 10
