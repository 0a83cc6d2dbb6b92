"""Where the test report of a lot is downloaded: the issued one of a number, else a draft."""

from __future__ import annotations

from flask import Flask, Response, request

from dashboard.queries.lab_reader import LabReader
from dashboard.text.file_names import attachment
from dashboard.text.urls import REPORT_FILE

__all__ = ["add_download"]


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the report."""

    @server.get(REPORT_FILE)
    def report_file() -> Response:
        from dashboard.queries import lot_document
        from dashboard.verdict_papers import report as paper
        from ingest.verdict.report import draft, issued

        supplier, lot, number, characteristic = (
            request.args.get(name, "") for name in ("supplier", "lot", "number", "characteristic")
        )
        with lab_reader.reading() as connection:
            if number:
                result = issued(connection, supplier, lot, number)
            else:
                document = lot_document.lot(connection, lab_reader.lab, supplier, lot)
                result = draft(connection, lab_reader.lab, document, characteristic)
        return Response(paper.as_pdf(result), mimetype="application/pdf", headers=attachment(paper.file_name(result)))
