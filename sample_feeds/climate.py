"""The half-hourly logs of the chambers, drawn from a seed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from random import Random

from sample_feeds.scenario import CHAMBERS, HUMIDITY, SEED

__all__ = ["STEP", "ChamberLog", "chamber_log"]

STEP = timedelta(minutes=30)
LOG_FROM = datetime(2025, 6, 1, tzinfo=UTC)
# A door that opens lets in moist air; half of it is gone with every entry of the log.
DOOR_PERCENT = 1.4
LOADING_HOUR, TESTING_HOUR = 16, 8
SOAK_ENTRIES = 96
# Control keeps the humidity here; what HUMIDITY adds beyond OUT_OF_CONTROL is more than it can hold.
HELD, OUT_OF_CONTROL = (10.2, 14.4), 3.0


@dataclass(frozen=True, slots=True)
class ChamberLog:
    """Entries of one chamber at LOG_FROM and every STEP after it, in percent and degrees Celsius."""

    chamber: str
    humidity: tuple[float, ...]
    temperature: tuple[float, ...]

    def entries(self) -> Iterator[tuple[datetime, float, float]]:
        """Give each entry with its moment."""
        for number, (humidity, temperature) in enumerate(zip(self.humidity, self.temperature, strict=True)):
            yield LOG_FROM + number * STEP, humidity, temperature

    def soaked_at(self, moment: datetime) -> float:
        """Mean humidity of the 48 hours before a test, in percent."""
        end = (moment - LOG_FROM) // STEP + 1
        return sum(self.humidity[end - SOAK_ENTRIES : end]) / SOAK_ENTRIES


def chamber_log(chamber: str, until: datetime) -> ChamberLog:
    """Draw the log of a chamber up to a moment."""
    rng = Random(f"{SEED} log {chamber}")
    wander = door = warmth = 0.0
    humidity, temperature = [], []
    for number in range((until - LOG_FROM) // STEP + 1):
        moment = LOG_FROM + number * STEP
        wander = 0.95 * wander + rng.normalvariate(0, 0.09)
        warmth = 0.96 * warmth + rng.normalvariate(0, 0.06)
        door = DOOR_PERCENT * rng.uniform(0.6, 1) if _door_opens(chamber, moment) else door / 2
        humidity.append(_held(12 + wander + door, _added(chamber, moment)))
        temperature.append(round(23 + warmth, 1))
    return ChamberLog(chamber, tuple(humidity), tuple(temperature))


def _door_opens(chamber: str, moment: datetime) -> bool:
    opened = {(0, LOADING_HOUR), (CHAMBERS[chamber], TESTING_HOUR)}
    return (moment.weekday(), moment.hour) in opened and moment.minute == 0


def _held(humidity: float, added: float) -> float:
    low, high = HELD
    whole = humidity + added
    return round(whole if added > OUT_OF_CONTROL else min(max(whole, low), high), 1)


def _added(chamber: str, moment: datetime) -> float:
    for (early, low), (late, high) in pairwise(HUMIDITY[chamber]):
        if early <= moment < late:
            return low + (high - low) * ((moment - early) / (late - early))
    return 0.0
