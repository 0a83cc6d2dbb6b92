"""One alert as it stands on every page: what moved, what that rests on, what people did with it, and what to do."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard.actionsheet import action_sheet, told_state
from dashboard.entryform import enterable, form
from dashboard.parts import link, lot_link, picture, stream_link, word
from dashboard.sentences import day, evidence
from dashboard.svg import Room
from ingest.actions import STEPS

__all__ = ["alert_sheet", "urgent_first"]

Document = dict[str, Any]

# What a person may do with an alert in each state.
ANSWERS = {
    "open": ("acknowledge", "close", "note"),
    "acknowledged": ("close", "open again", "note"),
    "closed": ("open again", "note"),
}


GRADES = ("act", "look", "note")


def urgent_first(alerts: list[Document]) -> list[Document]:
    """What is not closed first, then by grade, then the newest first."""
    newest_first = sorted(alerts, key=lambda alert: alert["raised_at"], reverse=True)
    return sorted(newest_first, key=lambda alert: (alert["state"] == "closed", GRADES.index(alert["grade"])))


def alert_sheet(alert: Document, entries: list[Document], sketch: Room | None = None) -> html.Section:
    """One alert with its evidence, the entries on it (the newest first) and a way to answer it."""
    shown = [picture(sketch, f"{alert['message']}: the last year and the outlook")] if sketch else []
    return html.Section(
        [
            html.Div(
                [
                    html.P(
                        [
                            *[word(alert["grade"]), word(alert["state"]), html.Span(alert["kind"], className="quiet")],
                            *_asked(alert),
                        ]
                    ),
                    html.H2(alert["message"]),
                    html.P(" · ".join(evidence(alert)), className="quiet"),
                    html.P(_ways(alert), className="quiet"),
                    *_held_under(alert),
                    *[html.P(_told(entry), className="entry") for entry in entries if entry["what"] not in STEPS],
                    *action_sheet(alert, [entry for entry in entries if entry["what"] in STEPS]),
                    *_answer(alert),
                ]
            ),
            *shown,
        ],
        className=f"sheet alert {alert['grade']} {alert['state']}",
        id=f"alert-{alert['id']}",
    )


def _asked(alert: Document) -> list[html.Span]:
    """Where the corrective action stands, beside the state of the alert."""
    told = told_state(alert["corrective_action"])
    return [html.Span(f" · {told}", className="quiet")] if told else []


def _ways(alert: Document) -> list[Any]:
    """When the evidence was complete, and the ways to what it is about."""
    parts: list[Any] = [f"evidence complete {day(alert['raised_at'])}"]
    if alert["characteristic"]:
        parts += [" · ", stream_link(alert, "see the stream")]
    if alert["supplier"] and alert["lot"]:
        parts += [" · lot ", lot_link(alert["supplier"], alert["lot"])]
    if alert["kind"] in ("climate", "bench", "feed"):
        parts += [" · ", link("see the bench", "/bench")]
    return parts


def _held_under(alert: Document) -> list[html.P]:
    if not alert["held_under"]:
        return []
    return [html.P(["Explained by a bench alert: ", link("see it", f"/alerts#alert-{alert['held_under']}")])]


def _told(entry: Document) -> str:
    return f"{entry['who']}, {day(entry['at'])}, {entry['what']}: {entry['reason']}"


def _answer(alert: Document) -> list[html.Details]:
    """Alerts that end by themselves can't be opened by a person: the evidence decides."""
    answers = ("note",) if alert["evidence"].get("closed_because") or alert["held_under"] else ANSWERS[alert["state"]]
    return enterable(f"Answer: {', '.join(answers)}", form(f"alert:{alert['id']}", answers))
