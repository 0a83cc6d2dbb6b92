"""Store one file in one transaction, then archive it.

The order makes a kill harmless: the rows, their counts and the file's future name are committed together; only then is
the report written and the file moved. A round that finds a drop committed but not archived does that first.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime

from sqlalchemy import ColumnElement, Connection, exists, insert, select, update

from ingest.common.errors import RowsError, StoreError
from ingest.common.instants import microseconds
from ingest.common.progress import Progress
from ingest.common.text import printable
from ingest.config.lab import FILED, REFUSED, Lab
from ingest.intake.archive import archive_drop, digest_of, free_name, put_away
from ingest.intake.find_drops import NOT_UTF8, FoundDrop
from ingest.intake.insert_rows import (
    add_calibrations,
    add_captures,
    add_climate,
    add_counts,
    add_load_events,
    add_readings,
)
from ingest.intake.staging import CALIBRATIONS, CAPTURES, CLIMATE, LOAD_EVENTS, READINGS, STOCK_COUNTS, StagedRows
from ingest.parsing.aliases import renamed
from ingest.parsing.parse_file import Feed, NotATableError, open_feed
from ingest.parsing.rejections import Omissions
from ingest.parsing.rows.calibration_rows import contradicting_calibrations
from ingest.parsing.rows.capture_rows import CaptureFeed, contradicting_captures, open_captures, settings_of
from ingest.parsing.rows.climate_rows import contradicting_entries
from ingest.parsing.rows.load_rows import contradicting_events
from ingest.parsing.rows.measurement_rows import contradicting_readings
from ingest.parsing.rows.row_reader import Contradicted
from ingest.parsing.rows.stock_rows import contradicting_counts
from ingest.parsing.timestamps import is_too_late
from ingest.store import schema
from ingest.store.store import Store, insert_many

__all__ = ["NO_ROW", "Entry", "IntakeContext", "failure_text", "store_drop"]

CLOCK_BEHIND = (
    "its times are ahead of the computer's clock, and so are stored tests: set the clock; the file stays where it is and is "
    "taken in once its times have come"
)
NO_ROW = "holds a header and no row, so nothing was stored of it; if it should hold readings, export it again"
# The table, the insertion and the contradictions of each kind of file.
KINDS = {
    "tests": (READINGS, add_readings, contradicting_readings),
    "climate": (CLIMATE, add_climate, contradicting_entries),
    "stock": (STOCK_COUNTS, add_counts, contradicting_counts),
    "loads": (LOAD_EVENTS, add_load_events, contradicting_events),
    "calibrations": (CALIBRATIONS, add_calibrations, contradicting_calibrations),
    "waveforms": (CAPTURES, add_captures, contradicting_captures),
}
# An unforeseen error is cut to this length in a message.
ERROR_CHARACTERS = 200


@dataclass(frozen=True, slots=True)
class Entry:
    """The outcome of one drop: an entry of `run --json`.

    `omitted` counts optional cells that could not be read. `note` is a remark on a file that was stored; it and
    `reason` begin with the name of the file.
    """

    name: str
    kind: str
    state: str
    stored: int = 0
    duplicate: int = 0
    corrected: int = 0
    refused: int = 0
    omitted: int = 0
    reason: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class IntakeContext:
    """What all files of a round share."""

    store: Store
    lab: Lab
    now: datetime
    progress: Progress
    piece_bytes: int
    clock_is_behind: bool


class _ChangedError(Exception):
    """The file changed while it was read."""


class _ClockBehindError(Exception):
    """Rows are ahead of a clock that seems to be behind: refusing them now would lose them."""


class _ContradictedError(Exception):
    """Rows of the file contradict each other; the transaction must not store any of them."""

    def __init__(self, lines: Contradicted) -> None:
        super().__init__()
        self.lines = lines


def store_drop(context: IntakeContext, drop: FoundDrop) -> Entry | None:
    """Store and archive one file; None if it changed while it was read, so that the next round takes it."""
    if not drop.has_text_name:
        return _entry(drop, "refused", NOT_UTF8)
    if drop.source.keep and _is_kept_unchanged(context, drop):
        return _entry(drop, "seen")
    try:
        digest = digest_of(drop.path)
    except OSError as error:
        return _unreadable(drop, error)
    # A file refused as a whole may come again after lab.toml was corrected, so only stored bytes count as seen.
    if _is_stored(context, drop, digest):
        if not drop.is_unchanged():
            return None
        if not drop.source.keep:
            put_away(drop.path, context.lab.folder / FILED)
        return _entry(drop, "seen")
    try:
        drop_id, entry = _store_rows(context, drop, digest)
    except _ChangedError:
        return None
    except _ClockBehindError:
        return _entry(drop, "refused", CLOCK_BEHIND)
    except OSError as error:
        return _unreadable(drop, error)
    except Exception as error:  # noqa: BLE001  (whatever is wrong with one file, the others are taken in)
        reason = _refusal_reason(error)
    else:
        archive_drop(context.store, context.lab.folder, drop_id)
        return entry
    # Only here, after the handlers, is the memory that the file took free again.
    return _refuse(context, drop, digest, printable(f"{drop.path.name}: {reason}")) if drop.is_unchanged() else None


def _entry(drop: FoundDrop, state: str, reason: str = "") -> Entry:
    return Entry(drop.name, drop.source.kind, state, reason=printable(f"{drop.name}: {reason}") if reason else "")


def _unreadable(drop: FoundDrop, error: OSError) -> Entry:
    reason = f"can't be read ({error.strerror}); it stays where it is and is taken in once it can be"
    return _entry(drop, "refused", reason)


def _refusal_reason(error: Exception) -> str:
    """Say why a file is refused as a whole; an error of the store itself is raised again."""
    if isinstance(error, NotATableError):
        return str(error)
    if isinstance(error, RowsError):
        return f"its rows can't be stored ({error}); correct them, then drop the file again"
    if isinstance(error, StoreError):
        raise error
    return failure_text(error)


def failure_text(error: Exception) -> str:
    """Say why a file can't be taken in after an unforeseen error, and what to do."""
    if isinstance(error, MemoryError):
        return "needs more memory than there is; split it, then drop the parts"
    detail = " ".join(f"{type(error).__name__}: {error}".split())[:ERROR_CHARACTERS]
    return f"can't be taken in ({detail}); correct it, then drop it again; if nothing is wrong with it, tell the makers of lotdrift"


