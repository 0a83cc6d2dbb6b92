"""Drops: find the files that are ready, store each in one transaction, then put it away.

The order is what makes a kill harmless. The rows, the counts and the name under which the file will be put away are
committed together; only then is the report written and the file moved. A round that finds a drop committed but not yet
put away finishes that first.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, insert, select, update

from ingest import schema
from ingest.feeds import FileRefused, Parsed, read_climate, read_tests
from ingest.lab import Lab, Source
from ingest.readings import Counts, store_climate, store_readings
from ingest.stamps import microseconds
from ingest.store import Store, insert_many
from ingest.writing import still_written

__all__ = ["Entry", "Find", "Taken", "find", "take_in"]

FILED, REFUSED = "filed", "refused"


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
class Find:
    """A file that is there to be taken in, with the source that declares how it is read."""

    path: Path
    source: Source
    size: int
    modified_ns: int


@dataclass(slots=True)
class Taken:
    """All that one round took in, and what stood in its way, a line each."""

    entries: list[Entry] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def take_in(store: Store, lab: Lab, now: datetime) -> Taken:
    """Take in every drop that is ready, by file time, then name."""
    taken = Taken()
    _settle_all(store, lab)
    for item in find(lab, now, taken.problems):
        taken.entries.append(_take(store, lab, item, now))
    return taken


# Which files


def find(lab: Lab, now: datetime, problems: list[str]) -> list[Find]:
    """The files that are ready to be read, in the order in which they are taken."""
    found: dict[Path, Find] = {}
    # A source with a pattern is more particular, so it chooses first.
    for source in sorted(lab.sources, key=lambda source: source.pattern is None):
        folder = lab.folder / source.folder
        if not folder.is_dir():
            problems.append(
                f"{source.folder}: the drop folder does not exist; make it, or correct [[source]] folder in lab.toml"
            )
            continue
        for item in _in_folder(folder, source):
            found.setdefault(item.path, item)
    busy = still_written(
        {item.path: (item.size, item.modified_ns) for item in found.values()}, int(now.timestamp() * 1e9)
    )
    kept = [item for path, item in found.items() if path not in busy]
    return sorted(kept, key=lambda item: (item.modified_ns, item.path.name))


def _in_folder(folder: Path, source: Source) -> Iterator[Find]:
    with os.scandir(folder) as listing:
        for entry in listing:
            if not _is_drop_name(entry.name) or not fnmatchcase(entry.name, source.pattern or "*"):
                continue
            seen = _plain_file(Path(entry.path), folder)
            if seen is not None:
                yield Find(Path(entry.path), source, seen.st_size, seen.st_mtime_ns)


def _is_drop_name(name: str) -> bool:
    """A name of a finished CSV file: not hidden, not a lock or a backup, not another program's temporary file."""
    return name.lower().endswith(".csv") and not name.startswith((".", "~$"))


def _plain_file(path: Path, folder: Path) -> os.stat_result | None:
    """What the system says of a regular file; None for folders, pipes and links that lead out of the folder."""
    try:
        if path.is_symlink() and not path.resolve().is_relative_to(folder.resolve()):
            return None
        seen = path.stat()
    except OSError:
        return None
    return seen if stat.S_ISREG(seen.st_mode) else None


# One file


def _take(store: Store, lab: Lab, item: Find, now: datetime) -> Entry:
    if item.source.keep and _kept_unchanged(store, lab, item):
        return Entry(item.path.name, item.source.kind, "seen")
    try:
        digest = _digest(item.path)
    except OSError as error:
        return _unreadable(item, error)
    if _seen(store, digest):
        _put_away_seen(lab, item)
        return Entry(item.path.name, item.source.kind, "seen")
    read = read_tests if item.source.kind == "tests" else read_climate
    try:
        parsed = read(item.path, item.source, lab, now)
    except OSError as error:
        return _unreadable(item, error)
    with store.writing() as connection:
        entry, drop_id = _commit(connection, lab, item, digest, parsed, now)
    _settle(store, lab, drop_id)
    return entry


def _unreadable(item: Find, error: OSError) -> Entry:
    reason = f"{item.path.name}: can't be read ({error.strerror}); it stays where it is and is taken in once it can be"
    return Entry(item.path.name, item.source.kind, "refused", reason=reason)


