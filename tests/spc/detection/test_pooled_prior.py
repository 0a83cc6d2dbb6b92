"""What streams tell of each other: true on average, never from a later lot, and the same however the drops came."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from statsmodels.tsa.stattools import acf
from support.labs import MONDAY, Bench, lot_rows

from ingest.alerts.shared_shift_points import points_of
from ingest.common.instants import WEEK_US
from ingest.config.lab import load
from ingest.evaluation import pooled_autocorrelation
from ingest.evaluation.pooled_autocorrelation import pools_of, update_pooled_autocorrelation
from ingest.evaluation.reference_scores import changed_from
from ingest.store.store import known_store
from spc import detection
from spc.detection import NO_POOL
from spc.detection.autocorrelation import posterior_mean
from spc.detection.pooled_prior import BLOCK_WEEKS


def streams(correlation: float, count: int, lots: int, seed: int = 1) -> np.ndarray:
    """Levels of first-order dependence, (count, lots)."""
    rng = np.random.default_rng(seed)
    levels = rng.standard_normal((count, lots))
    for t in range(1, lots):
        levels[:, t] = correlation * levels[:, t - 1] + np.sqrt(1 - correlation**2) * levels[:, t]
    return levels


def sums_of(levels: np.ndarray, weeks: np.ndarray | None = None):
    count, lots = levels.shape
    when = np.arange(float(lots)) if weeks is None else weeks
    return detection.lag_sums(np.repeat(np.arange(count), lots), np.tile(when, count), levels.ravel())


@pytest.mark.parametrize("correlation", [0.0, 0.3, 0.6])
def test_sisters_agree_with_the_autocorrelation_of_a_general_library(correlation):
    levels = streams(correlation, count=60, lots=200)
    said = detection.pool(sums_of(levels))
    # statsmodels' estimate is biased by about -(1 + 3r) / n, added back (Kendall 1954, from memory); ours is rounded to
    # 0.05. Each of the two means has a standard error below 0.013.
    usual = np.mean([acf(stream, nlags=1, fft=False)[1] for stream in levels]) + (1 + 3 * correlation) / 200
    mean = said.expected_autocorrelation(np.array([1e6]))[0]
    assert mean == pytest.approx(usual, abs=0.025 + 4 * 0.013)


def test_the_share_of_independent_streams_is_estimated():
    few = [streams(r, count=4, lots=100, seed=int(100 * r)) for r in (0.3, 0.4, 0.5)]
    mixed = detection.pool(sums_of(np.vstack([streams(0.0, count=96, lots=100), *few])))
    alike = detection.pool(sums_of(streams(0.4, count=108, lots=100)))
    # 96 of 108 streams are independent; the estimate is rounded to 0.1 and has a standard error of about 0.1.
    assert 0.7 <= mixed.independent[-1] <= 1.0
    assert alike.independent[-1] <= 0.2
    # One stream may differ however many agree: its prior has at most 0.7 on no autocorrelation.
    assert mixed.at(np.array([1e6]))[0] == min(mixed.independent[-1], 0.7)


def test_the_prior_scatter_is_that_of_streams_whose_variances_follow_an_inverse_chi_squared_law():
    # 400 streams of 60 lots whose variances are 4 * 0.01 over a chi-squared variable of 4 degrees of freedom: the log of their
    # middle has a standard error of 0.05, is 0.1 higher for tails and rounded up to 0.1; the degrees of freedom have a standard
    # error of about 0.5 and are rounded down.
    rng = np.random.default_rng(6)
    variances = 4 * 0.01 / rng.chisquare(4, 400)
    prior = detection.pool(sums_of(np.sqrt(variances)[:, None] * rng.standard_normal((400, 60))))
    assert np.log(prior.scatter[-1]) == pytest.approx(np.log(variances).mean() + 0.15, abs=0.05 + 4 * 0.05)
    assert 2 <= prior.scatter_lots[-1] <= 5
    equal = detection.pool(sums_of(rng.standard_normal((400, 60))))
    assert equal.scatter_lots[-1] == 12


def test_a_stream_of_few_lots_is_moved_less_from_its_prior_than_one_of_many():
    prior = (np.array([0.7, 0.7]), np.array([0.4, 0.4]))
    few, many = posterior_mean(np.array([0.5, 0.5]), np.array([8.0, 80.0]), *prior)
    assert few < 0.25
    assert many == pytest.approx(0.5, abs=0.06)
    none, one = posterior_mean(np.array([0.0, 0.0]), np.array([8.0, 80.0]), *prior)
    assert none < 0.12
    assert one < 0.03


def test_a_scale_of_its_own_and_wild_lots_in_some_streams_change_little():
    levels = streams(0.4, count=40, lots=100)
    wild = levels * np.geomspace(0.01, 100.0, 40)[:, None]
    wild[::4, 50] *= 30.0
    late = np.array([1e6])
    first, second = (detection.pool(sums_of(one)).expected_autocorrelation(late)[0] for one in (levels, wild))
    assert second == pytest.approx(first, abs=0.05)


def test_what_sisters_say_of_a_week_hangs_on_no_later_lot():
    levels = streams(0.5, count=20, lots=80)
    whole = detection.pool(sums_of(levels))
    changed = levels.copy()
    changed[:, 52:] = streams(0.0, count=20, lots=28, seed=2)
    other = detection.pool(sums_of(changed))
    early = np.arange(52.0 + BLOCK_WEEKS)
    assert all((a == b).all() for a, b in zip(whole.at(early), other.at(early), strict=True))
    late = np.array([1e6])
    assert whole.expected_autocorrelation(late)[0] > other.expected_autocorrelation(late)[0]


def test_few_streams_say_nothing():
    said = detection.pool(sums_of(streams(0.5, count=4, lots=100)))
    assert said.from_weeks.size == 0
    assert detection.pool(sums_of(np.empty((0, 0)))).from_weeks.size == 0
    # The caution of a stream alone is common practice: two in three mildly alike; nothing known of the scatter.
    assert [one.tolist() for one in said.at(np.array([3.0]))] == [[1 / 3], [0.3], [0.0], [0.0]]


# In the store


def fill(bench: Bench, suppliers: int = 6, lots: int = 34) -> dict[str, list[dict[str, object]]]:
    """A lot a week of each supplier, all of a month in one drop a supplier."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * (lots + 1))
    levels = streams(0.6, suppliers, lots, seed=5)
    drops: dict[str, list[dict[str, object]]] = {}
    for number in range(suppliers):
        for lot in range(lots):
            level = 10.0 * np.exp(0.1 * levels[number, lot])
            rows = lot_rows(
                f"L{number}-{lot}",
                MONDAY + timedelta(weeks=lot, hours=number),
                [[round(float(level) * step, 3)] for step in (0.98, 1.0, 1.03)],
                supplier=f"Supplier {number}",
            )
            drops.setdefault(f"{lot // 6:02}-{number}.csv", []).extend(rows)
    return drops


