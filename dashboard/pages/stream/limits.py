"""The preview of a change of limits: what it would change on the chart, in the verdicts and in the alerts."""

from __future__ import annotations

from dash import html

from dashboard.components.before_after_figures import before_after_figures
from dashboard.components.current_user import current_user
from dashboard.components.html_parts import graph, legend, lot_link, stream_link, table, word
from dashboard.components.limit_change_form import confirm_form, request_of
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import characteristic, counted, day
from dashboard.text.verdict.limit_change_text import asked, difference, looser, moving
from ingest.common.clock import now
from ingest.config.lab import Lab
from ingest.decisions.limit_change_preview import StreamChange, preview
from ingest.decisions.limit_requests import BASELINE_CHANGES, as_entry
from ingest.documents.served import served
from ingest.documents.verdict.limit_change import StreamDifference

__all__ = ["layout"]

# More pairs of charts than a reader compares; the other streams are listed in words and tables.
MOST_DRAWN = 6
KEY = (
    ("┄", "grey", "centre line and control limits"),
    ("◯", "grey", "lot excluded from the baseline"),
    ("■", "edge", "flagged lot"),
    ("━", "limit", "specification limit"),
)


def layout(lab_reader: LabReader, change: str = "", **query: str) -> html.Div:
    """The preview of a change; it writes nothing."""
    request, lab = request_of(change, query), lab_reader.lab
    with lab_reader.reading() as connection:
        effect = preview(connection, lab, as_entry(connection, lab, request, "", "", now()))
    document = served(effect.document, lab.zone)
    unit = lab.characteristic(request.characteristic).unit
    caution = looser(document, request.side, unit)
    if request.change in BASELINE_CHANGES:
        reach = "Control limits come from the lots: no verdict depends on them, but flags do."
    else:
        reach = (
            f"The limit applies to {request.product} of every supplier ({counted(len(effect.streams), 'supplier')}) and to "
            "tests from that day on; lots tested earlier keep their verdicts."
        )

    def changes(stream: tuple[StreamChange, StreamDifference]) -> int:
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


def _stream(change: StreamChange, words: StreamDifference, number: int, lab: Lab) -> html.Section:
    """The effect of the change on one stream."""
    name = f"{words['supplier']} {words['product']}, {characteristic(words['characteristic'])}"
    charts: list[object] = []
    if number < MOST_DRAWN:
        titles = (("Now", "before"), ("After the change", "after"))
        pair = zip(titles, before_after_figures(change.before, change.after, lab), strict=True)
        sections = [
            html.Div([html.H3(title), graph(figure, f"{key}-{number}", f"{title}: {name}")])
            for (title, key), figure in pair
        ]
        charts = [html.Div(sections, className="pair"), legend(*KEY)]
    changed = words["alerts"]
    alerts = [
        [change_word, word(alert["grade"]), word(alert["state"]), alert["message"]]
        for change_word, some in (
            ("new", changed["come"]),
            ("withdrawn", changed["go"]),
            ("unchanged", changed["stay"]),
        )
        for alert in some
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


def _lots(words: StreamDifference) -> html.Details | None:
    """The lots whose verdict or flag changes, by name."""
    rows: dict[tuple[str, str], list[object]] = {}
    for one in words["verdicts"]:
        rows[one["tested_at"], one["lot"]] = [_from_to(word(one["before"]), word(one["after"])), "–"]
    for flag in words["stands_out"]:
        before, after = (
            ", ".join(name.replace("_", " ") for name in names) or "none" for names in (flag["before"], flag["after"])
        )
        rows.setdefault((flag["tested_at"], flag["lot"]), ["–", "–"])[1] = _from_to(before, after)
    if not rows:
        return None
    lines = [[lot_link(words["supplier"], lot), day(at), *row] for (at, lot), row in sorted(rows.items())]
    changed = table(("lot", "tested", "verdict", "flags"), lines, "Lots that change")
    return html.Details(
        [html.Summary(f"{counted(len(lines), 'lot')} {'changes' if len(lines) == 1 else 'change'}"), changed]
    )


def _from_to(before: object, after: object) -> html.Span:
    return html.Span([before, " → ", after])
