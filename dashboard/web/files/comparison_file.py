"""Where the one-page paper of a comparison is downloaded."""

from __future__ import annotations

from flask import Flask, Response, request

from dashboard.queries.lab_reader import LabReader
from dashboard.text.file_names import attachment
from dashboard.text.urls import COMPARISON_FILE

__all__ = ["add_download"]


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the paper."""

    @server.get(COMPARISON_FILE)
    def comparison_file() -> Response:
        from dashboard.pages.verdict.compare import request_of
        from dashboard.verdict_papers import comparison as paper
        from ingest.verdict.comparison import compare

        query = {name: str(value) for name, value in request.args.items()}
        with lab_reader.reading() as connection:
            result = compare(connection, lab_reader.lab, request_of(query))
        data = paper.as_pdf(result, lab_reader.lab.name)
        return Response(data, mimetype="application/pdf", headers=attachment(paper.FILE_NAME))
