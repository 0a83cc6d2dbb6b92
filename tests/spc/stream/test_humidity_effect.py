"""Humidity inside its tolerance: the slope through whole rounds against a regression of another library."""

from __future__ import annotations

import json
from datetime import UTC, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from click.testing import CliRunner
from numpy.testing import assert_allclose
from support.labs import MONDAY, Bench, lot_rows

from dashboard.cli import main
from dashboard.text.formatting import humidity
from ingest.config.lab import load
from ingest.evaluation.alert_text import bench_message
from ingest.evaluation.humidity_effect import humidity_of
from ingest.store.store import open_store

WEEKS = 30


def fill(bench: Bench) -> pd.DataFrame:
    """Resistance falls by 10 % for each percent of humidity; each week's 60 hours are at one humidity."""
    rng, rows = np.random.default_rng(8), []
    for week in range(WEEKS):
        tested, percent = MONDAY + timedelta(weeks=week), round(float(rng.uniform(10.0, 14.0)), 2)
        bench.drop_climate(f"log{week}.csv", tested - timedelta(hours=60), 60, humidity=percent)
        level = 20.0 - 0.1 * (percent - 12.0) + 0.05 * rng.standard_normal()
        bags = np.exp(level + 0.05 * rng.standard_normal((4, 1))).tolist()
        bench.drop_tests(
            f"wk{week:02}.csv", lot_rows(f"L{week}", tested, bags, characteristic="surface_resistance", unit="ohm")
        )
        rows.append((tested, percent, float(np.log(bags).mean())))
    return pd.DataFrame(rows, columns=["tested", "humidity", "level"])


