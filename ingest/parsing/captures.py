"""Read the captures of a discharge from a text file: times and currents or voltages, one capture or several.

No common form of such files exists, so what a file does not name has to be declared: the unit of a column, the interval of samples
without times, the resistor. Settings above or left of the data are stepped over.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.common.errors import CallError
from ingest.common.text import quoted

__all__ = ["CaptureColumn", "CaptureForm", "Quantity", "Recorded", "capture_columns", "read_captures"]

Floats = NDArray[np.float64]
Quantity = Literal["current", "voltage"]

# No capture of an instrument needs more; a file beyond it is refused before memory goes.
MOST_BYTES = 200_000_000
# The layout of a file is found in its beginning; in more of it where the samples do not go on to the end of the first piece.
HEAD_CHARACTERS = (20_000, 200_000)
TIME_UNITS = {"s": 1e9, "ms": 1e6, "us": 1e3, "µs": 1e3, "μs": 1e3, "ns": 1.0}
VALUE_UNITS = {"a": 1.0, "ma": 1e-3, "ua": 1e-6, "µa": 1e-6, "μa": 1e-6, "v": 1.0, "mv": 1e-3, "kv": 1e3}
AS_WRITTEN = {"a": "A", "ma": "mA", "ua": "µA", "µa": "µA", "μa": "µA", "v": "V", "mv": "mV", "kv": "kV", "us": "µs"}
TIME_NAMES = {"time", "t", "second", "seconds", "x", "time_ns", "time_s"}
CURRENT_NAMES = {"current", "i", "amp", "ampere", "amps"}
VOLTAGE_NAMES = {"voltage", "volt", "volts", "v", "y"}
CHANNEL = re.compile(r"(ch|channel) ?\d+")
CAPTURE_NAMES = {"capture", "segment", "record", "frame"}
WITH_UNIT = re.compile(r"(.*\S)\s*[\[(]\s*([^\])]+?)\s*[\])]")


@dataclass(frozen=True, slots=True)
class CaptureForm:
    """What is declared of a file: the quantity, the units of its columns where it names none, and the interval where it has no times.

    `columns` are the names in the file by ours; `identity` are those of ours that name the reading of a capture. `is_source` is true where
    the declarations stand in `lab.toml`, for the advice in an error.
    """

    quantity: Quantity | None = None
    time_unit: str | None = None
    value_unit: str | None = None
    interval_ns: float | None = None
    columns: Mapping[str, str] = field(default_factory=dict)
    identity: Sequence[str] = ()
    is_source: bool = False

    def advice(self, option: str, key: str) -> str:
        """How to declare what a file does not say."""
        return f"{key} in its [[source]] of lab.toml" if self.is_source else option


@dataclass(frozen=True, slots=True, eq=False)
class Recorded:
    """One capture: its name and number in the file, the line of its first sample, times in ns, and the record in A or V.

    `identity` are the cells of the columns that name its reading, by our names.
    """

    name: str
    line: int
    time: Floats
    record: Floats
    quantity: Quantity
    number: int = 1
    identity: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Table:
    """The samples, shape (samples, columns), the line of each, counted from 1, and the header and unit cells above them.

    `identity` are the columns that name the readings, as texts.
    """

    header: list[str]
    units: list[str]
    samples: Floats
    lines: NDArray[np.int64]
    identity: dict[str, NDArray[np.str_]]


def read_captures(path: Path, form: CaptureForm) -> list[Recorded]:
    """Read every capture of a file.

    Raises
    ------
    CallError
        If the file can't be read, holds no samples, or does not say what is needed; one line that says what to declare.
    """
    table = _table(path, form)
    roles = _roles(table, form)
    named, units, time_at, capture_at, values_at = roles.named, roles.units, roles.time, roles.capture, roles.measured
    if not values_at:
        raise CallError(
            f"{path.name}: has no column of values beside the times; name it current or voltage in the header"
        )
    time = _times(path, table, form, time_at, units)
    has_times = time_at is not None and not (form.interval_ns is not None and units[time_at] not in TIME_UNITS)
    starts = _starts(table, time, capture_at)
    captures: list[Recorded] = []
    for place in values_at:
        quantity = form.quantity or (
            "current" if named[place] in CURRENT_NAMES or units[place].endswith("a") else "voltage"
        )
        scale = (
            VALUE_UNITS[units[place]] if units[place] in VALUE_UNITS else VALUE_UNITS[_declared(path, form, quantity)]
        )
        values = scale * table.samples[:, place]
        for number, (start, end) in enumerate(zip(starts, [*starts[1:], len(time)], strict=True), 1):
            title = table.header[place].strip() if len(values_at) > 1 else ""
            counted = len(captures) + 1
            if capture_at is not None and np.isfinite(table.samples[start, capture_at]):
                title = f"capture {table.samples[start, capture_at]:g}"
                counted = round(table.samples[start, capture_at])
            title = title or f"capture {number}"
            bad = ~(np.isfinite(time[start:end]) & np.isfinite(values[start:end]))
            if bad.any():
                line = int(table.lines[start + int(np.argmax(bad))])
                raise CallError(f"{path.name}, {title}, line {line}: is no finite number; correct it")
            captures.append(
                Recorded(
                    name=title,
                    line=int(table.lines[start]),
                    time=time[start:end] if has_times else time[start:end] - time[start],
                    record=values[start:end],
                    quantity=quantity,
                    number=counted,
                    identity={name: str(cells[start]) for name, cells in table.identity.items()},
                )
            )
    return captures


@dataclass(frozen=True, slots=True)
class CaptureColumn:
    """A column of a file of captures: its header cell, its meaning by our name ("" for none), its unit and its first cells."""

    cell: str
    ours: str
    unit: str
    examples: tuple[str, ...]


def capture_columns(path: Path, form: CaptureForm) -> list[CaptureColumn]:
    """The columns of a file of captures; empty where the file lacks a column of times, or one of currents or voltages.

    Raises
    ------
    CallError
        If the file can't be read or holds no samples.
    """
    table = _table(path, form)
    roles = _roles(table, form)

    def is_measured(place: int) -> bool:
        name = roles.named[place]
        return (
            name in CURRENT_NAMES | VOLTAGE_NAMES or roles.units[place] in VALUE_UNITS or bool(CHANNEL.fullmatch(name))
        )

    if roles.time is None or roles.named[roles.time] not in TIME_NAMES or not any(map(is_measured, roles.measured)):
        return []
    columns = [
        CaptureColumn(form.columns.get(name, name), name, "", tuple(dict.fromkeys(cells[:1000].tolist()))[:3])
        for name, cells in table.identity.items()
    ]
    for place, cell in enumerate(table.header):
        unit = roles.units[place]
        is_current = roles.named[place] in CURRENT_NAMES or unit.endswith("a")
        meanings = {roles.time: "time", roles.capture: "capture"}
        ours = meanings.get(place) or ("" if place not in roles.measured else "current" if is_current else "voltage")
        columns.append(
            CaptureColumn(
                cell, ours, AS_WRITTEN.get(unit, unit), tuple(f"{value:g}" for value in table.samples[:3, place])
            )
        )
    return columns


@dataclass(frozen=True, slots=True)
class _Roles:
    """What each column of samples is: its plain name and unit, and the places of times, capture numbers and values."""

    named: list[str]
    units: list[str]
    time: int | None
    capture: int | None
    measured: list[int]


def _roles(table: _Table, form: CaptureForm) -> _Roles:
    ours = {theirs.strip().casefold(): name for name, theirs in form.columns.items()}
    named = [ours.get(cell.strip().casefold()) or ours.get(_plain(cell)) or _plain(cell) for cell in table.header]
    units = [_unit_of(table, place) for place in range(len(named))]
    time_at = next((place for place, name in enumerate(named) if name in TIME_NAMES), None)
    capture_at = next((place for place, name in enumerate(named) if name in CAPTURE_NAMES), None)
    if time_at is None and form.interval_ns is None and len(named) > 1 and not any(named):
        time_at = 0
    values_at = [
        place
        for place, name in enumerate(named)
        if (name in CURRENT_NAMES | VOLTAGE_NAMES or CHANNEL.fullmatch(name)) and place != time_at
    ]
    if form.quantity in named:
        # Another quantity that was recorded beside the declared one is another channel.
        values_at = [place for place in values_at if named[place] == form.quantity]
    if not values_at:
        values_at = [
            place
            for place in range(len(named))
            if place not in (time_at, capture_at) and named[place] not in form.identity
        ]
    return _Roles(named, units, time_at, capture_at, values_at)


def _declared(path: Path, form: CaptureForm, quantity: Quantity) -> str:
    unit = form.value_unit
    if unit is None:
        example = "mA" if quantity == "current" else "V"
        advice = form.advice(f"with --value-unit, such as {example}", f'as units = {{ {quantity} = "{example}" }}')
        raise CallError(f"{path.name}: does not name the unit of its {quantity}; declare it {advice}")
    if unit.casefold() not in VALUE_UNITS:
        raise CallError(f"--value-unit: expected A, mA, uA, V, mV or kV, got {quoted(unit)}")
    return unit.casefold()


def _times(path: Path, table: _Table, form: CaptureForm, time_at: int | None, units: Sequence[str]) -> Floats:
    if time_at is None or (form.interval_ns is not None and units[time_at] not in TIME_UNITS):
        if form.interval_ns is None:
            advice = form.advice("with --interval-ns", "as interval_ns")
            raise CallError(f"{path.name}: has no column of times; declare the time between samples {advice}")
        return np.arange(len(table.samples), dtype=np.float64) * form.interval_ns
    unit = units[time_at] if units[time_at] in TIME_UNITS else form.time_unit
    if unit is None:
        advice = form.advice("with --time-unit, such as ns", 'as units = { time = "ns" }')
        raise CallError(f"{path.name}: does not name the unit of its times; declare it {advice}")
    if unit.casefold() not in TIME_UNITS:
        raise CallError(f"--time-unit: expected s, ms, us or ns, got {quoted(unit)}")
    times: Floats = TIME_UNITS[unit.casefold()] * table.samples[:, time_at]
    return times


def _table(path: Path, form: CaptureForm) -> _Table:
    try:
        size = path.stat().st_size
        data = path.read_bytes() if size <= MOST_BYTES else b""
    except OSError as error:
        raise CallError(f"{path.name}: can't be read ({error.strerror})") from error
    if size > MOST_BYTES:
        raise CallError(f"{path.name}: has {size:,} bytes, more than {MOST_BYTES:,}; export fewer captures a file")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("cp1252", errors="replace")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    for characters in HEAD_CHARACTERS:
        head = text[:characters].split("\n")[: -1 if len(text) > characters else None]
        goes_on = characters < min(len(text), HEAD_CHARACTERS[-1])
        # A decimal comma is accepted from two columns on: one column with commas may be two columns with decimal points.
        for delimiter, decimal, width in ((";", ",", 2), ("\t", ",", 2), (";", ".", 1), ("\t", ".", 1), (",", ".", 1)):
            table = _cut(form, text, head, delimiter, decimal, width, goes_on=goes_on)
            if table is not None:
                return table
    raise CallError(f"{path.name}: holds no run of numeric samples; expected times and currents or voltages as text")


def _cut(
    form: CaptureForm, text: str, head: Sequence[str], delimiter: str, decimal: str, least: int, *, goes_on: bool
) -> _Table | None:
    """The samples of a file under one delimiter and decimal mark; None where no three lines of numbers stand together.

    With `goes_on` also where they do not go on to the end of the head.
    """
    cells = [[cell.strip().strip('"') for cell in line.split(delimiter)] for line in head]
    numeric = [_numeric_tail(row, decimal) for row in cells]
    start, end = max(_runs(numeric), key=lambda run: run[1] - run[0], default=(0, 0))
    width = min(numeric[start:end], default=0)
    has_comma = any("," in cell for row in cells[start:end] for cell in row[-width:])
    if end - start < 3 or width < least or (goes_on and end < len(head)) or (decimal == "," and not has_comma):
        return None
    above = [row for row in cells[max(0, start - 2) : start] if len(row) >= width and any(row)]
    header, units = [""] * width, [""] * width
    total = len(cells[start])
    identity: dict[str, int] = {}
    if above:
        names = [row[-width:] for row in above]
        known = {*TIME_UNITS, *VALUE_UNITS, ""}
        is_unit_row = len(names) == 2 and all(cell.strip("()[] ").casefold() in known for cell in names[1])
        header, units = (names[0], names[1]) if is_unit_row else (names[-1], units)
        whole = [_plain(cell) for cell in above[0 if is_unit_row else -1]]
        for name in form.identity:
            theirs = form.columns.get(name, name).strip().casefold()
            if theirs in whole and len(whole) == total:
                identity[name] = whole.index(theirs)
    frame = pd.read_csv(
        io.StringIO(text), sep=delimiter, decimal=decimal, header=None, skiprows=start, skip_blank_lines=False, names=range(total),
        usecols=sorted({*range(total - width, total), *identity.values()}), on_bad_lines="skip", low_memory=False,
        dtype={place: str for place in identity.values() if place < total - width},
    )  # fmt: skip
    samples = frame[list(range(total - width, total))].apply(pd.to_numeric, errors="coerce").to_numpy(dtype=np.float64)
    filled = ~np.isnan(samples).all(axis=1)
    texts = {
        name: frame[place][filled].map(_as_text, na_action="ignore").fillna("").to_numpy(dtype=np.str_)
        for name, place in identity.items()
    }
    return _Table(header, units, samples[filled], start + 1 + np.flatnonzero(filled), texts)


def _runs(widths: Sequence[int]) -> Iterator[tuple[int, int]]:
    """Runs of lines with at least one numeric cell at their end; blank lines between them belong to the next run."""
    start = None
    for place, width in enumerate([*widths, 0]):
        if width and start is None:
            start = place
        elif start is not None and (not width or width != widths[start]):
            yield start, place
            start = place if width else None


def _numeric_tail(row: Sequence[str], decimal: str) -> int:
    """How many cells at the end of a line are numbers."""
    count = 0
    for cell in reversed(row):
        try:
            float(cell.replace(",", ".") if decimal == "," else cell)
        except ValueError:
            break
        count += 1
    return count


def _plain(cell: str) -> str:
    match = WITH_UNIT.fullmatch(cell.strip())
    return (match[1] if match else cell).strip().casefold()


def _unit_of(table: _Table, place: int) -> str:
    match = WITH_UNIT.fullmatch(table.header[place].strip())
    name = _plain(table.header[place])
    unit = (match[2] if match else table.units[place].strip("()[] ")).casefold()
    if not unit and name in ("second", "seconds", "volt", "volts", "amp", "ampere", "amps"):
        unit = {"s": "s", "v": "v", "a": "a"}[name[0]]
    if not unit and name.startswith("time_"):
        unit = name.removeprefix("time_")
    return unit


def _as_text(cell: object) -> str:
    return f"{cell:g}" if isinstance(cell, float) else str(cell).strip().strip('"')


def _starts(table: _Table, time: Floats, capture_at: int | None) -> list[int]:
    """Where each capture begins.

    With the column that numbers the captures, or columns that name the readings, where one of them changes. Where the times fall back by
    more than half of their span, unless the captures are numbered.
    """
    changes = np.zeros(max(len(time) - 1, 0), dtype=bool)
    for cells in table.identity.values():
        changes |= cells[1:] != cells[:-1]
    if capture_at is not None:
        changes |= np.diff(table.samples[:, capture_at]) != 0
    elif len(time):
        changes |= np.diff(time) < -float(np.nanmax(time) - np.nanmin(time)) / 2
    return [0, *(np.flatnonzero(changes) + 1).tolist()]
