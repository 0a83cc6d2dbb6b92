"""A gauge study in the lab folder ends "bench part not known", from its day on, with its degrees of freedom."""

from __future__ import annotations

import csv
import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from scipy import stats
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.cli import main
from dashboard.pages.bench import instruments
from dashboard.queries.lab_reader import LabReader
from dashboard.schemas import schema
from dashboard.text.formatting import amount
from ingest.config.lab import load
from ingest.sessions.gauge_studies import gauge_studies, study_steps

COLUMNS = ("specimen", "operator", "reading", "value", "unit")
DECLARED = """
[[gauge_study]]
name = "operators, spring"
characteristic = "shielding_energy"
file = "studies/spring.csv"
done_on = 2026-02-02
"""
pytestmark = pytest.mark.usefixtures("lab_clock")


def readings(sd: float = 0.06, seed: int = 5) -> list[tuple[object, ...]]:
    """Eight bags, five operators who differ by `sd`, three discharges; the unit of every second row is another one."""
    rng = np.random.default_rng(seed)
    bags, operators = rng.normal(2.6, 0.3, 8), rng.normal(0.0, sd, 5)
    rows: list[tuple[object, ...]] = []
    for bag in range(8):
        for operator in range(5):
            for reading in range(3):
                value = float(np.exp(bags[bag] + operators[operator] + rng.normal(0, 0.03)))
                written, unit = (f"{value:.5f}", "nJ") if reading % 2 else (f"{value / 1000:.8f}", "uJ")
                rows.append((bag + 1, f"operator {operator}", reading + 1, written, unit))
    return rows


