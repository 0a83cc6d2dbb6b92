"""Archive a stored drop: write the report of its refused rows, then move the file. No file is ever overwritten.

Every step can be repeated. If a round is killed here, the drop stays marked as not archived; the next round repeats the
steps and recognises what was already done.
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
from typing import IO, Any

from sqlalchemy import Connection, Row, select, update

from ingest.common.durable import make_folder, sync_folder, write_synced
from ingest.common.formulas import is_formula
from ingest.config.lab import FILED, REFUSED
from ingest.intake.open_files import size_and_time
from ingest.store import schema
from ingest.store.store import Store

__all__ = ["archive_drop", "archive_drops", "digest_of", "free_name", "put_away"]

# One draft name is enough, because only one round runs at a time.
DRAFT = ".lotdrift.draft"
# File systems allow 255 bytes in a name; an added number or ending must not exceed that.
NAME_BYTES = 255
REASON_ENDING = ".reason.txt"
CAUTION_ENDING = ".caution.txt"
CAUTION = (
    "holds refused rows with their cells as they came. Cells that begin like a formula: {count}. A spreadsheet may run "
    "them: look at the file with a text editor, or import it with every column as text."
)
# Refused rows held in memory at a time.
ROWS_AT_ONCE = 1_000


def archive_drops(store: Store, folder: Path) -> None:
    """Archive the drops that an earlier round stored but did not archive."""
    for place in (FILED, REFUSED):
        (folder / place / DRAFT).unlink(missing_ok=True)
    pending = select(schema.drop).where(schema.drop.c.settled == 0).order_by(schema.drop.c.id)
    with store.reading() as connection:
        drops = connection.execute(pending).fetchall()
    for drop in drops:
        places = [folder / drop.folder / drop.name, *([folder / drop.put_as] if drop.put_as else [])]
        # In a shared store, each machine archives the drops of its own folder.
        if not store.shared or any(place.exists() for place in places):
            archive_drop(store, folder, drop.id)


def archive_drop(store: Store, folder: Path, drop_id: int) -> None:
    """Write the report of a stored drop and archive its file."""
    with store.reading() as connection:
        drop = connection.execute(select(schema.drop).where(schema.drop.c.id == drop_id)).one()
        _write_report(connection, folder / REFUSED, drop)
    put_as = _move_to_promised_name(folder, drop) if drop.put_as else ""
    if drop.state == "refused":
        name = _with_ending(Path(put_as).name or drop.name, REASON_ENDING)
        _write_beside(folder / REFUSED, name, [f"{drop.reason}\n".encode()])
    with store.writing() as connection:
        connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(settled=1, put_as=put_as))


def _write_report(connection: Connection, folder: Path, drop: Row[Any]) -> None:
    """Write the refused rows of a drop as CSV, if there are any; there may be as many as the file has rows."""
    refused = schema.refusal.c
    query = select(refused.line, refused.reason, refused.cells).where(refused.drop_id == drop.id)
    # Without yield_per, the driver of a server would fetch all rows at once.
    result = connection.execute(query.order_by(refused.line, refused.id), execution_options={"yield_per": ROWS_AT_ONCE})
    parts = result.partitions()
    first = next(parts, None)
    if first is None:
        return
    header = json.loads(drop.header)
    formulas = sum(map(is_formula, header))

    def blocks() -> Iterator[bytes]:
        nonlocal formulas
        yield _as_csv([["file", "line", "reason", *header]])
        for part in chain([first], parts):
            rows = [(line, reason, json.loads(cells)) for line, reason, cells in part]
            formulas += sum(is_formula(cell) for _, _, cells in rows for cell in cells)
            yield _as_csv([drop.name, line, reason, *cells] for line, reason, cells in rows)

    name = _write_beside(folder, drop.name, blocks())
    if formulas:
        caution = f"{name} {CAUTION.format(count=formulas)}\n"
        _write_beside(folder, _with_ending(name, CAUTION_ENDING), [caution.encode("utf-8", "surrogateescape")])


def _as_csv(rows: Iterable[list[object]]) -> bytes:
    text = io.StringIO()
    csv.writer(text).writerows(rows)
    return text.getvalue().encode("utf-8", "surrogateescape")


def _move_to_promised_name(folder: Path, drop: Row[Any]) -> str:
    """Move the file to the name recorded for it, or the next free one; return its final name, or "" if it is gone."""
    path, promised = folder / drop.folder / drop.name, folder / drop.put_as
    has_arrived = _is_regular(promised) and digest_of(promised) == drop.digest
    try:
        is_waiting = size_and_time(path.stat()) == (drop.size, drop.modified_ns)
    except OSError:
        is_waiting = False
    if not is_waiting:
        # A killed round moved it, or a new file has taken its place since; the new file is a drop of its own.
        return str(drop.put_as) if has_arrived else ""
    if has_arrived:
        _remove_old_name(path, promised)
        return str(drop.put_as)
    name = put_away(path, promised.parent)
    return name and f"{promised.parent.name}/{name}"


def _is_regular(path: Path) -> bool:
    """Whether this is a regular file and not a link to one."""
    return path.is_file() and not path.is_symlink()


def digest_of(path: Path) -> bytes:
    """SHA-256 of a file's bytes."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


