"""One alert as it stands on every page: what moved, what that rests on, what people did with it, and what to do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from dash import html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.corrective_action_card import corrective_action_card, state_text
from dashboard.components.entry_form import form, if_editor
from dashboard.components.html_parts import link, lot_link, picture, stream_link, word
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.stored_documents import Stream
from dashboard.text.formatting import characteristic, day, evidence
from ingest.decisions.corrective_actions import STEPS

__all__ = ["alert_card", "alert_group_card", "group_by_stream", "stream_of"]

Document = dict[str, Any]

# What a person may do with an alert in each state.
ANSWERS = {
    "open": ("acknowledge", "close", "note"),
    "acknowledged": ("close", "open again", "note"),
    "closed": ("open again", "note"),
}


def stream_of(alert: Document) -> Stream | None:
    """The stream that an alert is about; None for one about a chamber, an instrument or a feed."""
    return (alert["supplier"], alert["product"], alert["characteristic"]) if alert["characteristic"] else None


def group_by_stream(alerts: list[Document]) -> list[list[Document]]:
    """Alerts of one stream together, the most urgent matter first: they are settled in one look."""
    matters: dict[Any, list[Document]] = {}
    for alert in urgent_first(alerts):
        matters.setdefault(stream_of(alert) or alert["id"], []).append(alert)
    return list(matters.values())


def alert_group_card(
    matter: Sequence[Document], entries: Mapping[str, list[Document]], sketches: Mapping[Stream, SparklineData]
) -> html.Component:
    """The sheets of one matter; its stream is named and drawn once. `entries` by subject, the newest first."""
    stream = stream_of(matter[0])
    sketch = sketches.get(stream) if stream else None
    if len(matter) == 1 or stream is None:
        return html.Div([alert_card(alert, entries[f"alert:{alert['id']}"], sketch) for alert in matter])
    named = _named(matter[0])
    shown = [_drawn(sketch, named)] if sketch else []
    head = html.Div(
        [html.H2([stream_link(matter[0], named), f": {len(matter)} alerts"]), *shown], className="matter-head"
    )
    sheets = [alert_card(alert, entries[f"alert:{alert['id']}"], under=named) for alert in matter]
    return html.Section([head, *sheets], className="matter")


def _named(alert: Document) -> str:
    return f"{alert['supplier']} {alert['product']}, {characteristic(alert['characteristic'])}"


def _drawn(sketch: SparklineData, of: str) -> html.Img:
    return picture(sketch, f"{of}: the last year and the outlook")


def alert_card(
    alert: Document, entries: list[Document], sketch: SparklineData | None = None, *, under: str = ""
) -> html.Section:
    """One alert with its evidence, the entries on it (the newest first) and a way to answer it.

    `under` is what the heading above it says already, and is not said again.
    """
    shown = [_drawn(sketch, alert["message"])] if sketch else []
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
                    _heading(alert, under),
                    html.P(" · ".join(evidence(alert)), className="quiet"),
                    html.P(_ways(alert), className="quiet"),
                    *_held_under(alert),
                    *[html.P(_told(entry), className="entry") for entry in entries if entry["what"] not in STEPS],
                    *corrective_action_card(alert, [entry for entry in entries if entry["what"] in STEPS]),
                    *_answer(alert),
                ]
            ),
            *shown,
        ],
        className=f"sheet alert {alert['grade']} {alert['state']}",
        id=f"alert-{alert['id']}",
    )


def _heading(alert: Document, under: str) -> html.H2 | html.H3:
    if not under:
        return html.H2(alert["message"])
    told = alert["message"].removeprefix(f"{under}: ")
    return html.H3(told[:1].upper() + told[1:])


def _asked(alert: Document) -> list[html.Span]:
    """Where the corrective action stands, beside the state of the alert."""
    told = state_text(alert["corrective_action"])
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
    return if_editor(f"Answer: {', '.join(answers)}", form(f"alert:{alert['id']}", answers))
