"""Files of captures in the shapes that instruments write, and the command that computes them."""

from __future__ import annotations

import json
from pathlib import Path
from time import process_time

import numpy as np
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose

from dashboard.cli import main
from ingest.common.errors import CallError
from ingest.parsing.captures import CaptureForm, read_captures
from ingest.sessions.waveforms import waveform
from spc.bench.waveform import energy, shape

TIME = np.arange(-100.0, 400.0)
LATE = np.clip(TIME, 0, None)
# 9.20454545 nJ in 500 ohm in closed form: (0.05 A) (exp(-t / 20 ns) - exp(-t / 2 ns)).
AMPERES = 0.05 * np.where(TIME > 0, np.exp(-LATE / 20) - np.exp(-LATE / 2), 0.0)


def lines(columns, delimiter=",", decimal="."):
    rows = [delimiter.join(f"{value:.7g}".replace(".", decimal) for value in row) for row in zip(*columns, strict=True)]
    return "\n".join(rows) + "\n"


SHAPES = {
    "times and currents with units in the header": "time [ns],current [mA]\n" + lines([TIME, 1e3 * AMPERES]),
    "a row of units below the header": "Time,Current\n(s),(A)\n" + lines([1e-9 * TIME, AMPERES]),
    "volts across the resistor": "t (us),voltage (V)\n" + lines([1e-3 * TIME, 500 * AMPERES]),
    "a decimal comma": "Time (ns);Current (mA)\n" + lines([TIME, 1e3 * AMPERES], ";", ","),
    "title lines above the header": "Bench 4\nExported 2 March 2026\n\ntime [ns]\tcurrent [A]\n"
    + lines([TIME, AMPERES], "\t"),
    "quoted cells": '"time [ns]","current [A]"\n' + lines([TIME, AMPERES]),
    "settings in the left columns": "".join(
        f"{name},{value},,{row}\n"
        for (name, value), row in zip(
            [("Sample interval", "1e-9"), ("Record length", "500"), ("Source", "CH1"), *[("", "")] * 497],
            lines([1e-9 * TIME, AMPERES]).splitlines(),
            strict=True,
        )
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_a_file_of_each_shape_gives_the_energy_of_the_closed_form(tmp_path: Path, shape: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(SHAPES[shape], encoding="utf-8")
    form = CaptureForm(quantity="current", time_unit="s", value_unit="A") if "settings" in shape else CaptureForm()

    (row,) = waveform(path, 500.0, form)["captures"]

    # Seven digits, a step of 1 ns: the trapezoid rule is 0.012 % low.
    assert_allclose(row["energy"], 9.20454545, rtol=3e-4)
    assert row["problem"] is None


def test_captures_beside_each_other_below_each_other_and_by_name_are_told_apart(tmp_path: Path) -> None:
    two = np.concatenate([AMPERES, 2 * AMPERES])
    both = {
        "beside.csv": "time [ns],ch1 [mV],ch2 [mV]\n" + lines([TIME, 1e3 * AMPERES, 2e3 * AMPERES]),
        "below.csv": "time [ns],current [A]\n" + lines([np.tile(TIME, 2), two]),
        "named.csv": "capture,time [ns],current [A]\n" + lines([np.repeat([1, 2], len(TIME)), np.tile(TIME, 2), two]),
    }
    for name, text in both.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
        first, second = read_captures(tmp_path / name, CaptureForm())
        assert_allclose(second.record, 2 * first.record, rtol=1e-6)
        assert_allclose(first.time, TIME)
        assert first.line < second.line or name == "beside.csv"


def test_values_alone_take_the_declared_interval(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text("current [A]\n" + lines([AMPERES]), encoding="utf-8")
    (one,) = read_captures(path, CaptureForm(interval_ns=0.4))
    assert_allclose(np.diff(one.time), 0.4)
    with pytest.raises(
        CallError, match=r"a\.txt: has no column of times; declare the time between samples with --interval-ns"
    ):
        read_captures(path, CaptureForm())


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "holds no run of numeric samples"),
        ("time,current\nsoon,much\n", "holds no run of numeric samples"),
        (
            "time,current [A]\n" + lines([TIME, AMPERES]),
            "does not name the unit of its times; declare it with --time-unit",
        ),
        (
            "time [ns],current\n" + lines([TIME, AMPERES]),
            "does not name the unit of its current; declare it with --value-unit",
        ),
        ("time [ns],current [A]\n0,1\n1,inf\n2,1\n3,1\n", "line 3: is no finite number"),
    ],
)
def test_a_file_that_cannot_be_read_says_in_one_line_what_to_do(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["waveform", str(path)])
    assert result.exit_code == 2
    assert message in result.stderr
    assert len(result.stderr.splitlines()) == 1


def test_one_capture_that_cannot_be_computed_stops_no_other(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    # The second record begins inside its pulse.
    late = TIME >= -10
    columns = [np.concatenate([TIME, TIME[late]]), np.concatenate([AMPERES, AMPERES[late]])]
    path.write_text("time [ns],current [A]\n" + lines(columns), encoding="utf-8")
    good, bad = waveform(path, 500.0, CaptureForm())["captures"]
    assert good["problem"] is None
    assert "samples before the pulse, and 50 are needed" in str(bad["problem"])


def test_a_record_without_a_discharge_has_no_energy(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    noise = np.random.default_rng(3).normal(0, 1e-3, len(TIME))
    path.write_text("time [ns],current [A]\n" + lines([TIME, noise]), encoding="utf-8")
    (row,) = waveform(path, 500.0, CaptureForm())["captures"]
    assert (row["energy"], row["marks"]) == (None, ["no_discharge"])


def test_the_command_compares_with_the_recorded_figure_and_stores_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text(SHAPES["a decimal comma"], encoding="utf-8")
    shown = CliRunner().invoke(main, ["waveform", str(path), "--recorded", "0.092"])
    as_json = CliRunner().invoke(main, ["waveform", str(path), "--recorded", "0.092", "--json"])

    assert shown.stdout.startswith("capture 1: 9.203 nJ; peak 0.0348")
    assert "A constant ratio like this fits a probe factor of 10." in shown.stdout
    assert "Nothing was stored; the recorded figure stays the record." in shown.stdout
    assert json.loads(as_json.stdout)["ratio"] == pytest.approx(0.01, rel=1e-3)
    assert [one.name for one in tmp_path.iterdir()] == ["a.csv"]


@pytest.mark.parametrize("quantity", ["current [A]", "voltage [V]"])
def test_a_discharge_source_is_checked_by_a_capture_of_its_own(tmp_path: Path, quantity: str) -> None:
    # T. J. Maloney (2010), EOS/ESD Symposium: charge, energy and centroid show voltage, capacitance and resistance whatever the inductance.
    # 100 pF at 1 kV through 1500 ohm and 5 uH into 500 ohm more, in closed form: 2000 ohm in all, 50 uJ, of which 12.5 in the load.
    time = np.arange(-200.0, 3000.0, 0.5)
    alpha, late = 2000 / 10_000, np.clip(time, 0, None)
    root = np.sqrt(alpha**2 - 1 / 500)
    amperes = 1000 / (10_000 * root) * (np.exp(-(alpha - root) * late) - np.exp(-(alpha + root) * late))
    values = amperes if quantity.startswith("current") else 500 * amperes
    path = tmp_path / "source.csv"
    path.write_text(f"time [ns],{quantity}\n" + lines([time, values]), encoding="utf-8")

    shown = CliRunner().invoke(main, ["waveform", str(path), "--circuit-ohm", "2000"])
    (row,) = waveform(path, 500.0, CaptureForm(), circuit_ohm=2000.0)["captures"]

    assert row["source"] is not None
    figures = [row["source"][name] for name in ("voltage", "capacitance_pf", "resistance_ohm")]
    assert_allclose(figures, [1000.0, 100.0, 2000.0], rtol=5e-3)
    assert_allclose([row["energy"], row["charge"]], [12_500.0, 100.0], rtol=2e-3)
    assert " ohm by charge, energy and centroid" in shown.stdout
    # Without the resistance of the circuit nothing is claimed, nor from a record that is cut.
    assert waveform(path, 500.0, CaptureForm())["captures"][0]["source"] is None
    path.write_text(f"time [ns],{quantity}\n" + lines([time[:600], values[:600]]), encoding="utf-8")
    assert waveform(path, 500.0, CaptureForm(), circuit_ohm=2000.0)["captures"][0]["source"] is None
    with pytest.raises(CallError, match="expected at least the sensing resistor of 500 ohm, got 100"):
        waveform(path, 500.0, CaptureForm(), circuit_ohm=100.0)
    with pytest.raises(CallError, match="needs the whole record; leave out --window"):
        waveform(path, 500.0, CaptureForm(), window=(0.0, 600.0), circuit_ohm=2000.0)


def test_a_million_samples_cost_no_more_than_twenty_times_their_integration(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    fine = np.arange(-1000, 27_000) / 10
    amperes = 0.05 * np.where(fine > 0, np.exp(-np.clip(fine, 0, None) / 20) - np.exp(-np.clip(fine, 0, None) / 2), 0.0)
    text = "\n".join(f"{t:g},{a:.5g}" for t, a in zip(fine, amperes, strict=True)) + "\n"
    path.write_text("time [ns],current [A]\n" + 36 * text, encoding="utf-8")
    started = process_time()
    rows = waveform(path, 500.0, CaptureForm())["captures"]
    both = process_time() - started
    started = process_time()
    for _ in range(36):
        energy(fine, amperes, 500.0)
        shape(fine, amperes)
    alone = process_time() - started
    assert len(rows) == 36
    # Reading line by line in Python would cost a hundred times as much.
    assert both < 20 * alone
