"""The bench: the state of chambers, check standards, feeds and rounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dash import html

from dashboard.charts import plotly_figures
from dashboard.components.html_parts import graph, legend, link, lot_link, stream_link, table, word
from dashboard.delivery import dispatch
from dashboard.pages.board import rows_table
from dashboard.queries import bench_queries, page_queries, stored_documents
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import counted, day, listed, moment
from dashboard.text.urls import alert_address
from ingest.alerts.attribution import SHARE_WEEKS, AttributedShare, attributed_share
from ingest.config.lab import Lab
from ingest.documents.alert import Alert
from ingest.documents.bench import BenchDocument, BenchFinding, Chamber, MarkedSession, Refusals
from ingest.documents.stream import ProductRow
from ingest.rounds.schedule import USUAL_MINUTES

__all__ = ["layout"]

BENCH_KINDS = ("bench", "climate", "feed")
NO_STANDARD = (
    "None is declared. A kept bag set or a certified resistor tells a shift of the bench from a shift of the film: see "
    "[[check_standard]] in lab.toml."
)


def layout(lab_reader: LabReader, **_other: str) -> html.Div:
    """Chambers with their last weeks, check standards, feeds and rounds."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        bench = bench_queries.bench(connection, lab)
        standards = [row for row in lab_reader.board(connection) if row["check_standard"]]
        ids = [
            alert["id"]
            for alert in lab_reader.every_alert(connection)
            if alert["state"] != "closed" and alert["kind"] in BENCH_KINDS and alert["held_under"] is None
        ]
        share = attributed_share(connection)
        alerts = urgent_first(stored_documents.alerts_named(connection, lab, ids))
        streams = [(row["supplier"], row["product"], row["characteristic"]) for row in standards]
        sparklines = stored_documents.sketches(connection, streams)
        waiting = lab_reader.chambers_to_wait_for(connection)
        unsent = dispatch.waiting(connection, lab)
        reasons, looked_at = lab_reader.reasons(connection), page_queries.reviewed(connection, lab)
    return html.Div(
        [
            html.H1(_headline(bench, standards, alerts, waiting)),
            html.P(
                f"{counted(len(alerts), 'alert')} about the bench not closed:"
                if alerts
                else "No alert about the bench.",
                className="lead",
            ),
            html.Ul([html.Li([word(one["grade"]), link(one["message"], alert_address(one["id"]))]) for one in alerts])
            if alerts
            else None,
            *_attribution(share),
            html.H2("Chambers"),
            html.Div([_chamber(chamber, number) for number, chamber in enumerate(bench["chambers"])], className="pair"),
            html.H2("Check standards"),
            rows_table(standards, sparklines, reasons, looked_at, lab) if standards else html.P(NO_STANDARD),
            html.H2("Findings so far"),
            _findings(bench["findings"]),
            html.H2("Feeds"),
            _sources(bench["sources"]),
            html.Details([html.Summary("Files taken in last"), _files(bench["feeds"])]),
            html.H2("Refused rows"),
            _refusals(bench["refusals"]),
            html.H2("Suspect values"),
            _suspect_values(bench["to_look_at"]),
            html.H2("Rounds"),
            html.P(bench["clock"]) if bench["clock"] else None,
            html.P(_schedule(lab, lab_reader.next_round())),
            _rounds(bench["rounds"]),
            html.H2("Mail"),
            html.Ul([html.Li(_unsent_text(row)) for row in unsent]) if unsent else html.P("All mail sent."),
        ]
    )


def _findings(findings: list[BenchFinding]) -> html.Component:
    """Every finding with its weeks, also those that are closed: their tests stay marked."""
    if not findings:
        return html.P("None: no source on the bench was off, as far as the lots show.")
    rows = [
        [
            link(one["finding"], alert_address(one["finding"])),
            one["message"],
            day(one["off_from_at"]),
            "not yet" if one["off_until_at"] is None else day(one["off_until_at"]),
            day(one["detected_at"]),
            f"{counted(one['tests'], 'test')} of {counted(one['lots'], 'lot')}",
            word(one["state"]),
        ]
        for one in findings
    ]
    return table(("finding", "what", "off from", "off until", "detected", "marked", "state"), rows, "Findings so far")


def _attribution(share: AttributedShare) -> list[html.P]:
    """The number of alerts that are attributed to the bench, with a caution where it is a large share."""
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


def _headline(bench: BenchDocument, standards: list[ProductRow], alerts: list[Alert], waiting: list[str]) -> str:
    chambers = bench["chambers"]
    if not chambers:
        return "No chamber log: no test can be shown valid."
    if waiting:
        return " ".join(waiting)
    within = f"{counted(len(chambers), 'chamber')} within tolerance at the last entry"
    moved = [row["product"] for row in standards if row["state"] in ("act", "look")]
    if moved:
        return f"{within}, but a check standard moved: {listed(list(dict.fromkeys(moved)))}."
    if any(alert["evidence"].get("shifts") for alert in alerts):
        return f"{within}, but several suppliers shifted together."
    return f"{within}; {'check standards stable' if standards else 'no check standard declared'}."


