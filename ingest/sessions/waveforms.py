"""Compute the captures of a file; nothing is stored."""

from __future__ import annotations

from pathlib import Path
from statistics import median
from typing import cast

import numpy as np

from ingest.common.errors import CallError
from ingest.documents.waveform import CaptureRow, WaveformDocument, WaveformMark
from ingest.parsing.captures import CaptureForm, Recorded, read_captures
from spc.waveform import causes_of_ratio, energy, shape

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
    rows = [_row(one, resistor_ohm, window, bandwidth_mhz) for one in captures]
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


def _row(one: Recorded, resistor: float, window: tuple[float, float] | None, bandwidth_mhz: float | None) -> CaptureRow:
    row: CaptureRow = {
        "name": one.name, "line": one.line, "samples": len(one.time), "problem": None, "energy": None, "bound": 0, "sd": None,
        "peak": None, "charge": None, "centroid": None, "rise": None, "decay": None, "marks": [],
    }  # fmt: skip
    try:
        result = energy(one.time, one.values, resistor, one.quantity, window, bandwidth_mhz=bandwidth_mhz)
    except ValueError as error:
        return {**row, "problem": str(error)}
    form = shape(one.time, one.values, result.offset)
    factor = 1.0 if one.quantity == "current" else 1 / resistor
    missing = "no_discharge" in result.marks
    return {
        **row,
        "energy": None if missing else result.energy,
        "bound": cast("CaptureRow", {"bound": result.bound})["bound"],
        "sd": result.sd,
        "peak": result.peak,
        "charge": factor * result.charge,
        "centroid": _finite(result.centroid),
        "rise": _finite(form.rise),
        "decay": _finite(form.decay),
        "marks": [cast("WaveformMark", mark) for mark in result.marks],
    }


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None
