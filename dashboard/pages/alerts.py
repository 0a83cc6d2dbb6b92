"""The alerts: what is open, what was settled and why."""

from __future__ import annotations

from collections import Counter
from typing import Any
from urllib.parse import urlencode

from dash import html

from dashboard import pageviews, views
from dashboard.alertsheet import alert_sheet, urgent_first
from dashboard.desk import Desk
from dashboard.parts import chips, empty
from dashboard.sentences import counted

__all__ = ["layout"]

Document = dict[str, Any]

STATES = ("open", "acknowledged", "closed", "all")
# More than a person answers in a sitting; the older ones are a click away.
MOST_SHOWN = 60


def layout(desk: Desk, show: str = "open", kind: str = "", most: str = "", **_other: str) -> html.Div:
    """The desk of alerts, narrowed by state and kind; what a bench alert holds lies beneath it."""
    with desk.reading() as connection:
        alerts = desk.every_alert(connection)
        fitting = urgent_first([alert for alert in alerts if _fits(alert, show, kind)])
        shown = [alert["id"] for alert in (fitting if most == "all" else fitting[:MOST_SHOWN])]
        held = [alert["id"] for alert in alerts if alert["held_under"] in set(shown)]
        whole = {alert["id"]: alert for alert in views.alerts_named(connection, desk.lab, [*shown, *held])}
        entries = pageviews.entries(connection, desk.lab, [f"alert:{one}" for one in whole])
        sketches = views.sketches(connection, {_stream(one) for one in whole.values() if one["characteristic"]})

    def sheet(alert: Document) -> html.Section:
        return alert_sheet(alert, entries[f"alert:{alert['id']}"], sketches.get(_stream(alert)))

    return html.Div(
        [
            html.H1(_headline(alerts)),
            _choices(alerts, show, kind),
            *[_with_held(whole[one], [whole[other] for other in held], sheet) for one in shown],
            *([] if shown else [empty("Nothing here.", "No alert stands in this state.")]),
            *_more(len(fitting) - len(shown), show, kind),
        ]
    )


def _stream(alert: Document) -> tuple[str, str, str]:
    return alert["supplier"], alert["product"], alert["characteristic"]


def _headline(alerts: list[Document]) -> str:
    open_ones = [alert for alert in alerts if alert["state"] == "open"]
    if not open_ones:
        return "No open alert: nothing has moved that is not settled."
    act = sum(alert["grade"] == "act" for alert in open_ones)
    return f"{counted(len(open_ones), 'open alert')}, {act} of them to act on."


def _fits(alert: Document, show: str, kind: str) -> bool:
    return show in ("all", alert["state"]) and (not kind or alert["kind"] == kind)


def _choices(alerts: list[Document], show: str, kind: str) -> html.Div:
    states = Counter(alert["state"] for alert in alerts) | Counter({"all": len(alerts)})
    kinds = Counter(alert["kind"] for alert in alerts if show in ("all", alert["state"]))
    return html.Div(
        [
            chips(((f"{states[state]} {state}", _address(state, kind), state == show) for state in STATES), "By state"),
            chips(
                [("every kind", _address(show, ""), not kind)]
                + [(f"{kinds[name]} {name}", _address(show, name), name == kind) for name in sorted(kinds)],
                "By kind",
            ),
        ]
    )


def _address(show: str, kind: str) -> str:
    return f"/alerts?{urlencode({'show': show, **({'kind': kind} if kind else {})})}"


def _with_held(alert: Document, all_held: list[Document], sheet: Any) -> html.Div:
    """A bench alert with the supplier alerts that it explains beneath it."""
    held = [other for other in all_held if other["held_under"] == alert["id"]]
    if not held:
        return html.Div(sheet(alert))
    under = html.Details([html.Summary(f"{counted(len(held), 'supplier alert')} held under it"), *map(sheet, held)])
    return html.Div([sheet(alert), under])


def _more(waiting: int, show: str, kind: str) -> list[html.P]:
    if not waiting:
        return []
    return [html.P(html.A(f"{counted(waiting, 'older alert')}: show all", href=f"{_address(show, kind)}&most=all"))]
