"""An alert as every page shows it: what moved, the evidence, what people entered about it, and how to respond."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from dash import html

from dashboard.charts.sparkline import SparklineData
from dashboard.components.corrective_action_card import corrective_action_card, state_text
from dashboard.components.entry_form import form, if_editor
from dashboard.components.html_parts import link, lot_link, sparkline_image, stream_link, word
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.stored_documents import Stream
from dashboard.text.formatting import characteristic, day, evidence, present_text
from dashboard.text.urls import INSTRUMENTS, STOCK, alert_address
from ingest.common.text import capitalised
from ingest.decisions.corrective_actions import STEPS
from ingest.decisions.responses import TAKE_BACK_FINDING
from ingest.documents.alert import STOCK_ID, Alert, AlertSummary
from ingest.documents.entries import SubjectEntry

__all__ = ["alert_card", "alert_group", "group_by_stream", "headline", "stream_of"]

A = TypeVar("A", bound=AlertSummary)

# What a person may do with an alert in each state.
RESPONSES = {
    "open": ("acknowledge", "close", "note"),
    "acknowledged": ("close", "open again", "note"),
    "closed": ("open again", "note"),
}


def stream_of(alert: AlertSummary) -> Stream | None:
    """The stream of an alert; None for an alert about a chamber, an instrument or a feed."""
    supplier, product, name = alert["supplier"], alert["product"], alert["characteristic"]
    return (supplier, product, name) if supplier and product and name else None


def group_by_stream(alerts: list[A]) -> list[list[A]]:
    """Alerts grouped by stream, the group with the most urgent alert first; alerts without a stream stand alone."""
    groups: dict[Stream | str, list[A]] = {}
    for alert in urgent_first(alerts):
        groups.setdefault(stream_of(alert) or alert["id"], []).append(alert)
    return list(groups.values())


def alert_group(
    alerts: Sequence[Alert], entries: Mapping[str, list[SubjectEntry]], sparklines: Mapping[Stream, SparklineData]
) -> html.Component:
    """The cards of one group; the stream is named and drawn once. `entries` by subject, the newest first."""
    stream = stream_of(alerts[0])
    sparkline = sparklines.get(stream) if stream else None
    if len(alerts) == 1 or stream is None:
        return html.Div([alert_card(alert, entries[f"alert:{alert['id']}"], sparkline) for alert in alerts])
    name = f"{stream[0]} {stream[1]}, {characteristic(stream[2])}"
    head = [html.H2([stream_link(alerts[0], name), f": {len(alerts)} alerts"])]
    if sparkline:
        head.append(sparkline_image(sparkline, name))
    cards = [alert_card(alert, entries[f"alert:{alert['id']}"], group_name=name) for alert in alerts]
    return html.Section([html.Div(head, className="group-head"), *cards], className="alert-group")


def alert_card(
    alert: Alert, entries: list[SubjectEntry], sparkline: SparklineData | None = None, *, group_name: str = ""
) -> html.Section:
    """One alert with its evidence, the entries on it (the newest first) and a form to respond.

    `group_name` is the name in the heading of its group, which the card does not repeat.
    """
    message = alert["message"].removeprefix(f"{group_name}: ") if group_name else alert["message"]
    heading = html.H3 if group_name else html.H2
    action_state = state_text(alert["corrective_action"])
    held_under = alert["held_under"]
    return html.Section(
        [
            html.Div(
                [
                    html.P(
                        [
                            word(alert["grade"]),
                            word(alert["state"]),
                            html.Span(alert["kind"], className="quiet"),
                            html.Span(f" · {action_state}", className="quiet") if action_state else None,
                        ]
                    ),
                    *headline(alert, capitalised(message), heading),
                    html.P(" · ".join(evidence(alert)), className="quiet"),
                    html.P(_links(alert), className="quiet"),
                    html.P(["Explained by a bench alert: ", link("open it", alert_address(held_under))])
                    if held_under
                    else None,
                    *[
                        html.P(f"{one['who']}, {day(one['at'])}, {one['what']}: {one['reason']}", className="entry")
                        for one in entries
                        if one["what"] not in STEPS
                    ],
                    *corrective_action_card(alert, [one for one in entries if one["what"] in STEPS]),
                    *_respond(alert),
                ]
            ),
            sparkline_image(sparkline, alert["message"]) if sparkline else None,
        ],
        className=f"sheet alert {alert['grade']} {alert['state']}",
        id=f"alert-{alert['id']}",
    )


def headline(alert: Alert, message: str, heading: Callable[[str], html.Component] = html.H2) -> list[html.Component]:
    """The sentence of an alert; where a lot was tested since, the present figures lead and the sentence follows with its day."""
    if not (now := present_text(alert)):
        return [heading(message)]
    return [heading(now), html.P(f"Detected {day(alert['raised_at'])}: {message}", className="entry")]


def _links(alert: Alert) -> list[object]:
    """The day of detection, and links to the stream, the lot and the bench."""
    parts: list[object] = [f"detected {day(alert['raised_at'])}"]
    if alert["characteristic"]:
        parts += [" · ", stream_link(alert, "control chart")]
    if alert["supplier"] and alert["lot"]:
        parts += [" · lot ", lot_link(alert["supplier"], alert["lot"])]
    if alert["id"].startswith(STOCK_ID):
        parts += [" · ", link("stock", STOCK)]
    if alert["kind"] in ("climate", "bench", "feed"):
        parts += [" · ", link("bench", "/bench")]
    if alert["kind"] == "bench" and alert["id"].startswith("check"):
        parts += [" · ", link("instruments and the sheet of lots", INSTRUMENTS)]
    return parts


def _respond(alert: Alert) -> list[html.Details]:
    """The form to respond. Rounds close and reopen some alerts by the evidence; a person can only add a note to those."""
    automatic = alert["evidence"].get("closed_because") or alert["held_under"]
    responses: tuple[str, ...] = ("note",) if automatic else RESPONSES[alert["state"]]
    if "shifts" in alert["evidence"]:
        # A finding that ended by itself goes on marking its weeks: that can be wrong too.
        responses = (TAKE_BACK_FINDING, *responses)
    return if_editor(f"Respond: {', '.join(responses)}", form(f"alert:{alert['id']}", responses))
