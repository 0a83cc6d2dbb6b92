"""One stream: when and how fast did it move, and what stands behind that."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard.charts import plotly_figures
from dashboard.charts.limit_lines import near
from dashboard.components.alert_card import alert_card
from dashboard.components.entry_form import field, form, if_editor
from dashboard.components.html_parts import facts, graph, legend, lot_link, supplier_link, table, word
from dashboard.pages import stream_chart
from dashboard.pages.stream_chart import Asked, matters, told_adjusted
from dashboard.pages.stream_limits import limits_section
from dashboard.queries import page_queries, stored_documents, stream_document
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import (
    amount,
    change,
    counted,
    day,
    false_mark_text,
    humidity,
    percent,
    room_to_limit,
    weeks,
)
from dashboard.text.formatting import characteristic as spoken
from dashboard.text.limit_change_text import in_force
from dashboard.text.urls import stream_file_address
from ingest.audit.audit_log import limit_subject, stream_subject
from ingest.config.lab import Lab
from ingest.decisions.responses import NOTE

__all__ = ["layout"]

Document = dict[str, Any]

KEY = (
    ("●", "accent", "lot inside its control limits"),
    ("◆", "edge", "lot that stands out"),
    ("□", "warm", "test not valid"),
    ("◇", "edge", "values to look at"),
    ("▲▼", "edge", "level beyond the range of the meter"),
    ("━", "accent", "smoothed level"),
    ("┄", "grey", "control limits, usual level between them"),
    ("▬", "grey", "lots from which they were learned"),
    ("◯", "grey", "lot that sets no control limits"),
    ("━", "edge", "limit of the document"),
    ("▒", "accent", "outlook: 8 and 5 of 10 coming lots"),
    ("▒", "warm", "when it began: estimate and interval"),
)


def layout(
    desk: LabReader,
    supplier: str = "",
    product: str = "",
    characteristic: str = "",
    show: str = "all",
    since: str = "",
    until: str = "",
    beside: str = "",
    **_other: str,
) -> html.Div:
    """The page of a stream."""
    names = {"supplier": supplier, "product": product, "characteristic": characteristic}
    subject = stream_subject(supplier, product, characteristic)
    with desk.reading() as connection:
        document = stream_document.stream(connection, desk.lab, supplier, product, characteristic)
        row = stored_documents.board_row(connection, desk.lab, supplier, product, characteristic)
        alerts = urgent_first(
            stored_documents.alerts_named(connection, desk.lab, page_queries.alert_ids(connection, **names))
        )
        subjects = [subject, limit_subject(product, characteristic), *(f"alert:{alert['id']}" for alert in alerts)]
        entries = page_queries.entries(connection, desk.lab, subjects)
    declared = desk.lab.product(product)
    noted = entries[subject]
    return html.Div(
        [
            html.P(
                [supplier_link(supplier), f" · {product}", f" · {declared.class_}" if declared else ""],
                className="quiet",
            ),
            html.H1([f"{product}, {spoken(characteristic)} ", word(row["state"])]),
            html.P(_told(row, document, desk.lab), className="lead"),
            html.P(humidity(document), className="quiet"),
            _pictured(Asked(names, show, since, until, beside), document, row, _start(alerts), noted, desk.lab),
            html.H2("Alerts"),
            *[alert_card(alert, entries[f"alert:{alert['id']}"]) for alert in alerts],
            *([] if alerts else [html.P("None so far.")]),
            *limits_section(document, [*noted, *entries[limit_subject(product, characteristic)]]),
            html.H2("What the figures rest on"),
            facts(_facts(row, document)),
            html.H2("Notes"),
            *[html.P(_noted(entry), className="entry") for entry in noted if entry["what"] == NOTE],
            *if_editor(
                "Pin a note to a day: a process change, a new film",
                form(subject, ("note",), [field("day", "on", placeholder="2026-03-18", required=True)]),
            ),
            html.H2("The figures as a table"),
            html.P(html.A("Download as CSV", href=stream_file_address(names), download="", className="button")),
            html.Details([html.Summary(counted(len(document["points"]), "lot")), _table(document)]),
            dcc.Location(id="stream-goes-to", refresh="callback-nav"),
            dcc.Store(id="stream-supplier", data=supplier),
        ]
    )


def _pictured(
    asked: Asked, document: Document, row: Document, start: Document | None, noted: list[Document], lab: Lab
) -> html.Section:
    """The picture with what can be chosen of it above and its key below."""
    second = bool(asked.beside) and matters(document)
    span = stream_chart.span(asked, document)
    figure = plotly_figures.stream(document, start, span)
    plotly_figures.pin_notes(figure, noted)
    if second:
        plotly_figures.add_adjusted_levels(figure, document, span)
    return html.Section(
        [
            *stream_chart.choices(asked),
            *stream_chart.looks(asked, document),
            graph(figure, "stream-figure", f"Levels of the lots over time. {_told(row, document, lab)}"),
            legend(*_key(document, second=second)),
            html.P(_hidden_limits(row, document), className="quiet"),
            html.P(
                false_mark_text(document["pattern_price"], lab.alerts.false_alerts_per_stream_year), className="quiet"
            ),
        ],
        className="sheet",
    )


def _start(alerts: list[Document]) -> Document | None:
    """The evidence of the newest alert that is not closed and knows when it began."""
    moved = [
        alert for alert in alerts if alert["state"] != "closed" and alert["kind"] in ("drift", "forecast", "bench")
    ]
    return next((alert["evidence"] for alert in moved if alert["evidence"].get("since_at")), None)


def _key(document: Document, *, second: bool) -> list[tuple[str, str, str]]:
    """The key of the figure, without what this stream does not have."""
    asked = any(point["to_look_at"] for point in document["points"])
    look = [("○", "accent", f"{told_adjusted(document)}: a second look, never the record")] if second else []
    return [*(entry for entry in KEY if asked or entry[0] != "◇"), *look]


# Words


def _told(row: Document, document: Document, lab: Lab) -> str:
    """The stream in a few sentences."""
    unit, limits = row["unit"], document["limits"]
    said = f"The level is {amount(row['level'], unit)}"
    if row["change_percent_per_month"] is not None:
        said += f", moving {change(row['change_percent_per_month'])} a month"
    said += f"; the limit is {room_to_limit(row)}." if room_to_limit(row) != "no limit" else "; no limit applies."
    if limits["center"] is not None:
        said += f" Usual here is {amount(limits['center'], unit)}, from {counted(limits['from_lots'], 'lot')}."
    if row["breach_probability"] is not None and row["weeks_to_limit"] is not None:
        chance = (
            f"Chance of a breaching lot within {lab.alerts.horizon_weeks:g} weeks: {percent(row['breach_probability'])}"
        )
        said += f" {chance}; to the limit {weeks(row['weeks_to_limit'])}."
    return said


def _hidden_limits(row: Document, document: Document) -> str:
    """A limit too far away to be drawn is told."""
    far = [row[key] for key in ("limit_lower", "limit_upper") if row[key] is not None and not near(document, row[key])]
    hidden = (
        f" The limit {' and '.join(amount(limit, row['unit']) for limit in far)} lies far outside the picture."
        if far
        else ""
    )
    return f"Choose a lot in the picture, or in the table below, to see its readings.{hidden}"


def _noted(entry: Document) -> str:
    on = f", for {day(entry['body']['on'])}" if "on" in entry["body"] else ""
    return f"{entry['who']}, {day(entry['at'])}, {entry['what']}{on}: {entry['reason']}"


def _facts(row: Document, document: Document) -> list[tuple[str, Any, str]]:
    unit, limits = document["unit"], document["limits"]
    frozen = f"frozen {day(limits['frozen_at'])}" if limits["frozen_at"] else "still learned"
    return [
        (
            "control limits",
            f"{amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}",
            f"for a lot of usual size, from {counted(limits['from_lots'], 'lot')}, {frozen}",
        ),
        (
            "variation between lots",
            _spread(document, "lot"),
            f"standard deviation of a lot level{_sure(document, 'lot')}",
        ),
        ("variation between bags", _spread(document, "bag"), f"within a lot{_sure(document, 'bag')}"),
        ("variation between readings", _spread(document, "reading"), f"repeats on a bag{_sure(document, 'reading')}"),
        ("Ppk", _ppk(row), _capability_why(document)),
        (
            "limit of the document",
            room_to_limit(row),
            in_force(document),
        ),
        (
            "dependence between lots",
            document["dependence"]["told"] if document["dependence"] else "–",
            _widened(limits),
        ),
    ]


def _widened(limits: Document) -> str:
    return "the limits are widened for it" if limits["widened_for_dependence"] is not None else ""


def _spread(document: Document, name: str) -> str:
    variance = document["components"][name]
    if variance is None:
        return "–"
    return f"{100 * variance**0.5:.1f} %" if document["scale"] == "log" else amount(variance**0.5, document["unit"])


def _sure(document: Document, name: str) -> str:
    """The 95 % interval of a variation, where it has two ends."""
    low, high = document["components"]["intervals"].get(name, (None, None))
    if document["components"][name] is None or low is None or high is None:
        return ""
    return f", between {_share(low**0.5, document)} and {_share(high**0.5, document)} (95 %)"


def _ppk(row: Document) -> str:
    if row["ppk"] is None:
        return "withheld"
    return f"{row['ppk']:.2f} (at least {row['ppk_lower']:.2f})"


def _capability_why(document: Document) -> str:
    capability = document["capability"]
    if capability["ppk"] is None:
        return str(capability["why"])
    return "with its lower confidence bound; total variation lot, bag and reading"


def _table(document: Document) -> html.Div:
    heads = (
        "lot",
        "tested",
        "level",
        "bags",
        "readings",
        "between bags",
        "between readings",
        "% RH",
        *_adjusted_head(document),
        "test",
        "verdict",
        "stands out",
    )
    rows = [_line(point, document) for point in reversed(document["points"])]
    numbers = (
        "level", "bags", "readings", "between bags", "between readings", "% RH", *_adjusted_head(document),
    )  # fmt: skip
    return table(heads, rows, "Lots of this stream", numbers)


def _adjusted_head(document: Document) -> list[str]:
    """The column of the second look, where humidity matters."""
    return [told_adjusted(document)] if matters(document) else []


def _line(point: Document, document: Document) -> list[Any]:
    return [
        lot_link(document["supplier"], point["lot"]),
        day(point["tested_at"]),
        amount(point["shown"], document["unit"], point["bound"]),
        str(point["bags"]),
        str(point["n"]),
        _share(point["bag_spread"], document),
        _share(point["reading_spread"], document),
        "–" if point["humidity"] is None else f"{point['humidity']:.1f}",
        *(amount(point["adjusted_level"], document["unit"]) for _ in _adjusted_head(document)),
        "values to look at" if point["to_look_at"] else point["state"],
        point["verdict"],
        ", ".join(name.replace("_", " ") for name in point["signals"]),
    ]


def _share(spread: float | None, document: Document) -> str:
    if spread is None:
        return "–"
    return f"{100 * spread:.1f} %" if document["scale"] == "log" else amount(spread, document["unit"])
