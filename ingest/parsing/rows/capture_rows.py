"""Turn the captures of a file into typed rows: the figures of each discharge, and which reading it belongs to.

Samples stay in the file; a row holds figures, a thinned trace for the picture, and the digest of the samples.
"""

from __future__ import annotations

import hashlib
import json
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.common.errors import CallError
from ingest.common.instants import day_number
from ingest.common.text import quoted
from ingest.config.models import CAPTURE_IDENTITY, NAME_FIELD, Source
from ingest.parsing.captures import CaptureForm, Recorded, read_captures
from ingest.parsing.csv_table import NotATableError
from ingest.parsing.rejections import Rejection
from ingest.parsing.rows.duplicates import contradictions, repeated
from ingest.parsing.rows.row_reader import Contradicted, Piece, reasons_by_line
from spc.bench.waveform import energy, outline, shape

__all__ = [
    "NO_DAY",
    "CaptureFeed",
    "CaptureSettings",
    "Figures",
    "contradicting_captures",
    "figures",
    "form_of",
    "identity_of_captures",
    "open_captures",
    "settings_of",
    "whole_file",
]

Ints = NDArray[np.int64]

# The sensing resistor of the set-up where a source declares none: common practice.
RESISTOR_OHM = 500.0
# Where a capture does not name the day of its test.
NO_DAY = -1
HEADER = ("capture", "supplier", "lot", "specimen", "reading", "day")
FIELDS = {"specimen": r"\d{1,9}", "reading": r"\d{1,9}", "day": r"\d{4}-\d\d-\d\d"}
IDENTITY = ("supplier", "lot", "day", "specimen", "reading")
COLUMNS = (
    *IDENTITY, "number", "line", "name", "quantity", "samples", "energy", "bound", "sd", "peak", "charge", "centroid", "rise",
    "decay", "marks", "trace", "digest", "settings",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CaptureSettings:
    """How captures were recorded, and what counts of them; `gain` leads from the recorded value to the value at the resistor."""

    resistor_ohm: float = RESISTOR_OHM
    gain: float = 1.0
    window: tuple[float, float] | None = None
    bandwidth_mhz: float | None = None
    full_scale: float | None = None

    def as_text(self) -> str:
        """One text for one meaning, to see whether figures were computed otherwise."""
        return json.dumps([self.resistor_ohm, self.gain, self.window, self.bandwidth_mhz, self.full_scale])


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one capture: energies in nJ, charge in nC, times in ns, peak in A or V; `energy` is None without a discharge.

    `trace` holds times in ns and currents in A for the picture.
    """

    energy: float | None
    bound: int
    sd: float
    peak: float
    charge: float
    centroid: float | None
    rise: float | None
    decay: float | None
    marks: tuple[str, ...]
    trace: list[tuple[float, float]]


def settings_of(source: Source) -> CaptureSettings:
    """Return what a source declares, with the defaults."""
    window = None if source.window_ns is None else (source.window_ns[0], source.window_ns[1])
    return CaptureSettings(
        source.resistor_ohm or RESISTOR_OHM, source.gain or 1.0, window, source.bandwidth_mhz, source.full_scale
    )


def figures(one: Recorded, settings: CaptureSettings) -> Figures:
    """Compute the figures of a capture.

    Raises
    ------
    ValueError
        If it can't be computed, with the reason.
    """
    values = settings.gain * one.record
    result = energy(
        one.time,
        values,
        settings.resistor_ohm,
        one.quantity,
        settings.window,
        full_scale=None if settings.full_scale is None else settings.full_scale * settings.gain,
        bandwidth_mhz=settings.bandwidth_mhz,
    )
    form = shape(one.time, values, result.offset)
    amperes = 1.0 if one.quantity == "current" else 1 / settings.resistor_ohm
    times, pulse = outline(one.time, values, result.offset)
    return Figures(
        energy=None if "no_discharge" in result.marks else result.energy,
        bound=result.bound,
        sd=result.sd,
        peak=result.peak,
        charge=amperes * result.charge,
        centroid=_finite(result.centroid),
        rise=_finite(form.rise),
        decay=_finite(form.decay),
        marks=result.marks,
        trace=[(float(f"{at:.5g}"), float(f"{amperes * value:.4g}")) for at, value in zip(times, pulse, strict=True)],
    )


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None


# A file of captures as a feed


@dataclass(frozen=True, slots=True)
class CaptureFeed:
    """A file of captures whose rows are its captures; it has the parts of `parse_file.Feed` that the store needs."""

    header: tuple[str, ...]
    _captures: list[tuple[dict[str, Any] | None, Rejection | None]]

    def pieces(self, contradicted: Contradicted, _size: int | None = None) -> Iterator[Piece]:
        """Return all captures at once; `contradicted` are the numbers of those to refuse because they contradict others."""
        rows: list[dict[str, Any]] = []
        refusals: list[Rejection] = []
        for row, refusal in self._captures:
            if refusal is not None:
                refusals.append(refusal)
            elif row is not None and row["number"] in contradicted:
                reason = f"{row['name']}: {'; '.join(contradicted[row['number']])}"
                refusals.append(_rejection(row["line"], row["name"], row, reason))
            elif row is not None:
                rows.append(row)
        yield Piece(pd.DataFrame(rows, columns=list(COLUMNS)), refusals, len(self._captures))

    def count_rows(self) -> int:
        """How many captures there are."""
        return len(self._captures)


def open_captures(path: Path, source: Source) -> CaptureFeed:
    """Read a file of captures and compute each.

    Raises
    ------
    NotATableError
        If it holds no captures that can be read, or neither its name nor its columns say which readings they belong to.
    """
    form = form_of(source)
    try:
        captures = read_captures(path, form)
    except CallError as error:
        raise NotATableError(str(error).removeprefix(path.name).lstrip(":, ")) from error
    by_name = _identity_of_name(path.name, source.names)
    settings = settings_of(source)
    return CaptureFeed(
        HEADER,
        [_row(one, number, {**by_name, **source.fixed}, settings, source) for number, one in enumerate(captures, 1)],
    )


def form_of(source: Source) -> CaptureForm:
    """Return what a source declares of the layout of its files."""
    units = source.units
    quantities = [name for name in ("current", "voltage") if name in source.columns or name in units]
    return CaptureForm(
        quantity=quantities[0] if len(quantities) == 1 else None,
        time_unit=units.get("time"),
        value_unit=units.get(quantities[0]) if quantities else None,
        interval_ns=source.interval_ns,
        columns=source.columns,
        identity=CAPTURE_IDENTITY,
        is_source=True,
    )


def _identity_of_name(name: str, form: str | None) -> dict[str, str]:
    """What the name of a file says of its readings, by the pattern that its source declares."""
    if form is None:
        return {}
    parts = NAME_FIELD.split(form)
    pattern = "".join(
        f"(?P<{part}>{FIELDS.get(part, '.+?')})" if place % 2 else re.escape(part) for place, part in enumerate(parts)
    )
    match = re.fullmatch(pattern, name, re.IGNORECASE)
    if match is None:
        raise NotATableError(
            f"its name does not fit names = {quoted(form)}; rename it, or correct names in its [[source]] of lab.toml"
        )
    return {key: value.strip() for key, value in match.groupdict().items()}


def _row(
    one: Recorded, number: int, around: dict[str, str], settings: CaptureSettings, source: Source
) -> tuple[dict[str, Any] | None, Rejection | None]:
    """A capture as a typed row, or the reason to refuse it."""
    named = {"reading": str(one.number), **around, **{name: text for name, text in one.identity.items() if text}}
    missing = [name for name in ("supplier", "lot", "specimen") if not named.get(name)]
    if missing:
        raise NotATableError(
            f"{one.name}, line {one.line}: {' and '.join(missing)} of its reading can't be told; name {'them' if missing[1:] else 'it'} "
            f"in a column, in fixed, or in the name of the file by names, such as {quoted('{supplier}_{lot}_{specimen}.csv')}"
        )
    try:
        identity = _identity(named)
        result = figures(one, settings)
    except ValueError as error:
        return None, _rejection(one.line, one.name, named, f"{one.name}: {error}")
    digest = hashlib.sha256(one.time.tobytes() + one.record.tobytes()).hexdigest()
    return {
        **identity,
        "number": number,
        "line": one.line,
        "name": one.name,
        "quantity": one.quantity,
        "samples": len(one.time),
        **{
            name: getattr(result, name)
            for name in ("energy", "bound", "sd", "peak", "charge", "centroid", "rise", "decay")
        },
        "marks": " ".join(result.marks),
        "trace": json.dumps(result.trace, separators=(",", ":")),
        "digest": digest,
        "settings": settings.as_text(),
    }, None


def _identity(named: dict[str, str]) -> dict[str, Any]:
    whole = {}
    for name in ("specimen", "reading"):
        text = named[name].strip()
        if not re.fullmatch(r"\d{1,9}", text):
            raise ValueError(f"{name} {quoted(text)} is not a whole number; correct it")
        whole[name] = int(text)
    day = NO_DAY
    if named.get("day"):
        try:
            day = day_number(date.fromisoformat(named["day"]))
        except ValueError:
            raise ValueError(f"day {quoted(named['day'])} is not a day such as 2026-03-17; correct it") from None
    texts = {name: unicodedata.normalize("NFC", named[name].strip()) for name in ("supplier", "lot")}
    return {**texts, "day": day, **whole}


def _rejection(line: int, name: str, named: dict[str, Any], reason: str) -> Rejection:
    shown = {**named, "day": "" if named.get("day") == NO_DAY else named.get("day", "")}
    return Rejection(line, "capture", reason, (name, *(str(shown.get(key, "")) for key in HEADER[1:])))


# Identity and contradictions


def identity_of_captures(rows: pd.DataFrame) -> list[Ints]:
    """Return what identifies each capture, as numbers: the reading that it belongs to."""
    return [pd.factorize(rows[name])[0].astype(np.int64) for name in IDENTITY]


def contradicting_captures(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Give the reasons, by number, to refuse captures of one file that belong to one reading and differ."""
    numbers = rows["number"].to_numpy(np.int64)
    pairs = contradictions(identity, [pd.factorize(rows["digest"])[0]])
    reasons = [
        (
            pair.position,
            f"is another capture of the same reading as capture {numbers[pair.other]} of the file; both are refused, send the right one",
        )
        for pair in pairs
    ]
    return reasons_by_line(numbers, reasons)


def whole_file(path: Path, source: Source) -> tuple[Piece, int]:
    """Return the captures of a file without repeats, and how many repeat others."""
    feed = open_captures(path, source)
    (piece,) = feed.pieces({})
    contradicted = contradicting_captures(piece.rows, identity_of_captures(piece.rows))
    if contradicted:
        (piece,) = feed.pieces(contradicted)
    again = repeated(identity_of_captures(piece.rows))
    return Piece(piece.rows[~again].reset_index(drop=True), piece.refusals, piece.data_rows), int(again.sum())
