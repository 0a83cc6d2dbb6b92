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

from ingest.common.formulas import is_formula
from ingest.config.lab import FILED, REFUSED
from ingest.intake.open_files import size_and_time
from ingest.store import schema
from ingest.store.store import Store

__all__ = ["archive_drop", "archive_drops", "digest_of", "free_name", "put_away"]

# What is being written; one name is enough, since rounds wait for each other.
DRAFT = ".lotdrift.draft"
# File systems take names of so many bytes; a number or an ending that is added must not lead past that.
NAME_BYTES = 255
WHY = ".reason.txt"
CAUTION = ".caution.txt"
FORMULAS = (
    "holds refused rows with their cells as they came. Cells that begin like a formula: {count}. A spreadsheet may carry "
    "them out: look at the file with a text editor, or import it with every column as text."
)
# Refused rows that are held in memory together.
ROWS_AT_ONCE = 1_000


def archive_drops(store: Store, folder: Path) -> None:
    """Finish what an earlier round committed and could not put away."""
    for place in (FILED, REFUSED):
        (folder / place / DRAFT).unlink(missing_ok=True)
    unsettled = select(schema.drop).where(schema.drop.c.settled == 0).order_by(schema.drop.c.id)
    with store.reading() as connection:
        waiting = connection.execute(unsettled).fetchall()
    for drop in waiting:
        if not store.shared or _is_here(folder, drop):
            archive_drop(store, folder, drop.id)


def _is_here(folder: Path, drop: Row[Any]) -> bool:
    """Whether a drop came through this folder: another machine's is put away there, with its report."""
    places = [folder / drop.folder / drop.name, *([folder / drop.put_as] if drop.put_as else [])]
    return any(place.exists() for place in places)


def archive_drop(store: Store, folder: Path, drop_id: int) -> None:
    """Write the report of a committed drop and put its file away."""
    with store.reading() as connection:
        drop = connection.execute(select(schema.drop).where(schema.drop.c.id == drop_id)).one()
        _report(connection, folder, drop)
    put_as = _put(folder, drop) if drop.put_as else ""
    if drop.state == "refused":
        _write_beside(
            folder / REFUSED, _with_ending(Path(put_as).name or drop.name, WHY), [f"{drop.reason}\n".encode()]
        )
    with store.writing() as connection:
        connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(settled=1, put_as=put_as))


def _report(connection: Connection, folder: Path, drop: Row[Any]) -> None:
    """Write the report of the refused rows, where there are any: they may be as many as the file has rows."""
    refused = schema.refusal.c
    chosen = select(refused.line, refused.reason, refused.cells).where(refused.drop_id == drop.id)
    # A server's driver would else bring all of them at once.
    in_parts = {"yield_per": ROWS_AT_ONCE}
    parts = connection.execute(chosen.order_by(refused.line, refused.id), execution_options=in_parts).partitions()
    first = next(parts, None)
    if first is None:
        return
    header, formulas = json.loads(drop.header), 0

    def texts() -> Iterator[bytes]:
        nonlocal formulas
        yield _as_csv([["file", "line", "reason", *header]])
        for part in chain([first], parts):
            rows = [(line, reason, json.loads(cells)) for line, reason, cells in part]
            formulas += sum(is_formula(cell) for _, _, cells in rows for cell in cells)
            yield _as_csv([drop.name, line, reason, *cells] for line, reason, cells in rows)

    name = _write_beside(folder / REFUSED, drop.name, texts())
    formulas += sum(map(is_formula, header))
    if formulas:
        caution = f"{name} {FORMULAS.format(count=formulas)}\n"
        _write_beside(folder / REFUSED, _with_ending(name, CAUTION), [caution.encode("utf-8", "surrogateescape")])


