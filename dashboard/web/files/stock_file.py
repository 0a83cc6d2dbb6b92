"""The stock as files: CSV, XLSX, and the list to print."""

from __future__ import annotations

from datetime import date

from flask import Flask, Response, request

from dashboard.paper import shelf_list
from dashboard.queries.lab_reader import LabReader
from dashboard.text.file_names import attachment
from dashboard.text.urls import SHELF_LIST, STOCK_FILE
from ingest.common import clock
from ingest.common.errors import CallError
from ingest.documents.stock import StockDocument
from ingest.stock.shelf_list import stock_document

__all__ = ["add_downloads"]

XLSX = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def add_downloads(server: Flask, lab_reader: LabReader) -> None:
    """Answer the addresses of the files."""

    @server.get(STOCK_FILE)
    def stock_file() -> Response:
        document = _document(lab_reader)
        if request.args.get("form") == "xlsx":
            content: bytes | str = shelf_list.as_xlsx(document, lab_reader.lab.name)
            return Response(content, mimetype=XLSX, headers=attachment(f"stock-{document['day']}.xlsx"))
        content = "\ufeff" + shelf_list.as_csv(document)
        return Response(content, mimetype="text/csv", headers=attachment(f"stock-{document['day']}.csv"))

    @server.get(SHELF_LIST)
    def paper() -> Response:
        page = shelf_list.as_html(_document(lab_reader), lab_reader.lab.name)
        return Response(page, content_type="text/html; charset=utf-8")


def _document(lab_reader: LabReader) -> StockDocument:
    text = request.args.get("by", "")
    try:
        by = date.fromisoformat(text) if text else None
    except ValueError as error:
        raise CallError(f"stock: expected a day such as 2026-11-30, got {text}") from error
    today = clock.now().astimezone(lab_reader.lab.zone).date()
    with lab_reader.reading() as connection:
        return stock_document(connection, lab_reader.lab, today, by)
