"""Write files that survive a power cut: another program sees the whole file or none.

The bytes go to a draft beside the final name and are synced to disk; the draft is then renamed and the folder is synced,
because a file's name is stored in its folder. Record a file as done only after that.
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
    """Replace the file at `path` with what `fill` writes. A reader sees the old file or the new one; links are not followed.

    Raises
    ------
    OSError
        If the folder can't be made or the file can't be written; the old file is unchanged.
    """
    make_folder(path.parent)
    draft = path.with_name(f".lotdrift-{secrets.token_hex(8)}.draft")
    write_synced(draft, fill)
    try:
        draft.replace(path)
    except BaseException:
        draft.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def write_synced(path: Path, fill: Callable[[IO[bytes]], object]) -> None:
    """Write a new file and sync it to disk; remove it if that fails. FileExistsError if the name is taken."""
    with path.open("xb") as file:
        try:
            fill(file)
            file.flush()
            os.fsync(file.fileno())
        except BaseException:
            path.unlink(missing_ok=True)
            raise


def make_folder(folder: Path) -> None:
    """Make a folder and its parents where missing, and sync their names to disk."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    folder.mkdir(parents=True, exist_ok=True)
    for place in missing:
        sync_folder(place.parent)


def sync_folder(folder: Path) -> None:
    """Sync the names in a folder to disk, on systems that allow it (POSIX)."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    except OSError as error:
        # Some network file systems can't sync a folder.
        if error.errno not in (errno.EINVAL, errno.ENOTSUP):
            raise
    finally:
        os.close(descriptor)
