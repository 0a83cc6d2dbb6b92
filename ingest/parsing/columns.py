"""Match the header of a file with the known columns and the mapping that its source declares."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches

from ingest.common.text import quoted
from ingest.common.units import BLANKS, names_a_unit
from ingest.config.field_types import listed
from ingest.config.models import Source
from ingest.parsing.csv_table import NotATableError

__all__ = ["DEW_POINTS", "Layout", "ReadingColumn", "expected_names", "lay_out", "place", "units_of"]

REQUIRED = {
    "tests": ("tested_at", "supplier", "product", "lot", "specimen", "reading", "characteristic", "value", "unit"),
    "climate": ("logged_at", "chamber", "humidity_percent", "temperature_c"),
    "stock": ("counted_on", "supplier", "product", "lot"),
    "loads": ("at", "load", "chamber", "event"),
    "calibrations": ("instrument", "done_at"),
}
# Only these may carry a unit in the header: `value [nJ]`, `temperature_c (degF)`.
MEASURED = {"value", "humidity_percent", "temperature_c", "dew_point_c", "frost_point_c"}
# A humidity may be given as one of these.
DEW_POINTS = ("dew_point_c", "frost_point_c")
# Numbers whose decimal mark is found from the whole column.
DECIMAL = {*MEASURED, "quantity", "as_found", "as_left", "uncertainty"}
WITH_UNIT = re.compile(r"(.*\S)\s*[\[(]\s*([^\])]+?)\s*[\])]", re.DOTALL)


@dataclass(frozen=True, slots=True)
class ReadingColumn:
    """A column of values.

    `reading` is its number in a wide file, None where a column of the file numbers readings. `characteristic` is that of
    its values, "" where a column of the file names it.
    """

    index: int
    name: str
    reading: int | None
    unit: str
    characteristic: str = ""


@dataclass(slots=True)
class Layout:
    """The layout of a file: positions by our name, the columns of values, units in the header, and notes.

    `time` is the position of the time of day where it has a column of its own. `decimals` is the decimal mark of each measured column by its position, determined from the whole file.
    """

    positions: dict[str, int] = field(default_factory=dict)
    readings: list[ReadingColumn] = field(default_factory=list)
    units: dict[str, str] = field(default_factory=dict)
    notes: list[tuple[int, str]] = field(default_factory=list)
    time: int | None = None
    decimals: dict[int, str] = field(default_factory=dict)

    def measured(self) -> list[int]:
        """Positions of the columns that hold measured numbers."""
        measured = {index for name, index in self.positions.items() if name in DECIMAL}
        return sorted(measured | {column.index for column in self.readings})


def expected_names(source: Source) -> Collection[str]:
    """Return the header cells by which a file of this source is recognised, in lower case."""
    theirs = (*source.columns.values(), *source.readings, *source.values, source.time_column or "")
    return {name.casefold() for name in (*source.known_columns, *theirs) if name}


def lay_out(header: Sequence[str], source: Source) -> Layout:
    """Find the columns.

    Raises
    ------
    NotATableError
        If a column occurs twice, or a required one is missing and not declared as `fixed`.
    """
    layout = place(header, source)
    _check_required(layout, source)
    return layout


def place(header: Sequence[str], source: Source) -> Layout:
    """Find the columns as `lay_out`, but accept that a required one is missing."""
    layout = Layout()
    for index, cell in enumerate(header):
        _place(layout, index, _plain(cell), source)
    layout.readings.sort(key=lambda column: column.reading or 0)
    if source.values and "reading" in {*layout.positions, *source.fixed}:
        layout.readings = [replace(column, reading=None) for column in layout.readings]
    return layout


def _plain(cell: str) -> str:
    return unicodedata.normalize("NFC", cell.strip(BLANKS + "\r\n"))


def _place(layout: Layout, index: int, name: str, source: Source) -> None:
    match = WITH_UNIT.fullmatch(name)
    bare, unit = (match[1], match[2]) if match else (name, "")
    # A mapping may name the whole cell; a unit in it still applies.
    for candidate, candidate_unit in ((name, unit if names_a_unit(unit) else ""), (bare, unit)):
        if candidate in source.readings:
            _place_reading(
                layout, ReadingColumn(index, candidate, source.readings.index(candidate) + 1, candidate_unit)
            )
            return
        if candidate in source.values:
            characteristic = source.values[candidate]
            if any(column.name == candidate for column in layout.readings):
                raise NotATableError(f"has the column {quoted(candidate)} twice; take one out")
            layout.readings.append(ReadingColumn(index, candidate, 1, candidate_unit, characteristic))
            return
        if candidate == source.time_column and layout.time is None:
            layout.time = index
            return
        ours = _ours(candidate, source)
        if ours in MEASURED or (ours is not None and candidate == name):
            _place_known(layout, index, ours, candidate_unit if ours in MEASURED else "")
            return
    layout.notes.append((index, name))


def _place_reading(layout: Layout, column: ReadingColumn) -> None:
    if any(column.reading == other.reading for other in layout.readings):
        raise NotATableError(f"has the column {quoted(column.name)} twice; take one out")
    layout.readings.append(column)


def _place_known(layout: Layout, index: int, ours: str, unit: str) -> None:
    if ours in layout.positions:
        raise NotATableError(f'has the column "{ours}" twice; take one out, or map the right one in [[source]] columns')
    layout.positions[ours] = index
    if unit:
        layout.units[ours] = unit
    if ours == "value":
        layout.readings.append(ReadingColumn(index, ours, None, unit))


def _ours(name: str, source: Source) -> str | None:
    """The known column for a header cell, by the declared mapping or by its name."""
    for ours, theirs in source.columns.items():
        if name == _plain(theirs):
            return ours
    ours = name.casefold()
    # In a wide file the order of the value columns numbers the readings, so a column `reading` is a note.
    taken = {*source.columns, *(("reading", "value") if source.readings else ())}
    taken |= {"characteristic", "value"} if source.values else set()
    return ours if ours in source.known_columns and ours not in taken else None


def _check_required(layout: Layout, source: Source) -> None:
    present = {*layout.positions, *source.fixed}
    if "value" in source.units or any(column.unit for column in layout.readings):
        present.add("unit")
    if source.readings or source.values:
        present |= {"reading", "value", *(["characteristic"] if source.values else [])}
        names = {column.name for column in layout.readings}
        _refuse_missing([name for name in (*source.readings, *source.values) if name not in names], layout, source)
    if source.values and "unit" not in {*layout.positions, *source.fixed}:
        bare = next((one.name for one in layout.readings if not (one.unit or units_of(source, one.name))), None)
        if bare is not None:
            raise NotATableError(
                f"names no unit for the column {quoted(bare)}; declare it in [[source]], such as units = "
                f'{{ {quoted(bare)} = "ohm" }}'
            )
        present.add("unit")
    if source.time_column is not None and layout.time is None:
        raise NotATableError(
            f"lacks the column {quoted(source.time_column)}, declared as time_column in [[source]]; correct one of them"
        )
    if source.kind == "climate" and "humidity_percent" not in present:
        _check_dew_point(layout, present)
    _refuse_missing([name for name in REQUIRED[source.kind] if name not in present], layout, source)


def _check_dew_point(layout: Layout, present: set[str]) -> None:
    """Accept one of the columns of a dew point in place of the humidity; refuse one that does not say over what it is."""
    given = present.intersection(DEW_POINTS)
    if len(given) > 1:
        raise NotATableError(
            "has both dew_point_c and frost_point_c; map the one that the logger measures in [[source]] columns"
        )
    present |= {"humidity_percent"} if given else set()
    vague = next((name for _, name in layout.notes if any(word in name.casefold() for word in ("dew", "frost"))), None)
    if not given and vague is not None:
        raise NotATableError(
            f"has the column {quoted(vague)}, which does not say over what; map it in [[source]] columns as dew_point_c (over water) or "
            "frost_point_c (over ice): near 12 % RH the two differ by 0.9 % RH"
        )


def units_of(source: Source, column: str) -> str:
    """Return the unit that a source declares for a column of values."""
    return source.units.get(column, "") or source.units.get("value", "")


def _refuse_missing(missing: list[str], layout: Layout, source: Source) -> None:
    if not missing:
        return
    theirs = source.columns.get(missing[0])
    for key, columns in (("readings", source.readings), ("values", source.values)):
        if missing[0] in columns:
            raise NotATableError(
                f"lacks the column {quoted(missing[0])}, declared in [[source]] {key}; correct one of them"
            )
    if theirs is not None:
        raise NotATableError(
            f"lacks the column {quoted(theirs)}, declared as {missing[0]} in [[source]]; correct one of them"
        )
    near = get_close_matches(missing[0], [name for _, name in layout.notes], n=1)
    like = near[0] if near else "their name"
    names, it = (f"columns {listed(missing, 'and')}", "them") if missing[1:] else (f"column {quoted(missing[0])}", "it")
    example = f"columns = {{ {missing[0]} = {quoted(like)} }}"
    raise NotATableError(f"lacks the {names}; add {it}, or map {it} in [[source]], such as {example}")
