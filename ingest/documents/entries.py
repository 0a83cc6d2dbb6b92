"""What a person enters, as the audit log keeps it and as it is shown."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Day, Microseconds, Moment, Side

__all__ = [
    "EntryBody",
    "HistoryEntry",
    "Restart",
    "Signature",
    "StoredEntryBody",
    "StoredRestart",
    "StoredSignature",
    "StoredStreamEntry",
    "StreamEntry",
    "SubjectEntry",
    "User",
]

# `from` is a word of the language: only this form of a TypedDict can declare it as a key.
_From = TypedDict("_From", {"from": Day}, total=False)


class _Body(_From, total=False):
    on: Day
    lot: str
    cause: str
    action: str
    first_lot: str
    side: Side
    value: float | None
    rule: Literal["simple", "guarded"]
    wrong_pass: float | None
    wrong_fail: float | None
    document: str
    role: str
    number: str
    replaces: str
    report: str
    owner: str
    due: Day
    alerts: list[str]
    stream: str
    file: str
    declared: str
    event: dict[str, str]
    reads: float
    reference: float
    uncertainty: float
    salt: str
    temperature_c: float


class StoredEntryBody(_Body, total=False):
    """What an entry says beside its reason; the keys depend on what was entered."""

    from_us: Microseconds
    started_us: Microseconds
    after_us: Microseconds
    checked_us: Microseconds


class EntryBody(_Body, total=False):
    """The body of an entry as it is shown."""

    from_at: Moment
    started_at: Moment
    after_at: Moment
    checked_at: Moment


class StoredSignature(TypedDict):
    """Who entered something, when and why."""

    who: str
    recorded_us: Microseconds
    reason: str


class Signature(TypedDict):
    """Who entered something, when and why, as it is shown."""

    who: str
    recorded_at: Moment
    reason: str


class StoredRestart(StoredSignature):
    """An entry that sets a stream's control limits again from a moment on."""

    from_us: Microseconds


class Restart(Signature):
    """An entry that sets a stream's control limits again, as it is shown."""

    from_at: Moment


class StoredStreamEntry(StoredEntryBody):
    """An entry on a stream, with the keys of its body added to its own."""

    recorded_us: Microseconds
    who: str
    what: str
    reason: str


class StreamEntry(EntryBody):
    """An entry on a stream as it is shown."""

    recorded_at: Moment
    who: str
    what: str
    reason: str


class SubjectEntry(TypedDict):
    """An entry as the page of its subject shows it."""

    at: Moment
    body: EntryBody
    who: str
    what: str
    reason: str


class HistoryEntry(TypedDict):
    """An entry as the history lists it; its body is as the store keeps it."""

    at: Moment
    who: str
    what: str
    subject: str
    about: str
    reason: str
    body: StoredEntryBody


class User(TypedDict):
    """An account, without anything of its password."""

    name: str
    role: Literal["viewer", "specialist"]
    made_at: Moment
    closed_at: Moment | None
