"""Whether a file is still being written by somebody else.

On Linux the kernel knows: a read lease is granted only where nobody holds the file open for writing. Elsewhere, and on
file systems without leases, a young file whose size or time changes while we look is being written.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Mapping
from pathlib import Path

__all__ = ["size_and_time", "still_written"]

# A copy that stalls longer than this between two blocks is taken for finished where no lease can be had.
LOOK_AGAIN_SECONDS = 0.2
# A file untouched for this long is finished: looking twice would cost every round the wait.
YOUNG_NS = 5_000_000_000
# The store keeps whole numbers of 64 bits; a file system may hand out times far beyond.
FARTHEST_NS = 2**63 - 1


def size_and_time(seen: os.stat_result) -> tuple[int, int]:
    """What tells that a file changed: its size, and when it was modified, in ns, as far as the store can keep that."""
    return seen.st_size, min(max(seen.st_mtime_ns, -FARTHEST_NS), FARTHEST_NS)


def still_written(files: Mapping[Path, tuple[int, int]], now_ns: int) -> set[Path]:
    """Those of `files` (path: its `size_and_time` when found) that are being written at `now_ns`."""
    held = {path: _held_open(path) for path in files}
    doubtful = [path for path, answer in held.items() if answer is None and now_ns - files[path][1] < YOUNG_NS]
    if doubtful:
        time.sleep(LOOK_AGAIN_SECONDS)
    return {path for path, answer in held.items() if answer} | {
        path for path in doubtful if _changed(path, files[path])
    }


def _changed(path: Path, seen: tuple[int, int]) -> bool:
    try:
        return size_and_time(path.stat()) != seen
    except OSError:
        return True


if sys.platform == "linux":
    import fcntl

    def _held_open(path: Path) -> bool | None:
        """True where a writer holds the file, False where none does, None where the system can't tell."""
        try:
            file = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        except OSError:
            return False  # reading it says why, in words
        try:
            # A writer that comes while the lease is held is announced by a signal. The usual one, SIGIO, ends the process;
            # this one is ignored unless somebody listens.
            fcntl.fcntl(file, fcntl.F_SETSIG, signal.SIGURG)
            fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_RDLCK)
            fcntl.fcntl(file, fcntl.F_SETLEASE, fcntl.F_UNLCK)
        except BlockingIOError:
            return True
        except OSError:
            return None  # another owner's file, or a file system without leases
        finally:
            os.close(file)
        return False

else:

    def _held_open(path: Path) -> bool | None:
        """None: only looking twice tells."""
        return None
