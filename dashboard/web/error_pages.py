"""The one answer to an error of ours, whichever address was asked for: a page for a browser, one line for a program.

The routes raise; nothing here or there is answered with a traceback. Who may not look learns that something is wrong, not what.
"""

from __future__ import annotations

import logging

from flask import Flask, Response, request
from markupsafe import Markup

from dashboard.components.current_user import NOBODY, current_user
from dashboard.queries.lab_reader import NothingYet
from dashboard.web.plain_page import plain_page
from dashboard.web.request_guard import READING_METHODS
from ingest.common.errors import CallError, LabFileError, StoreError

__all__ = ["add_error_pages"]

log = logging.getLogger(__name__)

Error = NothingYet | CallError | StoreError
UNTOLD = "The dashboard can't answer now. The log of its server says why."


def add_error_pages(server: Flask) -> None:
    """Answer every request that ends in an error of ours."""
    for kind in (NothingYet, CallError, StoreError):
        server.register_error_handler(kind, _answer)


def _answer(error: Error) -> Response:
    if current_user() is NOBODY:
        log.error("%s", error)
    line = UNTOLD if current_user() is NOBODY else str(error)
    if not _wants_page():
        return Response(f"{line}\n", status=_status(error), mimetype="text/plain")
    heading = "This can't be shown." if request.method in READING_METHODS else "The entry was not kept."
    content = Markup('<p role="alert">{}</p><p><a href="/">Back to the board</a></p>').format(line)
    return plain_page(heading.rstrip("."), heading, content, _status(error))


def _status(error: Error) -> int:
    """Unusable for now, not there, or asked in a wrong way."""
    if isinstance(error, (LabFileError, StoreError)):
        return 503
    return 404 if isinstance(error, NothingYet) or request.method in READING_METHODS else 400


def _wants_page() -> bool:
    """Browsers name HTML as what they like best; a program that takes anything gets the line."""
    return request.accept_mimetypes.best_match(["text/plain", "text/html"]) == "text/html"
