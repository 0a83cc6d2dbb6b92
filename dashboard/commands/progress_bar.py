"""The progress of long work on a terminal, as one line of click's progress bar; nothing in a pipe."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

import click

from ingest.common.progress import Progress, no_progress

if TYPE_CHECKING:
    from click._termui_impl import ProgressBar

__all__ = ["progress_on"]

# Clear the line and show the cursor, which the bar hides.
CLEAR_LINE, SHOW_CURSOR = "\r\x1b[K", "\x1b[?25h"


@contextmanager
def progress_on(terminal: TextIO, *, wanted: bool = True) -> Iterator[Progress]:
    """A progress callback that draws a bar on `terminal` if it is one; the line is cleared at the end."""
    if not (wanted and terminal.isatty()):
        yield no_progress
        return
    bar: ProgressBar[int] | None = None

    def draw(label: str, done: int, total: int) -> None:
        nonlocal bar
        if bar is None or bar.label != label:
            terminal.write(CLEAR_LINE)
            bar = click.progressbar(length=total, label=label, show_pos=True, file=terminal)
            bar.__enter__()
        bar.length = total
        bar.update(done - bar.pos)

    try:
        yield draw
    finally:
        terminal.write(CLEAR_LINE + SHOW_CURSOR)
        terminal.flush()
