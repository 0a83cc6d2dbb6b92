"""What every page is handed: the lab's declarations, the store, and the clock's answer."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection

from dashboard.queries import page_queries, stored_documents
from ingest.audit.accounts import any_declared
from ingest.common.errors import CallError, LabFileError
from ingest.config.lab import LAB_FILE, Lab, load
from ingest.documents.alert import AlertReason, AlertSummary
from ingest.documents.rounds import Week
from ingest.documents.stream import ProductRow
from ingest.store.store import Store, known_store
from ingest.store.unit_check import check_units

__all__ = ["LabReader", "NothingYet", "never"]

T = TypeVar("T")

# Chambers that an address may name: more of them than a lab has are somebody's play.
MOST_KEPT = 50


class NothingYet(Exception):
    """No round has been done, so there is nothing to show."""

    def __init__(self) -> None:
        super().__init__("Nothing has been taken in yet. Put CSV files into the drop folders and run lotdrift run.")


def never() -> datetime | None:
    """No round is scheduled."""
    return None


class LabReader:
    """A lab folder as the pages see it; `lab.toml` is read again when it was changed."""

    def __init__(self, folder: Path, next_round: Callable[[], datetime | None] = never) -> None:
        self.folder = folder
        self.next_round = next_round
        self._lab: Lab | None = None
        self._stamp: int | None = None
        self._store: Store | None = None
        self._has_users: bool | None = None
        self._kept_state: tuple[tuple[object, ...], dict[str, Any]] | None = None

    @property
    def lab(self) -> Lab:
        """The declarations now in force; LabFileError where `lab.toml` is gone or wrong."""
        try:
            stamp = (self.folder / LAB_FILE).stat().st_mtime_ns
        except OSError as error:
            raise LabFileError(
                f"{LAB_FILE}: can't be found in {self.folder} ({error.strerror}); put it back"
            ) from error
        if self._lab is None or stamp != self._stamp:
            self._lab, self._stamp = load(self.folder), stamp
            # It may name another store now.
            self._store = None
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

    @property
    def has_users(self) -> bool:
        """Whether anybody was ever declared; once it is so it stays so, and is not looked up again."""
        if not self._has_users:
            try:
                with self.store.reading() as connection:
                    self._has_users = any_declared(connection)
            except NothingYet:
                self._has_users = False
        return self._has_users

    @property
    def had_no_users(self) -> bool:
        """Whether nobody was declared when it was last looked up."""
        return self._has_users is False

    def check(self) -> None:
        """LabFileError or StoreError where no page can be made; that there is nothing yet is no error."""
        _ = self.lab
        with suppress(NothingYet), self.reading():
            pass

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """One consistent state of the store; LabFileError where its values are in other units than are declared."""
        with self.store.reading() as connection:
            check_units(connection, self.lab)
            yield connection

    def board(self, connection: Connection) -> list[ProductRow]:
        """The rows of the board with the class of their product."""
        lab = self.lab

        def read() -> list[ProductRow]:
            classes = {product.name: product.class_ for product in lab.products}
            return [
                {**row, "class": classes.get(row["product"], "")} for row in stored_documents.board(connection, lab)
            ]

        return self._kept(connection, "board", read)

    def tested_in(self, connection: Connection, chamber: str) -> set[tuple[str, str, str]]:
        """The streams that were ever tested out of a chamber."""
        return self._kept(connection, f"chamber {chamber}", lambda: page_queries.tested_in(connection, chamber))

    def last_week(self, connection: Connection) -> Week | None:
        """What came in the week before the last round."""
        return self._kept(connection, "week", lambda: page_queries.last_week(connection, self.lab))

    def reasons(self, connection: Connection) -> dict[tuple[str, str, str], list[AlertReason]]:
        """Why each stream stands where it does."""
        return self._kept(connection, "reasons", lambda: page_queries.reasons(connection, self.lab))

    def every_alert(self, connection: Connection) -> list[AlertSummary]:
        """What every alert is about and how it stands, without its evidence."""
        return self._kept(connection, "alerts", lambda: page_queries.every_alert(connection, self.lab))

    def _kept(self, connection: Connection, name: str, read: Callable[[], T]) -> T:
        """What was read before, until a round, an entry or `lab.toml` may have changed it."""
        state = (*page_queries.state_of(connection), self._stamp)
        kept = self._kept_state
        if kept is None or kept[0] != state or len(kept[1]) > MOST_KEPT:
            kept = self._kept_state = (state, {})
        if name not in kept[1]:
            kept[1][name] = read()
        value: T = kept[1][name]
        return value
