"""A file that a fault has swollen is refused in words, at once and within bounded memory, and stops no other."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text
from support.feedfiles import HEADER, NOW, file_of, lab, read, reasons, source
from support.forked import Forked
from support.labs import Bench

from ingest.parsing.csv_records import RECORD_BYTES
from ingest.parsing.csv_table import MOST_COLUMNS, SHOWN_CHARACTERS
from ingest.parsing.parse_file import FileRefused, open_feed
from ingest.store.store import known_store

SWOLLEN = 128 << 20
# The program itself takes about 140 MB: a file of this size has no room beside it.
MOST_BYTES = 256 << 20
# A fault ends the command and not the machine.
ASKED_AT_MOST = 1 << 30
SECONDS = 300


@pytest.fixture(scope="module")
def forked() -> Iterator[Forked]:
    process = Forked()
    yield process
    process.end()


GOOD = file_of({"lot": "a"}, {"lot": "b"}, header=HEADER + ",remark").encode()
COMMAS = b"," * 900_000 + b"\n"
MILLION = 1_000_000


def swollen(end: str) -> Iterator[bytes]:
    """Two good rows and what a fault left, in blocks."""
    letters = (b"x" * MILLION for _ in range(SWOLLEN // MILLION + 1))
    match end:
        case "columns":
            yield from (GOOD.splitlines()[0], COMMAS, COMMAS)
        case "columns of a row":
            yield from (GOOD, COMMAS)
        case "line":
            yield GOOD
            yield from letters
            yield from (b"\n", GOOD.splitlines()[1].replace(b",a,", b",c,"), b"\n")
        case "header":
            yield from letters
        case "zeros":
            yield GOOD


@pytest.mark.parametrize(
    ("end", "state", "reason"),
    [
        ("columns", "refused", "has 900,016 columns or more in its header (line 1), where 1,000 are read at most"),
        ("zeros only", "refused", "holds zero bytes"),
        ("header", "refused", "has a header (line 1) of more than 65,536 bytes"),
        ("columns of a row", "stored", "row: is longer than 131,072 bytes"),
        ("zeros", "stored", "row: holds zero bytes, as a power cut leaves them in a file"),
        ("line", "stored", "row: is longer than 131,072 bytes"),
    ],
)
def test_what_a_fault_has_swollen_is_refused_in_words_within_bounded_memory(
    end: str, state: str, reason: str, tmp_path: Path, forked: Forked
) -> None:
    bench = Bench(tmp_path)
    drops = tmp_path / "drops" / "tests"
    with (drops / "a.csv").open("wb") as file:
        file.writelines(swollen(end))
        if end.startswith("zeros"):
            file.truncate(SWOLLEN)
    (drops / "b.csv").write_text(file_of({"lot": "beside"}), encoding="utf-8")

    documents = []
    for command in ("check", "run"):
        arguments = [command, "--json", "--lab", str(bench.folder)]
        status, out, err, peak = forked.ask(do="measure", arguments=arguments, most=ASKED_AT_MOST, seconds=SECONDS)
        assert (status, err) == (1, "")
        assert peak < MOST_BYTES
        documents.append(json.loads(out))

    checked = documents[0]
    files, entries = ({one["name"]: one for one in document["files"]} for document in documents)
    assert (files["b.csv"]["state"], files["b.csv"]["refused"]) == ("readable", 0)
    assert (entries["b.csv"]["state"], entries["b.csv"]["stored"]) == ("stored", 1)
    assert entries["a.csv"]["state"] == state
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        refusals = connection.execute(text("SELECT line, reason, cells FROM refusal")).fetchall()
    assert [(one["line"], one["reason"]) for one in checked["refusals"]] == [(row.line, row.reason) for row in refusals]
    if state == "refused":
        assert files["a.csv"]["state"] == "refused"
        assert reason in files["a.csv"]["reason"]
        assert reason in entries["a.csv"]["reason"]
        assert refusals == []
    else:
        # The good rows before and after it are stored.
        assert entries["a.csv"]["stored"] == 2 + (end == "line")
        (row,) = refusals
        assert row.line == 4
        assert reason in row.reason
        assert len(row.cells) < 20_000


def test_a_row_that_is_too_long_is_refused_alone_and_shown_as_far_as_it_tells_which_it_is() -> None:
    text = file_of({"lot": "a"}, {"lot": "b", "load": "x" * (RECORD_BYTES + 1)}, {"lot": "c"})

    parsed = read(text)

    assert list(parsed.rows["lot"]) == ["a", "c"]
    assert set(reasons(parsed)) == {3}
    cells = parsed.refusals[0].cells
    assert cells[6] == "b"
    assert cells[-1].endswith("(cut here; the whole row is in the file that was put away)")
    assert sum(map(len, cells)) < 2 * SHOWN_CHARACTERS


def test_a_row_just_short_enough_is_read_whole() -> None:
    """In a note: a name has a bound of its own, far below that of a row."""
    header, plain = file_of({}, header=HEADER + ",remark").splitlines()
    remark = "x" * (RECORD_BYTES - len(plain))

    stored = read(f"{header}\n{plain}{remark}\n")
    refused = read(f"{header}\n{plain}{remark}x\n")

    assert [json.loads(notes) for notes in stored.rows["notes"]] == [{"remark": remark}]
    assert (len(refused.rows), list(reasons(refused))) == (0, [2])
    assert "row: is longer than 131,072 bytes" in reasons(refused)[2]


def test_a_row_of_lines_that_together_are_too_long_is_refused() -> None:
    half = "y" * (RECORD_BYTES // 2)
    text = file_of({"lot": "a"}, {"lot": "b", "load": f"{half}\n{half}"}, {"lot": "c"})

    parsed = read(text)

    assert list(parsed.rows["lot"]) == ["a", "c"]
    assert [refusal.line for refusal in parsed.refusals] == [3, 4]


def test_a_row_of_very_many_cells_is_shown_with_as_many_as_a_file_may_have() -> None:
    parsed = read(file_of({}) + "," * 3 * MOST_COLUMNS + "\n")

    assert "has 3,001 cells where the header has 15" in reasons(parsed)[3]
    assert len(parsed.refusals[0].cells) == MOST_COLUMNS
    assert "cut here" in parsed.refusals[0].cells[-1]


@pytest.mark.parametrize("extra", [0, 1])
def test_a_file_has_as_many_columns_as_are_read_and_not_one_more(extra: int) -> None:
    own = MOST_COLUMNS + extra - len(HEADER.split(","))
    names = ",".join([HEADER, *(f"n{index}" for index in range(own))])

    parsed = read(file_of({"n0": "x"}, header=names))

    assert isinstance(parsed, FileRefused) == bool(extra)


def test_a_zero_byte_refuses_its_row_and_no_other() -> None:
    text = file_of({"lot": "a"}, {"lot": "b", "remark": "no\0te"}, {"lot": "c"}, header=HEADER + ",remark")

    parsed = read(text)

    assert list(parsed.rows["lot"]) == ["a", "c"]
    assert "holds zero bytes" in reasons(parsed)[3]
    assert parsed.refusals[0].cells[-1] == "no\0te"


def test_a_header_far_down_is_told_and_not_looked_for_for_ever() -> None:
    refused = read("\n" * 2_000_000 + file_of({}))

    assert isinstance(refused, FileRefused)
    assert "has no header row in its first 1,048,576 bytes" in refused.reason


def test_few_rows_of_a_file_with_many_long_column_names_are_held_at_once() -> None:
    names = [f"n{index:060}" for index in range(MOST_COLUMNS - len(HEADER.split(",")))]
    row = file_of({}).splitlines()[1] + ",1" * len(names)
    content = "\n".join([",".join([HEADER, *names]), *[row] * 2_500])

    with open_feed(content.encode(), source(), lab(), NOW) as feed:
        found = [sum(map(len, piece.rows["notes"])) for piece in feed.pieces()]

    # Every row repeats sixty thousand letters of names in its notes.
    assert sum(found) > 150_000_000
    assert max(found) < 80_000_000
