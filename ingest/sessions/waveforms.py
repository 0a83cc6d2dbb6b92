"""Compute the captures of a file; nothing is stored."""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import cast

from ingest.common.errors import CallError
from ingest.documents.bench.waveform import CaptureRow, WaveformDocument, WaveformMark
from ingest.parsing.captures import CaptureForm, Recorded, read_captures
from ingest.parsing.rows.capture_rows import CaptureSettings, figures
from spc.bench.waveform import causes_of_ratio

__all__ = ["waveform"]


def waveform(
    path: Path,
    resistor_ohm: float,
    form: CaptureForm,
    window: tuple[float, float] | None = None,
    bandwidth_mhz: float | None = None,
    recorded: float | None = None,
) -> WaveformDocument:
    """Return energy, shape and marks of every capture of a file; a capture that can't be computed says why.

    Raises
    ------
    CallError
        If the file holds no captures that can be read.
    """
    for value, name in ((resistor_ohm, "--resistor"), (bandwidth_mhz, "--bandwidth-mhz"), (recorded, "--recorded")):
        if value is not None and not 0 < value < float("inf"):
            raise CallError(f"{name}: expected a number above 0, got {value}")
    captures = read_captures(path, form)
    settings = CaptureSettings(resistor_ohm, window=window, bandwidth_mhz=bandwidth_mhz)
    rows = [_row(one, settings) for one in captures]
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


def _row(one: Recorded, settings: CaptureSettings) -> CaptureRow:
    row: CaptureRow = {
        "name": one.name, "line": one.line, "samples": len(one.time), "problem": None, "energy": None, "bound": 0, "sd": None,
        "peak": None, "charge": None, "centroid": None, "rise": None, "decay": None, "marks": [],
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
    }
