"""A humidity sensor: its checks against references, its second sensor, and what was measured while it was not known to be right."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Moment

__all__ = ["SecondSensor", "Sensor", "SensorCheck", "SensorState"]

SensorState = Literal["checked", "unchecked", "failed"]


class SensorCheck(TypedDict):
    """A check of a sensor; humidities and expanded uncertainty (k = 2) in % RH.

    `error` is the normalised error: the difference over the expanded uncertainty of sensor and reference together, null where the uncertainty of
    the sensor is not declared; the check is then `open`.
    """

    at: Moment
    by: str
    reads: float
    reference: float
    uncertainty: float
    salt: str
    error: float | None
    outcome: Literal["passed", "failed", "open"]


class SecondSensor(TypedDict):
    """The second sensor of a chamber less the logged one, in % RH: the mean of the daily median differences of `days` days, with its 95 % interval.

    `apart` where the interval lies beyond `allowed`, the expanded uncertainty of both sensors together; null where none is declared.
    """

    name: str
    days: int
    difference: float
    low: float
    high: float
    allowed: float | None
    apart: bool | None


class Sensor(TypedDict):
    """A humidity sensor by the name under which it is logged.

    `surely_low` and `surely_high` bound the readings for which the chamber is inside tolerance for sure, null where the uncertainty is not declared
    or leaves none. `doubtful_from` is the last good check before a failed one; what was measured since then, up to `doubtful_until`, is marked.
    """

    name: str
    chamber: str
    state: SensorState
    uncertainty: float | None
    counts: bool
    surely_low: float | None
    surely_high: float | None
    doubtful_from: Moment | None
    doubtful_until: Moment | None
    checks: list[SensorCheck]
    second: SecondSensor | None
