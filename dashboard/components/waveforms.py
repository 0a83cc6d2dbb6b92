"""The captures of a test session on the lot's page: the discharges of each bag, and recomputed beside recorded energies."""

from __future__ import annotations

from itertools import groupby

from dash import html

from dashboard.charts.capture_picture import capture_picture, frame_of
from dashboard.charts.sparkline import as_image_address
from dashboard.components.html_parts import table
from dashboard.text.bench.capture_text import capture_remarks, findings, is_serious, times
from dashboard.text.formatting import amount, characteristic, counted, moment
from ingest.documents.lot import Session

__all__ = ["WAVEFORMS", "capture_sections", "capture_warnings"]

WAVEFORMS = "waveforms"


def capture_warnings(sessions: list[Session]) -> list[object]:
    """What the captures say against the recorded figures, for the top of the page."""
    return [
        html.P(
            [html.Strong("Waveforms. "), f"{findings(one)[0]} ", html.A("See the captures", href=f"#{WAVEFORMS}")],
            className="entry",
        )
        for one in sessions
        if one["captures"] is not None and is_serious(one["captures"])
    ]


def capture_sections(sessions: list[Session]) -> list[object]:
    """A sheet for each session with captures; nothing where there are none."""
    sheets = [_sheet(one) for one in sessions if one["captures"] is not None]
    return [html.H2("Waveforms", id=WAVEFORMS), *sheets] if sheets else []


def _sheet(session: Session) -> html.Section:
    assert session["captures"] is not None
    captures, unit = session["captures"]["captures"], session["unit"]
    name = f"{characteristic(session['characteristic'])}, {moment(session['tested_at'])}"
    frame = frame_of(captures)
    pictures = []
    for bag, group in groupby(captures, key=lambda one: one["specimen"]):
        of_bag = list(group)
        title = f"Bag {bag}: {counted(len(of_bag), 'discharge')}, current against time"
        picture = html.Img(src=as_image_address(capture_picture(of_bag, frame, title)), alt=title, className="capture")
        pictures.append(html.Figure([html.Figcaption(f"Bag {bag}"), picture]))
    heads = ("bag", "reading", "recorded", "recomputed", "ratio", "charge", "remarks", "file", "line")
    rows = [
        [
            str(one["specimen"]),
            str(one["reading"]),
            amount(one["recorded"], unit, one["recorded_bound"]),
            "no discharge" if one["energy"] is None else amount(one["energy"], unit, one["bound"]),
            "" if one["ratio"] is None else times(one["ratio"]),
            "" if one["charge"] is None else f"{one['charge']:.3g} nC",
            capture_remarks(one),
            one["file"],
            str(one["line"]),
        ]
        for one in captures
    ]
    return html.Section(
        [
            html.H3(name),
            *[html.P(text) for text in findings(session)],
            html.Div(pictures, className="captures"),
            table(heads, rows, f"Captures, {name}", ("recorded", "recomputed", "ratio", "charge", "line")),
        ],
        className="sheet",
    )
