"""A file that a fault has swollen is refused in words, at once and within bounded memory, and stops no other."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.feedfiles import HEADER, NOW, file_of, lab, read, reasons, source
from support.labs import Bench

from ingest.parsing.csv_records import RECORD_BYTES
from ingest.parsing.csv_table import MOST_COLUMNS, SHOWN_CHARACTERS
from ingest.parsing.parse_file import FileRefused, open_feed

SWOLLEN = 400_000_000
# The bound that was set for a round: what a small computer of a bench has to spare.
MOST_BYTES = 1_000_000_000
# A round in a process of its own.
ROUND = """
import json, pathlib, resource, sys
from ingest.drops import take_in
from ingest.checking import check
from ingest.lab import load
from ingest.store import open_store
from labs import NOW
folder = pathlib.Path(sys.argv[1])
lab = load(folder)
if sys.argv[2] == "check":
    report = check(lab, NOW)
    entries, refusals = report.files, [[one["line"], one["reason"]] for one in report.refusals]
else:
    store = open_store(folder)
    entries = [dict(name=one.name, state=one.state, stored=one.stored, refused=one.refused, reason=one.reason)
               for one in take_in(store, lab, NOW).entries]
    with store.reading() as connection:
        refusals = [list(row) for row in connection.exec_driver_sql("SELECT line, reason FROM refusal ORDER BY line")]
        cells = connection.exec_driver_sql("SELECT coalesce(max(length(cells)), 0) FROM refusal").scalar()
        assert cells < 20_000, cells
print(json.dumps([entries, refusals, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss]))
"""


GOOD = file_of({"lot": "a"}, {"lot": "b"}, header=HEADER + ",remark").encode()
COMMAS = b"," * 900_000 + b"\n"
MILLION = 1_000_000


def swollen(end: str) -> Iterator[bytes]:
    """Two good rows and what a fault left, in blocks."""
    letters = (b"x" * MILLION for _ in range(SWOLLEN // MILLION))
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


@pytest.mark.parametrize("how", ["round", "check"])
@pytest.mark.parametrize(
    ("end", "state", "told"),
    [
        ("columns", "refused", "has 900,016 columns or more in its header (line 1), where 1,000 are read at most"),
        ("zeros only", "refused", "holds zero bytes"),
        ("header", "refused", "has a header (line 1) of more than 65,536 bytes"),
        ("columns of a row", "", "row: is longer than 131,072 bytes"),
        ("zeros", "", "row: holds zero bytes, as a power cut leaves them in a file"),
        ("line", "", "row: is longer than 131,072 bytes"),
    ],
)
def test_what_a_fault_has_swollen_is_told_within_bounded_memory(
    end: str, state: str, told: str, how: str, tmp_path: Path
) -> None:
    bench = Bench(tmp_path)
    drops = tmp_path / "drops" / "tests"
    with (drops / "a.csv").open("wb") as file:
        file.writelines(swollen(end))
        if end.startswith("zeros"):
            file.truncate(SWOLLEN)
    (drops / "b.csv").write_text(file_of({"lot": "beside"}), encoding="utf-8")

    done = subprocess.run(
        [sys.executable, "-c", ROUND, str(bench.folder), how],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env={"PYTHONPATH": f"{Path(__file__).parent}:{Path(__file__).parents[1]}"},
    )

    entries, refusals, peak = json.loads(done.stdout)
    by_name = {entry["name"]: entry for entry in entries}
    assert peak * (1 if sys.platform == "darwin" else 1024) < MOST_BYTES
    assert by_name["b.csv"]["state"] in {"stored", "readable"}
    assert by_name["b.csv"]["refused"] == 0
    if state == "refused":
        assert by_name["a.csv"]["state"] == "refused"
        assert told in by_name["a.csv"]["reason"]
        assert refusals == []
    else:
        # The good rows before and after it are stored.
        assert by_name["a.csv"].get("stored", 2 + (end == "line")) == 2 + (end == "line")
        assert [line for line, _ in refusals] == [4]
        assert told in refusals[0][1]


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
    plain = file_of({"load": ""}).splitlines()[1]
    header = file_of().strip()

    stored = read(f"{header}\n{plain}{'x' * (RECORD_BYTES - len(plain))}\n")
    refused = read(f"{header}\n{plain}{'x' * (RECORD_BYTES - len(plain) + 1)}\n")

    assert [len(load) for load in stored.rows["load"]] == [RECORD_BYTES - len(plain)]
    assert (len(refused.rows), len(refused.refusals)) == (0, 1)


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
