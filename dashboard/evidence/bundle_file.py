"""An evidence bundle as one ZIP file, written piece by piece; the same store and folder give the same bytes.

No member is named after anything in a file, so none can lead out of the folder in which the bundle is unpacked. Members carry
the time of the store's last round, not that of the packing.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import IO, Any
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from sqlalchemy import Connection

from dashboard.evidence import bundle_scope, bundle_tables, declarations
from dashboard.evidence.bundle_scope import Scope
from dashboard.evidence.bundle_tables import COLUMNS, Source
from dashboard.evidence.index_page import as_html
from dashboard.queries.stored_documents import iso
from dashboard.scorecard import export
from dashboard.text.csv_cells import write_csv
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.instants import from_microseconds
from ingest.config.lab import LAB_FILE, Lab
from ingest.store.last_round import last_round

__all__ = ["HASHES", "PAGE", "Member", "write"]

PAGE, HASHES = "index.html", "sha256.txt"


@dataclass(frozen=True, slots=True)
class Member:
    """One file of the bundle; `rows` is None for a file that is no table."""

    name: str
    size: int
    sha256: str
    rows: int | None = None


class _Hashed(io.RawIOBase):
    """Counts and hashes the bytes that are written into a member, and closes the member when it is closed."""

    def __init__(self, into: IO[bytes]) -> None:
        self.digest = hashlib.sha256()
        self.size = 0
        self._into = into

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self.digest.update(data)
        self.size += len(data)
        return self._into.write(data)

    def close(self) -> None:
        if not self.closed:
            self._into.close()
        super().close()


class _Bundle:
    """A ZIP file while it is written, and its members so far."""

    def __init__(self, archive: ZipFile, stamp: tuple[int, int, int, int, int, int]) -> None:
        self.members: list[Member] = []
        self._archive = archive
        self._stamp = stamp

    def add(self, name: str, data: bytes) -> None:
        """Add a member from its bytes."""
        with self._open(name) as into:
            into.write(data)
        self._note(name, into, None)

    def add_table(self, name: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
        """Add a table row by row."""
        # Spreadsheets read a file as UTF-8 if it begins with a byte order mark.
        with (
            self._open(name) as into,
            io.TextIOWrapper(io.BufferedWriter(into), encoding="utf-8-sig", newline="") as out,
        ):
            count = write_csv(out, columns, rows)
        self._note(name, into, count)

    def _open(self, name: str) -> _Hashed:
        info = ZipInfo(name, self._stamp)
        info.compress_type = ZIP_DEFLATED
        # The same attributes on every system: a plain file that its owner may change.
        info.create_system, info.external_attr = 3, 0o644 << 16
        return _Hashed(self._archive.open(info, "w", force_zip64=True))

    def _note(self, name: str, into: _Hashed, rows: int | None) -> None:
        self.members.append(Member(name, into.size, into.digest.hexdigest(), rows))


def write(connection: Connection, lab: Lab, scope: Scope, out: IO[bytes]) -> list[Member]:
    """Write the bundle into `out`, a seekable file; its members."""
    round_us = last_round(connection)
    assert round_us is not None  # There are tests, so a round stored them
    moment = from_microseconds(round_us).astimezone(lab.zone)
    alerts = bundle_scope.alert_ids(connection, scope)
    source = Source(connection, with_entered_limits(connection, lab), scope, alerts)
    with ZipFile(out, "w") as archive:
        bundle = _Bundle(archive, (moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second))
        for name, columns in COLUMNS.items():
            bundle.add_table(name, columns, bundle_tables.rows_of(name, source))
        for name, data in _scorecards(connection, lab, scope):
            bundle.add(name, data)
        bundle.add(LAB_FILE, declarations.as_toml(lab).encode())
        over = scope.span is None or round_us > scope.span[1]
        page = as_html(lab.name, scope.title, str(iso(round_us, lab.zone)), bundle.members, over=over)
        bundle.add(PAGE, page.encode())
        bundle.add(HASHES, "".join(f"{one.sha256}  {one.name}\n" for one in bundle.members).encode())
    return bundle.members


def _scorecards(connection: Connection, lab: Lab, scope: Scope) -> Iterator[tuple[str, bytes]]:
    """The scorecards of a quarter as PDF; none if only check standards were tested in it."""
    if not scope.quarter or all(
        lab.is_check_standard(one.supplier, one.product) for one in bundle_scope.streams(connection, scope)
    ):
        return
    cards = export.documents(connection, lab, scope.quarter, scope.supplier or None)
    if len(cards) > 1:
        yield export.overview_file_name(scope.quarter, "pdf"), export.OVERVIEW_FORMS["pdf"](cards)
    for card in cards:
        yield export.file_name(card, "pdf"), export.FORMS["pdf"](card)
