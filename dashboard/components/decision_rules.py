"""The decision rules of a characteristic over time, with the form to change them; only the form of the preview changes something."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from dash import dcc, html
from sqlalchemy import Connection

from dashboard.components.entry_form import day_field, field, form, hidden_field, if_editor
from dashboard.components.html_parts import table
from dashboard.text.formatting import day
from dashboard.text.urls import RULE, rule_address
from dashboard.text.verdict.conformity_text import rule_words
from dashboard.text.verdict.rule_text import rule_source
from ingest.audit.audit_log import CHANGE_RULE, TAKE_BACK_RULE
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.decisions.rule_change import RULES, RuleRequest, as_rule_entry, carry_out_rule
from ingest.documents.verdict.conformity import RuleStep

__all__ = ["RULE_FIELDS", "change_rule", "confirm_rule_form", "decision_rules", "rule_request_of"]

RULE_FIELDS = ("day", "rule", "wrong_pass", "wrong_fail")


def decision_rules(characteristic: str, steps: list[RuleStep]) -> list[Any]:
    """The rules over time with their sources, and the form that leads to the preview of another one."""
    rows = []
    for step, following in zip(steps, [*steps, None][1:], strict=True):
        end = (
            "–"
            if following is None
            else "never: replaced"
            if following["from"] == step["from"]
            else day(following["from"])
        )
        origin: Any = rule_source(step)
        if step["where"] == "entry":
            undo = rule_address(characteristic, change=TAKE_BACK_RULE, day=step["from"] or "")
            origin = html.Span([f"{origin} ", dcc.Link("undo", href=undo)])
        rows.append([day(step["from"]) if step["from"] else "the beginning", end, rule_words(step), origin])
    history = (
        table(("from", "to", "rule", "source"), rows, "Decision rules over time")
        if rows
        else html.P(
            "No decision rule is declared or entered: the limit itself decides (simple acceptance).", className="quiet"
        )
    )
    return [history, *if_editor("Change the decision rule", _request_form(characteristic))]


def _request_form(characteristic: str) -> html.Form:
    choice = html.Select([html.Option(rule, value=rule) for rule in reversed(RULES)], name="rule")
    return html.Form(
        [
            hidden_field("change", CHANGE_RULE),
            hidden_field("characteristic", characteristic),
            html.Label(["rule", choice]),
            field("wrong passes at most, in %", "wrong_pass", placeholder="5 %"),
            field("wrong fails at most, in %; blank: no guard on that side", "wrong_fail", placeholder="5 %"),
            day_field("for tests from", "day"),
            html.Div(html.Button("Preview", type="submit"), className="buttons"),
        ],
        method="get",
        action=RULE,
        className="choose",
    )


def rule_request_of(characteristic: str, change: str, values: Mapping[str, str]) -> RuleRequest:
    """The request of an address or a form; what it leaves out is blank."""
    return RuleRequest(change, characteristic, **{name: values.get(name, "") for name in RULE_FIELDS})


def confirm_rule_form(request: RuleRequest, mark: str) -> html.Form:
    """The form that carries out what was shown; `mark` identifies the preview."""
    fields = {**{name: getattr(request, name) for name in RULE_FIELDS}, "shown": mark}
    subject = str(Subject.decision(request.characteristic))
    return form(subject, {request.change: "Confirm"}, [hidden_field(name, value) for name, value in fields.items()])


def change_rule(connection: Connection, lab: Lab, values: Mapping[str, str], who: str, now: datetime) -> None:
    """Carry out the change that a preview's form asks for; CallError if it is not what was shown."""
    subject = Subject.parse(values.get("subject", ""))
    if subject is None or "characteristic" not in subject.named():
        raise CallError("decision: the entry names no characteristic; start from the preview of the change")
    request = rule_request_of(subject.named()["characteristic"], values.get("what", ""), values)
    entry = as_rule_entry(connection, lab, request, who, values.get("reason", ""), now)
    carry_out_rule(connection, lab, entry, shown=values.get("shown", ""))
