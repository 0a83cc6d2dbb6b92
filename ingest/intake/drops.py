"""Drops: find the files that are ready, store each in one transaction, then put it away.

The order is what makes a kill harmless. The rows, the counts and the name under which the file will be put away are
committed together; only then is the report written and the file moved. A round that finds a drop committed but not yet
put away finishes that first.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import Path

from sqlalchemy import Connection, insert, select, update

from ingest.common.errors import RowsError, StoreError
from ingest.common.instants import microseconds
from ingest.common.progress import Progress, no_progress
from ingest.common.text import printable
from ingest.config.lab import FILED, REFUSED, Lab, Source
from ingest.intake.archive import archive_drop, archive_drops, digest_of, free_name, put_away
from ingest.intake.insert_rows import add_climate, add_readings
from ingest.intake.open_files import size_and_time, still_written
from ingest.intake.staging import CLIMATE, READINGS, StagedRows
from ingest.parsing.climate_rows import contradicting_entries
from ingest.parsing.measurement_rows import contradicting_readings
from ingest.parsing.parse_file import PIECE_BYTES, Feed, NotATableError, Piece, open_feed
from ingest.parsing.rejections import Rejection
from ingest.parsing.row_reader import Contradicted
from ingest.parsing.timestamps import is_too_late
from ingest.store import schema
from ingest.store.last_round import is_behind
from ingest.store.store import Store, insert_many

__all__ = ["NAMELESS", "Entry", "FoundDrop", "IntakeResult", "find_drops", "is_text", "take_in_drops", "why_unfit"]

BEHIND = (
    "its times lie ahead of the computer's clock, and so do tests that are stored: set the clock; it stays where it is and "
    "is taken in once its times have come"
)
NAMELESS = "its name is not UTF-8 text; it stays where it is, rename it"
# As much of an unforeseen error as stands in a line.
SAID_CHARACTERS = 200


@dataclass(frozen=True, slots=True)
class Entry:
    """What became of one drop: an entry of `run --json`."""

    name: str
    kind: str
    state: str
    stored: int = 0
    duplicate: int = 0
    corrected: int = 0
    refused: int = 0
    reason: str = ""


@dataclass(frozen=True, slots=True)
class FoundDrop:
    """A file that is there to be taken in, with the source that declares how it is read."""

    path: Path
    source: Source
    size: int
    modified_ns: int


@dataclass(slots=True)
class IntakeResult:
    """All that one round took in, and what stood in its way, a line each."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Round:
    """What taking in one file needs to know of the round."""

    store: Store
    lab: Lab
    now: datetime
    watch: Progress
    piece_bytes: int
    behind: bool


def take_in_drops(
    store: Store, lab: Lab, now: datetime, watch: Progress = no_progress, piece_bytes: int = PIECE_BYTES
) -> IntakeResult:
    """Take in every drop that is ready, by file time, then name; each is read in pieces of about so many bytes."""
    taken = IntakeResult()
    archive_drops(store, lab.folder)
    found = find_drops(lab, now, taken.problems)
    with store.reading() as connection:
        behind = is_behind(connection, now)
    for number, item in enumerate(found):
        watch("files taken in", number, len(found))
        entry = _take(_Round(store, lab, now, watch, piece_bytes, behind), item)
        if entry is not None:
            taken.entries.append(entry)
    return taken


# Which files


def find_drops(lab: Lab, now: datetime, problems: list[str]) -> list[FoundDrop]:
    """The files that are ready to be read, in the order in which they are taken."""
    found: dict[Path, FoundDrop] = {}
    # A source with a pattern is more particular, so it chooses first.
    for source in sorted(lab.sources, key=lambda source: source.pattern is None):
        try:
            for item in _in_folder(lab.folder / source.folder, source):
                found.setdefault(item.path, item)
        except OSError as error:
            problems.append(_told_folder(source, error))
    busy = still_written(
        {item.path: (item.size, item.modified_ns) for item in found.values()}, int(now.timestamp() * 1e9)
    )
    kept = [item for path, item in found.items() if path not in busy]
    return sorted(kept, key=lambda item: (item.modified_ns, item.path.name))


