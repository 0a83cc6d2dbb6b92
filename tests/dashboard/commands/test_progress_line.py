"""What a terminal shows of long work."""

from __future__ import annotations

import io
from collections.abc import Iterator

import pytest
from support.labs import MONDAY, NOW, Bench, lot_rows

from dashboard.commands.progress_line import progress_on, told
from ingest.config.lab import load
from ingest.intake.drops import take_in_drops
from ingest.rounds import rounds
from ingest.store.store import open_store


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def ticking(step: float) -> Iterator[float]:
    now = 0.0
    while True:
        yield now
        now += step


@pytest.mark.parametrize(
    ("done", "seconds", "said"),
    [
        (0, 0.0, "rows: 0 of 1,000"),
        (500, 1.9, "rows: 500 of 1,000"),
        (500, 2.0, "rows: 500 of 1,000, 2 s left"),
        (250, 100.0, "rows: 250 of 1,000, 5 min left"),
        (1_000, 100.0, "rows: 1,000 of 1,000, 0 s left"),
    ],
)
def test_the_time_left_is_told_once_it_can_be_known(done: int, seconds: float, said: str) -> None:
    assert told("rows", done, 1_000, seconds) == said


def test_a_terminal_sees_one_line_that_is_wiped_in_the_end() -> None:
    terminal, clock = Terminal(), ticking(0.04)
    with progress_on(terminal, clock=lambda: next(clock)) as watch:
        for done in range(6):
            watch("rows", done, 6)

    drawn = terminal.getvalue().split("\r\x1b[K")
    # Every 0.1 s at most: at 0, 0.12 and then the end.
    assert drawn == ["", "rows: 0 of 6", "rows: 3 of 6", ""]


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
