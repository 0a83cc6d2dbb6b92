"""Compute the captures of a file; nothing is stored."""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import cast

from ingest.common.errors import CallError
from ingest.documents.bench.waveform import CaptureRow, SourceFigures, WaveformDocument, WaveformMark
from ingest.parsing.captures import CaptureForm, Recorded, read_captures
from ingest.parsing.rows.capture_rows import CaptureSettings, Figures, figures
from spc.bench.waveform import causes_of_ratio, source

__all__ = ["waveform"]


def waveform(
    path: Path,
    resistor_ohm: float,
    form: CaptureForm,
    window: tuple[float, float] | None = None,
    bandwidth_mhz: float | None = None,
    recorded: float | None = None,
    circuit_ohm: float | None = None,
) -> WaveformDocument:
    """Return energy, shape and marks of every capture of a file; a capture that can't be computed says why.

    With `circuit_ohm`, all resistance of the circuit, the captures are those of the discharge source itself, which is checked by them.

    Raises
    ------
    CallError
        If the file holds no captures that can be read.
    """
    options = {
        "--resistor": resistor_ohm, "--bandwidth-mhz": bandwidth_mhz, "--recorded": recorded, "--circuit-ohm": circuit_ohm,
    }  # fmt: skip
    for name, value in options.items():
        if value is not None and not 0 < value < float("inf"):
            raise CallError(f"{name}: expected a number above 0, got {value}")
    if circuit_ohm is not None and circuit_ohm < resistor_ohm:
        raise CallError(
            f"--circuit-ohm: expected at least the sensing resistor of {resistor_ohm:g} ohm, got {circuit_ohm:g}"
        )
    if circuit_ohm is not None and window is not None:
        raise CallError("--circuit-ohm: the check of a source needs the whole record; leave out --window")
    captures = read_captures(path, form)
    settings = CaptureSettings(resistor_ohm, window=window, bandwidth_mhz=bandwidth_mhz)
    rows = [_row(one, settings, circuit_ohm) for one in captures]
    exact = [row["energy"] for row in rows if row["energy"] and row["bound"] == 0]
    ratio = recorded / median(exact) if recorded and exact else None
    return {
        "file": path.name,
        "quantity": captures[0].quantity,
        "resistor_ohm": resistor_ohm,
        "captures": rows,
        "recorded": recorded,
        "ratio": ratio,
        "causes": [] if ratio is None else causes_of_ratio(ratio),
    }


def _row(one: Recorded, settings: CaptureSettings, circuit_ohm: float | None) -> CaptureRow:
    row: CaptureRow = {
        "name": one.name, "line": one.line, "samples": len(one.time), "problem": None, "energy": None, "bound": 0, "sd": None,
        "peak": None, "charge": None, "centroid": None, "rise": None, "decay": None, "marks": [],
        "source": None,
    }  # fmt: skip
    try:
        result = figures(one, settings)
    except ValueError as error:
        return {**row, "problem": str(error)}
    return {
        **row,
        "energy": result.energy,
        "bound": cast("CaptureRow", {"bound": result.bound})["bound"],
        "sd": result.sd,
        "peak": result.peak,
        "charge": result.charge,
        "centroid": result.centroid,
        "rise": result.rise,
        "decay": result.decay,
        "marks": [cast("WaveformMark", mark) for mark in result.marks],
        "source": _source(result, settings.resistor_ohm, circuit_ohm),
    }


def _source(result: Figures, resistor_ohm: float, circuit_ohm: float | None) -> SourceFigures | None:
    """The source by the moments of its own record; a record that is clipped, cut or empty shows nothing of it."""
    if circuit_ohm is None or result.energy is None or result.bound or not result.charge or not result.centroid:
        return None
    checked = source(abs(result.charge), result.energy * circuit_ohm / resistor_ohm, result.centroid)
    return {
        "voltage": checked.voltage,
        "capacitance_pf": checked.capacitance,
        "resistance_ohm": checked.resistance,
    }
