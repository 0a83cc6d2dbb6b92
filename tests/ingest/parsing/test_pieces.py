"""A file read in pieces of any size ends in the same store, with the same refusals, as the file read at once."""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from sqlalchemy import text
from support.feedfiles import HEADER, NOW, ROW, file_of, lab, read, source
from support.labs import LAB_TOML, Bench

from ingest.config.lab import load
from ingest.intake.drops import Entry, take_in_drops
from ingest.parsing.csv_records import NotATableError, as_utf8, pieces, records
from ingest.parsing.csv_table import FileFormat, Table, open_csv, read_table
from ingest.parsing.parse_file import open_feed
from ingest.store.store import open_store

# Bytes: a row a piece, two or three, some seven; a plain row has about 120.
SIZES = (1, 250, 900)
Files = list[tuple[str, bytes]]
HELD = {
    "reading": "SELECT s.supplier, s.product, s.characteristic, l.lot, l.received_on, r.tested_us, r.specimen, r.reading, "
    "r.value, r.bound, r.written, c.text, r.drop_id, r.line, r.notes FROM reading r JOIN stream s ON s.id = r.stream_id "
    "JOIN lot l ON l.id = r.lot_id JOIN label c ON c.id = r.chamber_id",
    "earlier_value": "SELECT s.supplier, l.lot, e.tested_us, e.specimen, e.reading, e.value, e.written, e.drop_id, e.line, "
    "e.replaced_by_drop_id FROM earlier_value e JOIN stream s ON s.id = e.stream_id JOIN lot l ON l.id = e.lot_id",
    "stale_lot": "SELECT s.supplier, s.characteristic, l.lot FROM stale_lot t JOIN stream s ON s.id = t.stream_id "
    "JOIN lot l ON l.id = t.lot_id",
    "climate": "SELECT c.text, k.logged_us, k.humidity_percent, k.temperature_c, k.drop_id, k.line FROM climate k "
    "JOIN label c ON c.id = k.chamber_id",
    "earlier_climate": "SELECT c.text, e.logged_us, e.humidity_percent, e.temperature_c, e.drop_id, e.line, "
    "e.replaced_by_drop_id FROM earlier_climate e JOIN label c ON c.id = e.chamber_id",
    "refusal": "SELECT drop_id, line, reason, cells FROM refusal",
    "stream": "SELECT supplier, product, characteristic FROM stream",
    "lot": "SELECT supplier, product, lot, received_on, made_on FROM lot",
}


def taken(folder: Path, declared: str, files: Files, size: int | None) -> tuple[Any, ...]:
    """Take in the files one after another; what became of each, and what the store holds then."""
    bench = Bench(folder, declared)
    entries: list[Entry] = []
    for number, (kind, content) in enumerate(files):
        bench.drop(f"{number}.csv", content, kind)
        store = open_store(folder)
        entries += take_in_drops(store, load(folder), NOW, **({} if size is None else {"piece_bytes": size})).entries
    with store.reading() as connection:
        held = {name: sorted(map(tuple, connection.execute(text(sql)))) for name, sql in HELD.items()}
    return entries, held


def same_in_pieces(
    make: pytest.TempPathFactory, declared: str, files: Files, size: int, counts: list[int] | None = None
) -> None:
    """Take in files as they are and in pieces; `counts` are their rows, as Python's reader counts them if left out."""
    whole = taken(make.mktemp("whole"), declared, files, None)
    assert taken(make.mktemp("pieces"), declared, files, size) == whole
    for index, (entry, (_, content)) in enumerate(zip(whole[0], files, strict=True)):
        if entry.state == "stored":
            rows = counts[index] if counts else sum(map(bool, csv.reader(io.StringIO(content.decode())))) - 1
            assert entry.stored + entry.duplicate + entry.corrected + entry.refused == rows


