"""What the bench page reads of the chambers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from support.labs import MONDAY, Bench, csv_text

from dashboard.queries import bench_queries
from ingest.config.lab import load
from ingest.store.store import open_store

pytestmark = pytest.mark.usefixtures("lab_clock")

HEADS = ("logged_at", "chamber", "humidity_percent", "temperature_c")


def chamber_of(bench: Bench, entries: list[tuple[timedelta, float, float]]) -> dict[str, Any]:
    """The chamber of a log as the bench page has it, after a round."""
    rows = [((MONDAY + after).isoformat(), "C1", humidity, warmth) for after, humidity, warmth in entries]
    bench.drop("log.csv", csv_text(HEADS, rows), "climate")
    bench.run()
    with open_store(bench.folder).reading() as connection:
        (chamber,) = bench_queries.bench(connection, load(bench.folder))["chambers"]
    found: dict[str, Any] = chamber
    return found


def test_a_thinned_trace_keeps_every_peak_of_humidity_and_temperature(bench: Bench) -> None:
    random = np.random.default_rng(7)
    humidity, warmth = (mean + random.normal(0, 0.2, 4_000).round(3) for mean in (12.0, 23.0))
    # A peak up and down in each trace, far apart, none at the same entry as another.
    for trace, place, value in (
        (humidity, 500, 19.0),
        (humidity, 501, 6.0),
        (warmth, 502, 29.0),
        (warmth, 2_900, 17.0),
    ):
        trace[place] = value
    entries = [(timedelta(minutes=5 * place), *both) for place, both in enumerate(zip(humidity, warmth, strict=True))]

    trace = chamber_of(bench, [(after, float(one), float(two)) for after, one, two in entries])["trace"]

    assert len(trace["times"]) <= 4 * bench_queries.TRACE_STRETCHES + 2
    assert (min(trace["humidity"]), max(trace["humidity"])) == (6.0, 19.0)
    assert (min(trace["temperature"]), max(trace["temperature"])) == (17.0, 29.0)
    assert trace["times"] == sorted(trace["times"])
    assert (trace["times"][-1], trace["humidity"][-1]) == ("2026-01-19T06:15:00+00:00", float(humidity[-1]))
    # Literally: the extremes of every stretch of 20 entries are drawn.
    for trace_name, values in (("humidity", humidity), ("temperature", warmth)):
        drawn = set(trace[trace_name])
        for start in range(0, 4_000, 20):
            part = values[start : start + 20]
            assert {float(part.min()), float(part.max())} <= drawn


def test_a_thinned_trace_is_broken_at_a_gap_and_at_no_other_place(bench: Bench) -> None:
    minutes = [5 * place + (600 if place >= 1_000 else 0) for place in range(2_000)]
    entries = [(timedelta(minutes=minute), 12.0, 23.0) for minute in minutes]

    chamber = chamber_of(bench, entries)

    trace, gap = chamber["trace"], chamber["trace"]["humidity"].index(None)
    assert trace["humidity"].count(None) == chamber["gaps"] == 1
    # The entries at both edges of the gap are drawn.
    last, first = (MONDAY + timedelta(minutes=minutes[place]) for place in (999, 1_000))
    assert (trace["times"][gap - 1], trace["times"][gap + 1]) == (last.isoformat(), first.isoformat())


def test_a_chamber_that_is_too_warm_is_outside_although_its_humidity_is_right(bench: Bench) -> None:
    entries = [(timedelta(minutes=30 * step), 12.0, 23.0 if step < 4 else 26.5) for step in range(6)]

    chamber = chamber_of(bench, entries)

    assert (chamber["last_inside"], chamber["hours_outside"], chamber["gaps"]) == (False, 1.0, 0)
