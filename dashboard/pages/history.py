"""The audit trail: who entered what, when, about which subject and why. Entries are never changed."""

from __future__ import annotations

from datetime import tzinfo

from dash import dcc, html
from flask import Flask, Response, request

from dashboard.components.html_parts import filter_links, table
from dashboard.queries import history_queries
from dashboard.queries.lab_reader import LabReader
from dashboard.text.csv_cells import csv_text
from dashboard.text.entry_text import details, reason
from dashboard.text.file_names import attachment
from dashboard.text.formatting import counted, day, moment
from dashboard.text.subject_names import address
from dashboard.text.urls import HISTORY, HISTORY_FILE, with_query
from ingest.documents.entries import HistoryEntry

__all__ = ["add_download", "layout"]

ENTRIES_A_PAGE = 50
COLUMNS = ("at", "who", "what", "about", "reason", "subject", "more")


def layout(lab_reader: LabReader, who: str = "", what: str = "", page: str = "1", **_other: str) -> html.Div:
    """One page of the entries, by one person or of one kind where the address says so."""
    with lab_reader.reading() as connection:
        total = history_queries.count(connection, who, what)
        last_page = max(1, -(-total // ENTRIES_A_PAGE))
        # An address may hold anything; what is no page number is the first page.
        number = int(page) if page.isascii() and page.isdigit() and len(page) < 10 else 1
        number = min(max(1, number), last_page)
        entries = history_queries.entries(
            connection, lab_reader.lab, who, what, ENTRIES_A_PAGE, (number - 1) * ENTRIES_A_PAGE
        )
        people, kinds = history_queries.choices(connection)
    if entries:
        last = f", the last by {entries[0]['who']} on {day(entries[0]['at'])}" if number == 1 else ""
        headline = f"{counted(total, 'entry', 'entries')}{last}."
    else:
        headline = "Nothing found. Clear a filter." if who or what else "No entry so far."
    turn: list[object] = [f"Page {number} of {last_page}"]
    for words, other in (("newer", number - 1), ("older", number + 1)):
        if 1 <= other <= last_page:
            turn += [" · ", dcc.Link(words, href=with_query(HISTORY, {"who": who, "what": what, "page": str(other)}))]
    download = with_query(HISTORY_FILE, {"who": who, "what": what})
    return html.Div(
        [
            html.H1(headline),
            html.P(
                "Everything that a person entered or changed. Entries are added and never rewritten.", className="quiet"
            ),
            _filter("who", [("everybody", ""), *((name, name) for name in people)], who, {"what": what}),
            _filter("what", [("everything", ""), *((kind, kind) for kind in kinds)], what, {"who": who}),
            _table(entries, lab_reader.lab.zone) if entries else None,
            html.P(turn) if last_page > 1 else None,
            html.P(html.A("Download as CSV", href=download, download="", className="button")),
        ]
    )


def _filter(name: str, choices: list[tuple[str, str]], chosen: str, others: dict[str, str]) -> html.Nav:
    return filter_links(
        [(text, with_query(HISTORY, {name: value, **others}), value == chosen) for text, value in choices], name
    )


def _table(entries: list[HistoryEntry], zone: tzinfo) -> html.Div:
    rows = []
    for entry in entries:
        page = address(entry["subject"], most="all")
        about = entry["about"] if page is None else dcc.Link(entry["about"], href=page)
        rows.append([moment(entry["at"]), entry["who"], entry["what"], about, reason(entry), details(entry, zone)])
    return table(("when", "who", "what", "about", "reason", "details"), rows, "Entries", most_cards=len(rows))


def add_download(server: Flask, lab_reader: LabReader) -> None:
    """Serve the entries as a CSV file."""

    @server.get(HISTORY_FILE)
    def history_file() -> Response:
        who, what = (request.args.get(name, "") for name in ("who", "what"))
        with lab_reader.reading() as connection:
            entries = history_queries.entries(connection, lab_reader.lab, who, what)
        zone = lab_reader.lab.zone
        rows = [
            [one["at"], one["who"], one["what"], one["about"], reason(one), one["subject"], details(one, zone)]
            for one in entries
        ]
        text = "\ufeff" + csv_text(COLUMNS, rows)
        return Response(text, mimetype="text/csv", headers=attachment("entries.csv"))