def derived(bench: Bench) -> dict[str, list[tuple[object, ...]]]:
    """What the rounds derived for the detector, and the alerts, by names that do not hang on the order of arrival."""
    store = known_store(bench.folder)
    assert store is not None
    of_stream = "JOIN stream t ON t.id = x.stream_id ORDER BY t.supplier"
    asked = {
        "sister": "SELECT characteristic, said FROM sister ORDER BY 1",
        "watched": f"SELECT t.supplier, x.said FROM watched x {of_stream}",
        "neighbour": f"SELECT t.supplier, x.block, x.pairs_1, x.apart_1, x.apart_3 FROM neighbour x {of_stream}, x.block",
        "alert": "SELECT id, message, evidence, state FROM alert ORDER BY id",
        "evaluation": f"SELECT t.supplier, x.document FROM evaluation x {of_stream}",
    }
    with store.reading() as connection:
        return {name: [tuple(row) for row in connection.exec_driver_sql(sql)] for name, sql in asked.items()}


def test_drops_in_any_order_and_all_at_once_end_in_the_same_words(tmp_path: Path):
    at_once, in_order, backwards = (Bench(tmp_path / name) for name in ("a", "b", "c"))
    waiting = {name: rows for bench in (at_once, in_order, backwards) for name, rows in fill(bench).items()}
    for name, rows in waiting.items():
        at_once.drop_tests(name, rows)
    at_once.run()
    expected = derived(at_once)
    assert expected["sister"]
    assert "[]" not in expected["sister"][0]

    months = sorted({name[:2] for name in waiting})
    for bench, order in ((in_order, months), (backwards, months[::-1])):
        for month in order:
            for name in (name for name in waiting if name.startswith(month)):
                bench.drop_tests(name, waiting[name])
            bench.run()
        assert derived(bench) == expected


def test_a_new_lot_is_judged_on_from_what_was_said(bench: Bench, monkeypatch: pytest.MonkeyPatch):
    waiting = fill(bench, suppliers=2)
    last = max(waiting)
    for name, rows in waiting.items():
        bench.drop_tests(name, rows if name != last else rows[:-3])
    bench.run()
    judged = []
    plain = detection.detector.detect_new
    monkeypatch.setattr(detection.detector, "detect_new", lambda *call: judged.append(call[1].tolist()) or plain(*call))
    bench.drop_tests("new.csv", waiting[last][-3:])
    assert bench.run().evaluated == 1
    assert judged == [[33]]


def test_the_search_for_shifts_in_common_hears_what_sisters_say(bench: Bench):
    for name, rows in fill(bench).items():
        bench.drop_tests(name, rows)
    bench.run()
    lab, store = load(bench.folder), known_store(bench.folder)
    assert store is not None
    with store.writing() as connection:
        points = points_of(connection, lab, None)
        (said,) = pools_of(connection).values()
        expected = said.expected_autocorrelation(points["weeks"].to_numpy())
        assert set(expected) > set(NO_POOL.expected_autocorrelation(np.zeros(1)))
        assert_allclose(points["alike"], expected, rtol=0, atol=0)

        # A pooled value that is new has the search look again from there on.
        assert changed_from(connection) is None
        stored = connection.exec_driver_sql("SELECT said FROM sister").scalar()
        *earlier, newest = json.loads(str(stored))
        connection.exec_driver_sql("UPDATE sister SET said = ?", (json.dumps(earlier),))
        update_pooled_autocorrelation(connection, lab)
        assert changed_from(connection) is None  # no lot is new, so no sum is
        pooled_autocorrelation._update_pool(connection, "shielding_energy")
        assert changed_from(connection) == int(newest[0] * WEEK_US)
