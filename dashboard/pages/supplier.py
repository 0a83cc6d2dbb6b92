"""One supplier: all its streams and alerts, and the way to its scorecards."""

from __future__ import annotations

from dash import html

from dashboard import views
from dashboard.desk import Desk
from dashboard.pages.board import rows_table
from dashboard.parts import alert_sheet, empty, link

__all__ = ["layout"]


def layout(desk: Desk, name: str = "", **_other: str) -> html.Div:
    """The page of a supplier."""
    with desk.reading() as connection:
        rows = [row for row in views.board(connection, desk.lab) if row["supplier"] == name]
        sketches = views.sketches(connection)
        alerts = [alert for alert in views.alerts(connection, desk.lab) if alert["supplier"] == name]
        quarters = views.quarters(connection, desk.lab)
    if not rows:
        return html.Div(empty(f'No supplier "{name}".', "The board lists them all."))
    return html.Div(
        [
            html.H1(name),
            rows_table(rows, sketches),
            *[alert_sheet(alert) for alert in alerts],
            html.H2("Scorecards"),
            html.Ul(
                [html.Li(link(quarter, "/scorecards", quarter=quarter, supplier=name)) for quarter in quarters[:6]]
            ),
        ]
    )
