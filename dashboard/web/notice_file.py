"""Where the notice to a supplier is downloaded. It is sent to nobody: a person hands it over."""

from __future__ import annotations

from urllib.parse import urlencode

from flask import Flask, Response, request

from dashboard.queries.lab_reader import Desk

__all__ = ["add_download", "address"]

PATH = "/notice-file"


def address(alert: str) -> str:
    """Where the notice about an alert is downloaded."""
    return f"{PATH}?{urlencode({'alert': alert})}"


def add_download(server: Flask, desk: Desk) -> None:
    """Answer the address of the notice."""

    @server.get(PATH)
    def notice_file() -> Response:
        from dashboard.notice import notice
        from dashboard.notice.pdf import as_pdf

        with desk.reading() as connection:
            document = notice.document(connection, desk.lab, request.args.get("alert", ""))
        answer = Response(as_pdf(document), mimetype="application/pdf")
        answer.headers["Content-Disposition"] = f'attachment; filename="{notice.file_name(document)}"'
        return answer
