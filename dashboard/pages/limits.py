"""The preview of a change of limits: what it would change on the chart, in the verdicts and in the alerts."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard.components.before_after_figures import before_after_figures
from dashboard.components.current_user import current_user
from dashboard.components.html_parts import graph, legend, lot_link, stream_link, table, word
from dashboard.components.limit_change_form import confirm_form, request_of
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import with_times
from dashboard.text.formatting import characteristic, counted, day
from dashboard.text.limit_change_text import asked, difference, looser, moving
from ingest.common.clock import now
from ingest.config.lab import Lab
from ingest.decisions.limit_change_preview import StreamChange, preview
from ingest.decisions.limit_requests import BASELINE_CHANGES, as_entry

__all__ = ["layout"]

Document = dict[str, Any]

# More pairs of charts than a reader compares; the other streams are listed in words and tables.
MOST_DRAWN = 6
KEY = (
    ("┄", "grey", "centre line and control limits"),
    ("▬", "grey", "baseline lots"),
    ("◯", "grey", "lot excluded from the baseline"),
    ("◆", "edge", "flagged lot"),
    ("━", "edge", "specification limit"),
)
ALERT_CHANGES = {"come": "new", "go": "withdrawn", "stay": "unchanged"}


def layout(lab_reader: LabReader, change: str = "", **query: str) -> html.Div:
    """The preview of a change; it writes nothing."""
    request, lab = request_of(change, query), lab_reader.lab
    with lab_reader.reading() as connection:
        effect = preview(connection, lab, as_entry(connection, lab, request, "", "", now()))
    document = with_times(effect.document, lab)
    unit = lab.characteristic(request.characteristic).unit
    caution = looser(document, request.side, unit)
    if request.change in BASELINE_CHANGES:
        reach = "Control limits come from the lots: no verdict depends on them, but flags do."
    else:
        reach = (
            f"The limit applies to {request.product} of every supplier ({counted(len(effect.streams), 'supplier')}) and to "
            "tests from that day on; lots tested earlier keep their verdicts."
        )

    def changes(stream: tuple[StreamChange, Document]) -> int:
        words = stream[1]
        return len(words["verdicts"]) + len(words["alerts"]["go"]) + len(words["alerts"]["come"])

    # The stream with the most changes comes first.
    streams = sorted(zip(effect.streams, document["streams"], strict=True), key=changes, reverse=True)
    names = {name: getattr(request, name) for name in ("supplier", "product", "characteristic")}
    return html.Div(
        [
            html.P(stream_link(names, "back to the stream"), className="quiet"),
            html.H1(f"{asked(request, unit)}?"),
            html.P(f"Nothing is changed yet. {reach}", className="lead"),
            html.P(caution, className="caution", role="note") if caution else None,
            *[_stream(change, words, number, lab) for number, (change, words) in enumerate(streams)],
            html.Section(
                [
                    html.H2("Confirm"),
                    html.P(
                        "The change is kept in the audit trail with your name, the time and the reason, and applies at once. "
                        "To undo it is a new entry.",
                        className="quiet",
                    ),
                    confirm_form(request, effect.mark),
                ],
                className="sheet",
            )
            if current_user().may_enter
            else None,
        ]
    )


def _stream(change: StreamChange, words: Document, number: int, lab: Lab) -> html.Section:
    """The effect of the change on one stream."""
    name = f"{words['supplier']} {words['product']}, {characteristic(words['characteristic'])}"
    charts: list[Any] = []
    if number < MOST_DRAWN:
        titles = (("Now", "before"), ("After the change", "after"))
        pair = zip(titles, before_after_figures(change.before, change.after, lab), strict=True)
        sections = [
            html.Div([html.H3(title), graph(figure, f"{key}-{number}", f"{title}: {name}")])
            for (title, key), figure in pair
        ]
        charts = [html.Div(sections, className="pair"), legend(*KEY)]
    alerts = [
        [ALERT_CHANGES[key], word(alert["grade"]), word(alert["state"]), alert["message"]]
        for key in ALERT_CHANGES
        for alert in words["alerts"][key]
    ]
    heads = ("alert", "grade", "state", "message")
    return html.Section(
        [
            html.H2(name),
            *[html.P(sentence, className="caution", role="note") for sentence in moving(words)],
            html.Ul([html.Li(sentence) for sentence in difference(words)], className="differences"),
            *charts,
            *([html.H3("Alerts"), table(heads, alerts, "New, withdrawn and unchanged alerts")] if alerts else []),
            _lots(words),
        ],
        className="sheet",
    )


def _lots(words: Document) -> html.Details | None:
    """The lots whose verdict or flag changes, by name."""
    rows: dict[tuple[str, str], list[Any]] = {}
    for one in words["verdicts"]:
        rows[one["tested_at"], one["lot"]] = [_from_to(word(one["before"]), word(one["after"])), "–"]
    for one in words["stands_out"]:
        before, after = (
            ", ".join(name.replace("_", " ") for name in names) or "none" for names in (one["before"], one["after"])
        )
        rows.setdefault((one["tested_at"], one["lot"]), ["–", "–"])[1] = _from_to(before, after)
    if not rows:
        return None
    lines = [[lot_link(words["supplier"], lot), day(at), *row] for (at, lot), row in sorted(rows.items())]
    changed = table(("lot", "tested", "verdict", "flags"), lines, "Lots that change")
    return html.Details(
        [html.Summary(f"{counted(len(lines), 'lot')} {'changes' if len(lines) == 1 else 'change'}"), changed]
    )


def _from_to(before: Any, after: Any) -> html.Span:
    return html.Span([before, " → ", after])
