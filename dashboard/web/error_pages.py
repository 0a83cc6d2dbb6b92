"""The answer to an expected error at any address: a page for a browser, one line for a program.

Routes raise; no answer holds a traceback. A user who may not see the lab learns that something is wrong, but not what.
"""

from __future__ import annotations

import logging

from flask import Flask, Response, request

from dashboard.components.current_user import NOBODY, current_user
from dashboard.components.entry_form import ENTRY_PATH
from dashboard.queries.lab_reader import NothingYet
from dashboard.web.entry_error import entry_error
from dashboard.web.plain_page import plain_page
from dashboard.web.request_guard import READING_METHODS
from ingest.common.errors import CallError, LabFileError, NotFoundError, StoreError
from ingest.common.text import capitalised

__all__ = ["Error", "add_error_pages", "heading_of", "words_of"]

log = logging.getLogger(__name__)

Error = NothingYet | CallError | StoreError
NO_DETAILS = "The dashboard can't answer now. The server's log gives the reason."


def add_error_pages(server: Flask) -> None:
    """Answer every request that ends in an expected error."""
    for kind in (NothingYet, CallError, StoreError):
        server.register_error_handler(kind, _answer)


def _answer(error: Error) -> Response:
    line = str(error)
    if current_user() is NOBODY:
        log.error("%s", error)
        line = NO_DETAILS
    if isinstance(error, (LabFileError, StoreError)):
        status = 503
    else:
        status = 404 if request.method in READING_METHODS or isinstance(error, NothingYet) else 400
    # Browsers prefer HTML; a program that accepts anything gets the line, which no browser takes for markup.
    if request.accept_mimetypes.best_match(["text/plain", "text/html"]) != "text/html":
        return Response(f"{line}\n", status=status, mimetype="text/plain")
    heading = heading_of(error) if request.method in READING_METHODS else "The entry was not saved."
    if request.path == ENTRY_PATH and status == 400:
        return entry_error(heading, line, status)
    return plain_page("error.html", heading, status, line=line if line is NO_DETAILS else words_of(error, heading))


def words_of(error: Error, heading: str) -> str:
    """What the page says below its heading; a reader of pages is sent to no command."""
    if isinstance(error, NotFoundError):
        return (
            f"{capitalised(error.what)}. The name may have been written otherwise: search for it, or look on the board."
        )
    return str(error).removeprefix(heading).strip()


def heading_of(error: Error) -> str:
    """The heading of a page in place of the one that an error prevents."""
    if isinstance(error, NothingYet):
        return "No data yet."
    if isinstance(error, (LabFileError, StoreError)):
        return "The dashboard is not available."
    if isinstance(error, NotFoundError):
        return "Not found."
    return "Please correct the entry."