# Names


def free_name(folder: Path, name: str) -> str:
    """Return `name`, with a number before its ending if it is taken."""
    return next(candidate for candidate in _numbered(name) if _is_free(folder / candidate))


def _is_free(path: Path) -> bool:
    """Whether nothing has this name, not even a broken link."""
    return not os.path.lexists(path)


def _with_ending(name: str, ending: str) -> str:
    return f"{_cut(name, NAME_BYTES - len(ending))}{ending}"


def _numbered(name: str) -> Iterator[str]:
    yield name
    path = Path(name)
    for number in count(2):
        ending = f".{number}{path.suffix}"
        yield _cut(path.stem, NAME_BYTES - len(os.fsencode(ending))) + ending


def _cut(text: str, most: int) -> str:
    return os.fsencode(text)[:most].decode(errors="ignore")


# Files


def put_away(path: Path, folder: Path) -> str:
    """Move a file into a folder under its name or the next free one; return the new name, or "" if the file is gone."""
    make_folder(folder)
    # lab.toml can't declare such a drop folder, but a link or a mount may have created one since.
    if path.parent.samefile(folder):
        return path.name
    for name in _numbered(path.name):
        target = folder / name
        # A round that was killed while moving the file left both names.
        if _is_free(target) or (_is_regular(target) and _is_same_file(path, target)):
            try:
                _move(path, target)
            except FileNotFoundError:
                # Another program took the file away at this moment; any other missing file is an error.
                if not _is_free(path):
                    raise
            return "" if _is_free(target) else name
    raise AssertionError  # The numbers have no end


def _move(path: Path, target: Path) -> None:
    """Move a file without overwriting one: the new name is on disk before the old one is removed."""
    if path.is_symlink():
        # A moved link could break, or lead to a file that has changed: keep the bytes that were read.
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
                # A file system without hard links.
                path.rename(target)
                sync_folder(target.parent)
                return
    sync_folder(target.parent)
    _remove_old_name(path, target)


def _remove_old_name(path: Path, target: Path) -> None:
    """Remove the old name, unless links or mounts of folders make both the same name."""
    is_one_name = path.parent.samefile(target.parent) or path.lstat().st_nlink < 2
    if not (_is_same_file(path, target) and is_one_name):
        path.unlink()


def _is_same_file(path: Path, target: Path) -> bool:
    """Whether two names refer to one file; links are not followed."""
    return os.path.samestat(path.lstat(), target.lstat())


def _copy(path: Path, target: Path) -> None:
    """Copy a file to another file system, whole or not at all."""

    def fill(file: IO[bytes]) -> None:
        with path.open("rb") as source:
            shutil.copyfileobj(source, file)
        file.flush()
        shutil.copystat(path, draft)

    draft = target.with_name(DRAFT)
    write_synced(draft, fill)
    draft.rename(target)


def _write_beside(folder: Path, name: str, blocks: Iterable[bytes]) -> str:
    """Write a file under a free name and return the name; a file that an earlier, killed round wrote is found again."""
    make_folder(folder)
    draft = folder / DRAFT
    write_synced(draft, lambda file: file.writelines(blocks))
    for candidate in _numbered(name):
        path = folder / candidate
        if _is_free(path):
            draft.rename(path)
            sync_folder(folder)
            return candidate
        if path.is_file() and filecmp.cmp(path, draft, shallow=False):
            draft.unlink()
            return candidate
    raise AssertionError  # The numbers have no end
