"""What a terminal shows of long work."""

from __future__ import annotations

import io
import re

from support.labs import MONDAY, NOW, Bench, lot_rows

from dashboard.commands.progress_bar import progress_on
from ingest.config.lab import load
from ingest.intake.drops import take_in_drops
from ingest.rounds import rounds
from ingest.store.store import open_store


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_terminal_shows_one_line_of_what_is_done_that_is_cleared_at_the_end() -> None:
    terminal = Terminal()
    with progress_on(terminal) as progress:
        progress("files taken in", 0, 6)
        progress("files taken in", 3, 6)
        progress("streams evaluated", 1, 2)

    *drawn, last = terminal.getvalue().split("\r\x1b[K")
    # Each label draws on a cleared line; none leaves a line of its own behind.
    assert [re.findall(r"(files taken in|streams evaluated) .*?(\d+/\d+)", text) for text in drawn] == [
        [],
        [("files taken in", "0/6"), ("files taken in", "3/6")],
        [("streams evaluated", "0/2"), ("streams evaluated", "1/2")],
    ]
    assert "\n" not in terminal.getvalue()
    # The cursor, which the bar hides, is back.
    assert last == "\x1b[?25h"


def test_a_pipe_and_an_unwanted_terminal_see_nothing() -> None:
    pipe, terminal = io.StringIO(), Terminal()
    for place, wanted in ((pipe, True), (terminal, False)):
        with progress_on(place, wanted=wanted) as watch:
            watch("rows", 0, 6)
        assert place.getvalue() == ""


def test_a_round_tells_of_files_rows_lots_sessions_and_streams(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]]))
    seen = []

    rounds.run(load(bench.folder), NOW, lambda what, done, total: seen.append((what, done, total)))

    assert seen == [
        ("files taken in", 0, 1),
        ("lots summarised", 0, 1),
        ("sessions judged", 0, 1),
        ("streams evaluated", 0, 1),
    ]


def test_a_long_file_tells_how_many_of_its_rows_are_stored(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0, 11.0, 12.0]]))
    seen = []
    # A byte a piece: a row a piece.
    take_in_drops(open_store(bench.folder), load(bench.folder), NOW, lambda *told: seen.append(told), 1)

    assert seen == [("files taken in", 0, 1), ("rows of a.csv", 1, 3), ("rows of a.csv", 2, 3)]
