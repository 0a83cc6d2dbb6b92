"""The way of a change of limits through the pages: asked in a form, shown at an address, sent with name and reason.

What is asked stands in the address of the preview, so that it can be looked at again or mailed; only the form on that page
changes something, and it carries the mark of what was shown.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html
from sqlalchemy import Connection

from dashboard.components.entry_form import form
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.decisions.limit_change_preview import carry_out
from ingest.decisions.limit_requests import BASELINE_CHANGES, LIMIT_CHANGES, LimitRequest, as_entry

__all__ = ["CHANGES", "PREVIEW_PATH", "ask", "change_limits", "confirm", "preview_address", "request_of"]

PREVIEW_PATH = "/limits"
CHANGES = (*BASELINE_CHANGES, *LIMIT_CHANGES)
NAMES = ("supplier", "product", "characteristic")
FIELDS = ("day", "lot", "side", "value", "document")


def request_of(change: str, given: Mapping[str, str]) -> LimitRequest:
    """What is asked by an address or a form; what it leaves out is blank."""
    return LimitRequest(change, **{name: given.get(name, "") for name in (*NAMES, *FIELDS)})


def preview_address(change: str, names: Mapping[str, str], **fields: str) -> str:
    """Where a change is shown before it is done."""
    return f"{PREVIEW_PATH}?{urlencode({'change': change, **names, **fields}, errors='replace')}"


def ask(change: str, names: Mapping[str, str], fields: Sequence[Any]) -> html.Form:
    """A form that leads to the preview; it changes nothing."""
    return html.Form(
        [
            *[_hidden(name, value) for name, value in {"change": change, **names}.items()],
            *fields,
            html.Div(html.Button("show what it would change", type="submit"), className="buttons"),
        ],
        method="get",
        action=PREVIEW_PATH,
        className="choose",
    )


def confirm(asked: LimitRequest, mark: str) -> html.Form:
    """The form that does what was shown; `mark` names what that was."""
    subject = str(Subject.stream(asked.supplier, asked.product, asked.characteristic))
    fields = {name: getattr(asked, name) for name in FIELDS}
    return form(subject, (asked.change,), [_hidden(name, value) for name, value in {**fields, "shown": mark}.items()])


def _hidden(name: str, value: str) -> Any:
    return dcc.Input(type="hidden", name=name, value=value)


def change_limits(connection: Connection, lab: Lab, given: Mapping[str, str], who: str, now: datetime) -> None:
    """Do what a form of the preview asks; CallError where it is not what was shown.

    `given` holds the fields of `confirm` and the reason.
    """
    try:
        names = json.loads(given.get("subject", "")[:2_000])
        named = dict(zip(NAMES, (str(name) for name in names), strict=True))
    except (ValueError, TypeError) as error:
        raise CallError("limits: the entry names no stream; go by the preview of the change") from error
    asked = request_of(given.get("what", ""), {**given, **named})
    act = as_entry(connection, lab, asked, who, given.get("reason", ""), now)
    carry_out(connection, lab, act, shown=given.get("shown", ""))
