"""What stands in the chambers, and when it may be tested."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.bench.instrument import OverdueInstrument
from ingest.documents.bench.sensor import Sensor
from ingest.documents.fields import Count, Moment

__all__ = ["ChamberWord", "LoadState", "PlannedLoad", "ReadyChamber", "ReadyDocument", "ReadyLoad", "ReadyLot"]

ChamberWord = Literal["inside", "outside", "silent"]
LoadState = Literal["waiting", "ready", "broken", "silent"]


class ReadyLot(TypedDict):
    """A lot in a load."""

    supplier: str
    product: str
    lot: str
    specimens: str


class ReadyLoad(TypedDict):
    """A load in a chamber.

    `hours` are those shown without a break, of `required_hours`. `since` is the moment from which the state holds; `ready_at` is null
    where no moment can be stated. `restarted_at`, `lost_hours` and `reason` describe a break after the load went in; `reason` also the one
    that lasts. `stack_hours` is, for piled bags, in how many hours a stack comes near the humidity of the chamber, from thin to thick bags; null for
    others. `sessions` counts the test sessions of the load so far, `invalid` those that do not count. `recorded_in` is the file or the form
    that the latest event of the load came from. `planned_at` is the time for which its first test is planned, null without a plan;
    `earliest_at` is the time before which the load can't be ready, whatever the log shows after its last entry.
    `too_early` where the test is planned before that and the load is not ready.
    """

    load: str
    lots: list[ReadyLot]
    laid: str
    stack_hours: tuple[float, float] | None
    in_since: Moment
    state: LoadState
    hours: float
    required_hours: float
    since: Moment
    ready_at: Moment | None
    reason: str | None
    restarted_at: Moment | None
    lost_hours: float
    sessions: Count
    invalid: Count
    recorded_in: str
    planned_at: Moment | None
    earliest_at: Moment
    too_early: bool


class PlannedLoad(TypedDict):
    """A load whose test is planned although no record says that it was put in.

    `chamber` is the one that its latest record names. `put_in_by` is the latest time at which it can go in and be ready at `planned_at`, if nothing
    happens; `too_early` where that has gone by. `recorded_in` is the file or the form that the latest event of the load came from.
    """

    load: str
    lots: list[ReadyLot]
    chamber: str
    planned_at: Moment
    required_hours: float
    put_in_by: Moment
    too_early: bool
    recorded_in: str


class ReadyChamber(TypedDict):
    """A chamber by its last log entry.

    `state` is `inside` or `outside` tolerance, or `silent` where the logger has been for longer than allowed. `since` is the start of that
    state, or the first entry that was looked at where `since_at_least` says so; bags that were in the chamber by then are `ready_at`. `sensor` is
    null where the humidity sensor is neither declared nor checked.
    """

    name: str
    conditioning: str
    state: ChamberWord
    since: Moment
    since_at_least: bool
    ready_at: Moment | None
    last_at: Moment
    humidity: float | None
    temperature_c: float | None
    loads: list[ReadyLoad]
    sensor: Sensor | None


class ReadyDocument(TypedDict):
    """Every chamber with a log, and the loads in it, at a moment; `not_put_in` are planned for a test and in no chamber.

    `overdue` are the instruments in use whose calibration is past its due date.
    """

    at: Moment
    loads_on_record: bool
    chambers: list[ReadyChamber]
    not_put_in: list[PlannedLoad]
    overdue: list[OverdueInstrument]
