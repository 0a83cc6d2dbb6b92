"""One round at a time: rounds and migrations of a lab folder wait for each other."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from ingest.common.errors import StoreError

__all__ = ["alone"]

LOCK_NAME = ".lotdrift.lock"
# Another round holds the lock for as long as its drops take; a stuck one is worth a word.
LOCK_SECONDS = 600


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Nobody else on this machine does a round of the lab until the block ends."""
    try:
        with FileLock(folder / LOCK_NAME, timeout=LOCK_SECONDS):
            yield
    except Timeout as error:
        raise StoreError(f"{folder}: another round has been running for ten minutes; end it, then run again") from error
    except OSError as error:
        name = error.filename or folder
        raise StoreError(f"{name}: can't be written ({error.strerror}); see to it, then run again") from error
