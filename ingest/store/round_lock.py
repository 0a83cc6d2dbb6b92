"""The lock of a lab folder: only one round or migration runs at a time on one machine."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from ingest.common.errors import StoreError

__all__ = ["alone"]

LOCK_NAME = ".lotdrift.lock"
# A round holds the lock for as long as its files take; one that takes longer is stuck, and a person should know.
LOCK_SECONDS = 600


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Hold the lock of a lab folder until the block ends; wait for the process that holds it.

    Raises
    ------
    StoreError
        If the lock can't be had within ten minutes, or the folder can't be written.
    """
    try:
        with FileLock(folder / LOCK_NAME, timeout=LOCK_SECONDS):
            yield
    except Timeout as error:
        raise StoreError(f"{folder}: another round has been running for ten minutes; end it, then run again") from error
    except OSError as error:
        name = error.filename or folder
        raise StoreError(f"{name}: can't be written ({error.strerror}); see to it, then run again") from error
