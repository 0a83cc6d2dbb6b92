"""One supplier: all its streams and alerts, and the way to its scorecards."""

from __future__ import annotations

from dash import html

from dashboard import cardwords, pageviews, views
from dashboard.alertsheet import alert_sheet
from dashboard.desk import Desk
from dashboard.pages.board import rows_table
from dashboard.parts import empty, link
from dashboard.quarternotices import asked_in, totals
from dashboard.sentences import counted

__all__ = ["layout"]

QUARTERS_SHOWN = 6


def layout(desk: Desk, name: str = "", **_other: str) -> html.Div:
    """The page of a supplier."""
    with desk.reading() as connection:
        rows = [row for row in desk.board(connection) if row["supplier"] == name]
        sketches = views.sketches(connection, [(name, row["product"], row["characteristic"]) for row in rows])
        named = views.alerts_named(connection, desk.lab, pageviews.alert_ids(connection, supplier=name))
        notices = asked_in(named)
        alerts = [alert for alert in named if alert["state"] != "closed"]
        entries = pageviews.entries(connection, desk.lab, [f"alert:{alert['id']}" for alert in alerts])
        quarters = views.quarters(connection, desk.lab)
        why = desk.reasons(connection)
        looked_at = pageviews.looked_at(connection, desk.lab)
    if not rows:
        return html.Div(empty(f'No supplier "{name}".', "The board lists them all."))
    cards = [html.Li(link(quarter, "/scorecards", quarter=quarter, supplier=name)) for quarter in quarters]
    return html.Div(
        [
            html.H1(name),
            html.P(
                f"{counted(len(rows), 'stream')}, {counted(len(alerts), 'alert')} not closed.",
                className="lead",
            ),
            rows_table(rows, sketches, why, looked_at, desk.lab),
            html.H2("Notices"),
            html.P(f"{cardwords.notices(totals(notices))}.".capitalize()),
            html.Ul([html.Li(line) for line in cardwords.notice_lines(totals(notices))]),
            html.H2("Alerts"),
            *[alert_sheet(alert, entries[f"alert:{alert['id']}"]) for alert in alerts],
            *([] if alerts else [html.P("None is open.")]),
            html.H2("Scorecards"),
            html.Ul(cards[:QUARTERS_SHOWN], className="inline"),
        ]
    )
