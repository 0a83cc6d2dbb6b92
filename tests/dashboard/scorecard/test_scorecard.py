"""Every figure of a small quarter, recomputed by plain pandas from the raw readings."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from sqlalchemy import Connection
from support.labs import LAB_TOML, NOW, Bench, lot_rows

from dashboard.scorecard import scorecard
from ingest.common.errors import CallError
from ingest.config.lab import load
from ingest.quarter.lots import quarter
from ingest.quarter.overview import supplier_overview
from ingest.store.store import known_store
from spc.supplier import ranking

STANDARD = '\n[[check_standard]]\nsupplier = "Kept set"\nproduct = "coupon"\n'
Q2 = datetime(2026, 4, 6, 9, tzinfo=UTC)
Q3 = datetime(2026, 7, 6, 9, tzinfo=UTC)


def values(rng: np.random.Generator, level: float) -> list[list[float]]:
    """Three bags of four discharges."""
    bags = rng.normal(np.log(level), 0.08, 3)
    return [np.exp(rng.normal(bag, 0.05, 4)).round(3).tolist() for bag in bags]


def raw_rows() -> list[dict[str, object]]:
    rng = np.random.default_rng(11)
    rows: list[dict[str, object]] = []
    for week in range(8):
        for start, level in ((Q2, 9.0), (Q3, 11.0)):
            day = start + timedelta(weeks=week)
            rows += lot_rows(f"A{day:%m%d}", day, values(rng, level))
            rows += lot_rows(f"B{day:%m%d}", day + timedelta(hours=2), values(rng, 8.0), supplier="Birch Bags")
            rows += lot_rows(f"K{day:%m%d}", day, values(rng, 5.0), supplier="Kept set", product="coupon")
    rows += lot_rows("A-bad", Q3 + timedelta(weeks=9), [[24.0, 25.0], [26.0, 25.5]])
    # No log of chamber C9: the test is not valid, and counts against nobody.
    rows += lot_rows("A-unlogged", Q3 + timedelta(weeks=9, days=1), [[30.0, 31.0]], chamber="C9")
    # A lot that was judged in spring comes to the bench again.
    rows += lot_rows("A0406", Q3 + timedelta(weeks=9, days=2), [[28.0, 29.0], [27.0, 28.5]])
    return rows


@pytest.fixture(scope="module")
def lab_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = Bench(tmp_path_factory.mktemp("lab"), LAB_TOML + STANDARD)
    bench.drop_climate("log.csv", Q2 - timedelta(days=4), 24 * 180)
    bench.drop_tests("all.csv", raw_rows())
    bench.run()
    return bench.folder


@pytest.fixture
def connection(lab_folder: Path) -> Iterator[Connection]:
    store = known_store(lab_folder)
    assert store is not None
    with store.reading() as connection:
        yield connection


@pytest.fixture
def cards(lab_folder: Path, connection: Connection) -> dict[str, dict[str, Any]]:
    return {card["supplier"]: card for card in scorecard.documents(connection, load(lab_folder), "2026-Q3")}


def raw_levels(supplier: str, start: datetime) -> pd.DataFrame:
    """Of each regular lot of a quarter the mean of its bag means, its bag variance and its reading variance, in logs."""
    frame = pd.DataFrame(raw_rows())
    day = pd.to_datetime(frame["tested_at"], format="ISO8601")
    own = frame[(frame["supplier"] == supplier) & (day >= start) & (day < start + timedelta(weeks=12))]
    own = own[~own["lot"].isin(["A-unlogged", "A0406"]) | (start == Q2)].assign(y=lambda rows: np.log(rows["value"]))
    bags = own.groupby(["lot", "specimen"])["y"].agg(["mean", "var", "size"])
    lots = bags.groupby("lot").agg(level=("mean", "mean"), bag=("mean", "var"), bags=("mean", "size"))
    df = (bags["size"] - 1).groupby("lot").sum()
    return lots.assign(reading=(bags["var"] * (bags["size"] - 1)).groupby("lot").sum() / df, reading_df=df)


def test_counts_by_hand(cards: dict[str, dict[str, Any]]) -> None:
    alder = cards["Alder Film"]

    assert set(cards) == {"Alder Film", "Birch Bags"}
    # Eight regular lots, one bad, one without a log, one judged in spring: eleven lots were on the bench.
    assert alder["counts"] == {
        "lots": 11, "pass": 8, "fail": 1, "undecided": 0, "invalid": 1, "unlimited": 0, "set_aside": 0, "retested": 1,
        "readings": 8 * 12 + 4 + 2 + 4,
    }  # fmt: skip
    (row,) = alder["streams"]
    assert {key: row[key] for key in ("lots", "pass", "fail", "invalid", "retested")} == {
        "lots": 11, "pass": 8, "fail": 1, "invalid": 1, "retested": 1,
    }  # fmt: skip
    assert row["events"]["limit"] == 1
    assert {lot["lot"]: lot["standing"] for lot in row["lot_list"] if lot["lot"].startswith("A-")} == {
        "A-bad": "fail",
        "A-unlogged": "invalid",
    }


@pytest.mark.parametrize("supplier", ["Alder Film", "Birch Bags"])
def test_level_and_change_by_plain_pandas(cards: dict[str, dict[str, Any]], supplier: str) -> None:
    (row,) = cards[supplier]["streams"]
    now, before = raw_levels(supplier, Q3)["level"], raw_levels(supplier, Q2)["level"]
    theirs = stats.ttest_ind(now, before, equal_var=False).confidence_interval(0.95)
    interval = stats.t.interval(0.95, len(now) - 1, now.mean(), stats.sem(now))

    # Logs and exponentials of numbers near 2, a few roundings each.
    assert_allclose(row["level"], np.exp(now.mean()), rtol=1e-12)
    assert_allclose([row["level_low"], row["level_high"]], np.exp(interval), rtol=1e-11)
    assert_allclose(row["earlier_level"], np.exp(before.mean()), rtol=1e-12)
    change = [row[key] for key in ("change", "change_low", "change_high")]
    ratios = np.exp([now.mean() - before.mean(), theirs.low, theirs.high])
    assert_allclose(change, 100 * (ratios - 1), rtol=1e-9)
    assert (row["level_lots"], row["earlier_lots"]) == (len(now), len(before))
    assert_allclose([row["limit_upper"], row["room"]], [20.0, 20 / np.exp(now.mean())], rtol=1e-12)
    was = stats.t.interval(0.95, len(before) - 1, before.mean(), stats.sem(before))
    told = [row[key] for key in ("earlier_room", "earlier_room_low", "earlier_room_high")]
    assert_allclose(told, 20 / np.exp([before.mean(), was[1], was[0]]), rtol=1e-11)


def test_scatter_by_plain_pandas(cards: dict[str, dict[str, Any]]) -> None:
    (row,) = cards["Birch Bags"]["streams"]
    now, before = raw_levels("Birch Bags", Q3), raw_levels("Birch Bags", Q2)

    def pooled(lots: pd.DataFrame, name: str, df: pd.Series) -> float:
        return float(100 * np.sqrt((lots[name] * df).sum() / df.sum()))

    assert_allclose(row["lot_spread"], 100 * now["level"].std(), rtol=1e-10)
    assert_allclose(row["bag_spread"], pooled(now, "bag", now["bags"] - 1), rtol=1e-10)
    assert_allclose(row["reading_spread"], pooled(now, "reading", now["reading_df"]), rtol=1e-10)
    assert_allclose(row["earlier_bag_spread"], pooled(before, "bag", before["bags"] - 1), rtol=1e-10)
    # Of a normal sample: NIST/SEMATECH e-Handbook, section 1.3.5.8 (from memory).
    df = len(before) - 1
    edges = 100 * before["level"].std() * np.sqrt(df / stats.chi2.ppf([0.975, 0.025], df))
    assert_allclose([row["earlier_lot_spread_low"], row["earlier_lot_spread_high"]], edges, rtol=1e-9)


def test_the_direction_is_told(cards: dict[str, dict[str, Any]]) -> None:
    assert cards["Alder Film"]["streams"][0]["direction"] == "nearer"
    assert cards["Birch Bags"]["streams"][0]["direction"] == "unclear"


def test_the_standing_is_that_of_the_pooled_shares(cards: dict[str, dict[str, Any]]) -> None:
    found = ranking.shares([8, 8], [9, 8])

    for position, supplier in enumerate(("Alder Film", "Birch Bags")):
        standing = cards[supplier]["standing"]
        assert standing["share"] == found.share[position]
        assert (standing["place_first"], standing["place_last"], standing["placed"]) == (1, 2, 2)


def test_the_overview_draws_on_the_cards_alone(cards: dict[str, dict[str, Any]]) -> None:
    overview = supplier_overview(list(cards.values()))

    assert [row["supplier"] for row in overview["rows"]] == ["Alder Film", "Birch Bags"]
    assert [row["supplier"] for row in overview["moved"]] == ["Alder Film"]
    assert (overview["compared"], overview["streams"]) == (2, 2)
    assert {reason["what"] for reason in overview["rows"][0]["reasons"]} >= {"fail", "nearer"}


def test_the_card_of_one_supplier_is_that_among_all(
    lab_folder: Path, connection: Connection, cards: dict[str, dict[str, Any]]
) -> None:
    assert scorecard.documents(connection, load(lab_folder), "2026-Q3", "Birch Bags") == [cards["Birch Bags"]]


def test_a_quarter_without_one_before_compares_nothing(lab_folder: Path, connection: Connection) -> None:
    for card in scorecard.documents(connection, load(lab_folder), "2026-Q2"):
        assert [row["direction"] for row in card["streams"]] == ["not_compared"]
        assert card["finished"] is True


@pytest.mark.parametrize(
    ("name", "supplier", "said"),
    [
        ("2026-Q5", None, 'expected a quarter like 2026-Q3, got "2026-Q5"'),
        ("26-Q1", None, "expected a quarter"),
        ("2026-Q3\n", None, "expected a quarter"),
        ("0000-Q1", None, "expected a quarter"),
        ("2024-Q1", None, "no supplier had a test in 2024-Q1"),
        ("2026-Q3", "Nobody", 'supplier "Nobody" had no test'),
        ("2026-Q3", "Kept set", '"Kept set" is a check standard and no supplier; nothing was written'),
    ],
)
def test_a_wrong_call_says_what_is_wrong(
    lab_folder: Path, connection: Connection, name: str, supplier: str | None, said: str
) -> None:
    with pytest.raises(CallError, match=re.escape(said)):
        scorecard.documents(connection, load(lab_folder), name, supplier)


def test_a_quarter_runs_in_the_zone_of_the_lab(lab_folder: Path) -> None:
    # Lisbon keeps summer time in July: the third quarter begins an hour before it does in UTC.
    span = quarter("2026-Q3", load(lab_folder))

    assert datetime.fromtimestamp(span.start_us / 1e6, UTC) == datetime(2026, 6, 30, 23, tzinfo=UTC)
    assert datetime.fromtimestamp(span.end_us / 1e6, UTC) == datetime(2026, 9, 30, 23, tzinfo=UTC)
    assert quarter("2026-Q4", load(lab_folder)).last.isoformat() == "2026-12-31"


def test_what_the_bench_explains_is_set_aside(bench: Bench) -> None:
    bench.drop_climate("log.csv", Q3 - timedelta(days=4), 24 * 60)
    rows = [row for week in range(6) for row in lot_rows(f"L{week}", Q3 + timedelta(weeks=week), [[9.0, 9.1]] * 2)]
    rows += lot_rows("L-bad", Q3 + timedelta(weeks=6), [[30.0, 31.0]] * 2)
    bench.drop_tests("t.csv", rows)
    bench.run()
    store = known_store(bench.folder)
    assert store is not None
    with store.writing() as connection:
        connection.exec_driver_sql("UPDATE alert SET held_under = 'a bench finding' WHERE lot = 'L-bad'")
        # The finding doubles the level: without it the lot has half of 30.5 nJ, under its limit.
        connection.exec_driver_sql(
            "INSERT INTO bench_share (session_id, alert, stream_id, size, size_unit, level_without) "
            "SELECT s.id, 'a bench finding', s.stream_id, 100.0, '%', s.level_unit / 2 FROM session s "
            "JOIN lot l ON l.id = s.lot_id WHERE l.lot = 'L-bad'"
        )

    with store.reading() as connection:
        (card,) = scorecard.documents(connection, load(bench.folder), "2026-Q3")

    assert {key: card["counts"][key] for key in ("pass", "fail", "set_aside")} == {"pass": 6, "fail": 0, "set_aside": 1}
    (row,) = card["streams"]
    assert row["events"]["limit"] == 0
    assert row["explained_by_bench"] >= 1
    assert row["level_lots"] == 6
    assert card["standing"]["conforming"] == card["standing"]["decided"] == 6


def test_a_correction_after_the_quarter_is_told(bench: Bench) -> None:
    bench.drop_climate("log.csv", Q3 - timedelta(days=4), 24 * 8)
    bench.drop_tests("t.csv", lot_rows("L1", Q3, [[9.0, 9.1]] * 2))
    bench.run(NOW - timedelta(days=100))
    bench.drop_tests("u.csv", lot_rows("L1", Q3, [[9.0, 9.3]] * 2))
    bench.run(NOW)
    store = known_store(bench.folder)
    assert store is not None

    with store.reading() as connection:
        (card,) = scorecard.documents(connection, load(bench.folder), "2026-Q3")

    assert card["corrected_since"] == 2
    assert card["drawn_up_at"] == NOW.isoformat()
