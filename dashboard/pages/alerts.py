"""The alerts: what is open, what was settled and why."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard import views
from dashboard.desk import Desk
from dashboard.parts import alert_sheet, empty, link
from dashboard.sentences import counted

__all__ = ["layout"]


def layout(desk: Desk, show: str = "open", **_other: str) -> html.Div:
    """The alert page; `show=all` brings the closed ones too."""
    with desk.reading() as connection:
        alerts = views.alerts(connection, desk.lab, closed_too=True)
    shown = [alert for alert in alerts if show == "all" or alert["state"] != "closed"]
    other = link("open ones only", "/alerts") if show == "all" else link("closed ones too", "/alerts", show="all")
    if not shown:
        return html.Div([empty("No open alert.", "Nothing has moved that is not settled."), html.P(other)])
    return html.Div(
        [html.H1(_headline(shown)), html.P(other), *[_with_held(alert, alerts) for alert in _sorted(shown)]]
    )


def _headline(alerts: list[dict[str, Any]]) -> str:
    open_ones = [alert for alert in alerts if alert["state"] != "closed"]
    act = sum(alert["grade"] == "act" for alert in open_ones)
    return f"{counted(len(open_ones), 'open alert')}, {act} of them to act on."


def _sorted(alerts: list[dict[str, Any]]) -> list[dict[str, Any]]:
    grades = ("act", "look", "note")
    newest_first = sorted(alerts, key=lambda alert: alert["raised_at"], reverse=True)
    return sorted(newest_first, key=lambda alert: (alert["state"] == "closed", grades.index(alert["grade"])))


def _with_held(alert: dict[str, Any], alerts: list[dict[str, Any]]) -> html.Div:
    """A bench alert with the supplier alerts that it explains beneath it."""
    held = [other for other in alerts if other["held_under"] == alert["id"]]
    if not held:
        return html.Div(alert_sheet(alert))
    return html.Div(
        [
            alert_sheet(alert),
            html.Details(
                [html.Summary(f"{counted(len(held), 'supplier alert')} held under it"), *map(alert_sheet, held)]
            ),
        ]
    )
