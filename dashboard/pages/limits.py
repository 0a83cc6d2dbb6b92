"""A change of limits, shown before it is done: what it would change on the chart, in the verdicts and in the alerts."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard.components.before_after_figures import before_and_after, shown
from dashboard.components.current_user import current_user
from dashboard.components.html_parts import graph, legend, lot_link, stream_link, table, word
from dashboard.components.limit_change_form import confirm, request_of
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import characteristic, counted, day
from dashboard.text.limit_change_text import asked, difference, looser, moving
from ingest.common.clock import now
from ingest.decisions.limit_change_preview import Preview, StreamChange, preview
from ingest.decisions.limit_requests import LimitRequest, as_entry
from ingest.documents.served import served

__all__ = ["layout"]

Document = Any

# More pairs of figures than these nobody compares; the others are told in words and tables.
MOST_DRAWN = 6
KEY = (
    ("┄", "grey", "control limits, usual level between them"),
    ("▬", "grey", "lots from which they were learned"),
    ("◯", "grey", "lot that sets no control limits"),
    ("◆", "edge", "lot that stands out"),
    ("━", "edge", "limit of the document"),
)
WORDS = {"go": "goes", "come": "comes", "stay": "stays"}


def layout(desk: LabReader, change: str = "", **given: str) -> html.Div:
    """The preview of a change; it writes nothing."""
    request = request_of(change, given)
    lab = desk.lab
    with desk.reading() as connection:
        seen = preview(connection, lab, as_entry(connection, lab, request, "", "", now()))
    document = served(seen.document, lab.zone)
    unit = lab.characteristic(request.characteristic).unit
    told = looser(document, request.side, unit)
    drawn = sorted(zip(seen.streams, document["streams"], strict=True), key=lambda one: -_weight(one[1]))
    return html.Div(
        [
            html.P(stream_link(_names(request), "back to the stream"), className="quiet"),
            html.H1(f"{asked(request, unit)}?"),
            html.P(f"Nothing is changed yet. {_reach(request, seen)}", className="lead"),
            *([html.P(told, className="caution", role="note")] if told else []),
            *[_stream(desk, one, words, number) for number, (one, words) in enumerate(drawn)],
            *([_confirmation(request, seen.mark)] if current_user().may_enter else []),
        ]
    )


def _confirmation(request: LimitRequest, mark: str) -> html.Section:
    return html.Section(
        [
            html.H2("Do it"),
            html.P(
                "It is kept in the history with your name, the time and the reason, and the figures follow at once. "
                "Taking it back is a new entry.",
                className="quiet",
            ),
            confirm(request, mark),
        ],
        className="sheet",
    )


def _names(request: LimitRequest) -> Document:
    names = ("supplier", "product", "characteristic")
    return {name: getattr(request, name) for name in names}


def _weight(stream: Document) -> int:
    """How much would change in a stream: what changes most is shown first."""
    return len(stream["verdicts"]) + len(stream["alerts"]["go"]) + len(stream["alerts"]["come"])


def _reach(request: LimitRequest, seen: Preview) -> str:
    """How far it reaches."""
    if "from_us" in seen.entry.body or "lot" in seen.entry.body:
        return "Control limits are ours, learned from lots: no verdict hangs on them, but what stands out does."
    suppliers = counted(len(seen.streams), "supplier")
    return (
        f"The limit holds for {request.product} of every supplier ({suppliers}) and for tests from that day on; lots tested "
        "earlier keep their verdicts."
    )


def _stream(desk: LabReader, change: StreamChange, told: Document, number: int) -> html.Section:
    name = f"{told['supplier']} {told['product']}, {characteristic(told['characteristic'])}"
    return html.Section(
        [
            html.H2(name),
            *[html.P(sentence, className="caution", role="note") for sentence in moving(told)],
            html.Ul([html.Li(sentence) for sentence in difference(told)], className="differences"),
            *(_figures(desk, change, name, number) if number < MOST_DRAWN else []),
            *_alerts(told),
            *_lots(told),
        ],
        className="sheet",
    )


def _figures(desk: LabReader, change: StreamChange, name: str, number: int) -> list[Any]:
    pair = before_and_after(shown(change.before, desk.lab), shown(change.after, desk.lab))
    return [
        html.Div(
            [
                html.Div([html.H3(words), graph(figure, f"{key}-{number}", f"{words}: {name}")])
                for words, key, figure in zip(
                    ("As it stands", "As it would be"), ("before", "after"), pair, strict=True
                )
            ],
            className="pair",
        ),
        legend(*KEY),
    ]


def _alerts(told: Document) -> list[Any]:
    rows = [
        [WORDS[key], word(alert["grade"]), word(alert["state"]), alert["message"]]
        for key in ("come", "go", "stay")
        for alert in told["alerts"][key]
    ]
    heads = ("alert", "grade", "state", "what it says")
    return [html.H3("Alerts"), table(heads, rows, "Alerts that come, go and stay")] if rows else []


def _lots(told: Document) -> list[Any]:
    """The lots by name: whose verdict changes, and who stands out otherwise."""
    rows: dict[tuple[str, str], list[Any]] = {}
    for one in told["verdicts"]:
        rows[one["tested_at"], one["lot"]] = [_from_to(word(one["before"]), word(one["after"])), "–"]
    for one in told["stands_out"]:
        row = rows.setdefault((one["tested_at"], one["lot"]), ["–", "–"])
        row[1] = _from_to(_signals(one["before"]), _signals(one["after"]))
    if not rows:
        return []
    lines = [[lot_link(told["supplier"], lot), day(at), *row] for (at, lot), row in sorted(rows.items())]
    listed = table(("lot", "tested", "verdict", "stands out"), lines, "Lots that would be told otherwise")
    return [html.Details([html.Summary(f"{counted(len(lines), 'lot')} told otherwise"), listed])]


def _from_to(before: Any, after: Any) -> html.Span:
    return html.Span([before, " → ", after])


def _signals(names: list[str]) -> str:
    return ", ".join(name.replace("_", " ") for name in names) or "no"
