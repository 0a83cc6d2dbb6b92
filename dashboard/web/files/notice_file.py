"""Where the notice to a supplier is downloaded. It is sent to nobody: a person hands it over."""

from __future__ import annotations

from flask import Flask, Response, request

from dashboard.queries.lab_reader import LabReader
from dashboard.text.file_names import attachment
from dashboard.text.urls import NOTICE_FILE

__all__ = ["add_download"]


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the notice."""

    @server.get(NOTICE_FILE)
    def notice_file() -> Response:
        from dashboard.notice import notice
        from dashboard.notice.pdf import as_pdf

        with lab_reader.reading() as connection:
            document = notice.document(connection, lab_reader.lab, request.args.get("alert", ""))
        headers = attachment(notice.file_name(document))
        return Response(as_pdf(document), mimetype="application/pdf", headers=headers)
