"""The figures of a stream as a CSV file: what its picture shows, a row a lot, in the unit and at full precision."""

from __future__ import annotations

from flask import Flask, Response, request

from dashboard.queries import stream_document
from dashboard.queries.lab_reader import LabReader
from dashboard.text.csv_cells import csv_text
from dashboard.text.file_names import attachment, plain_name
from dashboard.text.urls import STREAM_FILE
from ingest.documents.stream import Point, StreamDocument

__all__ = ["add_download", "as_csv"]

NAMES = ("supplier", "product", "characteristic")
COLUMNS = (
    "lot", "tested_at", "level", "bound", "unit", "bags", "readings", "bag_spread", "reading_spread", "usual", "control_lower",
    "control_upper", "limit_lower", "limit_upper", "chamber", "humidity_percent", "conditioning", "verdict", "stands_out",
)  # fmt: skip


def as_csv(document: StreamDocument) -> str:
    """The points of a stream; names from files never begin a formula."""
    return csv_text(COLUMNS, (_row(point, document) for point in document["points"]))


def _row(point: Point, document: StreamDocument) -> list[object]:
    start = [
        point["lot"], point["tested_at"], point["shown"], point["bound"], document["unit"], point["bags"], point["n"],
    ]  # fmt: skip
    figures = [
        point["bag_spread"], point["reading_spread"], point["center"], point["lower"], point["upper"],
        point["limit_lower"], point["limit_upper"], point["chamber"], point["humidity"],
    ]  # fmt: skip
    return [*start, *figures, point["state"], point["verdict"], " ".join(point["signals"])]


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the file."""

    @server.get(STREAM_FILE)
    def stream_file() -> Response:
        supplier, product, characteristic = (request.args.get(name, "") for name in NAMES)
        with lab_reader.reading() as connection:
            document = stream_document.stream(connection, lab_reader.lab, supplier, product, characteristic)
        names = "-".join((supplier, product, characteristic))
        headers = attachment(f"{plain_name(names)}.csv")
        return Response("\ufeff" + as_csv(document), mimetype="text/csv", headers=headers)
