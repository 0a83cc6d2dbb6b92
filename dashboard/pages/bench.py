"""The bench: are chambers, references, feeds and rounds in order."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from dash import html

from dashboard.charts import plotly_figures
from dashboard.components.alert_card import urgent_first
from dashboard.components.html_parts import graph, legend, link, lot_link, stream_link, table, word
from dashboard.delivery import dispatch
from dashboard.pages.board import rows_table
from dashboard.queries import bench_queries, page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import counted, day, listed, moment
from ingest.alerts.attribution import SHARE_WEEKS, AttributedShare, attributed_share
from ingest.config.lab import Lab
from ingest.rounds.schedule import USUAL_MINUTES

__all__ = ["layout"]

Document = dict[str, Any]

BENCH_KINDS = ("bench", "climate", "feed")


def layout(desk: LabReader, **_other: str) -> html.Div:
    """Chambers with their last weeks, check standards, feeds and rounds."""
    with desk.reading() as connection:
        bench = bench_queries.bench(connection, desk.lab)
        standards = [row for row in desk.board(connection) if row["check_standard"]]
        open_ones = [alert for alert in desk.every_alert(connection) if alert["state"] != "closed"]
        ids = [alert["id"] for alert in open_ones if alert["kind"] in BENCH_KINDS and alert["held_under"] is None]
        share = attributed_share(connection)
        alerts = stored_documents.alerts_named(connection, desk.lab, ids)
        names = [(row["supplier"], row["product"], row["characteristic"]) for row in standards]
        sketches = stored_documents.sketches(connection, names)
        unsent = dispatch.waiting(connection, desk.lab)
        why, looked_at = desk.reasons(connection), page_queries.reviewed(connection, desk.lab)
    return html.Div(
        [
            html.H1(_headline(bench, standards, alerts)),
            *_alerts(alerts),
            *_attribution(share),
            html.H2("Chambers"),
            html.Div([_chamber(chamber, number) for number, chamber in enumerate(bench["chambers"])], className="pair"),
            html.H2("References whose value must not move"),
            rows_table(standards, sketches, why, looked_at, desk.lab) if standards else html.P(NO_STANDARD),
            html.H2("Feeds"),
            _sources(bench["sources"]),
            html.Details([html.Summary("The last files"), _files(bench["feeds"])]),
            html.H2("Refused rows"),
            _refusals(bench["refusals"]),
            html.H2("Values to look at"),
            _to_look_at(bench["to_look_at"]),
            html.H2("Rounds"),
            *([html.P(bench["clock"])] if bench["clock"] else []),
            html.P(_schedule(desk.lab, desk.next_round())),
            _rounds(bench["rounds"]),
            html.H2("Messages"),
            _messages(unsent),
        ]
    )


def _messages(unsent: list[Document]) -> html.Div:
    """What did not reach people yet, and why."""
    if not unsent:
        return html.P("Every message is out.")
    return html.Ul(
        [
            html.Li(
                f"{row['channel']}: {counted(row['count'], 'alert')} waiting since {moment(row['since'])}, tried again from "
                f"{moment(row['next_try'])}. {row['reason']}"
            )
            for row in unsent
        ]
    )


NO_STANDARD = (
    "None is declared. A kept bag set or a certified resistor tells bench drift from film drift: see [[check_standard]] in "
    "lab.toml."
)


def _headline(bench: Document, standards: list[Document], alerts: list[Document]) -> str:
    out = [chamber["name"] for chamber in bench["chambers"] if not chamber["in_window_now"]]
    moved = [f"{row['product']}" for row in standards if row["state"] in ("act", "look")]
    if not bench["chambers"]:
        return "No chamber log has been taken in: no test can be shown valid."
    if out:
        return f"Chamber {listed(out)}: the last entry is outside the window."
    chambers = f"{counted(len(bench['chambers']), 'chamber')} inside the window at the last entry"
    if moved:
        return f"{chambers}, but a reference moved: {listed(list(dict.fromkeys(moved)))}."
    if any(alert["evidence"].get("shifts") for alert in alerts):
        return f"{chambers}, but what several suppliers share has moved."
    return f"{chambers}; {'the references stand still' if standards else 'no reference is declared'}."


def _alerts(alerts: list[Document]) -> list[html.Component]:
    if not alerts:
        return [html.P("No alert about chambers, references or feeds is open.", className="lead")]
    told = [
        html.Li([word(alert["grade"]), link(alert["message"], f"/alerts?show=all#alert-{alert['id']}")])
        for alert in urgent_first(alerts)
    ]
    return [html.P(f"{counted(len(alerts), 'alert')} about the bench not closed:", className="lead"), html.Ul(told)]


def _attribution(share: AttributedShare) -> list[html.P]:
    """How many alerts findings attribute to the bench, with a caution where it is a large share."""
    if not share.attributed:
        return []
    text = (
        f"{share.attributed} of {counted(share.alerts, 'alert')} on streams in the last {SHARE_WEEKS} weeks "
        "are attributed to the bench."
    )
    caution = (
        " This is a large share: check that each finding has a cause on the bench. Suppliers that drift at the same time can "
        "look like a shift of the bench."
    )
    return [html.P(text + caution * share.is_high)]


def _chamber(chamber: Document, number: int) -> html.Section:
    now = f"{chamber['humidity']:.1f} % RH, {chamber['temperature_c']:.1f} °C"
    told = (
        f"{chamber['hours_outside']:.0f} h outside the humidity window, {counted(chamber['gaps'], 'gap')} in the log, "
        f"{counted(chamber['invalid_sessions'], 'test session')} without valid conditioning in the last {chamber['days']} days."
    )
    return html.Section(
        [
            html.H3(f"{chamber['name']}: {now}"),
            html.P(f"Last entry {moment(chamber['last_at'])}. {told}"),
            graph(
                plotly_figures.chamber_trace(chamber["trace"]),
                f"chamber-{number}",
                f"Chamber {chamber['name']}: {told}",
            ),
            legend(("┄", "edge", "window of the first declared conditioning")),
        ],
        className="sheet",
    )


def _sources(sources: list[Document]) -> html.Div:
    heads = (
        "folder",
        "kind",
        "files",
        "comes",
        "last file",
        "last taken",
        "rows stored",
        "corrected",
        "refused",
        "unreadable files",
    )
    rows = [
        [
            source["folder"],
            source["kind"],
            f"{source['files']:,}",
            _rhythm(source["days_between"]),
            day(source["last_file_at"]),
            moment(source["last_at"]),
            f"{source['stored']:,}",
            f"{source['corrected']:,}",
            f"{source['refused']:,}",
            f"{source['unreadable']:,}",
        ]
        for source in sources
    ]
    return table(heads, rows, "Feeds", ("files", "rows stored", "corrected", "refused", "unreadable files"))


def _rhythm(days: float | None) -> str:
    if days is None:
        return "not yet shown"
    return "every day" if days < 1.5 else f"every {days:.0f} days"


def _files(feeds: list[Document]) -> html.Div:
    heads = ("file", "kind", "taken", "stored", "known", "corrected", "refused", "state")
    counts = ("stored", "duplicate", "corrected", "refused")
    rows = [
        [feed["name"], feed["kind"], moment(feed["taken_at"]), *(f"{feed[key]:,}" for key in counts), feed["state"]]
        for feed in feeds
    ]
    return table(heads, rows, "The last files", ("stored", "known", "corrected", "refused"))


def _refusals(groups: list[Document]) -> html.Component:
    if not groups:
        return html.P("None.")
    rows = [[group["file"], day(group["taken_at"]), _lines(group), group["reason"]] for group in groups]
    return table(("file", "taken", "rows", "why"), rows, "Refused rows")


def _to_look_at(tests: list[Document]) -> html.Component:
    if not tests:
        return html.P("None: no test reads as if a unit was mistaken.")
    rows = [
        [lot_link(one["supplier"], one["lot"]), stream_link(one), day(one["tested_at"]), one["told"]] for one in tests
    ]
    return table(("lot", "stream", "tested", "why"), rows, "Values to look at")


def _lines(group: Document) -> str:
    if group["rows"] == 1:
        return f"line {group['first_line']}"
    return f"{group['rows']} rows, lines {group['first_line']} to {group['last_line']}"


def _schedule(lab: Lab, due: datetime | None) -> str:
    upcoming = "" if due is None else f" The next begins on {moment(due.astimezone(lab.zone).isoformat())}."
    return f"While the dashboard is served, {_turns(lab)}; lotdrift run does one at once.{upcoming}"


def _turns(lab: Lab) -> str:
    if lab.schedule is not None and lab.schedule.cron is not None:
        return f"rounds are done at {lab.schedule.cron} (minute, hour, day, month, weekday)"
    minutes = USUAL_MINUTES if lab.schedule is None else lab.schedule.every_minutes
    return f"a round is done every {minutes:g} minutes"


def _rounds(rounds: list[Document]) -> html.Div:
    heads = ("began", "took", "files", "rows stored", "refused", "streams evaluated", "new alerts")
    keys = ("files", "stored", "refused", "evaluated", "raised")
    rows = [
        [moment(one["started_at"]), f"{one['seconds']:.1f} s", *(f"{one[key]:,}" for key in keys)] for one in rounds
    ]
    return table(heads, rows, "Rounds", heads[1:])
