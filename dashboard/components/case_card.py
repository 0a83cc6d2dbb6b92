"""A case as the pages show it: its worst sentence, its other alerts as lines, owner and due date, and one way to respond."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from dash import html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.alert_card import RESPONSES, headline
from dashboard.components.corrective_action_card import (
    action_timeline,
    entry_text,
    notice_link,
    step_forms,
)
from dashboard.components.current_user import current_user
from dashboard.components.entry_form import day_field, field, form
from dashboard.components.html_parts import link, lot_link, sparkline_image, stream_link, word
from dashboard.queries.alert_order import GRADES
from dashboard.text.case_text import case_message, case_name, due_text, owner_text, standing
from dashboard.text.formatting import age, characteristic, counted, day, evidence, shown
from dashboard.text.urls import BENCH, alert_address
from ingest.common.number_format import LEAST_DIGITS, Measured
from ingest.config.lab import Lab
from ingest.decisions.cases import ASSIGN
from ingest.decisions.corrective_actions import no_notice_because
from ingest.decisions.responses import ACKNOWLEDGE, CLOSE, NOTE, OPEN_AGAIN, SLEEP, TAKE_BACK_FINDING
from ingest.documents.alert import STOCK_ID, Alert
from ingest.documents.case import Case
from ingest.documents.entries import SubjectEntry

__all__ = ["case_card"]

WORDS = {
    ACKNOWLEDGE: "Seen",
    SLEEP: "Sleep until the next lot",
    CLOSE: "Close",
    OPEN_AGAIN: "Open again",
    TAKE_BACK_FINDING: "This finding was wrong",
    NOTE: "Add a note",
}


def case_card(
    case: Case,
    alerts: Sequence[Alert],
    entries: Mapping[str, Sequence[SubjectEntry]],
    lab: Lab,
    looked_at: str | None,
    sparkline: SparklineData | None = None,
) -> html.Section:
    """One case. `alerts` are those to show, `entries` those of each of its alerts, the newest first."""
    ordered = sorted(alerts, key=lambda one: (GRADES.index(one["grade"]), one["id"] != case["alert"]))
    lead = ordered[0] if ordered else None
    name = case_name(case)
    of_case = sorted(
        (one for alert in (*case["alerts"], *case["withdrawn"]) for one in entries.get(f"alert:{alert}", ())),
        key=lambda one: one["at"],
        reverse=True,
    )
    declared = case["characteristic"]
    unit = lab.characteristic(declared).unit if declared is not None and lab.is_declared(declared) else ""
    action, facts = case["corrective_action"], shown(lead["evidence"]) if lead else {}
    levels: Measured = {"unit": unit, "digits": facts.get("digits", LEAST_DIGITS)}
    return html.Section(
        [
            html.Div(
                [
                    html.P([word(lead["grade"] if lead else case["grade"]), _name(case, lead)]),
                    *(
                        headline(lead, case_message(case, lead["message"]))
                        if lead
                        else [html.H2(case_message(case, case["message"]))]
                    ),
                    html.P(_facts(lead), className="quiet") if lead else None,
                    html.Ul([_line(case, alert) for alert in ordered[1:]], className="more") if ordered[1:] else None,
                    _withdrawn(case),
                    _standing(case, looked_at),
                    _respond(case, ordered) if current_user().may_enter else None,
                    action_timeline(str(case["supplier"] or ""), action, levels) if action else None,
                    _trail(of_case),
                ]
            ),
            sparkline_image(sparkline, name) if sparkline else None,
        ],
        className=f"sheet alert case {lead['grade'] if lead else case['grade']} {_state_class(case, ordered)}",
        id=f"alert-{lead['id'] if lead else case['alert']}",
    )


def _state_class(case: Case, alerts: Sequence[Alert]) -> str:
    if case["state"] == "closed" or not alerts:
        return "closed"
    return "open" if any(alert["state"] == "open" for alert in alerts) else alerts[0]["state"]


def _name(case: Case, lead: Alert | None) -> html.Span:
    if lead is None or not case["characteristic"]:
        return html.Span(f" {case_name(case)}")
    text = f"{case['supplier']} {case['product']}"
    return html.Span([" ", stream_link(lead, text), f", {characteristic(case['characteristic'])}"])


def _facts(alert: Alert) -> list[object]:
    """The evidence of an alert, the day of its detection, and links to lot and bench."""
    parts: list[object] = [" · ".join([*evidence(alert), f"detected {day(alert['raised_at'])}"])]
    if alert["supplier"] and alert["lot"]:
        parts += [" · lot ", lot_link(alert["supplier"], alert["lot"])]
    if alert["kind"] in ("climate", "bench", "feed"):
        parts += [" · ", link("bench", BENCH)]
    if alert["held_under"]:
        parts += [" · explained by a bench alert: ", link("open it", alert_address(alert["held_under"]))]
    return parts


def _line(case: Case, alert: Alert) -> html.Li:
    lot = [" · lot ", lot_link(alert["supplier"], alert["lot"])] if alert["supplier"] and alert["lot"] else []
    state = "" if alert["state"] == "open" else f", {alert['state']}"
    return html.Li(
        [
            word(alert["grade"]),
            f" {case_message(case, alert['message'])}",
            html.Span([f" · detected {day(alert['raised_at'])}{state}", *lot], className="quiet"),
        ],
        id=f"alert-{alert['id']}",
    )


def _withdrawn(case: Case) -> html.P | None:
    if not case["withdrawn"]:
        return None
    count = counted(len(case["withdrawn"]), "alert")
    return html.P(
        f"{count} of this case no longer raised, such as after a new baseline; the case stays until it is closed.",
        className="quiet",
    )


def _standing(case: Case, looked_at: str | None) -> html.Dl:
    items = (
        ("Case", standing(case), case["waiting"]),
        ("Owner", owner_text(case), False),
        ("Due", due_text(case), case["overdue_days"] > 0),
        ("Open for", age(case["opened_at"], looked_at), False),
    )
    return html.Dl(
        [
            html.Div([html.Dt(name), html.Dd(text, className="trouble" if loud else "")])
            for name, text, loud in items
            if not (case["state"] == "closed" and name in ("Due", "Open for"))
        ],
        className="facts case-facts",
    )


def _trail(entries: Sequence[SubjectEntry]) -> html.Details | None:
    if not entries:
        return None
    newest = entries[0]
    last = f"last: {newest['what']}, {newest['who']}, {day(newest['at'])}: {newest['reason']}"
    return html.Details(
        [
            html.Summary(f"{counted(len(entries), 'entry', 'entries')}; {last}"),
            *[html.P(entry_text(one), className="entry quiet") for one in entries],
        ]
    )


def _respond(case: Case, alerts: Sequence[Alert]) -> html.Details:
    """The forms of a case: respond to all its alerts, name its owner, record the corrective action."""
    subjects, responses = _responses(case, alerts)
    forms: list[object] = [html.H3("Response"), form(subjects, {what: WORDS[what] for what in responses})]
    lead = f"alert:{case['alert']}"
    if case["state"] != "closed":
        handing_over = [field("owner", "owner", case["owner"] or ""), day_field("due", "due", required=False)]
        forms += [html.H3("Owner and due date"), form(lead, {ASSIGN: "Assign"}, handing_over)]
    lead_alert = next((alert for alert in alerts if alert["id"] == case["alert"]), None)
    if case["supplier"] and case["kind"] != "bench" and not (lead_alert and no_notice_because(lead_alert)):
        forms += [
            html.H3("Corrective action"),
            notice_link(case["alert"]) if lead_alert else None,
            *step_forms(lead, case["corrective_action"]),
        ]
    return html.Details([html.Summary("Respond", className="button first"), *forms], className="respond")


def _responses(case: Case, alerts: Sequence[Alert]) -> tuple[list[str], Sequence[str]]:
    """The alerts that a response concerns, and the responses; rounds close some alerts, which take a note only."""
    free = [alert for alert in alerts if not (alert["evidence"].get("closed_because") or alert["held_under"])]
    standing_alerts = [alert for alert in free if alert["state"] != "closed"]
    if standing_alerts:
        states = {alert["state"] for alert in standing_alerts}
        responses = list(RESPONSES["open" if "open" in states else "acknowledged"])
        if all(alert["characteristic"] and not alert["id"].startswith(STOCK_ID) for alert in standing_alerts):
            responses.insert(-1, SLEEP)
        if all("shifts" in alert["evidence"] for alert in standing_alerts):
            responses.insert(-1, TAKE_BACK_FINDING)
        return [f"alert:{alert['id']}" for alert in standing_alerts], responses
    if free:
        return [f"alert:{alert['id']}" for alert in free], RESPONSES["closed"]
    if not alerts or case["state"] not in ("closed", "bench"):
        # A case that outlived its alerts.
        return [f"alert:{case['alert']}"], (NOTE,) if case["state"] == "closed" else (CLOSE, NOTE)
    return [f"alert:{alert['id']}" for alert in alerts], (NOTE,)
