"""The lab as the pages read it: declarations, store, and the time of the next round."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from sqlalchemy import Connection

from dashboard.queries import page_queries, retest_list, stored_documents
from dashboard.queries.stored_documents import Stream
from dashboard.text.bench.instrument_text import overdue_line
from dashboard.text.retest_text import chambers_to_wait_for, silent_logs
from ingest.audit.accounts import any_declared
from ingest.audit.lot_decisions import decided_lots
from ingest.common import clock
from ingest.common.errors import CallError, LabFileError
from ingest.config.lab import LAB_FILE, Lab, load
from ingest.decisions.cases import cases
from ingest.documents.alert import AlertReason, AlertSummary
from ingest.documents.case import Case
from ingest.documents.retest import ChamberState, Retest
from ingest.documents.rounds import Week
from ingest.documents.stock import ShelfCounts
from ingest.documents.stream import ProductRow
from ingest.sessions.calibration_due import overdue_instruments
from ingest.store.store import Store, known_store
from ingest.store.unit_check import check_units

if TYPE_CHECKING:
    from ingest.verdict.bags import StreamScatter

__all__ = ["LabReader", "NothingYet", "never"]

T = TypeVar("T")

# Results kept in memory; addresses may name any number of chambers.
MOST_CACHED = 50


class NothingYet(Exception):
    """There is no store yet, because no round has been done."""

    def __init__(self) -> None:
        super().__init__("No data yet. Put CSV files into the drop folders and run lotdrift run.")


def never() -> datetime | None:
    """No round is scheduled."""
    return None


class LabReader:
    """A lab folder; `lab.toml` is read again when it has changed."""

    def __init__(self, folder: Path, next_round: Callable[[], datetime | None] = never) -> None:
        self.folder = folder
        self.next_round = next_round
        self._lab: Lab | None = None
        self._stamp: int | None = None
        self._store: Store | None = None
        self._has_users: bool | None = None
        self._cache: tuple[tuple[object, ...], dict[str, Any]] | None = None

    @property
    def lab(self) -> Lab:
        """The present declarations; LabFileError if `lab.toml` is missing or wrong."""
        try:
            stamp = (self.folder / LAB_FILE).stat().st_mtime_ns
        except OSError as error:
            raise LabFileError(
                f"{LAB_FILE}: can't be found in {self.folder} ({error.strerror}); put it back"
            ) from error
        if self._lab is None or stamp != self._stamp:
            self._lab, self._stamp = load(self.folder), stamp
            # The new declarations may name another store.
            self._store = None
        return self._lab

    @property
    def title(self) -> str:
        """The lab's name for the frame of the pages, the last known one while `lab.toml` is wrong."""
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
        """Whether a user was ever declared; once true it stays true and is not read again."""
        if not self._has_users:
            try:
                with self.store.reading() as connection:
                    self._has_users = any_declared(connection)
            except NothingYet:
                self._has_users = False
        return self._has_users

    @property
    def had_no_users(self) -> bool:
        """Whether no user was declared at the last reading."""
        return self._has_users is False

    def check(self) -> None:
        """LabFileError or StoreError if no page can be made; an empty lab is no error."""
        _ = self.lab
        with suppress(NothingYet), self.reading():
            pass

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection with one consistent state; LabFileError if the store's units differ from the declared ones."""
        with self.store.reading() as connection:
            check_units(connection, self.lab)
            yield connection

    def board(self, connection: Connection) -> list[ProductRow]:
        """The rows of the board, each with the class of its product."""
        lab = self.lab

        def read() -> list[ProductRow]:
            classes = {product.name: product.class_ for product in lab.products}
            rows = stored_documents.board(connection, lab)
            return [{**row, "class": classes.get(row["product"], "")} for row in rows]

        return self.cached(connection, "board", read)

    def tested_in(self, connection: Connection, chamber: str) -> set[Stream]:
        """The streams with a test from a chamber."""
        return self.cached(connection, f"chamber {chamber}", lambda: page_queries.tested_in(connection, chamber))

    def scatter(self, connection: Connection, supplier: str, product: str, characteristic: str) -> StreamScatter:
        """The scatter of a stream, for the page "How many bags"."""
        # Imported here: only this page needs the numerical libraries.
        from ingest.verdict.bags import scatter_of

        names = (supplier, product, characteristic)
        return self.cached(connection, f"scatter {names}", lambda: scatter_of(connection, self.lab, *names))

    def last_week(self, connection: Connection) -> Week | None:
        """The lots and alerts of the week before the last round."""
        return self.cached(connection, "week", lambda: page_queries.last_week(connection, self.lab))

    def reasons(self, connection: Connection) -> dict[Stream, list[AlertReason]]:
        """The reasons for each stream's state."""
        return self.cached(connection, "reasons", lambda: page_queries.reasons(connection, self.lab))

    def every_alert(self, connection: Connection) -> list[AlertSummary]:
        """The subject and state of every alert, without the evidence."""
        return self.cached(connection, "alerts", lambda: page_queries.every_alert(connection, self.lab))

    def retests(self, connection: Connection) -> list[Retest]:
        """The lots to test again."""
        return self.cached(connection, "retests", lambda: retest_list.retests(connection, self.lab))

    def held_by_bags(self, connection: Connection) -> set[Stream]:
        """The streams whose last lot has bags outside the limit and no decision since its test."""

        def read() -> set[Stream]:
            rows = [row for row in self.board(connection) if row["last_bags_outside"] and not row["check_standard"]]
            decided = decided_lots(connection, [(row["supplier"], str(row["last_lot"])) for row in rows])
            return {
                (row["supplier"], row["product"], row["characteristic"])
                for row in rows
                if row["last_tested_at"] is not None
                and decided.get((row["supplier"], str(row["last_lot"])), 0)
                < stored_documents.from_iso(row["last_tested_at"])
            }

        return self.cached(connection, "held by bags", read)

    def shelf_counts(self, connection: Connection) -> ShelfCounts:
        """The lots in stock past their date or near it, as of today."""
        # Imported here: commands that only list need no numerical libraries.
        from ingest.stock.shelf_list import shelf_counts

        today = clock.now().astimezone(self.lab.zone).date()
        return self.cached(connection, f"shelf {today}", lambda: shelf_counts(connection, self.lab, today))

    def cases(self, connection: Connection) -> list[Case]:
        """Every case, closed ones last."""
        return self.cached(connection, "cases", lambda: cases(connection, self.lab, closed_too=True))

    def chambers_to_wait_for(self, connection: Connection) -> list[str]:
        """A sentence for each chamber in which a test would not be valid yet."""
        return chambers_to_wait_for(self._chamber_states(connection))

    def silent_logs(self, connection: Connection) -> list[str]:
        """A sentence for each chamber whose log has no entry up to now."""
        return silent_logs(self._chamber_states(connection))

    def _chamber_states(self, connection: Connection) -> list[ChamberState]:
        moment = clock.now().replace(second=0, microsecond=0)
        return self.cached(
            connection, f"chambers {moment}", lambda: retest_list.chamber_states(connection, self.lab, moment)
        )

    def instruments_to_calibrate(self, connection: Connection) -> str:
        """A sentence about the instruments whose calibration is past its due date; empty where there are none."""
        return overdue_line(overdue_instruments(connection, self.lab, clock.now()))

    def cached(self, connection: Connection, name: str, read: Callable[[], T]) -> T:
        """The cached result of `read`, until a round, an entry or `lab.toml` may have changed it."""
        state = (*page_queries.state_of(connection), self._stamp)
        # Threads share the cache: each one takes it once and keeps to what it took.
        cache = self._cache
        if cache is None or cache[0] != state or len(cache[1]) > MOST_CACHED:
            cache = self._cache = (state, {})
        results = cache[1]
        if name not in results:
            results[name] = read()
        result: T = results[name]
        return result