# The drop's own row


def _drop_exists(store: Store, *conditions: ColumnElement[bool]) -> bool:
    with store.reading() as connection:
        return connection.execute(select(schema.drop.c.id).where(*conditions).limit(1)).first() is not None


def _is_stored(context: IntakeContext, drop: FoundDrop, digest: bytes) -> bool:
    """Whether the bytes of a file are stored.

    Captures are read again under another name, which may name other readings, and where they were computed with other settings.
    """
    same = [schema.drop.c.digest == digest, schema.drop.c.state == "stored"]
    if drop.source.kind == "waveforms":
        capture = schema.capture.c
        other = capture.settings != settings_of(drop.source).as_text()
        same.append(schema.drop.c.name == drop.path.name)
        same.append(~exists().where(capture.drop_id == schema.drop.c.id, other))
    return _drop_exists(context.store, *same)


def _is_kept_unchanged(context: IntakeContext, drop: FoundDrop) -> bool:
    """Whether a file that stays in its folder has the size and time of the last reading; it is not read again."""
    columns = schema.drop.c
    return _drop_exists(
        context.store,
        columns.folder == _folder_of(context.lab, drop),
        columns.name == drop.path.name,
        columns.size == drop.size,
        columns.modified_ns == drop.modified_ns,
        columns.state == "stored",
    )


def _folder_of(lab: Lab, drop: FoundDrop) -> str:
    folder = drop.path.parent
    return (folder.relative_to(lab.folder) if folder.is_relative_to(lab.folder) else folder).as_posix()


def _refuse(context: IntakeContext, drop: FoundDrop, digest: bytes, reason: str) -> Entry:
    """Record a file that is refused as a whole and archive it."""
    entry = Entry(drop.path.name, drop.source.kind, "refused", reason=reason)
    columns = schema.drop.c
    # A file that stays in its folder is reported every round and recorded once.
    if drop.source.keep and _drop_exists(
        context.store,
        columns.digest == digest,
        columns.name == entry.name,
        columns.state == "refused",
        columns.reason == reason,
    ):
        return entry
    with context.store.writing() as connection:
        drop_id = _insert_drop(connection, context, drop, digest, reason=reason)
    archive_drop(context.store, context.lab.folder, drop_id)
    return entry


