"""What every page is handed: the lab's declarations, the store, and the clock's answer."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import Connection

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

    @property
    def lab(self) -> Lab:
        """The declarations now in force."""
        stamp = (self.folder / LAB_FILE).stat().st_mtime_ns
        if self._lab is None or stamp != self._stamp:
            self._lab, self._stamp = load(self.folder), stamp
        return self._lab

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