ROWS = st.fixed_dictionaries(
    {
        "specimen": st.sampled_from(["1", "2"]),
        "reading": st.sampled_from(["1", "2"]),
        "lot": st.sampled_from(["A", "B"]),
        "received_on": st.sampled_from(["", "2026-01-05", "2026-02-20"]),
        "value": st.sampled_from(["1", "1.0", "2", "<2", "OL", "0,5"]),
        "operator": st.sampled_from(["ab", 'two\nlines, "quoted"', "\u00e9"]),
        "note": st.sampled_from(["", "x"]),
    }
)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    files=st.lists(st.lists(ROWS, min_size=1, max_size=12), min_size=1, max_size=3),
    delimiter=st.sampled_from([",", ";"]),
    broken=st.sampled_from(["", "too,few\n", 'an "open, quote\n', '"open\n']),
    size=st.sampled_from(SIZES),
)
def test_readings(files: Any, delimiter: str, broken: str, size: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    contents = [file_of(*rows, header=HEADER + ",note", delimiter=delimiter) for rows in files]
    drops = [("tests", (one if number else _with(one, broken)).encode()) for number, one in enumerate(contents)]
    # An open quote swallows the rest of the file for Python's reader; the rows are those that were written.
    counts = [len(rows) + (bool(broken) and not number) for number, rows in enumerate(files)]
    same_in_pieces(tmp_path_factory, LAB_TOML, drops, size, counts)


def _with(content: str, broken: str) -> str:
    head, _, rest = content.partition("\n")
    return f"{head}\n{broken}{rest}"


WIDE = LAB_TOML.replace(
    'folder = "drops/tests"', 'folder = "drops/tests"\nreadings = ["d1", "d2"]\nunits = { value = "nJ" }'
)
WIDE_HEADER = "tested_at,chamber,supplier,product,lot,specimen,characteristic,d1,d2"
WIDE_ROWS = st.fixed_dictionaries(
    {
        "specimen": st.sampled_from(["1", "2"]),
        "d1": st.sampled_from(["1", "2", "", "x"]),
        "d2": st.sampled_from(["1", "2", ""]),
    }
)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(files=st.lists(st.lists(WIDE_ROWS, min_size=1, max_size=8), min_size=1, max_size=3), size=st.sampled_from(SIZES))
def test_wide_rows(files: Any, size: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    drops = [("tests", _wide(rows).encode()) for rows in files]

    same_in_pieces(tmp_path_factory, WIDE, drops, size)


def _wide(rows: list[dict[str, str]]) -> str:
    # The plain row names no d1, d2.
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    columns = WIDE_HEADER.split(",")
    writer.writerows([columns, *([{**ROW, **row}.get(name, "") for name in columns] for row in rows)])
    return out.getvalue()


# The night of 25 October 2026 in Lisbon: 01:00 to 02:00 is shown twice (tz database, Europe rules).
MIDNIGHT = datetime(2026, 10, 25)  # noqa: DTZ001  (a wall clock)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    # Minutes of the wall clock, falling back where they fall back, of two chambers; None stands for a stamp of no sense.
    entries=st.lists(
        st.tuples(
            st.sampled_from(["C1", "C2"]),
            st.sampled_from([30, 50, 60, 61, 75, 90, 119, 120, 150, None]),
            st.sampled_from([12, 13, "x"]),
        ),
        min_size=1,
        max_size=14,
    ),
    ordered=st.booleans(),
    size=st.sampled_from(SIZES),
)
def test_logs(entries: Any, ordered: bool, size: int, tmp_path_factory: pytest.TempPathFactory) -> None:
    if ordered:
        entries = [*sorted(entries, key=lambda entry: entry[1] or 0), ("C1", 70, 12), ("C1", 80, 12), ("C1", 130, 12)]
    lines = [
        f"{'soon' if minute is None else (MIDNIGHT + timedelta(minutes=minute)).isoformat()},{chamber},{humidity},23"
        for chamber, minute, humidity in entries
    ]
    content = "logged_at,chamber,humidity_percent,temperature_c\n" + "\n".join(lines) + "\n"

    drops = [("climate", content.encode()), ("climate", (content + "\n").encode())]
    same_in_pieces(tmp_path_factory, LAB_TOML, drops, size)


def test_an_hour_that_does_not_fit_behind_an_earlier_piece_is_refused(tmp_path: Path) -> None:
    minutes = [150, 60, 90, 61, 91]
    lines = [f"{(MIDNIGHT + timedelta(minutes=minute)).isoformat()},C1,12,23" for minute in minutes]
    content = "logged_at,chamber,humidity_percent,temperature_c\n" + "\n".join(lines) + "\n"

    (entry,), _ = taken(tmp_path / "lab", LAB_TOML, [("climate", content.encode())], 1)

    assert (entry.stored, entry.refused) == (1, 4)


def test_the_repeated_hour_of_a_log_is_settled_across_pieces(tmp_path: Path) -> None:
    minutes = [30, 60, 90, 61, 91, 120]
    lines = [f"{(MIDNIGHT + timedelta(minutes=minute)).isoformat()},C1,12,23" for minute in minutes]
    content = "logged_at,chamber,humidity_percent,temperature_c\n" + "\n".join(lines) + "\n"

    (entry,), held = taken(tmp_path / "lab", LAB_TOML, [("climate", content.encode())], 1)

    # Summer time is an hour ahead of UTC: the first showing is 00:xx, the second 01:xx.
    first = held["climate"][0][1]
    assert (entry.stored, entry.refused) == (6, 0)
    assert [(row[1] - first) // 60_000_000 for row in held["climate"]] == [0, 30, 60, 91, 121, 150]


@pytest.mark.parametrize("size", SIZES)
def test_the_decimal_mark_is_decided_by_the_whole_file(size: int) -> None:
    """A comma that may separate thousands is settled by a cell in another piece, and a point anywhere forbids it."""
    proved = file_of({"value": "1,250", "specimen": "1"}, {"value": "2,5", "specimen": "2"}, delimiter=";")
    spoiled = proved + file_of({"value": "3.5", "specimen": "3"}, delimiter=";").split("\n")[1] + "\n"

    with open_feed(proved.encode(), source(), lab(), NOW, size) as feed:
        found = [value for piece in feed.pieces(size=size) for value in piece.rows["value"]]
    with open_feed(spoiled.encode(), source(), lab(), NOW, size) as feed:
        refused = [one.line for piece in feed.pieces(size=size) for one in piece.refusals]

    assert found == [1.25, 2.5]
    assert refused == [2, 3]


def test_contradicting_rows_in_far_apart_pieces_are_both_refused_with_the_other_s_line(tmp_path: Path) -> None:
    rows = [{"value": "1"}, *({"specimen": str(number), "lot": f"L{number}"} for number in range(2, 9)), {"value": "2"}]

    (entry,), held = taken(tmp_path / "lab", LAB_TOML, [("tests", file_of(*rows).encode())], 1)

    assert (entry.stored, entry.refused) == (7, 2)
    told = {line: reason for _, line, reason, _ in held["refusal"]}
    assert "on line 10" in told[2]
    assert "on line 2" in told[10]
    # Nothing of the refused rows is left: no lot, no stream of theirs alone.
    assert ROW["lot"] not in {lot for _, _, lot, _, _ in held["lot"]}


def test_a_file_that_stops_being_text_at_its_end_is_refused_whole(tmp_path: Path) -> None:
    declared = LAB_TOML.replace('folder = "drops/tests"', 'folder = "drops/tests"\nencoding = "utf-16-le"')
    content = file_of(*({"specimen": str(number)} for number in range(50))).encode("utf-16-le") + b"\n"

    (entry,), held = taken(tmp_path / "lab", declared, [("tests", content)], 1)

    assert entry.state == "refused"
    assert "not text in utf-16-le" in entry.reason
    assert held["reading"] == held["lot"] == []


# Bytes to rows


@settings(max_examples=300)
@given(
    body=st.text(st.sampled_from('ab"\n\r,\u00e9'), max_size=60),
    size=st.integers(1, 30),
    delimiter=st.sampled_from([",", ";"]),
    width=st.integers(1, 4),
)
@example(body='a"b,"c\nd",e\nf,g\n', size=8, delimiter=",", width=3)
@example(body='"a"b"\n"c",d\ne,f\n', size=6, delimiter=",", width=2)
def test_a_cut_never_falls_into_a_record(body: str, size: int, delimiter: str, width: int) -> None:
    data = body.encode()

    found = list(pieces(io.BytesIO(data), 0, size, delimiter, width))

    assert b"".join(found) == data
    assert [one for piece in found for one in records(piece, delimiter, width)] == list(records(data, delimiter, width))


@settings(max_examples=150)
@given(body=st.text(st.sampled_from('ab"\n\r,'), max_size=60), size=st.integers(1, 40))
def test_tables_in_pieces_are_the_table(body: str, size: int) -> None:
    data = b"a,b\n" + body.encode()
    whole = read_table(data, FileFormat())
    with open_csv(io.BytesIO(data), FileFormat()) as sheet:
        parts = list(sheet.tables(size))

    assert [row for part in parts for row in rows_of(part)] == rows_of(whole)
    assert [one for part in parts for one in part.broken] == list(whole.broken)


def rows_of(table: Table) -> list[tuple[Any, ...]]:
    return list(zip(table.lines.tolist(), *(column.to_pylist() for column in table.columns), strict=True))


@settings(max_examples=100)
@example(data=b"\x800", encoding="gb18030", at_once=1)
@given(
    data=st.binary(max_size=80),
    encoding=st.sampled_from(["utf-16-le", "utf-16", "cp1252", "shift_jis", "utf-7", "utf-32", "gb18030"]),
    at_once=st.integers(1, 9),
)
def test_an_encoding_read_in_pieces_gives_what_the_codec_gives(data: bytes, encoding: str, at_once: int) -> None:
    # The standard library's decoders are the outside reference.
    if data.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0\0\xfe\xff")):
        return
    try:
        expected = data.decode(encoding, "surrogateescape").encode("utf-8", "surrogateescape")
    except ValueError:
        expected = None

    try:
        with as_utf8(io.BytesIO(data), encoding, at_once) as (file, start, _):
            file.seek(start)
            found = file.read()
    except NotATableError:
        found = None

    assert found == expected


def test_a_long_file_is_read_in_several_pieces() -> None:
    content = file_of(*({"specimen": str(number)} for number in range(200))).encode()

    with open_feed(content, source(), lab(), NOW) as feed:
        found = [piece.data_rows for piece in feed.pieces(size=2000)]
        counted = feed.count_rows()

    assert len(found) > 10
    assert sum(found) == counted == 200 == read(content).data_rows


def test_a_file_of_several_pieces_is_told_whole_as_one_piece_is() -> None:
    """A chamber or lot that is new in a later piece, a contradiction over pieces and a refusal in each."""
    rows = [
        {"lot": f"L{number}", "chamber": f"C{number % 3}", "value": "OL" if number == 7 else "3"} for number in range(9)
    ]
    header = HEADER + ",remark"
    big = file_of(*rows, {**rows[0], "value": "4"}, {"lot": "far", "remark": "x" * 100_000}, rows[1], header=header)
    filling = file_of(*({"lot": f"F{number}", "remark": "x" * 100_000} for number in range(100)), header=header)
    end = file_of({**rows[2], "value": "5"}, {"lot": "last", "value": "0"}, header=header)

    parsed = read(big + filling.partition("\n")[2] + end.partition("\n")[2])

    assert {refusal.line for refusal in parsed.refusals} == {2, 4, 9, 11, 114, 115}
    assert (parsed.data_rows, parsed.repeats) == (114, 1)
    assert list(parsed.rows["lot"])[:3] == ["L1", "L3", "L4"]
    assert list(parsed.rows["lot"])[-1] == "F99"
    assert set(parsed.rows["chamber"]) == {"C0", "C1", "C2"}
