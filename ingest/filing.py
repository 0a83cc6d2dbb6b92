"""Put a committed drop away: the report of its refused rows, then the file itself. Nothing is ever overwritten.

Every step can be repeated: a round that is killed here leaves the drop noted as not settled, and the next one goes
through the same steps and finds what was done.
"""

from __future__ import annotations

import csv
import errno
import filecmp
import hashlib
import io
import json
import os
import shutil
from collections.abc import Iterable, Iterator
from itertools import chain, count
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, select, update

from ingest import schema
from ingest.store import Store

__all__ = ["FILED", "REFUSED", "digest_of", "free_name", "put_away", "settle", "settle_all"]

FILED, REFUSED = "filed", "refused"
# What is being written; one name is enough, since rounds wait for each other.
DRAFT = ".lotdrift.draft"
# File systems take names of so many bytes; a number or an ending that is added must not lead past that.
NAME_BYTES = 255
WHY = ".reason.txt"
# Refused rows that are held in memory together.
ROWS_AT_ONCE = 10_000


def settle_all(store: Store, folder: Path) -> None:
    """Finish what an earlier round committed and could not put away."""
    for place in (FILED, REFUSED):
        (folder / place / DRAFT).unlink(missing_ok=True)
    unsettled = select(schema.drop).where(schema.drop.c.settled == 0).order_by(schema.drop.c.id)
    with store.reading() as connection:
        waiting = connection.execute(unsettled).fetchall()
    for drop in waiting:
        if not store.shared or _is_here(folder, drop):
            settle(store, folder, drop.id)


def _is_here(folder: Path, drop: Row[Any]) -> bool:
    """Whether a drop came through this folder: another machine's is put away there, with its report."""
    places = [folder / drop.folder / drop.name, *([folder / drop.put_as] if drop.put_as else [])]
    return any(place.exists() for place in places)


def settle(store: Store, folder: Path, drop_id: int) -> None:
    """Write the report of a committed drop and put its file away."""
    with store.reading() as connection:
        drop = connection.execute(select(schema.drop).where(schema.drop.c.id == drop_id)).one()
        _report(connection, folder, drop)
    put_as = _put(folder, drop) if drop.put_as else ""
    if drop.state == "refused":
        name = f"{_cut(Path(put_as).name or drop.name, NAME_BYTES - len(WHY))}{WHY}"
        _write_beside(folder / REFUSED, name, [f"{drop.reason}\n".encode()])
    with store.writing() as connection:
        connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(settled=1, put_as=put_as))


def _report(connection: Connection, folder: Path, drop: Row[Any]) -> None:
    """Write the report of the refused rows, where there are any: they may be as many as the file has rows."""
    refused = schema.refusal.c
    chosen = select(refused.line, refused.reason, refused.cells).where(refused.drop_id == drop.id)
    found = connection.execute(chosen.order_by(refused.line, refused.id))
    parts = found.partitions(ROWS_AT_ONCE)
    first = next(parts, None)
    if first is not None:
        heads = ["file", "line", "reason", *json.loads(drop.header)]
        texts = (
            _as_csv([drop.name, line, reason, *json.loads(cells)] for line, reason, cells in part)
            for part in chain([first], parts)
        )
        _write_beside(folder / REFUSED, drop.name, chain([_as_csv([heads])], texts))


def _as_csv(rows: Iterable[list[object]]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode("utf-8", "surrogateescape")


def _put(folder: Path, drop: Row[Any]) -> str:
    """Move the file to the name it was promised, or the next free one; the name it has in the end, "" for none."""
    path, promised = folder / drop.folder / drop.name, folder / drop.put_as
    arrived = promised.exists() and digest_of(promised) == drop.digest
    if not _is_still(path, drop.size, drop.modified_ns):
        # Moved before a kill; or another file has taken its place since, which is a drop of its own.
        return str(drop.put_as) if arrived else ""
    if arrived:
        path.unlink()
        return str(drop.put_as)
    return f"{promised.parent.name}/{put_away(path, promised.parent)}"


def _is_still(path: Path, size: int, modified_ns: int) -> bool:
    try:
        seen = path.stat()
    except OSError:
        return False
    return (seen.st_size, seen.st_mtime_ns) == (size, modified_ns)


def digest_of(path: Path) -> bytes:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


# Names


def free_name(folder: Path, name: str) -> str:
    """`name`, or `name` with a number before its ending where that is taken."""
    return next(candidate for candidate in _numbered(name) if not (folder / candidate).exists())


def _numbered(name: str) -> Iterator[str]:
    yield name
    path = Path(name)
    for number in count(2):
        mark = f".{number}{path.suffix}"
        yield _cut(path.stem, NAME_BYTES - len(os.fsencode(mark))) + mark


def _cut(text: str, most: int) -> str:
    return os.fsencode(text)[:most].decode(errors="ignore")


# Files


def put_away(path: Path, folder: Path) -> str:
    """Move a file into a folder under its own name, or the next free one; the name it has there."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in _numbered(path.name):
        target = folder / name
        # A round killed between the two names of one file left both.
        if not target.exists() or target.samefile(path):
            _move(path, target)
            return name
    raise AssertionError  # the numbers have no end


def _move(path: Path, target: Path) -> None:
    """Move where no file is: the new name is on the disk before the old one goes."""
    try:
        if not target.exists():
            os.link(path, target, follow_symlinks=False)
    except OSError as error:
        if error.errno == errno.EXDEV:
            _copy(path, target)
        elif target.exists():
            raise
        else:
            # A file system without links.
            path.rename(target)
            return
    _keep_name(target.parent)
    path.unlink()


def _copy(path: Path, target: Path) -> None:
    """A copy on another file system, whole or not at all."""
    draft = target.with_name(DRAFT)
    shutil.copy2(path, draft)
    with draft.open("rb+") as file:
        os.fsync(file.fileno())
    draft.rename(target)


def _write_beside(folder: Path, name: str, data: Iterable[bytes]) -> None:
    """Write under a name that is free, whole or not at all; a round killed after it finds it there and is content."""
    folder.mkdir(parents=True, exist_ok=True)
    draft = folder / DRAFT
    _write(draft, data)
    for candidate in _numbered(name):
        path = folder / candidate
        if not path.exists():
            draft.rename(path)
            _keep_name(folder)
            return
        if path.is_file() and filecmp.cmp(path, draft, shallow=False):
            draft.unlink()
            return


def _write(path: Path, data: Iterable[bytes]) -> None:
    with path.open("wb") as file:
        file.writelines(data)
        file.flush()
        os.fsync(file.fileno())


def _keep_name(folder: Path) -> None:
    """Bring a new name in a folder to the disk, where the system lets a folder be opened for that."""
    if os.name != "posix":
        return
    number = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(number)
    except OSError as error:
        # Some network file systems sync no folders.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(number)
