"""A stray quote costs its own row and no other, and no line of a file vanishes, however many quotes stray."""

from __future__ import annotations

import csv
import io
import json
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.feedfiles import HEADER, NOW, ROW, file_of, lab, lines_lost, read, reasons, source
from support.labs import LAB_TOML, Bench

from ingest.config.lab import load
from ingest.intake.drops import take_in_drops
from ingest.intake.dry_run import check
from ingest.parsing import csv_table
from ingest.parsing.parse_file import FileRefused, open_feed
from ingest.store.store import open_store

NOTED = [*HEADER.split(","), "remark"]


def sixty(cells: dict[int, dict[str, str]], delimiter: str = ",", newline: str = "\n") -> bytes:
    """A file of sixty readings in which the cells of some rows stand as they are, quotes and all."""
    rows = [{**ROW, "remark": "", "lot": f"L{number}", **cells.get(number, {})} for number in range(60)]
    lines = [delimiter.join(NOTED), *(delimiter.join(row[name] for name in NOTED) for row in rows)]
    return (newline.join(lines) + newline).encode()


DITTO = dict.fromkeys(range(1, 60), '"')


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    ("marks", "column"),
    [
        ({10: '"torn', 40: '"torn'}, "remark"),
        ({10: '"', 11: '"'}, "remark"),
        ({10: '"torn', 40: 'torn"'}, "remark"),
        (DITTO, "remark"),
        (DITTO, "operator"),
        (DITTO, "tested_at"),
        ({10: '""a', 12: '"""', 14: '"x""'}, "operator"),
        ({3: '"', 4: '"', 5: '"'}, "load"),
    ],
)
def test_rows_between_stray_quotes_are_all_stored_or_refused(
    marks: dict[int, str], column: str, newline: str, delimiter: str, tmp_path: Path
) -> None:
    content = sixty({number: {column: mark} for number, mark in marks.items()}, delimiter, newline)
    bench = Bench(tmp_path)
    bench.drop("a.csv", content)
    checked = check(load(tmp_path), NOW)
    store = open_store(tmp_path)

    (entry,) = take_in_drops(store, load(tmp_path), NOW).entries

    # Sixty lines stand below the header: counted here, by nothing of the reader.
    assert len(content.decode().splitlines()) == 61
    assert entry.stored + entry.duplicate + entry.corrected + entry.refused == 60
    assert (entry.duplicate, entry.corrected) == (0, 0)
    with store.reading() as connection:
        stored = set(connection.exec_driver_sql("SELECT line FROM reading").scalars())
        refused = set(connection.exec_driver_sql("SELECT line FROM refusal").scalars())
    assert stored | refused == set(range(2, 62))
    # Whoever has no quote is stored.
    assert refused <= {number + 2 for number in marks}
    assert [(file["rows"], file["refused"]) for file in checked.files] == [(60, len(refused))]
    assert {one["line"] for one in checked.refusals} == refused


def test_a_ditto_mark_is_refused_in_words() -> None:
    assert set(reasons(read(sixty({2: {"remark": '"'}, 3: {"remark": '"'}}))).values()) == {
        "row: opens a quote that is not closed; close it, or double it where it belongs to the text"
    }


@settings(max_examples=150, deadline=None)
@given(
    quotes=st.lists(st.tuples(st.integers(0, 11), st.integers(0, 200), st.integers(1, 3)), max_size=12),
    delimiter=st.sampled_from([",", ";", "\t"]),
    newline=st.sampled_from(["\n", "\r\n", "\r"]),
    size=st.sampled_from([1, 150, 400, None]),
)
def test_quotes_anywhere_in_rows_lose_no_line_and_change_no_row_without_one(
    quotes: list[tuple[int, int, int]], delimiter: str, newline: str, size: int | None
) -> None:
    header, *lines = file_of(*({"lot": f"L{number}"} for number in range(12)), delimiter=delimiter).splitlines()
    spoiled = list(lines)
    for row, place, count in quotes:
        spoiled[row] = spoiled[row][:place] + '"' * count + spoiled[row][place:]
    content = newline.join([header, *spoiled]).encode()

    with open_feed(content, source(), lab(), NOW, size) as feed:
        found = list(feed.pieces(size=size))
    stored = [(line, lot) for piece in found for line, lot in zip(piece.rows["line"], piece.rows["lot"], strict=True)]
    refused = [refusal.line for piece in found for refusal in piece.refusals]

    # Each of the twelve physical lines is one row, stored or refused.
    assert sorted([*(line for line, _ in stored), *refused]) == list(range(2, 14))
    kept = {(number + 2, f"L{number}") for number in range(12) if spoiled[number] == lines[number]}
    assert kept <= set(stored)


@settings(max_examples=200, deadline=None)
@given(
    body=st.lists(
        st.sampled_from(['"', '""', ",", "a", "\n", "\r\n", "\r", "\n,,,,,,,,,,,,,,", '",', ',"']), max_size=40
    ),
    size=st.sampled_from([1, 20, None]),
)
def test_no_line_of_any_text_vanishes(body: list[str], size: int | None) -> None:
    assert lines_lost((HEADER + "\n" + "".join(body)).encode(), size) == []


