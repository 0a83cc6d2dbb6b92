"""The corrective action on an alert's sheet: its steps as a small timeline, the notice to hand over, and the next step."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from dashboard.components.current_user import current_user
from dashboard.components.entry_form import field, form
from dashboard.components.html_parts import lot_link
from dashboard.text.formatting import amount, counted, day
from dashboard.text.urls import notice_address
from ingest.decisions.corrective_actions import ANSWERED, ASKED, FIRST_LOT, no_notice_because
from spc.vocabulary.enums import Effectiveness

__all__ = ["corrective_action_card", "levels_text", "result_text", "state_text"]

Document = Any

# A shape for each answer, so that colour is never alone.
SHAPES = {Effectiveness.WORKED: "●", Effectiveness.NOT_YET_SHOWN: "○", Effectiveness.DID_NOT_WORK: "◆"}
LOOKS = {Effectiveness.WORKED: "steady", Effectiveness.NOT_YET_SHOWN: "", Effectiveness.DID_NOT_WORK: "act"}


def corrective_action_card(alert: Document, entries: Sequence[Document] = ()) -> list[Any]:
    """What stands of the corrective action, and a way to go on; nothing where the supplier is not concerned.

    `entries` are all that people entered of it, the newest first: a step that was entered again replaces an earlier one
    in what stands, and the earlier one stays to be seen.
    """
    action = alert["corrective_action"]
    stands = [_timeline(alert, action)] if action else []
    if no_notice_because(alert):
        return stands
    return [*stands, *_entered(entries), _next_steps(alert, action or {})]


def _entered(entries: Sequence[Document]) -> list[html.Details]:
    if not entries:
        return []
    lines = [html.P(_told(entry), className="entry quiet") for entry in entries]
    return [html.Details([html.Summary(f"Who entered it: {counted(len(entries), 'entry', 'entries')}"), *lines])]


def _told(entry: Document) -> str:
    body = ", ".join(f"{name.replace('_', ' ')}: {value}" for name, value in entry["body"].items())
    remark = "" if entry["reason"] == entry["what"] else f" ({entry['reason']})"
    return f"{entry['who']}, {day(entry['at'])}, {entry['what']}, {body}{remark}"


def state_text(action: Document | None) -> str:
    """Where a corrective action stands, in a few words; empty where there is none."""
    if action is None:
        return ""
    if action["answered_on"] is None:
        return f"supplier asked, no answer for {counted(action['days_open'], 'day')}"
    if action["result"] is None:
        return "supplier answered, first lot after not named"
    return f"action: {result_text(action['result'])}"


def result_text(result: Document) -> str:
    """The answer of the lots, and how many it rests on."""
    return f"{result['answer']} ({counted(result['lots'], 'lot')})"


def levels_text(result: Document, unit: str) -> str:
    """What the answer rests on, as figures."""
    if result["level_after"] is None:
        return ""
    of, told = ("level", lambda value: amount(value, unit)) if result["of"] == "level" else ("scatter", _scatter)
    return (
        f"mean {of} after {told(result['level_after'])}; usual before {told(result['level_usual'])}; "
        f"moved to {told(result['level_moved'])}"
    )


def _scatter(value: float | None) -> str:
    return "–" if value is None else f"{value:.3g}"


def _timeline(alert: Document, action: Document) -> html.Ol:
    steps = [_step(f"Supplier asked on {day(action['asked_on'])}", f"by {action['asked_by']}")]
    if action["answered_on"] is None:
        steps.append(_step(f"No answer yet, for {counted(action['days_open'], 'day')}", "", "waiting"))
    else:
        took = counted(action["days_to_answer"], "day")
        told = f"Cause: {action['cause']}; action: {action['action']}"
        steps.append(_step(f"Answered on {day(action['answered_on'])}, after {took}", told))
    if action["first_lot"] is not None:
        steps.append(_step(["First lot after: ", lot_link(alert["supplier"], action["first_lot"])], ""))
    if action["result"] is not None:
        steps.append(_shown(action["result"], alert["evidence"].get("unit") or ""))
    return html.Ol(steps, className="steps", **{"aria-label": "Corrective action"})


def _step(head: Any, told: str, look: str = "") -> html.Li:
    more = [html.Span(told, className="quiet")] if told else []
    return html.Li([html.Span(head), *more], className=look)


def _shown(result: Document, unit: str) -> html.Li:
    answer = Effectiveness(result["answer"])
    shape = html.Span(SHAPES[answer], **{"aria-hidden": "true"})
    said = html.Span([shape, str(answer)], className=f"word {LOOKS[answer]}")
    levels = levels_text(result, unit)
    rests = f"rests on {counted(result['lots'], 'lot')}: {result['reason']}{f'; {levels}' if levels else ''}"
    return html.Li([said, html.Span(f" {rests}", className="quiet")])


def _next_steps(alert: Document, action: Mapping[str, Any]) -> html.Details:
    paper = html.P(
        [
            html.A("Notice to the supplier (PDF)", href=notice_address(alert["id"]), download=""),
            " to hand over: it is sent to nobody by itself.",
        ]
    )
    shown: list[Any] = [paper]
    if current_user().may_enter:
        shown += _step_forms(f"alert:{alert['id']}", asked=bool(action.get("asked_on")))
    return html.Details([html.Summary("Supplier: notice, answer and action"), *shown])


def _step_forms(subject: str, *, asked: bool) -> list[html.Form]:
    forms = [form(subject, (ASKED,), [_day_field("asked on")])]
    if asked:
        answer = [
            _day_field("answered on"),
            _required("cause, as told", "cause"),
            _required("action, as told", "action"),
        ]
        forms.append(form(subject, (ANSWERED,), [*answer, field("first lot after, if known", "first_lot")]))
        forms.append(form(subject, (FIRST_LOT,), [_required("first lot after", "first_lot")]))
    return forms


def _day_field(label: str) -> html.Label:
    return field(label, "on", placeholder="2026-03-18", pattern="[0-9]{4}-[0-9]{2}-[0-9]{2}", required=True)


def _required(label: str, name: str) -> html.Label:
    return field(label, name, required=True)
