"""The errors that end a command, one type for each exit status.

Every message is one line: what, where, what to do. A refused row or file is ordinary and not an exception.
"""

from __future__ import annotations

__all__ = ["CallError", "LabFileError", "NoStoreYet", "NotFoundError", "RowsError", "StoreError"]


class CallError(Exception):
    """The call is wrong: an unknown stream, a bad quarter. Exit status 2."""


class NotFoundError(CallError):
    """The store holds nothing of that name: a lot, a stream, a film. Exit status 2.

    `what` is the sentence without the command and its advice, for a page.
    """

    def __init__(self, command: str, what: str, advice: str) -> None:
        super().__init__(f"{command}: {what}; {advice}")
        self.what = what


class LabFileError(CallError):
    """`lab.toml` is wrong or missing; the message names the file, the key and what was expected. Exit status 2."""


class NoStoreYet(CallError):
    """The call needs a store, and no round has made one yet. Exit status 2."""

    def __init__(self) -> None:
        super().__init__("the lab has no store yet; do a first round with lotdrift run")


class StoreError(Exception):
    """The store or the lab folder can't be used; the message names the file. Exit status 3."""


class RowsError(StoreError):
    """The store can't keep these rows; their file is refused, and the other files are taken in."""
