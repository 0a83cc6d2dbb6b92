"""The sheet of an instrument that was found off as a CSV file: a row a test, at full precision."""

from __future__ import annotations

from flask import Flask, Response, request

from dashboard.queries.lab_reader import LabReader
from dashboard.text.csv_cells import csv_text
from dashboard.text.file_names import attachment, plain_name
from dashboard.text.urls import SHEET_FILE
from ingest.common.clock import now
from ingest.common.errors import CallError
from ingest.documents.bench.instrument import FoundOff
from ingest.sessions.instruments import instruments

__all__ = ["add_download", "as_csv"]

COLUMNS = (
    "supplier", "product", "lot", "characteristic", "tested_at", "quarter", "verdict", "unit", "level", "after_check", "straight",
    "at_calibration", "changes",
)  # fmt: skip


def as_csv(sheet: FoundOff) -> str:
    """The tests of a sheet, those whose verdict would change first; names from files never begin a formula."""
    return csv_text(COLUMNS, ([lot[name] for name in COLUMNS] for lot in sheet["lots"]))  # type: ignore[literal-required]


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the file."""

    @server.get(SHEET_FILE)
    def sheet_file() -> Response:
        name, found_at = (request.args.get(key, "") for key in ("instrument", "found"))
        with lab_reader.reading() as connection:
            documents = instruments(connection, lab_reader.lab, now())
        sheets = [sheet for one in documents if one["name"] == name for sheet in one["found_off"]]
        sheet = next((one for one in sheets if one["found_at"] == found_at), None)
        if sheet is None:
            raise CallError(
                f"instruments: {name} has no sheet of a calibration at {found_at}; open the page Instruments"
            )
        headers = attachment(f"{plain_name(f'sheet-{name}-{found_at[:10]}')}.csv")
        return Response("\ufeff" + as_csv(sheet), mimetype="text/csv", headers=headers)