def _chamber(chamber: Chamber, number: int) -> html.Section:
    summary = (
        f"In the last {chamber['days']} days: {chamber['hours_outside']:.0f} h outside tolerance, "
        f"{counted(chamber['gaps'], 'gap')} in the log, "
        f"{counted(chamber['invalid_sessions'], 'test session')} without valid conditioning."
    )
    return html.Section(
        [
            html.H3(f"{chamber['name']}: {chamber['humidity']:.1f} % RH, {chamber['temperature_c']:.1f} °C"),
            html.P(f"Last entry {moment(chamber['last_at'])}. {summary}"),
            graph(
                plotly_figures.chamber_trace(chamber["trace"]),
                f"chamber-{number}",
                f"Log of chamber {chamber['name']}. {summary}",
            ),
            legend(("┄", "edge", "tolerance")),
        ],
        className="sheet",
    )


def _sources(sources: Sequence[Mapping[str, Any]]) -> html.Div:
    def interval(days: float | None) -> str:
        if days is None:
            return "too few files"
        return "every day" if days < 1.5 else f"every {days:.0f} days"

    counts = {
        "files": "files",
        "rows stored": "stored",
        "corrected": "corrected",
        "refused": "refused",
        "unreadable files": "unreadable",
    }
    heads = ("folder", "kind", "interval", "last file", "taken in", *counts)
    rows = [
        [
            source["folder"],
            source["kind"],
            interval(source["days_between"]),
            day(source["last_file_at"]),
            moment(source["last_at"]),
            *(f"{source[key]:,}" for key in counts.values()),
        ]
        for source in sources
    ]
    return table(heads, rows, "Feeds", tuple(counts))


def _files(files: Sequence[Mapping[str, Any]]) -> html.Div:
    counts = {"stored": "stored", "known already": "duplicate", "corrected": "corrected", "refused": "refused"}
    rows = [
        [
            file["name"],
            file["kind"],
            moment(file["taken_at"]),
            *(f"{file[key]:,}" for key in counts.values()),
            file["state"],
        ]
        for file in files
    ]
    return table(("file", "kind", "taken in", *counts, "state"), rows, "Files taken in last", tuple(counts))


def _refusals(groups: list[Refusals]) -> html.Component:
    if not groups:
        return html.P("None.")
    rows = [
        [
            group["file"],
            day(group["taken_at"]),
            f"line {group['first_line']}"
            if group["rows"] == 1
            else f"{group['rows']} rows, lines {group['first_line']} to {group['last_line']}",
            group["reason"],
        ]
        for group in groups
    ]
    return table(("file", "taken in", "rows", "reason"), rows, "Refused rows")


def _suspect_values(tests: list[MarkedSession]) -> html.Component:
    if not tests:
        return html.P("None.")
    rows = [
        [lot_link(one["supplier"], one["lot"]), stream_link(one), day(one["tested_at"]), one["reason"]] for one in tests
    ]
    return table(("lot", "stream", "tested", "reason"), rows, "Suspect values")


def _schedule(lab: Lab, due: datetime | None) -> str:
    if lab.schedule is not None and lab.schedule.cron is not None:
        turns = f"rounds run at {lab.schedule.cron} (minute, hour, day, month, weekday)"
    else:
        minutes = USUAL_MINUTES if lab.schedule is None else lab.schedule.every_minutes
        turns = f"a round runs every {minutes:g} minutes"
    next_one = "" if due is None else f" The next starts on {moment(due.astimezone(lab.zone).isoformat())}."
    return f"While the dashboard is served, {turns}; lotdrift run does one at once.{next_one}"


def _rounds(rounds: Sequence[Mapping[str, Any]]) -> html.Div:
    counts = {
        "files": "files",
        "rows stored": "stored",
        "refused": "refused",
        "streams evaluated": "evaluated",
        "new alerts": "raised",
    }
    rows = [
        [moment(one["started_at"]), f"{one['seconds']:.1f} s", *(f"{one[key]:,}" for key in counts.values())]
        for one in rounds
    ]
    return table(("start", "duration", *counts), rows, "Rounds", ("duration", *counts))


def _unsent_text(row: Mapping[str, Any]) -> str:
    return (
        f"{row['channel']}: {counted(row['count'], 'alert')} waiting since {moment(row['since'])}, next attempt from "
        f"{moment(row['next_try'])} on. {row['reason']}"
    )
