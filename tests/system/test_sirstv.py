"""A real study through the command line as a lab would run it.

NIST StRD, one-way analysis of variance, data set SiRstv: resistivity of a silicon wafer in ohm cm, five instruments
with five readings each. scipy ships the file with its tests. An instrument stands for a lot, each reading for a bag.
"""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from click.testing import CliRunner
from support.labs import MONDAY, Bench, lot_rows

from dashboard.cli import main

pytestmark = pytest.mark.usefixtures("lab_clock")

DECLARED = """
[lab]
name = "Wafer study"
timezone = "UTC"

[conditioning.room]
humidity_percent = 45.0
humidity_tolerance = 5.0
temperature_c = 23.0
temperature_tolerance_c = 3.0
hours = 1
longest_gap_minutes = 60

[[characteristic]]
name = "resistivity"
unit = "ohm"
scale = "linear"

[[source]]
kind = "tests"
folder = "drops/tests"

[[source]]
kind = "climate"
folder = "drops/climate"
"""
# Certified in the file, to 15 digits: sums of squares between (4 degrees of freedom) and within (20) instruments.
BETWEEN, WITHIN = 5.11462616000000e-02 / 4, 2.16636560000000e-01 / 20


def study() -> np.ndarray:
    """The readings, a row an instrument."""
    path = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / "SiRstv.dat"
    rows = [line.split() for line in path.read_text().splitlines()[60:] if line.strip()]
    return np.array([float(value) for _, value in rows]).reshape(5, 5)


def test_the_commands_give_the_certified_components_and_means(bench: Bench) -> None:
    readings = study()
    bench.declare(DECLARED)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=5), 24 * 40, humidity=45.0)
    rows = []
    for instrument, values in enumerate(readings):
        tested = MONDAY + timedelta(weeks=instrument)
        rows += lot_rows(
            f"I{instrument + 1}", tested, [[repr(float(value))] for value in values], supplier="NIST StRD",
            product="SiRstv", characteristic="resistivity", unit="ohm",
        )  # fmt: skip
    bench.drop_tests("sirstv.csv", rows)
    folder = str(bench.folder)
    assert CliRunner().invoke(main, ["run", "--lab", folder]).exit_code == 0

    said = CliRunner().invoke(main, ["stream", "NIST StRD", "SiRstv", "resistivity", "--lab", folder, "--json"])

    document = json.loads(said.stdout)
    components = document["components"]
    # The readings are near 196 and scatter by 0.1: a float64 holds their deviations to 1e-13 in proportion.
    assert components["bag"] == pytest.approx(WITHIN, rel=1e-12)
    # The difference of the mean squares is a sixth of them, so it holds a digit less.
    assert components["lot"] == pytest.approx((BETWEEN - WITHIN) / 5, rel=1e-11)
    assert [point["level"] for point in document["points"]] == pytest.approx(readings.mean(axis=1).tolist(), rel=1e-15)
    assert all(point["n"] == 5 for point in document["points"])