def _digest(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def _seen(store: Store, digest: bytes) -> bool:
    """Whether these very bytes were stored before; a file refused as a whole may come again after a mended lab.toml."""
    with store.reading() as connection:
        states = connection.execute(select(schema.drop.c.state).where(schema.drop.c.digest == digest)).scalars()
        return "stored" in set(states)


def _kept_unchanged(store: Store, lab: Lab, item: Find) -> bool:
    """A file left in place whose size and time are those of the last reading is not read again."""
    known = schema.drop.c
    with store.reading() as connection:
        return (
            connection.execute(
                select(known.id).where(
                    known.folder == _folder_of(lab, item),
                    known.name == item.path.name,
                    known.size == item.size,
                    known.modified_ns == item.modified_ns,
                )
            ).first()
            is not None
        )


def _folder_of(lab: Lab, item: Find) -> str:
    return (
        item.path.parent.relative_to(lab.folder).as_posix()
        if item.path.is_relative_to(lab.folder)
        else str(item.path.parent)
    )


def _commit(
    connection: Connection, lab: Lab, item: Find, digest: bytes, parsed: Parsed | FileRefused, now: datetime
) -> tuple[Entry, int]:
    now_us = microseconds(now)
    refused_whole = isinstance(parsed, FileRefused)
    reason, header = (parsed.reason, []) if isinstance(parsed, FileRefused) else ("", parsed.header)
    folder = REFUSED if refused_whole else FILED
    inserted = connection.execute(
        insert(schema.drop).values(
            kind=item.source.kind,
            name=item.path.name,
            folder=_folder_of(lab, item),
            digest=digest,
            size=item.size,
            modified_ns=item.modified_ns,
            taken_us=now_us,
            state="refused" if refused_whole else "stored",
            reason=reason,
            header=json.dumps(header, ensure_ascii=False),
            put_as=""
            if item.source.keep and not refused_whole
            else f"{folder}/{_free_name(lab.folder / folder, item.path.name)}",
        )
    )
    drop_id = int(inserted.lastrowid)
    if isinstance(parsed, FileRefused):
        return Entry(item.path.name, item.source.kind, "refused", reason=parsed.reason), drop_id
    counts = _store_rows(connection, item.source.kind, drop_id, parsed, now_us)
    counts = replace(counts, duplicate=counts.duplicate + parsed.repeats)
    _store_refusals(connection, drop_id, parsed)
    refused = len(parsed.refusals)
    connection.execute(
        update(schema.drop)
        .where(schema.drop.c.id == drop_id)
        .values(stored=counts.stored, duplicate=counts.duplicate, corrected=counts.corrected, refused=refused)
    )
    return (
        Entry(item.path.name, item.source.kind, "stored", counts.stored, counts.duplicate, counts.corrected, refused),
        drop_id,
    )


def _store_rows(connection: Connection, kind: str, drop_id: int, parsed: Parsed, now_us: int) -> Counts:
    if kind == "tests":
        return store_readings(connection, drop_id, parsed.rows, now_us)
    return store_climate(connection, drop_id, parsed.rows)


def _store_refusals(connection: Connection, drop_id: int, parsed: Parsed) -> None:
    insert_many(
        connection,
        "INSERT INTO refusal (drop_id, line, reason, cells) VALUES (?, ?, ?, ?)",
        [
            (drop_id, refusal.line, refusal.reason, json.dumps(list(refusal.cells), ensure_ascii=False))
            for refusal in parsed.refusals
        ],
    )


# Putting away


def _settle_all(store: Store, lab: Lab) -> None:
    with store.reading() as connection:
        waiting = connection.execute(select(schema.drop.c.id).where(schema.drop.c.settled == 0)).scalars().all()
    for drop_id in waiting:
        _settle(store, lab, drop_id)


def _settle(store: Store, lab: Lab, drop_id: int) -> None:
    """Write the report of a committed drop and put its file away; harmless when done twice."""
    with store.reading() as connection:
        drop = connection.execute(select(schema.drop).where(schema.drop.c.id == drop_id)).one()
        refusals = connection.execute(
            select(schema.refusal.c.line, schema.refusal.c.reason, schema.refusal.c.cells)
            .where(schema.refusal.c.drop_id == drop_id)
            .order_by(schema.refusal.c.line, schema.refusal.c.id)
        ).fetchall()
    if refusals:
        rows = [[drop.name, line, reason, *json.loads(cells)] for line, reason, cells in refusals]
        _write_report(lab, drop_id, drop.name, [["file", "line", "reason", *json.loads(drop.header)], *rows])
    put_as = _put(lab, lab.folder / drop.folder / drop.name, drop) if drop.put_as else ""
    if drop.state == "refused":
        _write_new(lab.folder / f"{put_as}.reason.txt", f"{drop.reason}\n".encode())
    with store.writing() as connection:
        connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(settled=1, put_as=put_as))


def _put(lab: Lab, path: Path, drop: Row[Any]) -> str:
    """Move the file to the name it was promised, or the next free one; the name it has in the end."""
    seen = _plain_file(path, path.parent)
    promised = lab.folder / str(drop.put_as)
    if seen is None or (seen.st_size, seen.st_mtime_ns) != (drop.size, drop.modified_ns):
        return str(drop.put_as)  # moved before a kill, or another file has taken its place since
    if promised.exists() and not promised.samefile(path):
        promised = promised.parent / _free_name(promised.parent, drop.name)
    _move(path, promised)
    return str(promised.relative_to(lab.folder).as_posix())


def _put_away_seen(lab: Lab, item: Find) -> None:
    if not item.source.keep:
        _move(item.path, lab.folder / FILED / _free_name(lab.folder / FILED, item.path.name))


def _move(path: Path, target: Path) -> None:
    """Move without ever overwriting: a link fails where the name is taken, a rename would not."""
    target.parent.mkdir(parents=True, exist_ok=True)
    try:
        if not (target.exists() and target.samefile(path)):
            os.link(path, target, follow_symlinks=False)
        path.unlink()
    except (NotImplementedError, PermissionError, OSError):
        if target.exists():
            raise
        path.rename(target)


def _free_name(folder: Path, name: str) -> str:
    """`name`, or `name` with a number before its ending where that is taken."""
    number = 1
    while (folder / _numbered(name, number)).exists():
        number += 1
    return _numbered(name, number)


def _write_report(lab: Lab, drop_id: int, name: str, rows: list[list[object]]) -> None:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    folder = lab.folder / REFUSED
    data = text.getvalue().encode()
    # A round killed after the report and before the note of it finds the same report under the same name.
    candidates = (folder / _numbered(name, number) for number in range(1, drop_id + 2))
    for path in candidates:
        if path.exists() and path.read_bytes() == data:
            return
        if not path.exists():
            _write_new(path, data)
            return


def _numbered(name: str, number: int) -> str:
    path = Path(name)
    return name if number == 1 else f"{path.stem}.{number}{path.suffix}"


def _write_new(path: Path, data: bytes) -> None:
    """Write whole or not at all."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.name}.draft")
    with draft.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(path)