def write(folder: Path, rows: list[tuple[object, ...]], columns: tuple[str, ...] = COLUMNS) -> None:
    (folder / "studies").mkdir(exist_ok=True)
    with (folder / "studies" / "spring.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([columns, *rows])


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Six lots of one film and no check standard."""
    bench = Bench(tmp_path / "lab")
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 10)
    rng = np.random.default_rng(2)
    rows = []
    for number in range(8):
        values = [[round(float(value), 3) for value in rng.lognormal(2.7, 0.06, 3)] for _ in range(4)]
        rows += lot_rows(f"L{number}", MONDAY + timedelta(weeks=number), values)
    bench.drop_tests("all.csv", rows)
    return bench


def lot(bench: Bench, name: str) -> dict[str, Any]:
    answer = CliRunner().invoke(
        main, ["lot", str(lot_rows("x", MONDAY, [[1.0]])[0]["supplier"]), name, "--json", "--lab", str(bench.folder)]
    )
    assert answer.exit_code == 0, answer.stderr
    conformity: dict[str, Any] = json.loads(answer.stdout)["sessions"][0]["conformity"]
    return conformity


def test_a_study_is_the_bench_part_from_its_day_on_and_not_before(bench: Bench) -> None:
    bench.run()
    before = {name: lot(bench, name) for name in ("L0", "L7")}
    assert [one["bench"] for one in before.values()] == ["not known", "not known"]

    write(bench.folder, readings())
    bench.declare(LAB_TOML + DECLARED)
    bench.run()

    ((week, variance, df),) = study_steps(load(bench.folder))["shielding_energy"]
    assert week == (
        MONDAY + timedelta(weeks=4) - timedelta(hours=9) - MONDAY.replace(year=1970, month=1, day=1, hour=0)
    ) / timedelta(weeks=1)
    after = {name: lot(bench, name) for name in ("L0", "L7")}
    # L0 was tested before the study was done: nothing was known that day.
    assert after["L0"]["bench"] == "not known"
    assert (after["L7"]["bench"], after["L7"]["bench_df"]) == ("gauge study", pytest.approx(df))
    assert after["L7"]["parts"]["bench"] == pytest.approx(variance**0.5)
    # One interval in place of two ends, wider than without the session.
    assert after["L7"]["u"] == after["L7"]["u_high"] > before["L7"]["u"]
    assert 0 < df < 4
    assert after["L7"]["df"] < before["L7"]["df"]


def test_a_changed_study_changes_the_tests_since_and_a_withdrawn_one_none(bench: Bench) -> None:
    write(bench.folder, readings())
    bench.declare(LAB_TOML + DECLARED)
    bench.run()
    first = lot(bench, "L7")
    write(bench.folder, readings(sd=0.12))
    bench.run()
    assert lot(bench, "L7")["parts"]["bench"] > 1.5 * first["parts"]["bench"]

    bench.declare(LAB_TOML)
    bench.run()
    assert lot(bench, "L7")["bench"] == "not known"


def test_one_round_and_a_round_after_the_study_end_in_the_same_figures(bench: Bench, tmp_path: Path) -> None:
    write(bench.folder, readings())
    bench.run()
    bench.declare(LAB_TOML + DECLARED)
    bench.run()
    other = Bench(tmp_path / "other", LAB_TOML + DECLARED)
    write(other.folder, readings())
    for kind in ("tests", "climate"):
        for path in (bench.folder / "filed").rglob("*.csv"):
            if ("log" in path.name) == (kind == "climate"):
                other.drop(path.name, path.read_bytes(), kind)
    other.run()
    assert lot(bench, "L7") == lot(other, "L7")


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda rows: rows[:-1], "every specimen must be measured in every session: 1 of 120 readings are missing"),
        (lambda rows: [*rows, rows[0]], "specimen 1, operator operator 0, reading 1 is there twice"),
        (lambda rows: [(*rows[0][:3], "<0.5", "nJ"), *rows[1:]], 'line 2: "<0.5" is a bound; leave the bag out'),
        (lambda rows: [(*rows[0][:3], "soft", "nJ"), *rows[1:]], "studies/spring.csv, line 2: "),
        (lambda rows: [(*rows[0][:3], "3", "ohm"), *rows[1:]], '"ohm" is a unit of resistance'),
        (
            lambda rows: [row for row in rows if row[1] in ("operator 0", "operator 1")],
            "a session part from two sessions has no content",
        ),
    ],
)
def test_a_study_that_can_not_be_used_is_one_line_and_stops_no_round(bench: Bench, change: Any, line: str) -> None:
    write(bench.folder, change(readings()))
    bench.declare(LAB_TOML + DECLARED)
    bench.run()
    assert lot(bench, "L7")["bench"] == "not known"
    (one,) = gauge_studies(load(bench.folder))
    assert line in one["trouble"]
    assert "\n" not in one["trouble"]
    answer = CliRunner().invoke(main, ["study", "--lab", str(bench.folder)])
    assert answer.exit_code == 1
    assert line in answer.stdout


def test_a_missing_file_or_column_is_one_line(bench: Bench) -> None:
    bench.declare(LAB_TOML + DECLARED)
    bench.run()
    assert "studies/spring.csv can't be read" in gauge_studies(load(bench.folder))[0]["trouble"]
    write(bench.folder, readings(), ("specimen", "who", "reading", "value", "unit"))
    assert 'lacks the column "operator"' in gauge_studies(load(bench.folder))[0]["trouble"]
    bench.declare(LAB_TOML + DECLARED.replace("studies/spring.csv", "../../secret.csv"))
    assert "is not in the lab folder" in gauge_studies(load(bench.folder))[0]["trouble"]


def test_the_command_shows_the_study_with_its_degrees_of_freedom(bench: Bench) -> None:
    write(bench.folder, readings())
    bench.declare(LAB_TOML + DECLARED)
    bench.run()
    answer = CliRunner().invoke(main, ["study", "--json", "--lab", str(bench.folder)])
    assert answer.exit_code == 0, answer.stderr
    document = json.loads(answer.stdout)
    jsonschema.validate(document, schema("study"))
    figures = document[0]["figures"]
    assert (figures["specimens"], figures["sessions"], figures["repeats"]) == (8, 5, 3)
    text = CliRunner().invoke(main, ["study", "--lab", str(bench.folder)]).stdout
    assert f"with {figures['session_df']:.1f} degrees of freedom" in text
    assert "With only 5 sessions the session part is known poorly" in text


def test_reference_values_show_the_deviation_and_its_change_over_the_range(bench: Bench) -> None:
    # The meter reads 5 % high at the middle, and its exponent is 0.9; sessions differ by 1 %.
    rng = np.random.default_rng(12)
    references = [float(value) for value in np.exp(np.linspace(1.0, 4.0, 8))]
    middle = float(np.exp(2.5))
    rows = []
    for operator in range(5):
        whole = rng.normal(0.0, 0.01)
        for bag, reference in enumerate(references):
            for reading in range(2):
                value = 1.05 * reference * (reference / middle) ** -0.1 * float(np.exp(whole + rng.normal(0, 0.004)))
                rows.append((bag + 1, f"operator {operator}", reading + 1, f"{value:.5f}", "nJ", f"{reference:.8f}"))
    write(bench.folder, rows, (*COLUMNS, "reference"))
    bench.declare(LAB_TOML + DECLARED)
    (one,) = gauge_studies(load(bench.folder))
    assert one["trouble"] == ""
    assert one["figures"] is not None
    bias = one["figures"]["bias"]
    assert bias is not None

    # By hand with pandas and scipy: the mean of the sessions and Student's t, and a line through the cells.
    frame = pd.DataFrame(rows, columns=[*COLUMNS, "reference"]).astype({"value": float, "reference": float})
    frame = frame.assign(bias=np.log(frame["value"] / frame["reference"]), x=np.log(frame["reference"]))
    sessions = frame.groupby("operator")["bias"].mean()
    ends = stats.t.interval(0.95, 4, sessions.mean(), stats.sem(sessions))
    assert (bias["mean"], bias["mean_low"], bias["mean_high"]) == pytest.approx(
        tuple(100 * np.expm1([sessions.mean(), *ends])), rel=1e-9
    )
    cells = frame.groupby(["specimen", "operator"])[["bias", "x"]].mean()
    line = stats.linregress(cells["x"], cells["bias"])
    assert bias["change"] == pytest.approx(100 * np.expm1(line.slope * 3.0), rel=1e-6)
    assert bias["change_p_value"] == pytest.approx(line.pvalue, rel=1e-6)
    assert line.slope == pytest.approx(-0.1, abs=4 * line.stderr)
    assert bias["bent_p_value"] is not None
    assert bias["bent_p_value"] > 0.001
    text = CliRunner().invoke(main, ["study", "--lab", str(bench.folder)]).stdout
    assert f"deviate by {bias['mean']:+.1f} % (" in text
    assert "The deviation changes over the range: −" in text

    # A specimen without its reference, or with two, is one line.
    write(bench.folder, [(*rows[0][:5], ""), *rows[1:]], (*COLUMNS, "reference"))
    assert "specimen 1 needs one reference value" in gauge_studies(load(bench.folder))[0]["trouble"]


def test_a_session_unlike_the_others_is_named_with_what_to_look_at(bench: Bench) -> None:
    rows = readings(sd=0.01)
    # Operator 3 reads a fifth too low; the repeats of operator 1 scatter.
    rng = np.random.default_rng(9)
    off = [
        (bag, name, number, f"{float(value) * (0.8 if name == 'operator 3' else np.exp(rng.normal(0, 0.12)) if name == 'operator 1' else 1):.8f}", unit)
        for bag, name, number, value, unit in rows
    ]  # fmt: skip
    bench.declare(LAB_TOML + DECLARED)
    write(bench.folder, off)
    (study,) = gauge_studies(load(bench.folder))
    assert study["figures"] is not None
    assert [(one["session"], one["by"]) for one in study["figures"]["unlike"]] == [
        ("operator 3", "level"),
        ("operator 1", "repeats"),
    ]
    shown = CliRunner().invoke(main, ["study", "--lab", str(bench.folder)]).stdout
    assert "The readings of operator operator 3 lie below those of the others: 1.7" in " ".join(shown.split())
    assert "The repeats of operator operator 1 vary more than those of the others" in " ".join(shown.split())

    write(bench.folder, readings(sd=0.01))
    (clean,) = gauge_studies(load(bench.folder))
    assert clean["figures"] is not None
    assert clean["figures"]["unlike"] == []


def test_the_sessions_are_listed_with_mean_and_number_of_readings(bench: Bench) -> None:
    bench.declare(LAB_TOML + DECLARED)
    rows = readings()
    write(bench.folder, rows)
    values = {f"operator {number}": [] for number in range(5)}
    for _, operator, _, value, unit in rows:
        values[str(operator)].append(float(str(value)) * (1000 if unit == "uJ" else 1))

    (one,) = gauge_studies(load(bench.folder))
    assert one["figures"] is not None
    listed = {each["session"]: each for each in one["figures"]["session_means"]}

    assert {name: each["readings"] for name, each in listed.items()} == dict.fromkeys(values, 24)
    for name, each in listed.items():
        # Written to five digits.
        assert each["mean"] == pytest.approx(stats.gmean(values[name]), rel=1e-6)
    bench.run()
    line = f"operator operator 0: geometric mean {amount(listed['operator 0']['mean'], 'nJ')}, 24 readings"
    assert line in CliRunner().invoke(main, ["study", "--lab", str(bench.folder)]).stdout
    shown = " ".join(words(instruments.layout(LabReader(bench.folder))))
    assert (
        f"operator geometric mean readings operator 0 {amount(listed['operator 0']['mean'], 'nJ')} 24 operator 1"
        in shown
    )
