"""Files for others to find: whole and on the disk, or not there, also after a power cut.

A file is written beside its place under a name of its own, its bytes are brought to the disk, it is moved into place, and the
folder is brought to the disk, as the name of a file is a line of its folder. What is noted as done is done after that.
"""

from __future__ import annotations

import errno
import os
import secrets
from collections.abc import Callable
from pathlib import Path
from typing import IO

__all__ = ["make_folder", "sync_folder", "write_synced", "write_whole"]


def write_whole(path: Path, fill: Callable[[IO[bytes]], object]) -> None:
    """Write what `fill` writes, in place of what was there: a reader sees the old file or the new one; no link is followed.

    Raises
    ------
    OSError
        Where the folder can't be made or the file can't be written; what was there is as it was.
    """
    make_folder(path.parent)
    draft = path.with_name(f".lotdrift-{secrets.token_hex(8)}.draft")
    try:
        write_synced(draft, fill)
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_synced(path: Path, fill: Callable[[IO[bytes]], object]) -> None:
    """Write a new file and bring its bytes to the disk; FileExistsError where there is one of that name."""
    with path.open("xb") as out:
        fill(out)
        out.flush()
        os.fsync(out.fileno())


def make_folder(folder: Path) -> None:
    """Make a folder where it is not there, and bring its name to the disk."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for place in missing:
        sync_folder(place.parent)


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system lets a folder be opened for that."""
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
