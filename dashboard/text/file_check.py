"""How one file would be read, as a document and as text: for the command `check FILE` and the page "Add a file"."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from dashboard.text.formatting import counted
from dashboard.text.terminal_text import table
from ingest.common.instants import day_of, from_microseconds
from ingest.common.number_format import printed_unit
from ingest.common.text import counted_lines, printable
from ingest.config.lab import Lab
from ingest.documents.rounds import FileCheckDocument, FileKind
from ingest.intake.similar_names import similar_in_file
from ingest.parsing.rows.capture_rows import NO_DAY
from ingest.parsing.rows.load_rows import EVENTS, LAID

__all__ = ["as_text", "document"]

if TYPE_CHECKING:
    from ingest.parsing.proposal.source_preview import Preview

REFUSALS = 100
# What names the time of a row, then the cells beside it.
STAMPS = {"tests": "tested_at", "climate": "logged_at", "loads": "at", "calibrations": "done_at"}
SHOWN = {
    "tests": (
        "supplier", "product", "lot", "received_on", "made_on", "specimen", "reading", "characteristic", "chamber", "load", "instrument",
        "operator",
    ),
    "climate": ("chamber", "humidity_percent", "temperature_c"),
    "stock": ("supplier", "product", "lot", "quantity", "unit", "storage", "opened_on"),
    "loads": ("load", "chamber", "event", "supplier", "product", "lot", "specimens", "laid", "planned_us"),
    "calibrations": ("instrument", "due_on", "as_found", "as_left", "uncertainty", "certificate"),
    "waveforms": ("supplier", "lot", "specimen", "reading", "day", "quantity", "samples"),
}  # fmt: skip


def document(preview: Preview, lab: Lab) -> FileCheckDocument:
    """The document of `lotdrift check FILE --json`; names that are much like others are doubts."""
    similar = similar_in_file(lab, preview.names)
    zone = lab.zone_of(preview.read_with)
    return {
        "name": preview.name,
        "kind": cast(FileKind, preview.kind),
        "encoding": preview.encoding,
        "delimiter": preview.delimiter,
        "columns": [
            {
                "column": printable(one.cell),
                "meaning": one.ours or None,
                "unit": one.unit or None,
                "examples": [printable(text) for text in one.examples],
            }
            for one in preview.columns
        ],
        "rows": preview.data_rows,
        "first_rows": [
            {"line": int(row["line"]), "cells": _cells(row, preview.kind, lab, zone)}
            for row in preview.first_rows.to_dict("records")
        ],
        "refused": len(preview.refusals),
        "refusals": [{"line": one.line, "reason": printable(one.reason)} for one in preview.refusals[:REFUSALS]],
        "omitted": preview.omissions.count,
        "problem": printable(preview.problem) or None,
        "doubts": [printable(one) for one in (*preview.doubts, *similar)],
        "source": preview.source,
        "source_number": preview.number,
    }


def _cells(row: dict[Any, Any], kind: str, lab: Lab, zone: Any) -> dict[str, str]:
    """The cells of a typed row under the names of our columns, as a person reads them."""
    shown = {name: f"{row[name]:g}" if isinstance(row[name], float) else str(row[name]) for name in SHOWN[kind]}
    if kind in STAMPS:
        stamp = STAMPS[kind]
        shown = {stamp: f"{from_microseconds(int(row[f'{stamp}_us'])).astimezone(zone):%Y-%m-%d %H:%M:%S}"} | shown
    if kind == "tests":
        unit = lab.characteristic(row["characteristic"]).unit
        sign = {-1: "< ", 0: "", 1: "> "}[int(row["bound"])]
        shown["value"] = f"{sign}{row['value']:.6g} {printed_unit(unit)}"
    elif kind == "stock":
        shown = {"counted_on": day_of(int(row["counted_day"])).isoformat()} | shown
        if not row["is_counted"]:
            shown["quantity"] = "not counted"
    elif kind == "loads":
        planned = int(shown.pop("planned_us"))
        at = f"{from_microseconds(planned).astimezone(zone):%Y-%m-%d %H:%M:%S}" if planned else ""
        shown |= {"event": EVENTS[int(row["event"])], "laid": LAID[int(row["laid"])], "planned_test": at}
    elif kind == "waveforms":
        shown["day"] = "" if row["day"] == NO_DAY else day_of(int(row["day"])).isoformat()
        energy = row["energy"]
        shown["energy"] = "no discharge" if energy is None or energy != energy else f"{energy:.4g} nJ"
    return {name: printable(text) for name, text in shown.items() if text}


def as_text(check: FileCheckDocument) -> str:
    """How the file would be read, for a person at the terminal."""
    number = check["source_number"]
    by = f"as source {number} of lab.toml declares" if number else "as proposed below"
    delimiter = {"\t": "tab", ",": "comma", ";": "semicolon"}.get(check["delimiter"], check["delimiter"])
    layout = f"{counted(check['rows'], 'data row')}, encoding {check['encoding']}, delimiter {delimiter}"
    if check["kind"] == "waveforms":
        layout = counted(check["rows"], "capture")
    parts = [
        f"{check['name']}: {check['kind']}, {layout}, read {by}.",
        "",
        table(
            ("column", "taken for", "unit", "first cells"),
            [
                [one["column"], one["meaning"] or "a note", one["unit"] or "", ", ".join(one["examples"])]
                for one in check["columns"]
            ],
        ),
        "",
    ]
    if check["first_rows"]:
        names = list(dict.fromkeys(name for row in check["first_rows"] for name in row["cells"]))
        rows = [[str(row["line"]), *(row["cells"].get(name, "") for name in names)] for row in check["first_rows"]]
        parts += ["The first rows as they would be read:", table(("line", *names), rows), ""]
    if check["problem"]:
        parts += [f"The file can't be read like this: it {check['problem']}.", ""]
    elif check["refused"]:
        lines = counted_lines((f"line {one['line']}", one["reason"]) for one in check["refusals"])
        parts += [f"{counted(check['refused'], 'row')} would be refused:", *[f"  {line}" for line in lines], ""]
    elif check["rows"]:
        parts += ["No row would be refused.", ""]
    if check["omitted"]:
        parts += [f"{counted(check['omitted'], 'cell')} can't be read and would be left out.", ""]
    if check["doubts"]:
        parts += ["To settle before you use it:", *[f"  - {line}" for line in check["doubts"]], ""]
    paste = "Put this into lab.toml to read such files, then check the next file: a proposal depends on the sources before it."
    parts += ["This reads such files:" if number else paste, "", check["source"]]
    return "\n".join(printable(line) for part in parts for line in part.split("\n")).rstrip("\n")