@pytest.mark.parametrize("column", ["first", "operator", "remark"])
@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("note", ["two\nlines", 'a "quoted" word\nand, a comma', "\n\nthree\n", '"\n"'])
@pytest.mark.parametrize("size", [1, 300, None])
def test_a_note_of_several_lines_is_one_row_in_any_column(
    column: str, newline: str, note: str, size: int | None
) -> None:
    names = ["first", *NOTED]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator=newline)
    writer.writerow(names)
    for number in range(4):
        row = {"first": "", "remark": "", **ROW, "lot": f"L{number}"}
        # A name may hold no line's end; there the row is refused as one.
        row |= {column: note.replace("\n", newline)} if number in {1, 2} else {}
        writer.writerow([row[name] for name in names])
    content = text.getvalue()

    with open_feed(content.encode(), source(), lab(), NOW, size) as feed:
        found = list(feed.pieces(size=size))

    # The standard library's reader is the outside reference for well-formed files.
    starts, reader = [], csv.reader(io.StringIO(content, newline=""))
    next(reader)
    while True:
        start = reader.line_num + 1
        if next(reader, None) is None:
            break
        starts.append(start)
    seen = [*(line for piece in found for line in piece.rows["line"]), *(r.line for p in found for r in p.refusals)]
    assert sorted(seen) == starts
    if column != "operator":
        notes = [json.loads(one or "{}").get(column) for piece in found for one in piece.rows["notes"]]
        assert notes == [None, note.replace("\n", newline), note.replace("\n", newline), None]


def test_a_note_of_several_lines_is_read_beside_a_stray_quote() -> None:
    content = sixty({10: {"remark": '"torn'}, 12: {"remark": '"two\nlines"'}, 20: {"remark": '"'}})

    parsed = read(content)

    assert set(reasons(parsed)) == {12, 23}
    assert len(parsed.rows) == 58
    assert '{"remark": "two\\nlines"}' in set(parsed.rows["notes"])


def test_an_open_quote_behind_a_closed_one_is_seen() -> None:
    parsed = read(sixty({10: {"operator": '"a"b', "remark": '"torn'}, 40: {"remark": '"torn'}}))

    assert set(reasons(parsed)) == {12, 42}
    assert len(parsed.rows) == 58


def test_a_stray_quote_in_the_header_takes_no_row_into_it() -> None:
    lines = sixty({5: {"remark": '"'}}).decode().splitlines()

    parsed = read("\n".join([lines[0].replace("remark", '"remark'), *lines[1:]]))

    assert not isinstance(parsed, FileRefused)
    assert len(parsed.rows) + len(parsed.refusals) == 60


@pytest.mark.parametrize("delimiter", [",", ";"])
def test_a_header_cell_may_hold_a_line_end(delimiter: str) -> None:
    text = file_of({"lot": "a"}, header=HEADER + ",remark", delimiter=delimiter).replace("remark", '"remark\nof bench"')

    parsed = read(text)

    assert list(parsed.rows["line"]) == [3]
    assert parsed.header[-1] == "remark\nof bench"


def test_a_row_with_line_ends_in_its_first_and_its_last_cell_is_one_row() -> None:
    """The line between has all delimiters of a row, but its quotes say that it is none."""
    header = "remark," + HEADER + ",note"

    parsed = read(
        file_of({"lot": "a"}, {"lot": "b", "remark": "two\nlines", "note": "two\nlines"}, {"lot": "c"}, header=header)
    )

    assert list(parsed.rows["lot"]) == ["a", "b", "c"]
    assert list(parsed.rows["line"]) == [2, 3, 6]
    assert parsed.refusals == []


@pytest.mark.parametrize("content", [sixty({3: {"remark": '"'}}), sixty({})])
def test_a_file_of_which_the_reader_loses_a_line_is_refused_and_not_stored_short(
    content: bytes, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The count that stands against it is the bytes' own, so the reader is made to lose a record."""
    real_records, real_lines = csv_table.records, csv_table._parse_plain
    monkeypatch.setattr(csv_table, "records", lambda *given: islice(real_records(*given), 1, None))
    monkeypatch.setattr(
        csv_table, "_parse_plain", lambda body, *given: real_lines(body[body.index(b"\n") + 1 :], *given)
    )
    bench = Bench(tmp_path, LAB_TOML)
    bench.drop("a.csv", content)
    store = open_store(tmp_path)

    (entry,) = take_in_drops(store, load(tmp_path), NOW).entries

    assert entry.state == "refused"
    assert "has 60 lines below its header and 59 of them were read" in entry.reason
    with store.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM reading").scalar() == 0


def test_a_line_of_a_note_that_lacks_one_delimiter_of_a_row_is_no_row() -> None:
    # Of a header with n cells, a line with n - 2 delimiters can't be a row: the note stays one cell of three lines.
    commas = "," * (len(NOTED) - 2)
    content = sixty({10: {"remark": f'"first line\n{commas}\nlast line"'}})
    (found,) = [row for row in read(content).rows["notes"] if "first line" in row]
    assert json.loads(found)["remark"].splitlines() == ["first line", commas, "last line"]
