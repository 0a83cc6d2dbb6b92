"""Where the evidence bundle of a lot or of a quarter is downloaded."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from typing import IO

from flask import Flask, Response, request

from dashboard.evidence import bundle_file, bundle_scope
from dashboard.queries.lab_reader import LabReader
from dashboard.text.file_names import attachment
from dashboard.text.urls import EVIDENCE_FILE

__all__ = ["add_download"]

PIECE = 1 << 16


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Answer the address of the bundle."""

    @server.get(EVIDENCE_FILE)
    def evidence_file() -> Response:
        supplier, lot, quarter = (request.args.get(name, "") for name in ("supplier", "lot", "quarter"))
        with ExitStack() as closed_on_error:
            out = closed_on_error.enter_context(tempfile.TemporaryFile())
            with lab_reader.reading() as connection:
                if quarter:
                    scope = bundle_scope.of_quarter(connection, lab_reader.lab, quarter, supplier or None)
                else:
                    scope = bundle_scope.of_lot(connection, supplier, lot)
                bundle_file.write(connection, lab_reader.lab, scope, out)
            # From here on the answer closes it, once it was sent.
            closed_on_error.pop_all()
        size = out.tell()
        out.seek(0)
        headers = {"Content-Length": str(size), **attachment(scope.file_name)}
        answer = Response(_pieces(out), mimetype="application/zip", headers=headers)
        answer.call_on_close(out.close)
        return answer


def _pieces(out: IO[bytes]) -> Iterator[bytes]:
    with out:
        while piece := out.read(PIECE):
            yield piece
