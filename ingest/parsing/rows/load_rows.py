"""Turn the cells of a record of loads into typed rows and refusals: what went into which chamber when, and out."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from ingest.common.text import quoted
from ingest.parsing.cells import Names, names
from ingest.parsing.csv_table import Table
from ingest.parsing.rejections import RejectedRows
from ingest.parsing.rows.duplicates import contradictions
from ingest.parsing.rows.row_reader import Piece, Reader, piece_of, reasons_by_line
from ingest.parsing.timestamps import is_too_late

__all__ = ["EVENTS", "LAID", "contradicting_events", "identity_of_events", "load_pieces"]

Ints = NDArray[np.int64]

# In the order of their numbers in the store.
EVENTS = ("in", "moved", "out", "planned")
LAID = ("", "hung", "open", "piled", "closed")
LOT_NAMES = ("supplier", "product", "lot")
# No lab plans a test further ahead; a later time has a wrong year.
PLAN_AHEAD = timedelta(days=366)


def load_pieces(tables: Iterable[Table], reader: Reader) -> Iterator[Piece]:
    """Read the events piece by piece."""
    for table in tables:
        yield _piece(table, reader)


def _piece(table: Table, reader: Reader) -> Piece:
    refused = RejectedRows(len(table.lines))
    required = {"load", "chamber"}
    texts = {
        name: names(reader.column(table, name), required=name in required)
        for name in (*required, *LOT_NAMES, "specimens")
    }
    for name, one in texts.items():
        refused.add_where(name, one.codes, one.reasons)
    at = reader.column(table, "at")
    stamps = reader.stamps(at)
    refused.add_where("at", at.codes, stamps.reasons)
    event = _words(table, reader, "event", EVENTS, refused)
    planned = _planned(table, reader, refused)
    for row in np.flatnonzero(refused.fine & (planned != 0) & (planned < stamps.us[at.codes])).tolist():
        refused.add(row, "planned_test", "is before the event itself; correct one of them, or leave it blank")
    laid = _words(table, reader, "laid", LAID, refused)
    named = np.stack([_is_filled(texts[name]) for name in LOT_NAMES])
    for row in np.flatnonzero(refused.fine & named.any(axis=0) & ~named.all(axis=0)).tolist():
        refused.add(row, "lot", "a lot needs supplier, product and lot; write all three, or none for the whole load")
    reader.refuse_contradicted("event", table, refused)
    rows = np.flatnonzero(refused.fine)
    events = {
        "at_us": stamps.us[at.codes][rows],
        **{name: one.categorical(rows) for name, one in texts.items()},
        "event": event[rows],
        "laid": laid[rows],
        "planned_us": planned[rows],
        "line": table.lines[rows],
    }
    return piece_of(table, pd.DataFrame(events), refused)


def _words(table: Table, reader: Reader, name: str, words: Sequence[str], refused: RejectedRows) -> Ints:
    """The number of each word; letter case does not matter."""
    column = reader.column(table, name)
    numbers, reasons = [], {}
    what = "way of laying" if name == "laid" else name
    for code, text in enumerate(column.each()):
        word = text.strip().casefold()
        numbers.append(words.index(word) if word in words else 0)
        if word not in words:
            known = ", ".join(filter(None, words))
            reasons[code] = (
                f"{quoted(text)} is no {what}; write one of {known}" if word else f"is blank; write one of {known}"
            )
    refused.add_where(name, column.codes, reasons)
    return np.array(numbers, dtype=np.int64)[column.codes]


def _planned(table: Table, reader: Reader, refused: RejectedRows) -> Ints:
    """The time for which the test is planned, 0 where the cell is blank; unlike other times it lies ahead."""
    column = reader.column(table, "planned_test")
    stamps = reader.stamps(column, ahead=PLAN_AHEAD)
    texts = list(column.each())
    reasons = {
        code: f"{quoted(texts[code])} is more than a year ahead; correct the year" if is_too_late(reason) else reason
        for code, reason in stamps.reasons.items()
        if texts[code].strip()
    }
    refused.add_where("planned_test", column.codes, reasons)
    us = np.array([at if text.strip() else 0 for at, text in zip(stamps.us, texts, strict=True)], dtype=np.int64)
    return us[column.codes]


def _is_filled(column: Names) -> NDArray[np.bool_]:
    return np.array([bool(name) for name in column.names], dtype=bool)[column.codes]


# Identity and contradictions


def identity_of_events(rows: pd.DataFrame) -> list[Ints]:
    """Return what identifies each event, as numbers: the load, the moment, the event and the lot."""
    parts = [rows[name].cat.codes.to_numpy(np.int64) for name in ("load", *LOT_NAMES)]
    return [*parts, rows["at_us"].to_numpy(np.int64), rows["event"].to_numpy(np.int64)]


def contradicting_events(rows: pd.DataFrame, identity: Sequence[Ints]) -> dict[int, list[str]]:
    """Give the reasons, by line, to refuse rows that contradict another about one event, such as two chambers at one moment."""
    lines = rows["line"].to_numpy(np.int64)
    chamber = rows["chamber_id"] if "chamber_id" in rows else rows["chamber"]
    values = [pd.factorize(each)[0] for each in (chamber, rows["laid"], rows["specimens"], rows["planned_us"])]
    pairs = contradictions(identity, values)
    reasons = [
        (
            pair.position,
            f"contradicts line {lines[pair.other]}, which has another chamber, way of laying, list of specimens or planned test for this "
            "event; both are refused, send the right one",
        )
        for pair in pairs
    ]
    return reasons_by_line(lines, reasons)