def _as_csv(rows: Iterable[list[object]]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode("utf-8", "surrogateescape")


def _put(folder: Path, drop: Row[Any]) -> str:
    """Move the file to the name it was promised, or the next free one; the name it has in the end, "" for none."""
    path, promised = folder / drop.folder / drop.name, folder / drop.put_as
    arrived = _is_regular(promised) and digest_of(promised) == drop.digest
    if not _is_still(path, drop.size, drop.modified_ns):
        # Moved before a kill; or another file has taken its place since, which is a drop of its own.
        return str(drop.put_as) if arrived else ""
    if arrived:
        _let_go(path, promised)
        return str(drop.put_as)
    name = put_away(path, promised.parent)
    return name and f"{promised.parent.name}/{name}"


def _is_still(path: Path, size: int, modified_ns: int) -> bool:
    try:
        return size_and_time(path.stat()) == (size, modified_ns)
    except OSError:
        return False


def _is_regular(path: Path) -> bool:
    """Whether there is a file that holds bytes of its own: no link to another one."""
    return path.is_file() and not path.is_symlink()


def digest_of(path: Path) -> bytes:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


# Names


def free_name(folder: Path, name: str) -> str:
    """`name`, or `name` with a number before its ending where that is taken."""
    return next(candidate for candidate in _numbered(name) if _is_free(folder / candidate))


def _is_free(path: Path) -> bool:
    """Whether nothing has this name, not even a link that leads nowhere."""
    return not os.path.lexists(path)


def _with_ending(name: str, ending: str) -> str:
    return f"{_cut(name, NAME_BYTES - len(ending))}{ending}"


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
    """Move a file into a folder under its own name, or the next free one; the name it has there, "" where it is gone."""
    folder.mkdir(parents=True, exist_ok=True)
    # lab.toml can't name such a drop folder, but a link or a mount may have made it one since.
    if path.parent.samefile(folder):
        return path.name
    for name in _numbered(path.name):
        target = folder / name
        # A round killed between the two names of one file left both.
        if _is_free(target) or (_is_regular(target) and _is_same_file(path, target)):
            try:
                _move(path, target)
            except FileNotFoundError:
                # Somebody else took it away in this moment; anything else that is missing is trouble.
                if not _is_free(path):
                    raise
            return "" if _is_free(target) else name
    raise AssertionError  # the numbers have no end


def _move(path: Path, target: Path) -> None:
    """Move where no file is: the new name is on the disk before the old one goes."""
    if path.is_symlink():
        # Elsewhere the link would lead nowhere, or to what the file became since: what was read is kept.
        _copy(path, target)
    elif _is_free(target):
        try:
            os.link(path, target, follow_symlinks=False)
        except OSError as error:
            if error.errno == errno.EXDEV:
                _copy(path, target)
            elif not _is_free(target):
                raise
            else:
                # A file system without links.
                path.rename(target)
                return
    _keep_name(target.parent)
    _let_go(path, target)


def _let_go(path: Path, target: Path) -> None:
    """Take the old name away; it stays where both are one and the same name, by links or mounts of folders."""
    one_name = path.parent.samefile(target.parent) or path.lstat().st_nlink < 2
    if not (_is_same_file(path, target) and one_name):
        path.unlink()


def _is_same_file(path: Path, target: Path) -> bool:
    """Whether two names stand for one file, without following links."""
    return os.path.samestat(path.lstat(), target.lstat())


def _copy(path: Path, target: Path) -> None:
    """A copy on another file system, whole or not at all."""
    draft = target.with_name(DRAFT)
    shutil.copy2(path, draft)
    with draft.open("rb+") as file:
        os.fsync(file.fileno())
    draft.rename(target)


def _write_beside(folder: Path, name: str, data: Iterable[bytes]) -> str:
    """Write under a name that is free, whole or not at all; the name. A round killed after it finds the file there."""
    folder.mkdir(parents=True, exist_ok=True)
    draft = folder / DRAFT
    _write(draft, data)
    for candidate in _numbered(name):
        path = folder / candidate
        if _is_free(path):
            draft.rename(path)
            _keep_name(folder)
            return candidate
        if path.is_file() and filecmp.cmp(path, draft, shallow=False):
            draft.unlink()
            return candidate
    raise AssertionError  # the numbers have no end


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
