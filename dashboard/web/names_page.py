"""The page "Names": which names are written in two ways, and the form that declares one as the other."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any

from flask import Flask, Response, redirect, request

from dashboard.components.current_user import current_user
from dashboard.queries.lab_reader import LabReader
from dashboard.text.urls import ADD_FILE, ALIASES, with_query
from dashboard.web.plain_page import plain_page
from ingest.common.errors import CallError
from ingest.intake.add_source import Signed, add_alias
from ingest.intake.similar_names import similar_since

__all__ = ["names_page"]

KEYS = ("column", "written", "name", "supplier", "product")
COLUMNS = ("supplier", "product", "lot")


def names_page(server: Flask, lab_reader: LabReader, clock: Callable[[], datetime]) -> None:
    """Answer the address of the page; `clock` gives the current time, aware."""

    @server.get(ALIASES)
    def names() -> Response:
        return _page(lab_reader, done=request.args.get("done", ""))

    @server.post(ALIASES)
    def declare() -> Response:
        declared = {key: request.form.get(key, "") for key in KEYS}
        signed = Signed(current_user().name or request.form.get("who", ""), clock(), request.form.get("reason", ""))
        try:
            added = add_alias(lab_reader.lab.folder, declared, signed)
        except CallError as error:
            return _page(lab_reader, 400, trouble=str(error), declared=declared)
        done = f'{added.column} "{added.written}" is read as "{added.name}"'
        return redirect(with_query(ALIASES, {"done": done}), code=303)  # type: ignore[return-value]  # werkzeug's own type


def _page(lab_reader: LabReader, status: int = 200, **values: Any) -> Response:
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        similar = similar_since(connection, lab, 0)
    user = current_user()
    blanks: dict[str, Any] = {"trouble": "", "done": "", "declared": {}}
    shown = {
        "action": ALIASES,
        "add_file": ADD_FILE,
        "aliases": lab.aliases,
        "similar": similar,
        "columns": COLUMNS,
        "may_enter": user.may_enter,
        "user": user.name or "",
    }
    return plain_page("names.html", "Names", status, **{**blanks, **shown, **values})
