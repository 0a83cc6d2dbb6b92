"""A lot: its test sessions with conditioning and verdict, and every reading."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired

from pydantic import Field
from typing_extensions import TypedDict

from ingest.documents.alert import Alert
from ingest.documents.bench.bench_mark import BenchMark
from ingest.documents.bench.capture import SessionCaptures
from ingest.documents.entries import SubjectEntry
from ingest.documents.fields import Bound, ConditioningState, Count, Day, Digits, JudgedBy, Moment
from ingest.documents.stock import ShelfLotDay
from ingest.documents.stream import Limit
from ingest.documents.verdict.bag_count import BagCount
from ingest.documents.verdict.conformity import Conformity
from spc.vocabulary.enums import Scale, Verdict

__all__ = [
    "EarlierValue",
    "LevelRange",
    "LimitSources",
    "LotDocument",
    "Reading",
    "RefusedRow",
    "Session",
    "SessionBench",
    "SessionConditioning",
    "SessionMark",
    "TestedLot",
]

Positive = Annotated[float, Field(gt=0)]


class Reading(TypedDict):
    """One reading as it was written, and in the unit."""

    specimen: Count
    reading: Count
    value: Positive
    bound: Bound
    unit: str
    written: str
    tested_at: Moment
    operator: str
    file: str
    line: Count
    notes: dict[str, str]
    state: Literal["stored", "corrected"]
    marked: bool


class SessionConditioning(TypedDict):
    """What the chamber log shows before a session."""

    state: ConditioningState
    required: bool
    hours: float | None
    humidity_min: float | None
    humidity_max: float | None
    # What the hours were counted for, when the load went in, and how many allowed door openings were used.
    clock: Literal["specimen", "chamber"]
    loaded_at: Moment | None
    doors: Count


class SessionBench(TypedDict):
    """State of the instrument that day; of several instruments, by the order of their readings, the worst."""

    instruments: list[str]
    state: Literal["checked", "unchecked", "overdue", "failed"]


class SessionMark(TypedDict):
    """Why the values of a session may be a slip, and how a person settled it."""

    told: str
    low: float
    high: float
    settled: Literal["stands as written", "set aside"] | None


class LimitSources(TypedDict):
    """Where the limits of a session come from."""

    lower: Limit | None
    upper: Limit | None


class LevelRange(TypedDict):
    """The levels that bounded readings leave open, in the unit; null where an end has no bound."""

    low: float | None
    high: float | None


class Session(TypedDict):
    """One test session of a lot; `bags_outside` are the bags that `bag_count` counts as outside, by their number."""

    product: str
    characteristic: str
    unit: str
    tested_at: Moment
    digits: NotRequired[Digits]
    ended_at: Moment
    chamber: str
    instrument: str
    load: str
    conditioning: SessionConditioning
    bench: SessionBench
    level: float | None
    level_range: LevelRange | None
    worst: float | None
    worst_bound: Bound
    bag_count: BagCount | None
    bags_outside: list[Count]
    outside_control_limits: bool
    judged_by: JudgedBy
    scale: Scale
    limit_lower: float | None
    limit_upper: float | None
    limit_document: str | None
    limit_sources: LimitSources
    judged: float | None
    verdict: Verdict
    bags: Count
    mark: SessionMark | None
    conformity: Conformity | None
    bench_findings: list[BenchMark]
    # Captured discharges beside their recorded figures; null where there are none.
    captures: SessionCaptures | None
    readings: list[Reading]


class LotDocument(TypedDict):
    """One lot, every reading and session.

    `decision` is the last one of a person on the lot. `alerts` are those that this lot raised, `stream_alerts` those that other
    lots of its streams raised and that are not closed. An open alert about lots in stock counts among `alerts` where it names this lot.
    `stock` are the rows of the shelf for a lot that is past its date, near it or on hold, none where stock is not counted. A check standard monitors the bench: nobody releases it.
    """

    supplier: str
    product: str
    lot: str
    received_on: Day | None
    made_on: Day | None
    check_standard: bool
    decision: SubjectEntry | None
    sessions: list[Session]
    alerts: list[Alert]
    stream_alerts: list[Alert]
    stock: list[ShelfLotDay]


class TestedLot(TypedDict):
    """A lot of a supplier with the verdict on each characteristic."""

    product: str
    lot: str
    tested_at: Moment
    verdicts: dict[str, Verdict]


class EarlierValue(TypedDict):
    """What a reading said before it was corrected."""

    characteristic: str
    specimen: Count
    reading: Count
    value: Positive
    bound: Bound
    written: str
    file: str
    line: Count
    replaced_by: str
    unit: str
    digits: NotRequired[Digits]
    tested_at: Moment
    replaced_at: Moment


class RefusedRow(TypedDict):
    """A row of a file that was refused, and why."""

    file: str
    line: Count
    reason: str