def _told_folder(source: Source, error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return f"{source.folder}: the drop folder does not exist; make it, or correct [[source]] folder in lab.toml"
    return f"{source.folder}: the drop folder can't be read ({error.strerror}); give this account the right to"


def _in_folder(folder: Path, source: Source) -> Iterator[FoundDrop]:
    with os.scandir(folder) as listing:
        for entry in listing:
            if not _is_drop_name(entry.name) or not fnmatchcase(entry.name, source.pattern or "*"):
                continue
            seen = _plain_file(Path(entry.path), folder)
            if seen is not None:
                yield FoundDrop(Path(entry.path), source, *size_and_time(seen))


def _is_drop_name(name: str) -> bool:
    """A name of a finished CSV file: not hidden, not a lock or a backup, not another program's temporary file."""
    return name.lower().endswith(".csv") and not name.startswith((".", "~$"))


def _plain_file(path: Path, folder: Path) -> os.stat_result | None:
    """What the system says of a regular file; None for folders, pipes and links that lead out of the folder or nowhere."""
    try:
        seen = path.stat()
        if path.is_symlink() and not _real(path).is_relative_to(_real(folder)):
            return None
    except OSError:
        return None
    return seen if stat.S_ISREG(seen.st_mode) else None


def _real(path: Path) -> Path:
    # Path.resolve has another error for links that lead in a circle in each version of Python.
    return Path(os.path.realpath(path, strict=True))


# One file


def _take(of: _Round, item: FoundDrop) -> Entry | None:
    """Take in one file; None where it changed while it was read: it waits for the next round."""
    if not is_text(item.path.name):
        return _entry(item, "refused", NAMELESS)
    if item.source.keep and _kept_unchanged(of, item):
        return _entry(item, "seen")
    try:
        digest = digest_of(item.path)
    except OSError as error:
        return _unreadable(item, error)
    if _seen(of.store, digest):
        return _again(of, item) if _is_as_found(item) else None
    return _stored_or_refused(of, item, digest)


def _stored_or_refused(of: _Round, item: FoundDrop, digest: bytes) -> Entry | None:
    try:
        drop_id, entry = _stored(of, item, digest)
    except _ChangedError:
        return None
    except _BehindError:
        return _entry(item, "refused", BEHIND)
    except OSError as error:
        return _unreadable(item, error)
    except Exception as error:  # noqa: BLE001  (whatever a file does to us, its neighbours are taken in)
        why = _why_refused(error)
    else:
        archive_drop(of.store, of.lab.folder, drop_id)
        return entry
    # Only here, behind the handlers, has what the file took of the memory been given back.
    return _refuse(of, item, digest, printable(f"{item.path.name}: {why}")) if _is_as_found(item) else None


def _unreadable(item: FoundDrop, error: OSError) -> Entry:
    why = f"can't be read ({error.strerror}); it stays where it is and is taken in once it can be"
    return _entry(item, "refused", why)


def _why_refused(error: Exception) -> str:
    """Why a file is refused as a whole; trouble with the store itself is no file's fault and is raised again."""
    if isinstance(error, NotATableError):
        return str(error)
    if isinstance(error, RowsError):
        return f"its rows can't be stored ({error}); correct them, then drop the file again"
    if isinstance(error, StoreError):
        raise error
    return why_unfit(error)


def why_unfit(error: Exception) -> str:
    """Why a file can't be taken in for a reason that nobody foresaw, and what to do about it."""
    if isinstance(error, MemoryError):
        return "needs more memory than there is; split it, then drop the parts"
    said = " ".join(f"{type(error).__name__}: {error}".split())[:SAID_CHARACTERS]
    return f"can't be taken in ({said}); correct it, then drop it again; if nothing is wrong with it, tell the makers of lotdrift"


def _entry(item: FoundDrop, state: str, why: str = "") -> Entry:
    """An entry without rows; `why` is what is wrong with the file."""
    name = item.path.name if is_text(item.path.name) else printable(item.path.name)
    return Entry(name, item.source.kind, state, reason=printable(f"{name}: {why}") if why else "")


def is_text(name: str) -> bool:
    """Whether a file name can be written down: a system may hand out bytes that are no text."""
    return not any("\ud800" <= c <= "\udfff" for c in name)


def _is_as_found(item: FoundDrop) -> bool:
    seen = _plain_file(item.path, item.path.parent)
    return seen is not None and size_and_time(seen) == (item.size, item.modified_ns)


def _seen(store: Store, digest: bytes) -> bool:
    """Whether these very bytes were stored before; a file refused as a whole may come again after a mended lab.toml."""
    with store.reading() as connection:
        states = connection.execute(select(schema.drop.c.state).where(schema.drop.c.digest == digest)).scalars()
        return "stored" in set(states)


def _again(of: _Round, item: FoundDrop) -> Entry:
    if not item.source.keep:
        put_away(item.path, of.lab.folder / FILED)
    return _entry(item, "seen")


def _kept_unchanged(of: _Round, item: FoundDrop) -> bool:
    """A file left in place whose size and time are those of the last reading is not read again."""
    known = schema.drop.c
    wanted = select(known.id).where(
        known.folder == _folder_of(of.lab, item),
        known.name == item.path.name,
        known.size == item.size,
        known.modified_ns == item.modified_ns,
        known.state == "stored",
    )
    with of.store.reading() as connection:
        return connection.execute(wanted).first() is not None


def _folder_of(lab: Lab, item: FoundDrop) -> str:
    folder = item.path.parent
    return (folder.relative_to(lab.folder) if folder.is_relative_to(lab.folder) else folder).as_posix()


def _refuse(of: _Round, item: FoundDrop, digest: bytes, reason: str) -> Entry:
    entry = Entry(item.path.name, item.source.kind, "refused", reason=reason)
    if item.source.keep and _refused_before(of.store, digest, entry):
        return entry
    with of.store.writing() as connection:
        drop_id = _note_drop(connection, of, item, digest, reason=reason)
    archive_drop(of.store, of.lab.folder, drop_id)
    return entry


def _refused_before(store: Store, digest: bytes, entry: Entry) -> bool:
    """Whether a kept file was refused for the same reason before: it is told again, but noted once."""
    known = schema.drop.c
    wanted = select(known.id).where(
        known.digest == digest, known.name == entry.name, known.state == "refused", known.reason == entry.reason
    )
    with store.reading() as connection:
        return connection.execute(wanted).first() is not None


def _note_drop(
    connection: Connection, of: _Round, item: FoundDrop, digest: bytes, *, reason: str = "", header: Sequence[str] = ()
) -> int:
    """Note the file and the name under which it will be put away; the number of the drop."""
    place, name = REFUSED if reason else FILED, item.path.name
    number: int = connection.execute(
        insert(schema.drop)
        .values(
            kind=item.source.kind,
            name=name,
            folder=_folder_of(of.lab, item),
            digest=digest,
            size=item.size,
            modified_ns=item.modified_ns,
            taken_us=microseconds(of.now),
            state="refused" if reason else "stored",
            reason=reason,
            header=json.dumps(list(header)),
            put_as="" if item.source.keep else f"{place}/{free_name(of.lab.folder / place, name)}",
        )
        .returning(schema.drop.c.id)
    ).scalar_one()
    return number


# Its rows


class _ChangedError(Exception):
    """The file changed while it was read."""


class _BehindError(Exception):
    """Rows lie ahead of a clock that seems to be behind: refused now, they would be lost to the round of a right one."""


class _ContradictedError(Exception):
    """Rows of the file contradict each other: nothing is stored before they are known to be refused."""

    def __init__(self, lines: Contradicted) -> None:
        super().__init__()
        self.lines = lines


def _stored(of: _Round, item: FoundDrop, digest: bytes) -> tuple[int, Entry]:
    """Store the rows in one transaction; the number of the drop and what became of it."""
    with open_feed(item.path, item.source, of.lab, of.now, of.piece_bytes) as feed:
        try:
            return _in_one(of, item, digest, feed, {})
        except _ContradictedError as found:
            # Rows that contradict each other are told by the last of them: the file is read again without all of them.
            return _in_one(of, item, digest, feed, found.lines)


def _in_one(of: _Round, item: FoundDrop, digest: bytes, feed: Feed, contradicted: Contradicted) -> tuple[int, Entry]:
    with of.store.writing() as connection:
        drop_id = _note_drop(connection, of, item, digest, header=feed.header)
        shelf = READINGS if item.source.kind == "tests" else CLIMATE
        arrivals = StagedRows(connection, shelf, drop_id, microseconds(of.now))
        refused = 0
        for piece in _watched(of, item, feed, contradicted):
            _add(connection, arrivals, item, drop_id, piece)
            refused += len(piece.refusals)
            if of.behind and any(is_too_late(one.reason) for one in piece.refusals):
                raise _BehindError
        _refuse_contradictions(arrivals, item)
        counts = arrivals.settle()
        told = {**asdict(counts), "refused": refused}
        connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(**told))
        if not _is_as_found(item):
            raise _ChangedError
    return drop_id, Entry(item.path.name, item.source.kind, "stored", **told)


