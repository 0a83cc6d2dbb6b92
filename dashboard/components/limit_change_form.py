"""The forms for a change of limits: a request leads to a preview, and only the preview's form changes something.

The request stands in the address of the preview, so it can be opened again or mailed. The form on the preview carries the
mark of what was shown: if the store has changed since, the change is refused.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime

from dash import html
from sqlalchemy import Connection

from dashboard.components.entry_form import form, hidden_field
from dashboard.text.urls import with_query
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.decisions.limit_change_preview import carry_out
from ingest.decisions.limit_requests import BASELINE_CHANGES, LIMIT_CHANGES, LimitRequest, as_entry

__all__ = ["CHANGES", "PREVIEW_PATH", "change_limits", "confirm_form", "preview_address", "request_form", "request_of"]

PREVIEW_PATH = "/limits"
CHANGES = (*BASELINE_CHANGES, *LIMIT_CHANGES)
NAMES = ("supplier", "product", "characteristic")
FIELDS = ("day", "lot", "side", "value", "document")


def request_of(change: str, values: Mapping[str, str]) -> LimitRequest:
    """The request of an address or a form; what it leaves out is blank."""
    return LimitRequest(change, **{name: values.get(name, "") for name in (*NAMES, *FIELDS)})


def preview_address(change: str, names: Mapping[str, str], **fields: str) -> str:
    """The address of the preview of a change."""
    return with_query(PREVIEW_PATH, {"change": change, **names, **fields})


def request_form(change: str, names: Mapping[str, str], fields: Sequence[object]) -> html.Form:
    """A form that leads to the preview; it changes nothing."""
    return html.Form(
        [
            *[hidden_field(name, value) for name, value in {"change": change, **names}.items()],
            *fields,
            html.Div(html.Button("Preview", type="submit"), className="buttons"),
        ],
        method="get",
        action=PREVIEW_PATH,
        className="choose",
    )


def confirm_form(request: LimitRequest, mark: str) -> html.Form:
    """The form that carries out what was shown; `mark` identifies the preview."""
    subject = str(Subject.stream(request.supplier, request.product, request.characteristic))
    fields = {**{name: getattr(request, name) for name in FIELDS}, "shown": mark}
    return form(subject, {request.change: "Confirm"}, [hidden_field(name, value) for name, value in fields.items()])


def change_limits(connection: Connection, lab: Lab, values: Mapping[str, str], who: str, now: datetime) -> None:
    """Carry out the change that a preview's form asks for; CallError if it is not what was shown.

    `values` are the fields of `confirm_form` and the reason.
    """
    try:
        names = json.loads(values.get("subject", "")[:2_000])
        stream = dict(zip(NAMES, (str(name) for name in names), strict=True))
    except (ValueError, TypeError) as error:
        raise CallError("limits: the entry names no stream; start from the preview of the change") from error
    request = request_of(values.get("what", ""), {**values, **stream})
    entry = as_entry(connection, lab, request, who, values.get("reason", ""), now)
    carry_out(connection, lab, entry, shown=values.get("shown", ""))
