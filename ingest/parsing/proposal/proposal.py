"""Propose a source for a file that nobody declared: from its first bytes, and the characteristics of the lab.

Pure: bytes and declarations in, a declaration with its doubts out. The command and the page "Add a file" share it. Nothing is
assumed in silence: each guess that the file does not settle is a doubt, with the key of `lab.toml` that settles it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from difflib import SequenceMatcher, get_close_matches
from pathlib import PurePath
from typing import Any

import pyarrow.compute as pc

from ingest.common.text import quoted
from ingest.common.units import (
    BLANKS,
    UNITS,
    Quantity,
    UnitError,
    ValueTextError,
    logger_unit,
    parse_number,
    parse_unit,
)
from ingest.config.lab import STANDARD_FOLDERS, Lab
from ingest.config.models import COLUMNS, FILL_IN, Characteristic, Source
from ingest.parsing.cells import DecimalEvidence
from ingest.parsing.columns import DEW_POINTS
from ingest.parsing.csv_table import FileFormat, NotATableError, Table, read_table
from ingest.parsing.proposal.column_words import (
    AMBIGUOUS_WORDS,
    COLUMN_WORDS,
    EXPECTED_NAMES,
    TIME_WORDS,
    bare_name,
    bare_unit,
    has_word,
    needs_mapping,
)
from ingest.parsing.proposal.stamp_format import (
    StampFormat,
    day_format,
    holds_days,
    holds_stamps,
    holds_times,
    stamp_format,
)
from ingest.parsing.rows.load_rows import EVENTS

__all__ = ["PROPOSAL_BYTES", "Proposal", "propose"]

# The beginning of a file, from which a source is proposed; it must contain the header.
PROPOSAL_BYTES = 1 << 20
TITLE_LINES = 30
# A header that is looked for among title lines is within this many bytes.
HEAD_BYTES = 1 << 16
EXAMPLES = 200
IN_BRACKETS = re.compile(r"[\[(]\s*([^\])]+?)\s*[\])]\s*$")
# What a name of a characteristic may contain, and how other languages say it.
SAME_WORDS = {
    "innen": "inside",
    "außen": "outside",
    "aussen": "outside",
    "energie": "energy",
    "widerstand": "resistance",
}
# Words of many columns, which tell none.
COMMON_WORDS = frozenset(
    ("a", "as", "at", "c", "date", "datum", "day", "h", "id", "in", "k", "name", "no", "nr", "number", "of", "on", "percent", "r", "test",
     "time", "type", "u", "zeit")
)  # fmt: skip
CODE_PAGE = "cp1252"
# The column that says when, by the kind of the file.
STAMPS = {"tests": "tested_at", "climate": "logged_at", "loads": "at", "calibrations": "done_at", "stock": "counted_on"}
MEASURED = ("value", "humidity_percent", "temperature_c", "quantity", "as_found", "as_left", "uncertainty")
# No chamber of a lab is as warm: such a log is in degrees Fahrenheit.
WARMEST_C = 45.0


@dataclass(frozen=True, slots=True)
class Proposal:
    """A source, and one line for each doubt that a person has to settle.

    `month_first` is the proposal in the other order of day and month, where the beginning of the file leaves the order open.
    """

    source: Source
    doubts: tuple[str, ...]
    month_first: Proposal | None = None


@dataclass(slots=True)
class _Draft:
    """A source while it is put together."""

    kind: str
    cells: list[str]
    table: Table
    lab: Lab
    declared: dict[str, Any] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)
    # Our name of the columns that are recognised, by their position.
    matches: dict[str, int] = field(default_factory=dict)
    stamp: StampFormat = field(default_factory=lambda: StampFormat(None))

    def texts(self, index: int) -> list[str]:
        """The first distinct filled cells of a column."""
        cells = (text.strip(BLANKS) for text in self.table.columns[index].slice(0, 20 * EXAMPLES).to_pylist())
        return list(dict.fromkeys(text for text in cells if text))[:EXAMPLES]

    def stamps(self, index: int, time: int | None = None) -> list[str]:
        """All distinct filled cells of a column of days, with the time of day of its own column: one of the last may settle the order."""
        cells = pc.utf8_trim(self.table.columns[index], characters=BLANKS)
        if time is not None:
            cells = pc.binary_join_element_wise(cells, pc.utf8_trim(self.table.columns[time], characters=BLANKS), " ")
        return [text for text in pc.unique(cells).to_pylist() if text.strip(BLANKS)]

    def columns(self) -> list[str]:
        """Our columns that a file of this shape may have."""
        ours = list(COLUMNS[self.kind])
        if self.declared.get("values") or self.declared.get("readings"):
            ours = [name for name in ours if name not in ("value", "reading", "characteristic", "unit")]
        # A log has one of the measures of humidity.
        return [name for name in ours if name not in DEW_POINTS]

    def left(self) -> list[int]:
        """The columns without a meaning so far."""
        named = {*self.declared.get("readings", ()), *self.declared.get("values", {}), self.declared.get("time_column")}
        taken = set(self.matches.values())
        return [index for index, cell in enumerate(self.cells) if cell and index not in taken and cell not in named]


def propose(head: bytes, lab: Lab, name: str = "") -> Proposal:
    """Propose a source for a file.

    Parameters
    ----------
    head : bytes
        Its first `PROPOSAL_BYTES` bytes.
    lab : Lab
        Its characteristics and sources.
    name : str
        The name of the file, from which a pattern is made where the folder has a source already.

    Raises
    ------
    NotATableError
        If no header is found.
    """
    encoding, doubts = _encoding(head)
    if len(head) >= PROPOSAL_BYTES:
        head = head[: head.rfind(b"\n") + 1] or head
    skip_rows = _title_lines(head, encoding)
    form = FileFormat(encoding, None, skip_rows, EXPECTED_NAMES)
    table = read_table(head, form)
    units_row = _is_units_row(table)
    if units_row:
        table = read_table(head, FileFormat(encoding, None, skip_rows, EXPECTED_NAMES, units_row=True))
    cells = [cell.strip(BLANKS + "\r\n") for cell in table.header]
    draft = _Draft(_kind(cells, table), cells, table, lab, doubts=doubts)
    draft.declared = {"kind": draft.kind, "folder": STANDARD_FOLDERS[draft.kind]}
    draft.declared |= {"encoding": encoding, "skip_rows": skip_rows, "units_row": units_row}
    # A comma is the usual delimiter; another one that the header leaves open would be recognised wrongly some day.
    draft.declared["delimiter"] = None if table.delimiter == "," else table.delimiter
    _match_columns(draft)
    _propose_stamps(draft)
    if draft.kind == "tests":
        _propose_values(draft)
    elif draft.kind == "climate":
        _propose_climate_units(draft)
    _propose_fixed(draft)
    _propose_decimal(draft)
    _propose_pattern(draft, name)
    _doubt_notes(draft)
    ours = {ours: draft.cells[index] for ours, index in draft.matches.items()}
    draft.declared["columns"] = {name: cell for name, cell in ours.items() if needs_mapping(name, cell)}
    proposal = Proposal(Source.model_validate(draft.declared), tuple(draft.doubts))
    if draft.stamp.other is None:
        return proposal
    other = Source.model_validate({**draft.declared, "time_format": draft.stamp.other})
    settled = Proposal(other, tuple(one for one in draft.doubts if one != draft.stamp.doubt))
    return replace(proposal, month_first=settled)


# The file


def _encoding(head: bytes) -> tuple[str | None, list[str]]:
    """The encoding to declare; None where it is recognised by itself."""
    if head[:2] in (b"\xff\xfe", b"\xfe\xff") or head.startswith(b"\xef\xbb\xbf"):
        return None, []
    if head[1::2].count(0) > len(head) // 4:
        return "utf-16-le", []
    try:
        # The last character may be cut.
        head[: max(head.rfind(b"\n"), 0) or len(head)].decode("utf-8")
    except UnicodeDecodeError:
        sample = (
            next((line for line in head.splitlines() if not line.isascii()), b"").decode(CODE_PAGE, "replace").strip()
        )
        return CODE_PAGE, [
            f'the text is not UTF-8; encoding = "{CODE_PAGE}" (Western European) is proposed: if {quoted(sample)} looks wrong, '
            'declare another one, such as "cp850" or "cp1250"'
        ]
    return None, []


def _title_lines(head: bytes, encoding: str | None) -> int:
    """The number of lines above the line that is most like a header."""
    best, best_score = 0, 0.0
    for skip_rows in range(TITLE_LINES):
        try:
            table = read_table(head[:HEAD_BYTES], FileFormat(encoding, None, skip_rows, EXPECTED_NAMES))
        except NotATableError:
            break
        recognised = sum(bare_name(cell) in EXPECTED_NAMES for cell in table.header)
        # A header has more cells than a title, units in brackets, no numbers, and rows of its length below it.
        texts = sum(bool(cell.strip()) and not _is_number(cell) for cell in table.header)
        fits = len(table.lines) / (len(table.lines) + len(table.broken) or 1)
        score = 2.0 * recognised + 0.5 * texts * fits - 0.1 * skip_rows
        if score > best_score:
            best, best_score = skip_rows, score
    return best


def _is_units_row(table: Table) -> bool:
    """Whether the first row below the header holds units and nothing else."""
    if not len(table.lines):
        return False
    cells = [column[0].as_py().strip(BLANKS) for column in table.columns]
    filled = [cell for cell in cells if cell.strip("-[]() ")]
    return bool(filled) and all(_unit_in(cell) for cell in filled)


def _unit_in(cell: str) -> str:
    """The unit of a cell such as `[µJ]` or `Energy (µJ)`, as our name; "" if there is none."""
    match = IN_BRACKETS.search(cell)
    text = match[1] if match else cell
    if (climate := logger_unit(text)) is not None and climate != "%":
        return climate
    try:
        return parse_unit(text).name
    except UnitError:
        return climate or ""


def _is_number(cell: str) -> bool:
    for decimal in (".", ","):
        try:
            parse_number(cell, decimal)
        except ValueTextError:
            continue
        return True
    return False


# The columns


def _kind(cells: Sequence[str], table: Table) -> str:
    """The kind of a file by what only such files have: a log a humidity, a test the bag; the others have neither."""
    bare = [bare_name(cell) for cell in cells]
    names = {name for kind, columns in COLUMNS.items() if kind != "waveforms" for name in columns}
    has = {ours for ours in names if any(has_word(ours, one) for one in bare)}
    is_log = "humidity_percent" in has or ("temperature_c" in has and "value" not in has)
    if is_log and not has & {"lot", "specimen"}:
        return "climate"
    if (
        has & {"load", "chamber"}
        and "value" not in has
        and not _numbered(cells)
        and any(map(_holds_events, table.columns))
    ):
        return "loads"
    if "specimen" in has:
        return "tests"
    figures = has & {"due_on", "as_found", "as_left", "uncertainty", "certificate"}
    if "instrument" in has and len(figures) > 1 and "lot" not in has:
        return "calibrations"
    if "event" in has and has & {"load", "chamber"}:
        return "loads"
    if "lot" in has and has & {"quantity", "storage", "opened_on"} and not (has & {"value"} or _numbered(cells)):
        return "stock"
    return "tests"


def _holds_events(column: Any) -> bool:
    """Whether a column holds the events of loads and nothing else."""
    texts = {text.strip(BLANKS).casefold() for text in column.slice(0, EXAMPLES).to_pylist()} - {""}
    return bool(texts) and texts <= set(EVENTS)


def _match_columns(draft: _Draft) -> None:
    """Find our columns by their names, then by other words for them, then by likeness; each column is used once."""
    columns = COLUMNS[draft.kind]
    left = {index: bare_name(cell) for index, cell in enumerate(draft.cells) if cell}
    numbered = {draft.cells.index(cell) for cell in _numbered(draft.cells)} if draft.kind == "tests" else set()
    for is_like in (lambda ours, bare: bare == ours, has_word):
        for ours in columns:
            index = next((index for index, bare in left.items() if is_like(ours, bare) and index not in numbered), None)
            if ours not in draft.matches and index is not None:
                draft.matches[ours] = index
                word = left.pop(index)
                if word in AMBIGUOUS_WORDS and word != ours:
                    draft.doubts.append(
                        f"{quoted(draft.cells[index])} is taken for {ours}; if it is {AMBIGUOUS_WORDS[word]}, take it out of columns"
                    )
    if draft.kind == "loads" and "event" not in draft.matches:
        by_cells = next((index for index in left if _holds_events(draft.table.columns[index])), None)
        if by_cells is not None:
            draft.matches["event"] = by_cells
            del left[by_cells]
    for ours in columns:
        free = {bare: index for index, bare in left.items() if index not in numbered}
        # A likeness does not say over what a dew point is.
        open_to_likeness = ours not in draft.matches and ours not in DEW_POINTS
        close = get_close_matches(ours, list(free), n=1, cutoff=0.8) if open_to_likeness else []
        if close:
            draft.matches[ours] = free[close[0]]
            del left[free[close[0]]]
            draft.doubts.append(
                f"{quoted(draft.cells[draft.matches[ours]])} is taken for {ours} as the names are alike; correct it in columns"
            )


def _numbered(cells: Sequence[str]) -> list[str]:
    """The longest series of cells that differ only in a number, such as d1 … d6, or `E1 [µJ]` … `E6 [µJ]`."""
    series: dict[str, list[str]] = {}
    for cell in cells:
        match = re.fullmatch(r"(.*?)[ _.-]*[0-9]+(\s*[\[(].*)?", cell)
        if match:
            series.setdefault(f"{match[1].casefold()}{match[2] or ''}", []).append(cell)
    longest = max(series.values(), key=len, default=[])
    return longest if len(longest) > 1 else []


def _propose_stamps(draft: _Draft) -> None:
    """Find the day and time of a row, in one column or two, and its format; a count has a day alone."""
    ours = STAMPS[draft.kind]
    index = draft.matches.get(ours)
    if draft.kind == "stock":
        if index is None:
            draft.doubts.append(f'no column holds the day of the count; name it as columns = {{ {ours} = "…" }}')
            return
        _declare_stamp(draft, day_format(draft.stamps(index)))
        return
    days = [one for one in (index, *draft.left()) if one is not None and holds_days(draft.texts(one))]
    if index is None:
        index = _stamp_by_cells(draft, days)
    if index is None or (not days and holds_times(draft.texts(index))):
        draft.doubts.append(f'no column of day and time is recognised; name it as columns = {{ {ours} = "…" }}')
        return
    if holds_times(draft.texts(index)) and days:
        index = draft.matches[ours] = days[0]
    times = [one for one in [*draft.left(), *range(len(draft.cells))] if one != index and holds_times(draft.texts(one))]
    time = None
    if holds_days(draft.texts(index)) and times:
        time = min(times, key=lambda one: (bare_name(draft.cells[one]) not in TIME_WORDS, one))
        draft.matches = {name: at for name, at in draft.matches.items() if at != time}
        draft.declared["time_column"] = draft.cells[time]
    _declare_stamp(draft, stamp_format(draft.stamps(index, time)))


def _stamp_by_cells(draft: _Draft, days: list[int]) -> int | None:
    """The column of day and time by what its cells hold: a stamp, or a day where another column holds times of day."""
    ours = STAMPS[draft.kind]
    candidates = [one for one in draft.left() if holds_stamps(draft.texts(one))]
    if not candidates and any(holds_times(draft.texts(one)) for one in draft.left()):
        candidates = days
    if not candidates:
        return None
    draft.matches[ours] = candidates[0]
    others = (
        f", as do those of {', '.join(quoted(draft.cells[one]) for one in candidates[1:])}" if candidates[1:] else ""
    )
    draft.doubts.append(
        f"{quoted(draft.cells[candidates[0]])} is taken for {ours} as its cells hold days and times{others}; correct it in columns"
    )
    return candidates[0]


def _declare_stamp(draft: _Draft, stamp: StampFormat) -> None:
    draft.stamp = stamp
    draft.declared["time_format"] = stamp.form
    draft.doubts += [stamp.doubt] if stamp.doubt else []


# The values


def _propose_values(draft: _Draft) -> None:
    """Find the columns of values: one, a series of readings on a bag, or one for each characteristic."""
    if "value" not in draft.matches:
        series = [cell for cell in _numbered(draft.cells) if draft.cells.index(cell) in draft.left()]
        if series:
            draft.declared["readings"] = series
            draft.matches.pop("reading", None)
        else:
            _propose_by_unit(draft)
    if draft.declared.get("values"):
        return
    indices = [draft.cells.index(cell) for cell in draft.declared.get("readings", ())]
    indices += [draft.matches["value"]] if "value" in draft.matches else []
    units = {unit for index in indices if (unit := _unit_in_brackets(draft.cells[index]))}
    units |= set(draft.declared.get("units", {}).values())
    if "characteristic" in draft.matches:
        _propose_names(draft)
    else:
        _propose_characteristic(draft, units)
    if not units and "unit" not in draft.matches and indices:
        _propose_unit(draft)


def _unit_in_brackets(cell: str) -> str:
    return _unit_in(cell) if IN_BRACKETS.search(cell) else ""


def _unit_as_name(cell: str, lab: Lab) -> str:
    """The unit of a column whose name is a unit and nothing else, such as `Ohms`, of a characteristic of the lab; "" for none."""
    unit = _unit_in(cell) if len(cell) > 1 and not IN_BRACKETS.search(cell) else ""
    return unit if unit in UNITS and _of_quantity(lab, UNITS[unit].quantity) else ""


def _propose_by_unit(draft: _Draft) -> None:
    """Take columns of numbers with a unit of a declared characteristic as its values."""
    by_index: dict[int, Quantity] = {}
    # The units of columns that are named by them.
    bare: dict[int, str] = {}
    for index in draft.left():
        cell, texts = draft.cells[index], draft.texts(index)
        as_name = _unit_as_name(cell, draft.lab)
        unit = _unit_in_brackets(cell) or as_name
        if unit in UNITS and sum(map(_is_number, texts)) * 2 > len(texts):
            by_index[index] = UNITS[unit].quantity
            bare |= {index: as_name} if as_name else {}
    if not by_index:
        draft.doubts.append(
            'no column of values is recognised; name it as columns = { value = "…" }, as readings = ["…", "…"] where a row holds '
            'several readings of a bag, or as values = { "…" = "a characteristic" }'
        )
        return
    if len(by_index) == 1:
        (draft.matches["value"],) = by_index
        if bare and "unit" not in draft.matches:
            draft.declared["units"] = {"value": bare[draft.matches["value"]]}
        return
    _propose_characteristics(draft, by_index)
    units = {draft.cells[index]: unit for index, unit in bare.items()}
    draft.declared["units"] = {cell: unit for cell, unit in units.items() if cell in draft.declared["values"]}


def _propose_characteristics(draft: _Draft, by_index: dict[int, Quantity]) -> None:
    """Give each column of values its characteristic: the pairs whose names are most alike first."""
    pairs = {
        (index, one.name): _likeness(draft.cells[index], one.name)
        for index, quantity in by_index.items()
        for one in _of_quantity(draft.lab, quantity)
    }
    chosen: dict[int, str] = {}
    for index, name in sorted(pairs, key=lambda pair: -pairs[pair]):
        if index not in chosen and name not in chosen.values():
            chosen[index] = name
    for index, quantity in by_index.items():
        cell = draft.cells[index]
        if index not in chosen:
            draft.doubts.append(
                f"{quoted(cell)} is kept as a note: lab.toml declares no further [[characteristic]] of {quantity.name}"
            )
            continue
        # Only a word that both names share tells characteristics apart; the likeness of letters is a guess.
        shared = {one.name: _shared_words(cell, one.name) for one in _of_quantity(draft.lab, quantity)}
        others = [name for name in shared if name != chosen[index] and shared[name] >= shared[chosen[index]]]
        if others:
            draft.doubts.append(
                f"{quoted(cell)} could be {' or '.join(shared)}; {chosen[index]} is proposed, correct it in values"
            )
    draft.declared["values"] = {draft.cells[index]: chosen[index] for index in by_index if index in chosen}


def _of_quantity(lab: Lab, quantity: Quantity) -> list[Characteristic]:
    return [one for one in lab.characteristics if UNITS[one.unit].quantity is quantity]


def _shared_words(cell: str, name: str) -> int:
    words = {SAME_WORDS.get(word, word) for word in bare_name(cell).split()}
    return len(words & set(name.casefold().replace("_", " ").split()))


def _likeness(cell: str, name: str) -> float:
    return _shared_words(cell, name) + SequenceMatcher(None, bare_name(cell), name).ratio() / 10


def _propose_names(draft: _Draft) -> None:
    """Map the texts of the column of characteristics that are not declared names to those that share their words."""
    chosen = {}
    for text in draft.texts(draft.matches["characteristic"]):
        if draft.lab.is_declared(text):
            continue
        shared = {one.name: _shared_words(text, one.name) for one in draft.lab.characteristics}
        most = max(shared.values())
        best = [name for name, count in shared.items() if count == most]
        same = [name for name in best if _words_of(text) == _words_of(name)]
        if same:
            chosen[text] = same[0]
        elif most and len(best) == 1:
            chosen[text] = best[0]
            draft.doubts.append(f"{quoted(text)} is taken for {best[0]}; correct it in characteristics")
        else:
            draft.doubts.append(
                f"{quoted(text)} is no characteristic of lab.toml, so its rows are refused; declare it, or name it as characteristics = "
                f'{{ {quoted(text)} = "…" }} (declared are {", ".join(shared)})'
            )
    if chosen:
        draft.declared["characteristics"] = chosen


def _words_of(name: str) -> set[str]:
    return set(re.findall(r"[^\W_]+", name.casefold()))


def _propose_characteristic(draft: _Draft, units: set[str]) -> None:
    quantities = {UNITS[unit].quantity for unit in units if unit in UNITS}
    fitting = [one for quantity in quantities for one in _of_quantity(draft.lab, quantity)] or list(
        draft.lab.characteristics
    )
    draft.declared.setdefault("fixed", {})["characteristic"] = fitting[0].name
    if len(fitting) > 1 or not quantities:
        names = ", ".join(one.name for one in fitting)
        draft.doubts.append(
            f"no column names the characteristic; {fitting[0].name} is proposed, correct it in fixed (declared are {names})"
        )


def _propose_unit(draft: _Draft) -> None:
    name = draft.declared.get("fixed", {}).get("characteristic")
    unit = next((one.unit for one in draft.lab.characteristics if one.name == name), draft.lab.characteristics[0].unit)
    draft.declared["units"] = {"value": unit}
    draft.doubts.append(
        f'no unit is written; units = {{ value = "{unit}" }} is proposed: look at the instrument, and correct it'
    )


def _propose_fixed(draft: _Draft) -> None:
    """Propose a text for each required column that the file lacks and that may be the same in all its rows."""
    fixed: dict[str, Any] = draft.declared.setdefault("fixed", {})

    def lacks(name: str, text: str, why: str) -> None:
        if name not in draft.matches:
            fixed[name] = text
            what = (
                f'write the {name} of all rows in place of "{FILL_IN}"'
                if text == FILL_IN
                else f"{name} {text} is proposed"
            )
            draft.doubts.append(f"{why}; {what} in fixed")

    def unrecognised(*names: tuple[str, str]) -> None:
        for name, what in names:
            if name not in draft.matches:
                draft.doubts.append(f'no column of {what} is recognised; name it as columns = {{ {name} = "…" }}')

    if draft.kind == "climate":
        lacks("chamber", FILL_IN, "no column names the chamber; it must be the name that the tests use")
        has_dew_point = not draft.matches.keys().isdisjoint(DEW_POINTS)
        needed = ("temperature_c",) if has_dew_point else ("humidity_percent", "temperature_c")
        unrecognised(*((name, name) for name in needed))
    elif draft.kind == "loads":
        unrecognised(("load", "the load"))
        lacks("chamber", FILL_IN, "no column names the chamber; it must be the name that its log uses")
    elif draft.kind == "calibrations":
        lacks("instrument", FILL_IN, "no column names the instrument; it must be the name that the tests use")
    else:
        lacks("supplier", FILL_IN, "no column names the supplier")
        lacks("product", FILL_IN, "no column names the product")
        unrecognised(("lot", "the lot"))
    if draft.kind == "tests":
        unrecognised(("specimen", "the number of the bag"))
        _doubt_places(draft)
        if "value" in draft.matches and "reading" not in draft.matches:
            lacks("reading", "1", "no column numbers the readings of a bag, so each row is its only one")


def _doubt_places(draft: _Draft) -> None:
    """Name what a test needs to be judged by its conditioning."""
    if "chamber" not in draft.matches:
        draft.doubts.append(
            'no column names the chamber; tests that need conditioning are not valid without it: declare fixed = { chamber = "…" }'
        )
    if "load" not in draft.matches and any(source.kind == "loads" for source in draft.lab.sources):
        draft.doubts.append(
            "no column names the load, though this lab keeps a record of loads: without it the hours of a test are those of the load "
            'that names its lot, else of the chamber; if the file has one, name it as columns = { load = "…" }'
        )


# What is left


def _measured(draft: _Draft) -> list[int]:
    names = [*draft.declared.get("readings", ()), *draft.declared.get("values", {})]
    measured = [draft.matches[name] for name in MEASURED if name in draft.matches]
    return measured + [draft.cells.index(name) for name in names]


def _propose_decimal(draft: _Draft) -> None:
    """Declare a decimal comma that the file shows, and name words among the numbers."""
    words: Counter[str] = Counter()
    commas = []
    for index in _measured(draft):
        evidence = DecimalEvidence().with_texts(draft.table.columns[index])
        commas.append(evidence.comma and not evidence.point)
        if draft.kind in ("tests", "climate"):
            words.update(text for text in draft.texts(index) if not _is_number(text))
        if evidence.comma and not evidence.point and not evidence.proof:
            draft.doubts.append(
                f"the commas of {quoted(draft.cells[index])} could part thousands; they are taken for decimal commas"
            )
        if evidence.comma and evidence.point:
            draft.doubts.append(f"{quoted(draft.cells[index])} has commas and points; write one decimal mark")
    # A comma that parts the cells is no decimal mark.
    if any(commas) and draft.table.delimiter != ",":
        draft.declared["decimal"] = ","
    for word, _ in words.most_common(3):
        draft.doubts.append(
            f"{quoted(word)} is no number, so its rows are refused; if it means out of range, declare the range with words = "
            f'{{ {quoted(word)} = ">…" }}, in the unit of its column'
        )


def _propose_climate_units(draft: _Draft) -> None:
    """Declare degrees Fahrenheit where the header names them without brackets, or the figures can't be degrees Celsius."""
    index = draft.matches.get("temperature_c")
    if index is None or _unit_in_brackets(draft.cells[index]):
        return
    unit = bare_unit(draft.cells[index])
    numbers = sorted(float(text.replace(",", ".")) for text in draft.texts(index) if _is_plain(text))
    if not unit and numbers and numbers[len(numbers) // 2] > WARMEST_C:
        unit = "degF"
        draft.doubts.append(
            f"{quoted(draft.cells[index])} names no unit and holds {numbers[len(numbers) // 2]:g}, so °F is proposed; for °C take it out "
            "of units"
        )
    if unit == "degF":
        draft.declared["units"] = {"temperature_c": unit}


def _is_plain(text: str) -> bool:
    return re.fullmatch(r"[+-]?[0-9]+([.,][0-9]+)?", text) is not None


def _propose_pattern(draft: _Draft, name: str) -> None:
    """Propose a pattern where another source takes all files of the folder."""
    folder = draft.declared["folder"]
    if not any(source.folder == folder and source.pattern is None for source in draft.lab.declared_sources):
        return
    stem = re.split(r"[0-9]", PurePath(name).stem, maxsplit=1)[0].rstrip(" _-.")
    draft.declared["pattern"] = f"{re.sub(r'[*?[]', '?', stem)}*.csv" if stem else "new*.csv"
    draft.doubts.append(
        f"another [[source]] takes the files of {folder}, so this one takes those named {draft.declared['pattern']}; or declare "
        "another folder for it"
    )


def _doubt_notes(draft: _Draft) -> None:
    """Name each column without a meaning that looks like one of ours which the file seems to lack."""
    lacking = [
        name for name in draft.columns() if name not in draft.matches and name not in draft.declared.get("fixed", {})
    ]
    for index in draft.left():
        cell, texts = draft.cells[index], draft.texts(index)
        words = _words_of(bare_name(cell)) - COMMON_WORDS
        if holds_days(texts):
            like = [name for name in lacking if name.endswith("_on")]
        elif texts and all(text in UNITS or _unit_as_name(text, draft.lab) for text in texts):
            like = [name for name in lacking if name == "unit"]
        else:
            like = [name for name in lacking if words & _all_words(name)]
        if like:
            draft.doubts.append(
                f"{quoted(cell)} is kept as a note; if it is {' or '.join(like)}, name it as columns = {{ {like[0]} = {quoted(cell)} }}"
            )


def _all_words(ours: str) -> set[str]:
    return {word for name in (ours, *COLUMN_WORDS.get(ours, ())) for word in _words_of(name)} - COMMON_WORDS
