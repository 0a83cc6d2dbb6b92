"""What was entered: who, when, what, about which subject and why; nothing here is ever changed."""

from __future__ import annotations

from typing import Any
from urllib.parse import urlencode

from dash import dcc, html
from flask import Flask, Response, request

from dashboard.components.html_parts import filter_links, table
from dashboard.queries import history_queries
from dashboard.queries.lab_reader import LabReader
from dashboard.text.csv_cells import csv_text
from dashboard.text.file_names import attachment
from dashboard.text.formatting import counted, day, moment
from dashboard.text.subject_names import address

__all__ = ["add_download", "layout"]

Document = Any

PATH, FILE_PATH = "/history", "/history-file"
A_PAGE = 50
NOTHING, NONE_FITS = "Nothing was entered so far.", "No entry fits what the address asks for."
COLUMNS = ("at", "who", "what", "about", "reason", "subject", "more")


def layout(desk: LabReader, who: str = "", what: str = "", page: str = "1", **_other: str) -> html.Div:
    """One page of the entries, by one person or of one kind where the address says so."""
    with desk.reading() as connection:
        total = history_queries.count(connection, who, what)
        last_page = max(1, -(-total // A_PAGE))
        number = min(_number(page), last_page)
        shown = history_queries.entries(connection, desk.lab, who, what, A_PAGE, (number - 1) * A_PAGE)
        people, kinds = history_queries.entry_text(connection)
    return html.Div(
        [
            html.H1(_headline(total, shown, number) if shown else NONE_FITS if who or what else NOTHING),
            html.P(
                "Everything that a person entered or changed. Entries are added and never rewritten.", className="quiet"
            ),
            _choices("who", "everybody", people, who, {"what": what}),
            _choices("what", "everything", kinds, what, {"who": who}),
            *([html.Div(_table(shown), className="entries")] if shown else []),
            *_turn(number, last_page, who, what),
            html.P(
                html.A("Download as CSV", href=_with(FILE_PATH, who=who, what=what), download="", className="button")
            ),
        ]
    )


def _number(text: str) -> int:
    """The page that the address names; the first where it names none."""
    return max(1, int(text)) if text.isascii() and text.isdigit() and len(text) < 10 else 1


def _headline(total: int, shown: list[Document], number: int) -> str:
    last = f", the last by {shown[0]['who']} on {day(shown[0]['at'])}" if number == 1 else ""
    return f"{counted(total, 'entry', 'entries')}{last}."


def _with(path: str, **query: str) -> str:
    given = {name: value for name, value in query.items() if value}
    return f"{path}?{urlencode(given, errors='replace')}" if given else path


def _choices(name: str, every: str, values: list[str], chosen: str, other: dict[str, str]) -> html.Nav:
    shown = [(every, ""), *((value, value) for value in values)]
    return filter_links(
        [(label, _with(PATH, **{name: value}, **other), value == chosen) for label, value in shown], name
    )


def _table(entries: list[Document]) -> html.Div:
    rows = [[moment(one["at"]), one["who"], one["what"], _about(one), one["reason"], _more(one)] for one in entries]
    return table(("when", "who", "what", "about", "reason", "with it"), rows, "Entries")


def _about(entry: Document) -> Any:
    where = address(entry["subject"], most="all")
    return entry["about"] if where is None else dcc.Link(entry["about"], href=where)


def _more(entry: Document) -> str:
    """What the entry holds beside its reason."""
    return ", ".join(f"{name.replace('_', ' ')}: {value}" for name, value in entry["body"].items())


def _turn(number: int, last: int, who: str, what: str) -> list[html.P]:
    if last == 1:
        return []
    parts: list[Any] = [f"Page {number} of {last}"]
    for words, other in (("newer", number - 1), ("older", number + 1)):
        if 1 <= other <= last:
            parts += [" · ", dcc.Link(words, href=_with(PATH, who=who, what=what, page=str(other)))]
    return [html.P(parts)]


def add_download(server: Flask, desk: LabReader) -> None:
    """The address of the entries as a CSV file."""

    @server.get(FILE_PATH)
    def history_file() -> Response:
        who, what = (request.args.get(name, "") for name in ("who", "what"))
        with desk.reading() as connection:
            entries = history_queries.entries(connection, desk.lab, who, what)
        rows = ((one["at"], one["who"], one["what"], one["about"], one["reason"], _more(one)) for one in entries)
        return Response("\ufeff" + csv_text(COLUMNS, rows), mimetype="text/csv", headers=attachment("entries.csv"))
