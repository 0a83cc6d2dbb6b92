"""The captures of a file: energy, shape and what limits them."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Bound, Count

__all__ = ["CaptureFigures", "CaptureRow", "SourceFigures", "WaveformDocument", "WaveformMark"]

WaveformMark = Literal[
    "clipped", "cut_short", "below_noise", "second_burst", "narrow", "few_samples_on_rise", "offset_moves", "noise_not_seen",
    "uneven_steps", "no_discharge",
]  # fmt: skip


class CaptureFigures(TypedDict):
    """What is computed from one capture. Energies in nJ, charge in nC, times in ns; peak in A or V as recorded."""

    energy: float | None
    bound: Bound
    sd: float | None
    peak: float | None
    charge: float | None
    centroid: float | None
    rise: float | None
    decay: float | None
    marks: list[WaveformMark]


class SourceFigures(TypedDict):
    """Voltage (V), capacitance (pF) and resistance (ohm) of a discharge source by charge, energy and centroid of its own current."""

    voltage: float
    capacitance_pf: float
    resistance_ohm: float


class CaptureRow(CaptureFigures):
    """One capture of a file. `problem` says why a capture was not computed. `source` is null where no source was recorded."""

    name: str
    line: Count
    samples: Count
    problem: str | None
    source: SourceFigures | None


class WaveformDocument(TypedDict):
    """A file of captures, computed and not stored; `ratio` and `causes` compare the median energy with a recorded figure."""

    file: str
    quantity: Literal["current", "voltage"]
    resistor_ohm: float
    captures: list[CaptureRow]
    recorded: float | None
    ratio: float | None
    causes: list[str]
