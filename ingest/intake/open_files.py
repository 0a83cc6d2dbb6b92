"""Whether another program is still writing a file.

On Linux the kernel knows: it grants a read lease only if no process has the file open for writing. Elsewhere, and on file
systems without leases, a recent file whose size or time changes between two looks is being written.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Mapping
from pathlib import Path

__all__ = ["size_and_time", "still_written"]

# Without leases, a copy that stalls longer than this counts as finished.
LOOK_AGAIN_SECONDS = 0.2
# A file unchanged for this long is finished; a second look would delay every round.
RECENT_NS = 5_000_000_000
# The store keeps 64-bit integers; a file system may report times far beyond that.
FARTHEST_NS = 2**63 - 1


def size_and_time(status: os.stat_result) -> tuple[int, int]:
    """Return a file's size and its modification time in ns, within the range that the store can keep."""
    return status.st_size, min(max(status.st_mtime_ns, -FARTHEST_NS), FARTHEST_NS)


def still_written(files: Mapping[Path, tuple[int, int]], now_ns: int) -> set[Path]:
    """Return those of `files` (path: its `size_and_time` when found) that are being written at `now_ns`."""
    is_open = {path: _is_open_for_writing(path) for path in files}
    uncertain = [path for path, answer in is_open.items() if answer is None and now_ns - files[path][1] < RECENT_NS]
    if uncertain:
        time.sleep(LOOK_AGAIN_SECONDS)
    changed = {path for path in uncertain if _has_changed(path, files[path])}
    return changed | {path for path, answer in is_open.items() if answer}


def _has_changed(path: Path, before: tuple[int, int]) -> bool:
    try:
        return size_and_time(path.stat()) != before
    except OSError:
        return True


if sys.platform == "linux":
    import fcntl

    def _is_open_for_writing(path: Path) -> bool | None:
        """Whether a process has the file open for writing; None if the system can't tell."""
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
        except OSError:
            return False  # The error is reported when the file is read
        try:
            # If a writer opens the file during the lease, the kernel sends a signal. The default, SIGIO, would end this
            # process; SIGURG is ignored by default.
            fcntl.fcntl(descriptor, fcntl.F_SETSIG, signal.SIGURG)
            fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_RDLCK)
            fcntl.fcntl(descriptor, fcntl.F_SETLEASE, fcntl.F_UNLCK)
        except BlockingIOError:
            return True
        except OSError:
            return None  # Another owner's file, or a file system without leases
        finally:
            os.close(descriptor)
        return False

else:

    def _is_open_for_writing(path: Path) -> bool | None:
        """None: only a second look can tell."""
        return None
