"""The corrective action on an alert's card: its steps as a timeline, the notice to download, and the next step."""

from __future__ import annotations

from collections.abc import Sequence

from dash import html

from dashboard.components.current_user import current_user
from dashboard.components.entry_form import day_field, field, form
from dashboard.components.html_parts import lot_link
from dashboard.text.formatting import amounts, counted, day, digits_of, shown
from dashboard.text.urls import notice_address
from ingest.common.number_format import LEAST_DIGITS, Measured
from ingest.decisions.corrective_actions import ANSWERED, ASKED, FIRST_LOT, no_notice_because
from ingest.documents.alert import Alert, CorrectiveAction, CorrectiveResult
from ingest.documents.entries import SubjectEntry
from spc.vocabulary.enums import Effectiveness

__all__ = ["action_timeline", "corrective_action_card", "entry_text", "notice_link", "state_text", "step_forms"]

# For each result its words, a shape so that colour is never alone, and the class of its colour.
RESULTS = {
    Effectiveness.WORKED: ("effective", "●", "steady"),
    Effectiveness.NOT_YET_SHOWN: ("not verified yet", "○", ""),
    Effectiveness.DID_NOT_WORK: ("not effective", "◆", "act"),
}
# The buttons that record a step.
BUTTONS = {ASKED: "Record request", ANSWERED: "Record answer", FIRST_LOT: "Save first corrected lot"}


def state_text(action: CorrectiveAction | None) -> str:
    """The state of a corrective action in a few words; empty where there is none."""
    if action is None:
        return ""
    if action["answered_on"] is None:
        return f"corrective action requested, no answer for {counted(action['days_open'] or 0, 'day')}"
    if action["result"] is None:
        return "supplier answered, first corrected lot not named"
    result = action["result"]
    return f"corrective action {RESULTS[Effectiveness(result['answer'])][0]} ({counted(result['lots'], 'lot')})"


def corrective_action_card(alert: Alert, entries: Sequence[SubjectEntry] = ()) -> list[object]:
    """The corrective action of an alert and the forms for its next step; nothing on an alert that concerns no supplier.

    `entries` are all entries on its steps, the newest first. A step that was entered again replaces the earlier one in the
    timeline; the list of entries keeps both.
    """
    action = alert["corrective_action"]
    facts = shown(alert["evidence"])
    levels: Measured = {"unit": facts.get("unit", ""), "digits": facts.get("digits", LEAST_DIGITS)}
    timeline = [action_timeline(alert["supplier"] or "", action, levels)] if action else []
    if no_notice_because(alert):
        return timeline
    trail = html.Details(
        [
            html.Summary(f"Audit trail: {counted(len(entries), 'entry', 'entries')}"),
            *[html.P(entry_text(entry), className="entry quiet") for entry in entries],
        ]
    )
    forms = step_forms(f"alert:{alert['id']}", action) if current_user().may_enter else []
    return [
        *timeline,
        trail if entries else None,
        html.Details([html.Summary("Corrective action"), notice_link(alert["id"]), *forms]),
    ]


def notice_link(alert: str) -> html.P:
    """The notice about an alert, to download."""
    return html.P(
        [
            html.A("Notice to the supplier (PDF)", href=notice_address(alert), download=""),
            ": download; not sent automatically.",
        ]
    )


def entry_text(entry: SubjectEntry) -> str:
    """An entry with its fields and its reason, on one line; the alerts that it names are left out."""
    fields = {name: value for name, value in entry["body"].items() if name not in ("alerts", "stream", "after_at")}
    body = "".join(f", {name.replace('_', ' ')}: {value}" for name, value in fields.items())
    remark = "" if entry["reason"] == entry["what"] else f": {entry['reason']}"
    return f"{entry['who']}, {day(entry['at'])}, {entry['what']}{body}{remark}"


def action_timeline(supplier: str, action: CorrectiveAction, levels: Measured) -> html.Ol:
    """The steps of a corrective action in order, with what the lots after it show."""
    steps = [_step(f"Corrective action requested on {day(action['asked_on'])}", f"by {action['asked_by']}")]
    if action["answered_on"] is None:
        steps.append(_step("No answer yet", f"for {counted(action['days_open'] or 0, 'day')}", "waiting"))
    else:
        after = counted(action["days_to_answer"] or 0, "day")
        stated = f"Cause: {action['cause']}; action: {action['action']}"
        steps.append(_step(f"Answered on {day(action['answered_on'])}, after {after}", stated))
    if action["first_lot"] is not None:
        steps.append(_step(["First corrected lot: ", lot_link(supplier, action["first_lot"])], ""))
    if action["result"] is not None:
        words, shape, colour = RESULTS[Effectiveness(action["result"]["answer"])]
        label = html.Span([html.Span(shape, **{"aria-hidden": "true"}), words], className=f"word {colour}")
        text = _result_text(action["result"], levels)
        steps.append(html.Li([label, html.Span(text, className="quiet")]))
    return html.Ol(steps, className="steps", **{"aria-label": "Corrective action"})


def _step(head: object, detail: str, look: str = "") -> html.Li:
    return html.Li([html.Span(head), html.Span(detail, className="quiet") if detail else None], className=look)


def _result_text(result: CorrectiveResult, levels: Measured) -> str:
    """The lots that the result is based on, and their mean against the mean before the alert and at the alert."""
    if not result["lots"]:
        return f": {result['reason']}"
    text = f" ({counted(result['lots'], 'lot')})"
    if result["answer"] == Effectiveness.NOT_YET_SHOWN or result["level_after"] is None:
        text += f": {result['reason']}"
    if result["level_after"] is None:
        return text
    # Variation between bags or readings is a share, a level has a unit.
    of_level = result["of"] == "level"
    after, before, at_alert = amounts(
        [result["level_after"], result["level_usual"], result["level_moved"]],
        levels["unit"] if of_level else "",
        digits_of(levels) if of_level else LEAST_DIGITS,
    )
    name = "mean" if result["of"] == "level" else "mean variation"
    return f"{text}: {name} {after}; before {before}; at the alert {at_alert}"


def step_forms(subject: str, action: CorrectiveAction | None) -> list[html.Form]:
    """The forms for the next steps of a corrective action."""
    forms = [form(subject, {ASKED: BUTTONS[ASKED]}, [day_field("requested on", "on")])]
    if action and action["asked_on"]:
        answer = [
            day_field("answered on", "on"),
            field("cause stated by the supplier", "cause", required=True),
            field("action stated by the supplier", "action", required=True),
            field("first corrected lot, if known", "first_lot"),
        ]
        forms.append(form(subject, {ANSWERED: BUTTONS[ANSWERED]}, answer))
        first_lot = field("first corrected lot", "first_lot", required=True)
        forms.append(form(subject, {FIRST_LOT: BUTTONS[FIRST_LOT]}, [first_lot]))
    return forms