def _watched(of: _Round, item: FoundDrop, feed: Feed, contradicted: Contradicted) -> Iterator[Piece]:
    """The pieces; a file of several tells how far it is."""
    done = total = 0
    for piece in feed.pieces(contradicted, of.piece_bytes):
        if done:
            total = total or feed.count_rows()
            of.watch(f"rows of {printable(item.path.name)}", done, max(done, total))
        yield piece
        done += piece.data_rows


def _add(connection: Connection, arrivals: StagedRows, item: FoundDrop, drop_id: int, piece: Piece) -> None:
    add = add_readings if item.source.kind == "tests" else add_climate
    add(connection, arrivals, drop_id, piece.rows)
    _store_refusals(connection, drop_id, piece.refusals)


def _refuse_contradictions(arrivals: StagedRows, item: FoundDrop) -> None:
    rows = arrivals.contradictions()
    if rows.empty:
        return
    identity = [rows[name].to_numpy() for name in arrivals.identity]
    contradicting = contradicting_readings if item.source.kind == "tests" else contradicting_entries
    raise _ContradictedError(contradicting(rows, identity))


def _store_refusals(connection: Connection, drop_id: int, refusals: Sequence[Rejection]) -> None:
    """Keep the refused rows with their cells, which may hold bytes that are no text, as ASCII."""
    insert_many(
        connection,
        "INSERT INTO refusal (drop_id, line, reason, cells) VALUES (?, ?, ?, ?)",
        [(drop_id, one.line, printable(one.reason), json.dumps(one.cells)) for one in refusals],
    )
