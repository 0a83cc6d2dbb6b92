"""What the bench page reads of the chambers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from scipy import stats
from support.labs import MONDAY, Bench, csv_text, lot_rows

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


def test_the_share_of_streams_that_move_is_estimated_from_the_alerts_of_the_lab(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 31)
    rows = []
    for place, name in enumerate(("A", "B", "C")):
        random = np.random.default_rng(place)
        for week in range(30):
            level = 10.0 * np.exp(0.03 * random.standard_normal() + (0.4 if place == 0 and week >= 20 else 0.0))
            rows += lot_rows(f"{name}{week}", MONDAY + timedelta(weeks=week, hours=place), [[level]] * 3, product=name)
    bench.drop_tests("t.csv", rows)
    bench.run()
    with open_store(bench.folder).reading() as connection:
        document = bench_queries.bench(connection, load(bench.folder))
    moving = document["moving"]

    assert (moving["weeks"], moving["streams"], moving["moved"]) == (52, 3, 1)
    # One in three, less the chance of a false drift alert within a year: 0.2 alerts a year, 0.65 of them for drift.
    chance = 1 - np.exp(-0.2 * 0.65 * 52 * 7 / 365.2425)
    assert moving["share"] == pytest.approx((1 / 3 - chance) / (1 - chance))
    assert moving["low"] == 0.0
    # Clopper and Pearson (1934): 1 of 3 at 95 %, by scipy.
    assert moving["high"] == pytest.approx((stats.binomtest(1, 3).proportion_ci().high - chance) / (1 - chance))
    # The drift and the chance of a failing lot after it.
    assert document["attribution"] == {"weeks": 26, "alerts": 2, "attributed": 0, "large": False}
