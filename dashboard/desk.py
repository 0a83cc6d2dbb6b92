"""What every page is handed: the lab's declarations, the store, and the clock's answer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from dashboard import pageviews, views
from ingest.errors import CallError
from ingest.lab import LAB_FILE, Lab, load
from ingest.store import Store, known_store

__all__ = ["Desk", "NothingYet"]


class NothingYet(Exception):
    """No round has been done, so there is nothing to show."""


class Desk:
    """A lab folder as the pages see it; `lab.toml` is read again when it was changed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lab: Lab | None = None
        self._stamp: int | None = None
        self._store: Store | None = None
        self._board: tuple[tuple[object, ...], list[dict[str, Any]]] | None = None

    @property
    def lab(self) -> Lab:
        """The declarations now in force; LabFileError where `lab.toml` is gone or wrong."""
        try:
            stamp = (self.folder / LAB_FILE).stat().st_mtime_ns
        except OSError:
            return load(self.folder)
        if self._lab is None or stamp != self._stamp:
            self._lab, self._stamp = load(self.folder), stamp
        return self._lab

    @property
    def title(self) -> str:
        """The lab's name for the frame of the pages, which has to stand even while `lab.toml` is wrong."""
        try:
            return self.lab.name
        except CallError:
            return self._lab.name if self._lab else ""

    @property
    def store(self) -> Store:
        """The store; NothingYet before the first round."""
        if self._store is None:
            self._store = known_store(self.folder)
        if self._store is None:
            raise NothingYet
        return self._store

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent state of the store."""
        with self.store.reading() as connection:
            yield connection

    def board(self, connection: Connection) -> list[dict[str, Any]]:
        """The rows of the board; read anew when a round, an entry or `lab.toml` may have changed one."""
        lab = self.lab
        state = (*pageviews.state_of(connection), self._stamp)
        kept = self._board
        if kept is None or kept[0] != state:
            kept = self._board = (state, views.board(connection, lab))
        return kept[1]