def test_the_stored_slope_is_that_of_another_library(bench: Bench) -> None:
    lots = fill(bench)
    bench.run()
    found = CliRunner().invoke(
        main, ["stream", "Alder Film", "MB-10", "surface_resistance", "--lab", str(bench.folder), "--json"]
    )
    document = json.loads(found.stdout)
    quarter = (lots["tested"].map(lambda when: int(when.timestamp())) // (13 * 7 * 86_400)).astype(str)
    fit = smf.ols("level ~ humidity + C(quarter)", lots.assign(quarter=quarter)).fit()
    low, high = fit.conf_int().loc["humidity"]
    wanted = 100 * np.expm1([fit.params["humidity"], low, high])
    told = document["humidity"]
    # Two least squares routes; levels near 20 with scatter 0.05.
    assert_allclose([told["slope"], told["slope_low"], told["slope_high"]], wanted, rtol=1e-8)
    assert told["matters"]
    assert told["lots"] == WEEKS
    # Adjusted levels: each level moved along that line to 12 %.
    last = document["points"][-1]
    moved = np.exp(lots["level"].iloc[-1] - fit.params["humidity"] * (lots["humidity"].iloc[-1] - 12.0))
    assert_allclose(last["adjusted_level"], moved, rtol=1e-8)
    assert_allclose(last["level"], np.exp(lots["level"].iloc[-1]), rtol=1e-12)


def test_a_stream_says_in_a_sentence_what_humidity_does() -> None:
    found = {
        "slope": -9.5, "slope_low": -12.0, "slope_high": -7.0, "slope_unit": "%", "lots": 30, "matters": True, "known": True,
        "adjusted_to": 12.0,
    }  # fmt: skip
    document = {"humidity": found, "unit": "ohm", "points": [{"adjusted_level": 5.0e8}, {"adjusted_level": None}]}
    said = humidity(document)
    assert said.startswith("−9.5 % per 1 % RH (−12 to −7), from 30 lots.")
    assert said.endswith("for information only; the measured value is the record.")
    none = humidity({"humidity": {**found, "matters": False, "slope_high": 3.0}, "points": []})
    assert none == "No effect of humidity within tolerance found in 30 lots: −12 to +3 % per 1 % RH."
    assert humidity({"humidity": None}).startswith("The effect of humidity is not known")


@pytest.mark.parametrize(
    ("during", "size", "told"),
    [
        (
            13.9,
            -20.0,
            "13.9 % RH, 12.0 % in the weeks before (damper air lowers resistance: humidity alone can do this)",
        ),
        (11.4, 25.0, "11.4 % RH, 12.0 % in the weeks before (drier air raises resistance: humidity alone can do this)"),
        (13.9, 25.0, "(damper air lowers resistance, so humidity did not do this)"),
        (12.2, -20.0, "12.2 % RH, 12.0 % in the weeks before"),
    ],
)
def test_a_shift_of_a_chamber_says_whether_humidity_alone_can_do_it(during: float, size: float, told: str) -> None:
    # That films conduct better in damper air is common practice.
    evidence = {
        "suspect_kind": "chamber and quantity",
        "suspect": "north",
        "quantity": "resistance",
        "direction": int(np.sign(size)),
        "since_us": 0,
        "until_us": None,
        "returned": False,
        "off_from_us": 0,
        "off_until_us": None,
        "shifts": [{"quantity": "resistance", "unit": "%", "size": size}],
        "check_score": None,
        "suppliers": 4,
        "agreeing": 4,
        "humidity": {"before": 12.0, "during": during},
    }
    assert bench_message(evidence, UTC).endswith(told)


def test_a_return_to_normal_is_stated_as_the_weeks_that_were_off() -> None:
    evidence = {
        "suspect_kind": "chamber and quantity",
        "suspect": "north",
        "quantity": "resistance",
        "direction": 1,
        "since_us": 4 * 604_800_000_000,
        "until_us": None,
        "returned": True,
        "off_from_us": 0,
        "off_until_us": 4 * 604_800_000_000,
        "shifts": [{"quantity": "resistance", "unit": "%", "size": 27.0}],
        "check_score": None,
        "suppliers": 4,
        "agreeing": 4,
        "humidity": {"before": 13.5, "during": 12.0},
    }
    sentence = bench_message(evidence, UTC)
    # 27 % higher after is 21 % lower before: 1 / 1.27 is 0.787.
    assert "read 21 % low from about 1 Jan 1970, normal again from 29 Jan 1970" in sentence
    assert sentence.endswith(
        "conditioned at 13.5 % RH, 12.0 % since (damper air lowers resistance: humidity alone can do this)"
    )


def test_humidity_says_nothing_of_energy() -> None:
    evidence = {
        "suspect_kind": "chamber",
        "suspect": "north",
        "quantity": None,
        "since_us": 0,
        "until_us": None,
        "returned": False,
        "off_from_us": 0,
        "off_until_us": None,
        "shifts": [{"quantity": "energy", "unit": "%", "size": 9.0}],
        "check_score": None,
        "suppliers": 4,
        "agreeing": 4,
        "humidity": {"before": 12.0, "during": 13.9},
    }
    assert bench_message(evidence, UTC).endswith("12.0 % in the weeks before")


def test_round_by_round_and_all_at_once_say_the_same_of_humidity(tmp_path: Path) -> None:
    """Two streams of one product, the later drops of one of them only: the other's part of the slope is kept."""
    told = []
    for name, in_rounds in (("once", False), ("rounds", True)):
        bench, rng = Bench(tmp_path / name), np.random.default_rng(9)
        for week in range(8):
            tested, percent = MONDAY + timedelta(weeks=week), round(float(rng.uniform(10.0, 14.0)), 2)
            bench.drop_climate(f"log{week}.csv", tested - timedelta(hours=60), 61, humidity=percent)
            for supplier in ("Alder Film", "Birch Film")[: 2 if week < 5 else 1]:
                bags = np.exp(20.0 - 0.1 * percent + 0.02 * rng.standard_normal((4, 1))).tolist()
                rows = lot_rows(
                    f"L{week}", tested, bags, supplier=supplier, characteristic="surface_resistance", unit="ohm"
                )
                bench.drop_tests(f"{supplier}{week}.csv", rows)
            if in_rounds:
                bench.run()
        bench.run()
        with open_store(bench.folder).reading() as connection:
            numbers = connection.exec_driver_sql("SELECT id FROM stream ORDER BY supplier").scalars().all()
            told.append([humidity_of(connection, load(bench.folder), number) for number in numbers])

    assert told[0] == told[1]
    assert [found["lots"] for found, _ in told[0]] == [13, 13]
