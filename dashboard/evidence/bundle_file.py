"""An evidence bundle as one ZIP file, written piece by piece; the same store and folder give the same bytes.

Members have names of ours, so none can lead out of the folder in which the bundle is unpacked. Their stamps are the time of
the round which the store had seen last, not that of the packing.
"""

from __future__ import annotations

import csv
import hashlib
import io
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import IO, Any
from urllib.parse import urlencode
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from flask import Flask, Response, request
from sqlalchemy import Connection

from dashboard.evidence import bundle_scope, bundle_tables, declarations
from dashboard.evidence.bundle_scope import Scope
from dashboard.evidence.bundle_tables import COLUMNS, Source
from dashboard.evidence.index_page import as_html
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import iso
from dashboard.scorecard import export
from dashboard.text.csv_cells import safe_cell
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.instants import from_microseconds
from ingest.config.lab import LAB_FILE, Lab
from ingest.store.last_round import last_round

__all__ = ["HASHES", "PAGE", "add_download", "address", "write"]

PATH = "/evidence-file"
PIECE = 1 << 16
PAGE, HASHES = "index.html", "sha256.txt"


@dataclass(frozen=True, slots=True)
class Member:
    """One file in the bundle, as it was written; `rows` is None for what is no table."""

    name: str
    size: int
    sha256: str
    rows: int | None = None


class _Hashed(io.RawIOBase):
    """Bytes on their way into a member, counted and hashed; the member ends with it."""

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


def _as_text(into: io.RawIOBase) -> io.TextIOWrapper:
    """Spreadsheets take a file with a mark at its head for UTF-8, and others for something else."""
    return io.TextIOWrapper(io.BufferedWriter(into), encoding="utf-8-sig", newline="")


class _Bundle:
    """A ZIP file that is being written, and what is in it so far."""

    def __init__(self, archive: ZipFile, stamp: tuple[int, int, int, int, int, int]) -> None:
        self.members: list[Member] = []
        self._archive = archive
        self._stamp = stamp

    def add(self, name: str, data: bytes) -> None:
        """Add a member that is at hand."""
        with self._open(name) as into:
            into.write(data)
        self._note(name, into, None)

    def add_table(self, name: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
        """Add a table row by row."""
        count = 0
        with self._open(name) as into, _as_text(into) as out:
            writer = csv.writer(out, lineterminator="\r\n")
            writer.writerow(columns)
            for row in rows:
                writer.writerow([safe_cell(value) for value in row])
                count += 1
        self._note(name, into, count)

    def _open(self, name: str) -> _Hashed:
        info = ZipInfo(name, self._stamp)
        info.compress_type = ZIP_DEFLATED
        # Made alike on every system: a plain file that its owner may change.
        info.create_system, info.external_attr = 3, 0o644 << 16
        return _Hashed(self._archive.open(info, "w", force_zip64=True))

    def _note(self, name: str, into: _Hashed, rows: int | None) -> None:
        self.members.append(Member(name, into.size, into.digest.hexdigest(), rows))


def write(connection: Connection, lab: Lab, scope: Scope, out: IO[bytes]) -> list[Member]:
    """Write the bundle into `out`, a file that can be sought; what is in it."""
    looked_us = last_round(connection)
    assert looked_us is not None  # there are tests, so a round took them in
    alerts = bundle_scope.alert_ids(connection, scope)
    source = Source(connection, with_entered_limits(connection, lab), scope, alerts)
    with ZipFile(out, "w") as archive:
        bundle = _Bundle(archive, _stamp(looked_us, lab))
        for name, columns in COLUMNS.items():
            bundle.add_table(name, columns, bundle_tables.rows_of(name, source))
        for name, data in _scorecards(connection, lab, scope):
            bundle.add(name, data)
        bundle.add(LAB_FILE, declarations.as_toml(lab).encode())
        bundle.add(PAGE, as_html(_page(lab, scope, looked_us), bundle.members))
        bundle.add(HASHES, "".join(f"{one.sha256}  {one.name}\n" for one in bundle.members).encode())
    return bundle.members


def _page(lab: Lab, scope: Scope, looked_us: int) -> dict[str, Any]:
    return {
        "lab": lab.name,
        "title": scope.title,
        "drawn_up_at": iso(looked_us, lab.zone),
        "over": scope.span is None or looked_us > scope.span[1],
    }


def _stamp(us: int, lab: Lab) -> tuple[int, int, int, int, int, int]:
    moment = from_microseconds(us).astimezone(lab.zone)
    return moment.year, moment.month, moment.day, moment.hour, moment.minute, moment.second


def _scorecards(connection: Connection, lab: Lab, scope: Scope) -> Iterator[tuple[str, bytes]]:
    """The scorecards of a quarter as PDF; a quarter in which only check standards were tested has none."""
    if not scope.quarter or all(
        lab.is_check_standard(one.supplier, one.product) for one in bundle_scope.streams(connection, scope)
    ):
        return
    cards = export.documents(connection, lab, scope.quarter, scope.supplier or None)
    if len(cards) > 1:
        yield export.overview_file_name(scope.quarter, "pdf"), export.OVERVIEW_FORMS["pdf"](cards)
    for card in cards:
        yield export.file_name(card, "pdf"), export.FORMS["pdf"](card)


# Download


def address(**names: str) -> str:
    """Where the bundle of a lot (supplier, lot) or of a quarter (quarter, supplier) is downloaded."""
    return f"{PATH}?{urlencode(names)}"


def add_download(server: Flask, desk: LabReader) -> None:
    """Answer the address of the bundle."""

    @server.get(PATH)
    def evidence_file() -> Response:
        given = {name: request.args.get(name, "") for name in ("supplier", "lot", "quarter")}
        with ExitStack() as closed_on_error:
            out = closed_on_error.enter_context(tempfile.TemporaryFile())
            with desk.reading() as connection:
                scope = _asked(connection, desk.lab, **given)
                write(connection, desk.lab, scope, out)
            # The answer closes it once it was sent.
            closed_on_error.pop_all()
        return _answer(out, scope.file_name)


def _asked(connection: Connection, lab: Lab, supplier: str, lot: str, quarter: str) -> Scope:
    if quarter:
        return bundle_scope.of_quarter(connection, lab, quarter, supplier or None)
    return bundle_scope.of_lot(connection, supplier, lot)


def _answer(out: IO[bytes], name: str) -> Response:
    size = out.tell()
    out.seek(0)
    answer = Response(_pieces(out), mimetype="application/zip")
    answer.headers["Content-Length"] = str(size)
    answer.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    answer.call_on_close(out.close)
    return answer


def _pieces(out: IO[bytes]) -> Iterator[bytes]:
    with out:
        while piece := out.read(PIECE):
            yield piece
