"""What an entry is about, as the audit log keeps it.

An alert is `alert:ID`, an account `account:NAME` a source `source:FOLDER/PATTERN` and a
name as files write it `name:TEXT`. What several names make up is their JSON list: of a stream the list
alone, else led by its kind, as in `lot:["supplier", "lot"]`.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from enum import StrEnum
from typing import Self

__all__ = ["Subject", "SubjectKind"]

# A longer text comes from no page of ours, and a deep one would stop the parser.
LONGEST = 2_000


class SubjectKind(StrEnum):
    """What an entry can be about."""

    ALERT = "alert"
    ACCOUNT = "account"
    SOURCE = "source"
    STREAM = "stream"
    LIMIT = "limit"
    DECISION = "decision"
    LOT = "lot"
    SESSION = "session"
    REPORT = "report"
    NAME = "name"
    LOAD = "load"
    SENSOR = "sensor"


# Kinds with a single name, which follows the colon as it is.
SINGLE = (SubjectKind.ALERT, SubjectKind.ACCOUNT, SubjectKind.SOURCE, SubjectKind.NAME)
NAMES = {
    SubjectKind.STREAM: ("supplier", "product", "characteristic"),
    SubjectKind.LIMIT: ("product", "characteristic"),
    SubjectKind.DECISION: ("characteristic",),
    SubjectKind.LOT: ("supplier", "lot"),
    SubjectKind.REPORT: ("supplier", "lot", "number"),
    SubjectKind.SESSION: ("supplier", "product", "characteristic", "lot", "started_us"),
    SubjectKind.LOAD: ("load",),
    SubjectKind.SENSOR: ("sensor",),
}


@dataclass(frozen=True, slots=True)
class Subject:
    """The kind of a subject and the names that make it up."""

    kind: SubjectKind
    names: tuple[str, ...]

    @classmethod
    def alert(cls, id_: str) -> Self:
        """An alert."""
        return cls(SubjectKind.ALERT, (id_,))

    @classmethod
    def account(cls, name: str) -> Self:
        """An account."""
        return cls(SubjectKind.ACCOUNT, (name,))

    @classmethod
    def source(cls, folder: str, pattern: str | None) -> Self:
        """A source of files."""
        return cls(SubjectKind.SOURCE, (f"{folder}/{pattern or '*'}",))

    @classmethod
    def name(cls, written: str) -> Self:
        """A name as files write it."""
        return cls(SubjectKind.NAME, (written,))

    @classmethod
    def stream(cls, supplier: str, product: str, characteristic: str) -> Self:
        """A stream."""
        return cls(SubjectKind.STREAM, (supplier, product, characteristic))

    @classmethod
    def limit(cls, product: str, characteristic: str) -> Self:
        """The specification limit of a product, whoever supplies it."""
        return cls(SubjectKind.LIMIT, (product, characteristic))

    @classmethod
    def decision(cls, characteristic: str) -> Self:
        """The decision rule of a characteristic, whichever product and supplier."""
        return cls(SubjectKind.DECISION, (characteristic,))

    @classmethod
    def lot(cls, supplier: str, lot: str) -> Self:
        """A lot."""
        return cls(SubjectKind.LOT, (supplier, lot))

    @classmethod
    def session(cls, supplier: str, product: str, characteristic: str, lot: str, started_us: int) -> Self:
        """A test session of a lot."""
        return cls(SubjectKind.SESSION, (supplier, product, characteristic, lot, str(started_us)))

    @classmethod
    def report(cls, supplier: str, lot: str, number: str) -> Self:
        """An issued test report of a lot."""
        return cls(SubjectKind.REPORT, (supplier, lot, number))

    @classmethod
    def sensor(cls, name: str) -> Self:
        """A humidity sensor, by the name under which it is logged."""
        return cls(SubjectKind.SENSOR, (name,))

    @classmethod
    def load(cls, name: str) -> Self:
        """A load of a chamber."""
        return cls(SubjectKind.LOAD, (name,))

    @classmethod
    def parse(cls, text: str) -> Self | None:
        """The subject that a text names; None where it names none."""
        lead, colon, rest = text.partition(":")
        if colon and lead in SINGLE:
            return cls(SubjectKind(lead), (rest,))
        led = colon and lead in NAMES and lead != SubjectKind.STREAM
        kind, listed = (SubjectKind(lead), rest) if led else (SubjectKind.STREAM, text)
        try:
            names = json.loads(listed) if len(listed) <= LONGEST else None
        except ValueError:
            return None
        if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
            return None
        return cls(kind, tuple(names)) if len(names) == len(NAMES[kind]) else None

    def __str__(self) -> str:
        """The subject as the audit log keeps it."""
        if self.kind in SINGLE:
            return f"{self.kind}:{self.names[0]}"
        listed = json.dumps(self.names, ensure_ascii=False)
        return listed if self.kind == SubjectKind.STREAM else f"{self.kind}:{listed}"

    def named(self) -> dict[str, str]:
        """The names by what each is; empty for an alert and an account."""
        return dict(zip(NAMES.get(self.kind, ()), self.names, strict=False))
