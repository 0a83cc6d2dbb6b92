"""The bench: the state of chambers, check standards, feeds and rounds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from dash import html

from dashboard.charts import plotly_figures
from dashboard.components.html_parts import graph, legend, link, lot_link, stream_link, table, word
from dashboard.components.stream_rows import rows_table
from dashboard.delivery import dispatch
from dashboard.queries import bench_queries, page_queries, stored_documents
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.text import retest_text
from dashboard.text.bench import instrument_text, ready_text
from dashboard.text.bench.advice import Advice, Urgency, most_urgent
from dashboard.text.bench.bench_mark_text import off_from
from dashboard.text.formatting import characteristic, counted, day, listed, moment, stream_level, weekday
from dashboard.text.urls import INSTRUMENTS, READY, RETESTS, alert_address
from ingest.alerts.attribution import SHARE_WEEKS, AttributedShare, attributed_share
from ingest.common.clock import now
from ingest.config.lab import Lab
from ingest.documents.alert import Alert
from ingest.documents.bench.bench import BenchDocument, BenchFinding, Chamber, ChamberTrace, MarkedSession, Refusals
from ingest.documents.stream import ProductRow
from ingest.rounds.schedule import USUAL_MINUTES
from ingest.sessions.instruments import instruments
from ingest.sessions.ready import ready
from spc.vocabulary.enums import Grade

__all__ = ["layout"]

# Of one file; the others are folded.
REASONS_SHOWN = 4
PAGES = {INSTRUMENTS: "Instruments", READY: "Ready", RETESTS: "Test again"}
BENCH_KINDS = ("bench", "climate", "feed")
NO_STANDARD = (
    "None is declared. A kept bag set or a certified resistor tells a shift of the bench from a shift of the film: see "
    "[[check_standard]] in lab.toml."
)

WHAT_IS_MARKED = (
    "Marked are the tests of the weeks in which the source was off. A calibration that found an instrument off marks the tests of suppliers' lots "
    "since the last good evidence, without those that another finding about the instrument marks already. Its sheet on the page Instruments counts all "
    "tests of suppliers' lots with a verdict since the calibration before."
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
        advice = [
            *_advice(bench, alerts),
            *instrument_text.advice(instruments(connection, lab, now())),
            *ready_text.advice(ready(connection, lab, now())),
            *retest_text.advice(lab_reader.retests(connection)),
        ]
        unsent = dispatch.waiting(connection, lab)
        reasons, looked_at = lab_reader.reasons(connection), page_queries.reviewed(connection, lab)
    traces = [chamber["trace"] for chamber in bench["chambers"]]
    return html.Div(
        [
            html.P(_last_text(bench), className="crumb"),
            html.H1(_headline(bench, standards, alerts, waiting)),
            html.P(_lead(advice, waiting), className="lead"),
            html.Ul([_chambers_line(bench), _standards_line(standards)], className="status"),
            html.Ul(
                [html.Li([word(one["grade"]), " ", link(one["message"], alert_address(one["id"]))]) for one in alerts],
                className="plain",
            )
            if alerts
            else None,
            *_attribution(share),
            html.H2("Chambers"),
            html.Div(
                [_chamber(chamber, number, traces) for number, chamber in enumerate(bench["chambers"])],
                className="pair",
            ),
            html.H2("Check standards"),
            rows_table(standards, sparklines, reasons, looked_at, lab) if standards else html.P(NO_STANDARD),
            html.H2("Findings so far"),
            _findings(bench["findings"]),
            html.H2(_refused_heading(bench["refusals"])),
            *_refusals(bench["refusals"]),
            html.H2(f"Suspect values: {counted(len(bench['to_look_at']), 'test') if bench['to_look_at'] else 'none'}"),
            _suspect_values(bench["to_look_at"]),
            html.H2("For the keeper of the feeds"),
            html.P(bench["clock"]) if bench["clock"] else None,
            html.P(_schedule(lab, lab_reader.next_round())),
            html.Ul([html.Li(_unsent_text(row)) for row in unsent]) if unsent else html.P(_all_sent(lab)),
            html.Details(
                [html.Summary(f"Feeds: {counted(len(bench['sources']), 'folder')}"), _sources(bench["sources"])]
            ),
            html.Details([html.Summary("Files taken in last"), _files(bench["feeds"])]),
            html.Details([html.Summary("Last rounds"), _rounds(bench["rounds"])]),
        ]
    )


# The first lines


def _last_text(bench: BenchDocument) -> str:
    last = max((chamber["last_at"] for chamber in bench["chambers"]), default=None)
    return f"Chamber log to {weekday(last)}, {last[11:16]}." if last else ""


def _lead(advice: Sequence[Advice], waiting: Sequence[str]) -> list[object]:
    """The most urgent of what the pages of the bench ask for, with the page on which it is done."""
    first = most_urgent(advice)
    if first is None:
        return [
            "Wait until the chamber has had its hours; nothing else is to be done."
            if waiting
            else "Nothing to do on the bench: test the loads that have had their hours."
        ]
    if not first.address:
        return [first.text]
    return [
        first.text.removesuffix(" (below)."),
        ". " if first.text.endswith("(below).") else " ",
        link(PAGES[first.address], first.address),
    ]


def _advice(bench: BenchDocument, alerts: list[Alert]) -> list[Advice]:
    """What chambers and open alerts ask for before the next test."""
    asks = []
    outside = [chamber["name"] for chamber in bench["chambers"] if not chamber["last_inside"]]
    if outside:
        text = f"Do not test from chamber {listed(outside)} until it has been within tolerance for the hours of the conditioning."
        asks.append(Advice(Urgency.STOP, text))
    if not bench["chambers"]:
        asks.append(Advice(Urgency.STOP, "Let the chamber's logger write into its drop folder."))
    urgent = [alert for alert in alerts if alert["grade"] != Grade.NOTE]
    if urgent:
        text = f"Look at {counted(len(urgent), 'open alert')} about the bench before you call a supplier."
        asks.append(Advice(Urgency.DECIDE, text))
    gaps = sum(chamber["gaps"] for chamber in bench["chambers"])
    if gaps:
        text = f"Look at the {counted(gaps, 'gap')} in the chamber log: hours without an entry do not count."
        asks.append(Advice(Urgency.RECORD, text))
    return asks


def _chambers_line(bench: BenchDocument) -> html.Li:
    """The chambers now, in one line."""
    chambers = bench["chambers"]
    outside = [chamber for chamber in chambers if not chamber["last_inside"]]
    state = word("invalid", "Out of tolerance") if outside else word("pass", "Within tolerance")
    now = ", ".join(
        f"{chamber['name']} {chamber['humidity']:.1f} % RH, {chamber['temperature_c']:.1f} °C" for chamber in chambers
    )
    hours = ", ".join(
        f"{chamber['name']} {chamber['hours_outside']:.0f} h outside in {chamber['days']} days"
        for chamber in chambers
        if round(chamber["hours_outside"])
    )
    texts = [
        html.Span(f"Chambers: {now}." if now else "No chamber log."),
        html.Span(f"{hours}." if hours else "", className="quiet"),
    ]
    return html.Li(
        [state if chambers else word("undecided", "Not known"), html.Div(texts)], className="bench" if outside else ""
    )


def _moved(standards: list[ProductRow]) -> list[str]:
    return list(dict.fromkeys(row["product"] for row in standards if row["state"] in ("act", "look")))


def _standards_line(standards: list[ProductRow]) -> html.Li:
    """The check standards now, in one line."""
    if not standards:
        return html.Li([word("undecided", "Not known"), html.Div("Check standards: none declared.")])
    moved = _moved(standards)
    values = ", ".join(
        f"{row['product']}, {characteristic(row['characteristic'])}, {stream_level(row)}" for row in standards
    )
    state = word("look", "Moved") if moved else word("pass", "Stable")
    which = f"{listed(moved)} moved. " if moved else ""
    parts = [html.Span(f"Check standards: {which}{values}."), html.Span(_last_test(standards), className="quiet")]
    return html.Li([state, html.Div(parts)], className="look" if moved else "")


def _last_test(standards: list[ProductRow]) -> str:
    last = max((row["last_tested_at"] for row in standards if row["last_tested_at"]), default=None)
    return f"Last tested {day(last)}."


def _findings(findings: list[BenchFinding]) -> html.Component:
    """Every finding with its weeks, also those that are closed: their tests stay marked."""
    if not findings:
        return html.P("None: no source on the bench was off, as far as the lots show.")
    rows = [
        [
            link(one["message"], alert_address(one["finding"])),
            off_from(one["off_from_at"], one["shown_by"]),
            "not yet" if one["off_until_at"] is None else day(one["off_until_at"]),
            day(one["detected_at"]),
            f"{counted(one['tests'], 'test')} of {counted(one['lots'], 'lot')}",
            word(one["state"]),
            one["finding"],
        ]
        for one in findings
    ]
    heads = ("finding", "off from", "normal again from", "detected", "marked", "state", "identifier")
    return html.Div([table(heads, rows, "Findings so far"), html.P(WHAT_IS_MARKED, className="quiet")])


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
    moved = _moved(standards)
    if moved:
        return f"{within}, but a check standard moved: {listed(moved)}."
    if any(alert["evidence"].get("shifts") for alert in alerts):
        return f"{within}, but several suppliers shifted together."
    return f"{within}; {'check standards stable' if standards else 'no check standard declared'}."


def _chamber(chamber: Chamber, number: int, traces: Sequence[ChamberTrace]) -> html.Section:
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
                plotly_figures.chamber_trace(chamber["trace"], traces),
                f"chamber-{number}",
                f"Log of chamber {chamber['name']}. {summary}",
            ),
            legend(("┄", "grey", "tolerance")),
        ]
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


def _refused_heading(groups: list[Refusals]) -> str:
    if not groups:
        return "Refused rows: none"
    files = {group["file"] for group in groups}
    return f"{counted(sum(group['rows'] for group in groups), 'refused row')}, in {counted(len(files), 'file')}"


def _refusals(groups: list[Refusals]) -> list[object]:
    """The refused rows file by file, the newest first: the reason, and the lines it concerns."""
    if not groups:
        return []
    by_file: dict[str, list[Refusals]] = {}
    for group in groups:
        by_file.setdefault(group["file"], []).append(group)
    return [
        html.Section(
            [
                html.H3(f"{file}, taken in {day(some[0]['taken_at'])}"),
                html.Ul([html.Li(f"{_lines(group)}: {group['reason']}") for group in some[:REASONS_SHOWN]]),
                html.Details(
                    [
                        html.Summary(f"{counted(len(some) - REASONS_SHOWN, 'more reason')}"),
                        html.Ul([html.Li(f"{_lines(group)}: {group['reason']}") for group in some[REASONS_SHOWN:]]),
                    ]
                )
                if len(some) > REASONS_SHOWN
                else None,
            ]
        )
        for file, some in by_file.items()
    ]


def _lines(group: Refusals) -> str:
    if group["rows"] == 1:
        return f"line {group['first_line']}"
    return f"{group['rows']} rows, lines {group['first_line']} to {group['last_line']}"


def _suspect_values(tests: list[MarkedSession]) -> html.Component:
    if not tests:
        return html.P("No test reads as if a unit was mistaken.", className="quiet")
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


def _all_sent(lab: Lab) -> str:
    if lab.mail.server is None:
        return "No mail server is declared in lab.toml: messages are files in the folder outbox."
    return "All mail sent."


def _unsent_text(row: Mapping[str, Any]) -> str:
    return (
        f"{row['channel']}: {counted(row['count'], 'alert')} waiting since {moment(row['since'])}, next attempt from "
        f"{moment(row['next_try'])} on. {row['reason']}"
    )
