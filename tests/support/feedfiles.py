"""Files of an invented bench for the tests of the feeds, and the short ways to read them."""

from __future__ import annotations

import csv
import io
import re
import tempfile
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from ingest.config.lab import load
from ingest.config.models import Source
from ingest.parsing.parse_file import open_feed, read_climate, read_tests

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)

LAB = """
[lab]
name = "invented bench"
timezone = "Europe/Lisbon"
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
[[characteristic]]
name = "surface_resistance"
unit = "ohm"
scale = "log"
[shielding_source]
capacitance_pf = 100
voltage_v = 1000
"""

HEADER = (
    "tested_at,chamber,instrument,operator,supplier,product,lot,received_on,made_on,"
    "specimen,reading,characteristic,value,unit,load"
)
ROW = {
    "tested_at": "2026-03-02T10:15",
    "chamber": "C1",
    "instrument": "T1",
    "operator": "bench 1",
    "supplier": "Invented Films",
    "product": "PB-100",
    "lot": "0012",
    "received_on": "2026-02-20",
    "made_on": "",
    "specimen": "1",
    "reading": "1",
    "characteristic": "shielding_energy",
    "value": "12.5",
    "unit": "nJ",
    "load": "week 9",
}


@cache
def lab():
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "lab.toml").write_text(LAB, encoding="utf-8")
        return load(Path(folder))


def source(kind="tests", **options):
    return Source.model_validate({"kind": kind, "folder": f"drops/{kind}", **options})


def read(text, **options):
    """Read a file of tests, given as text or bytes, from a source with these options."""
    return read_tests(text.encode() if isinstance(text, str) else text, source(**options), lab(), NOW)


def read_log(text, **options):
    """Read a chamber log, given as text or bytes, from a source with these options."""
    return read_climate(text.encode() if isinstance(text, str) else text, source("climate", **options), lab(), NOW)


def file_of(*rows, header=HEADER, delimiter=","):
    """A file with a row for each of `rows`, which say how it differs from the plain one."""
    columns = header.split(",")
    text = io.StringIO()
    writer = csv.writer(text, delimiter=delimiter, lineterminator="\n")
    writer.writerows([columns, *([{**ROW, **row}.get(name, "") for name in columns] for row in rows)])
    return text.getvalue()


def reasons(parsed):
    return {refusal.line: refusal.reason for refusal in parsed.refusals}


def accounted(parsed):
    return parsed.rows["line"].nunique() + parsed.repeats + len(parsed.refusals)


def lines_lost(content, size=None, delimiter=",", kind="tests"):
    """Numbers of the lines of a file, the first its header, that are neither a row nor rightly part of one.

    Told from outside: the lines are those of the text, and a line is part of a row that starts before it only where
    Python's strict reader reads the lines together as one record, and the line lacks the delimiters of a whole row, or
    the row's first line lacks them and the record has as many cells as the header.
    """
    with open_feed(content, source(kind), lab(), NOW, size) as feed:
        pieces = list(feed.pieces(size=size))
    starts = {line for piece in pieces for line in piece.rows["line"]}
    starts |= {refusal.line for piece in pieces for refusal in piece.refusals}
    lines = re.findall(r"[^\r\n]*(?:\r\n|\n|\r)|[^\r\n]+", content.decode("utf-8", "replace"))
    most = lines[0].count(delimiter)
    lost, first = [], None
    for number, line in enumerate(lines[1:], 2):
        if number in starts:
            first = number
        elif line.strip("\r\n") and not (first and _is_part(lines[first - 1 :], number - first, most, delimiter)):
            lost.append(number)
    return lost


def _is_part(lines, index, most, delimiter):
    for last in range(index, len(lines)):
        try:
            (cells,) = csv.reader(["".join(lines[: last + 1])], delimiter=delimiter, strict=True)
        except (csv.Error, ValueError):
            continue
        if lines[index].count(delimiter) < most:
            return True
        return index == last and len(cells) == most + 1 and lines[0].count(delimiter) < most
    return False
