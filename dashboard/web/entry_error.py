"""The answer to an entry that was refused: what is wrong, and the form again with everything that was written in it."""

from __future__ import annotations

from flask import Response, request

from dashboard.components.current_user import current_user
from dashboard.components.decision_rules import RULE_FIELDS
from dashboard.components.entry_form import ENTRY_PATH
from dashboard.components.limit_change_form import CHANGES, preview_address
from dashboard.text.subject_names import address
from dashboard.text.urls import LOADS, rule_address
from dashboard.web.plain_page import plain_page
from ingest.audit.subjects import Subject
from ingest.decisions.load_entries import LOAD_ENTRIES, TAKE_BACK_EVENT
from ingest.decisions.rule_change import RULE_CHANGES

__all__ = ["entry_error"]

# The fields of the forms that a person writes in: label and type of each.
FIELDS = {
    "who": ("your name", "text"),
    "reason": ("reason", "text"),
    "on": ("day", "date"),
    "cause": ("cause stated by the supplier", "text"),
    "action": ("action stated by the supplier", "text"),
    "first_lot": ("first corrected lot", "text"),
    "owner": ("owner", "text"),
    "due": ("due", "date"),
    "load": ("load", "text"),
    "chamber": ("chamber", "text"),
    "supplier": ("supplier", "text"),
    "product": ("product", "text"),
    "load_lot": ("lot", "text"),
    "specimens": ("bags", "text"),
    "laid": ("how they lie", "text"),
    "planned_test": ("test planned for", "datetime-local"),
    "at": ("time (blank: now)", "datetime-local"),
    "sensor": ("sensor", "text"),
    "reads": ("reads, % RH", "text"),
    "salt": ("salt (blank: another reference)", "text"),
    "temperature": ("temperature of the salt, °C", "text"),
    "reference": ("or reference, % RH", "text"),
    "uncertainty": ("its uncertainty (k = 2)", "text"),
}
# What a form sends along.
HIDDEN = ("subject", "back", "shown", "day", "lot", "side", "value", "document", "event", *RULE_FIELDS[1:])
# No form of ours sends more.
MOST_VALUES, LONGEST = 300, 4_000


def entry_error(heading: str, line: str, status: int) -> Response:
    """The page that takes the entry again."""
    sent = [(name, value) for name, value in request.form.items(multi=True) if len(value) <= LONGEST][:MOST_VALUES]
    what = request.form.get("what", "")[:LONGEST]
    by_login = current_user().name is not None
    return plain_page(
        "entry_error.html",
        heading,
        status,
        line=line,
        action=ENTRY_PATH,
        hidden=[(name, value) for name, value in sent if name in HIDDEN],
        fields=[(*_named(name), value) for name, value in sent if name in FIELDS and not (name == "who" and by_login)],
        what=what,
        back=_back(what),
    )


def _named(name: str) -> tuple[str, str, str]:
    label, kind = FIELDS[name]
    return label, name, kind


def _back(what: str) -> str:
    """The page of the form: of a change of limits its preview, else that of the subject."""
    written = request.form.get("subject", "")
    subject = Subject.parse(written)
    if what in CHANGES and subject is not None and "supplier" in subject.named():
        fields = {name: request.form.get(name, "") for name in ("day", "lot", "side", "value", "document")}
        return preview_address(what, subject.named(), **fields)
    if what in RULE_CHANGES and subject is not None and "characteristic" in subject.named():
        fields = {name: request.form.get(name, "") for name in RULE_FIELDS}
        return rule_address(subject.named()["characteristic"], change=what, **fields)
    if what in LOAD_ENTRIES or what == TAKE_BACK_EVENT:
        return LOADS
    return address(written) or "/"