def _insert_drop(
    connection: Connection,
    context: IntakeContext,
    drop: FoundDrop,
    digest: bytes,
    *,
    reason: str = "",
    header: Sequence[str] = (),
) -> int:
    """Record the file and the name that it will have in the archive; return the id of the drop."""
    place, name = REFUSED if reason else FILED, drop.path.name
    drop_id: int = connection.execute(
        insert(schema.drop)
        .values(
            kind=drop.source.kind,
            name=name,
            folder=_folder_of(context.lab, drop),
            digest=digest,
            size=drop.size,
            modified_ns=drop.modified_ns,
            taken_us=microseconds(context.now),
            state="refused" if reason else "stored",
            reason=reason,
            header=json.dumps(list(header)),
            put_as="" if drop.source.keep else f"{place}/{free_name(context.lab.folder / place, name)}",
        )
        .returning(schema.drop.c.id)
    ).scalar_one()
    return drop_id


# Its rows


def _store_rows(context: IntakeContext, drop: FoundDrop, digest: bytes) -> tuple[int, Entry]:
    if drop.source.kind == "waveforms":
        return _store_feed(context, drop, digest, open_captures(drop.path, drop.source))
    with open_feed(drop.path, drop.source, context.lab, context.now, context.piece_bytes) as feed:
        return _store_feed(context, drop, digest, feed)


def _store_feed(context: IntakeContext, drop: FoundDrop, digest: bytes, feed: Feed | CaptureFeed) -> tuple[int, Entry]:
    try:
        return _store_pieces(context, drop, digest, feed, {})
    except _ContradictedError as error:
        # Contradictions are known only after the last row: read the file again without those rows.
        return _store_pieces(context, drop, digest, feed, error.lines)


def _store_pieces(
    context: IntakeContext, drop: FoundDrop, digest: bytes, feed: Feed | CaptureFeed, contradicted: Contradicted
) -> tuple[int, Entry]:
    """Store the rows in one transaction; return the id of the drop and its entry."""
    table, add, contradicting = KINDS[drop.source.kind]
    with context.store.writing() as connection:
        drop_id = _insert_drop(connection, context, drop, digest, header=feed.header)
        staged = StagedRows(connection, table, drop_id, microseconds(context.now))
        rows_read = row_count = refused = 0
        omissions = Omissions()
        for piece in feed.pieces(contradicted, context.piece_bytes):
            if rows_read:
                row_count = row_count or feed.count_rows()
                context.progress(f"rows of {printable(drop.path.name)}", rows_read, max(rows_read, row_count))
            rows_read += piece.data_rows
            rows = renamed(piece.rows, context.lab) if drop.source.kind == "waveforms" else piece.rows
            add(connection, staged, drop_id, rows)
            # Cells may hold bytes that are not text; JSON keeps them as ASCII.
            insert_many(
                connection,
                "INSERT INTO refusal (drop_id, line, reason, cells) VALUES (?, ?, ?, ?)",
                [(drop_id, row.line, printable(row.reason), json.dumps(row.cells)) for row in piece.refusals],
            )
            refused += len(piece.refusals)
            omissions += piece.omissions
            if context.clock_is_behind and any(is_too_late(row.reason) for row in piece.refusals):
                raise _ClockBehindError
        contradictions = staged.contradictions()
        if not contradictions.empty:
            identity = [contradictions[name].to_numpy() for name in staged.identity]
            raise _ContradictedError(contradicting(contradictions, identity))
        counts = {**asdict(staged.resolve()), "refused": refused}
        connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(**counts))
        if not drop.is_unchanged():
            raise _ChangedError
    note = NO_ROW if not rows_read else str(omissions) if omissions.count else ""
    return drop_id, Entry(
        name=drop.path.name,
        kind=drop.source.kind,
        state="stored",
        **counts,
        omitted=omissions.count,
        note=printable(f"{drop.path.name}: {note}") if note else "",
    )
