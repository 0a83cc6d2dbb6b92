"""The weekly digest as a page of the dashboard, as of now."""

from __future__ import annotations

from flask import Flask, Response

from dashboard.delivery import weekly_digest
from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.urls import DIGEST
from ingest.common import clock

__all__ = ["add_digest"]


def add_digest(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the digest."""

    @server.get(DIGEST)
    def digest() -> Response:
        with lab_reader.reading() as connection:
            week = weekly_digest.document(connection, lab_reader.lab, clock.now())
            pictures = stored_documents.all_sketches(connection)
        return Response(weekly_digest.as_html(week, pictures, base=""), content_type="text/html; charset=utf-8")
