"""One stream: when and how fast it moved, and the evidence behind that."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard.charts import plotly_figures
from dashboard.charts.limit_lines import near
from dashboard.components.alert_card import alert_card
from dashboard.components.conformity import rule_section
from dashboard.components.entry_form import day_field, form, if_editor
from dashboard.components.html_parts import facts, graph, legend, lot_link, supplier_link, table, word
from dashboard.pages.stream_chart import ChartView, adjusted_words, choices, humidity_matters, span
from dashboard.pages.stream_limits import limits_section
from dashboard.queries import page_queries, stored_documents, stream_document
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.text.baseline_text import autocorrelation_note, moving_baseline
from dashboard.text.bench_mark_text import short_mark
from dashboard.text.formatting import (
    amount,
    change,
    counted,
    day,
    digits_of,
    false_mark_text,
    futures,
    humidity,
    percent,
    room_to_limit,
    weeks,
)
from dashboard.text.formatting import characteristic as spoken
from dashboard.text.formatting import shown as shown_evidence
from dashboard.text.limit_change_text import in_force
from dashboard.text.urls import stream_file_address
from dashboard.text.verdict_text import verdict_text
from ingest.audit.subjects import Subject
from ingest.config.lab import Lab
from ingest.decisions.responses import NOTE
from ingest.documents.alert import Alert
from ingest.documents.entries import SubjectEntry
from ingest.documents.stream import BoardRow, ControlLimits, StreamDocument

__all__ = ["layout"]

KEY = (
    ("●", "accent", "lot inside the control limits"),
    ("◆", "edge", "flagged lot"),
    ("□", "warm", "test not valid"),
    ("◇", "edge", "suspect values"),
    ("▲▼", "edge", "level beyond the range of the meter"),
    ("━", "accent", "moving average of the lots"),
    ("┄", "grey", "centre line and control limits"),
    ("▬", "grey", "baseline lots"),
    ("◯", "grey", "lot excluded from the baseline"),
    ("━", "edge", "specification limit"),
    ("▒", "accent", "forecast: 80 % and 50 % of coming lots"),
    ("▒", "warm", "estimated start of a move, with its interval"),
)


def layout(
    lab_reader: LabReader,
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
    subject = str(Subject.stream(supplier, product, characteristic))
    limit = str(Subject.limit(product, characteristic))
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        document = stream_document.stream(connection, lab, supplier, product, characteristic)
        row = stored_documents.board_row(connection, lab, supplier, product, characteristic)
        ids = page_queries.alert_ids(connection, **names)
        alerts = urgent_first(stored_documents.alerts_named(connection, lab, ids))
        subjects = [subject, limit, *(f"alert:{alert['id']}" for alert in alerts)]
        entries = page_queries.entries(connection, lab, subjects)
    declared = lab.product(product)
    view = ChartView(names, show, since, until, beside)
    return html.Div(
        [
            html.P(
                [supplier_link(supplier), f" · {product}", f" · {declared.class_}" if declared else ""],
                className="quiet",
            ),
            html.H1([f"{product}, {spoken(characteristic)} ", word(row["state"])]),
            html.P(_summary(row, document, lab), className="lead"),
            html.P(moving_baseline(document), className="lead") if document.get("baseline_moving") else None,
            html.P(humidity(document), className="quiet"),
            _chart(view, document, row, alerts, entries[subject], lab),
            html.H2("Alerts"),
            *[alert_card(alert, entries[f"alert:{alert['id']}"]) for alert in alerts],
            None if alerts else html.P("None so far."),
            *limits_section(document, [*entries[subject], *entries[limit]]),
            html.H2("Variation and capability"),
            facts(_facts(row, document)),
            *rule_section(document["decision"]),
            html.H2("Notes"),
            *[html.P(_note_text(entry), className="entry") for entry in entries[subject] if entry["what"] == NOTE],
            *if_editor("Add a note: a process change, a new film", form(subject, (NOTE,), [day_field("day", "on")])),
            html.H2("Data table"),
            html.P(html.A("Download as CSV", href=stream_file_address(names), download="", className="button")),
            html.Details([html.Summary(counted(len(document["points"]), "lot")), _table(document)]),
            dcc.Location(id="stream-goes-to", refresh="callback-nav"),
            dcc.Store(id="stream-supplier", data=supplier),
        ]
    )


def _chart(
    view: ChartView,
    document: StreamDocument,
    row: BoardRow,
    alerts: list[Alert],
    entries: list[SubjectEntry],
    lab: Lab,
) -> html.Section:
    """The chart, with the choices of its view above and its key below."""
    adjusted = bool(view.beside) and humidity_matters(document)
    shown = span(view, document)
    # The newest alert that is not closed and has an estimated start: the alerts come in that order within a grade.
    moves = [
        shown_evidence(alert["evidence"])
        for alert in alerts
        if alert["state"] != "closed" and alert["kind"] in ("drift", "forecast", "bench") and alert["evidence"].get("since_at")
    ]  # fmt: skip
    figure = plotly_figures.stream(document, moves[0] if moves else None, shown)
    plotly_figures.pin_notes(figure, entries)
    suspect = any(point["to_look_at"] for point in document["points"])
    key = [entry for entry in KEY if suspect or entry[0] != "◇"]
    if adjusted:
        plotly_figures.add_adjusted_levels(figure, document, shown)
        key.append(
            ("○", "accent", f"level {adjusted_words(document)}: for information only; the measured value is the record")
        )
    limits = (row["limit_lower"], row["limit_upper"])
    far = [limit for limit in limits if limit is not None and not near(document, limit)]
    hint = "Click a lot in the chart, or in the table below, to see its readings."
    if far:
        hint += f" The specification limit {' and '.join(amount(limit, row['unit']) for limit in far)} is outside the chart."
    return html.Section(
        [
            *choices(view, document),
            graph(
                figure, "stream-figure", f"Control chart of the lot levels over time. {_summary(row, document, lab)}"
            ),
            legend(*key),
            html.P(hint, className="quiet"),
            html.P(
                false_mark_text(document["pattern_price"], lab.alerts.false_alerts_per_stream_year), className="quiet"
            ),
        ],
        className="sheet",
    )


# Words


def _summary(row: BoardRow, document: StreamDocument, lab: Lab) -> str:
    """The stream in a few sentences."""
    unit, limits = row["unit"], document["limits"]
    text = f"The level is {amount(row['level'], unit)}"
    if row["change_percent_per_month"] is not None:
        text += f" and changes by {change(row['change_percent_per_month'], digits_of(row))} a month"
    limit = room_to_limit(row)
    text += "; no specification limit applies." if limit == "no limit" else f"; the specification limit is {limit}."
    if limits["center"] is not None and not limits.get("settled", True):
        text += f" {_unsettled(limits, unit, lab)}"
    elif limits["center"] is not None:
        text += f" The centre line is {amount(limits['center'], unit)}, from {counted(limits['from_lots'], 'lot')}."
    if row["breach_probability"] is not None and row["weeks_to_limit"] is not None:
        text += (
            f" Chance of a failing lot within {lab.alerts.horizon_weeks:g} weeks: {percent(row['breach_probability'])}. "
            f"Time to the limit: {weeks(row['weeks_to_limit'])}."
        )
    return f"{text}{futures(document['forecast'], unit)}"


def _unsettled(limits: ControlLimits, unit: str, lab: Lab) -> str:
    """What is known while the control limits are not settled."""
    lots = f"{limits['from_lots']} of {counted(lab.baseline.lots, 'lot')}"
    if limits["frozen_at"]:
        lots = (
            f"the {counted(limits['from_lots'], 'lot')} of the baseline are too much alike their neighbours to set any"
        )
    seen = f"{amount(limits['seen_lower'], unit)} to {amount(limits['seen_upper'], unit)}"
    text = f"No settled limits yet: {lots}. The lots so far lie from {seen}, around {amount(limits['center'], unit)}."
    if limits["lower"] is None or limits["frozen_at"]:
        return text
    return f"{text} Limits from them, which will still move: {amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}."


def _note_text(entry: SubjectEntry) -> str:
    about = f", for {day(entry['body']['on'])}" if "on" in entry["body"] else ""
    return f"{entry['who']}, {day(entry['at'])}, {entry['what']}{about}: {entry['reason']}"


def _facts(row: BoardRow, document: StreamDocument) -> list[tuple[str, Any, str]]:
    unit, limits, capability = document["unit"], document["limits"], document["capability"]
    components = document["components"]
    baseline = f"baseline complete {day(limits['frozen_at'])}" if limits["frozen_at"] else "baseline not complete yet"
    edges = f"{amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}"
    shown = (
        "no settled limits yet"
        if limits["lower"] is None
        else edges
        if limits.get("settled", True)
        else f"{edges}, not settled"
    )

    def variation(name: str, variance: float | None, explanation: str) -> tuple[str, Any, str]:
        low, high = components["intervals"].get(name, (None, None))
        if variance is None:
            return f"variation between {name}s", "–", explanation
        if low is not None and high is not None:
            explanation += f", between {_variation(low**0.5, document)} and {_variation(high**0.5, document)} (95 %)"
        return f"variation between {name}s", _variation(variance**0.5, document), explanation

    return [
        (
            "control limits",
            shown,
            f"for a lot of the usual number of bags, from {counted(limits['from_lots'], 'lot')}, {baseline}",
        ),
        variation("lot", components["lot"], "standard deviation of a lot level"),
        variation("bag", components["bag"], "within a lot"),
        variation("reading", components["reading"], "repeats on a bag"),
        (
            "Ppk",
            "not given" if row["ppk"] is None else f"{row['ppk']:.2f} (at least {row['ppk_lower']:.2f})",
            str(capability["why"])
            if capability["ppk"] is None
            else "with its lower confidence bound; from the total variation of lots, bags and readings",
        ),
        ("specification limit", room_to_limit(row), in_force(document)),
        (
            "autocorrelation",
            document["dependence"]["told"] if document["dependence"] else "–",
            "the control limits are widened for it"
            if limits["widened_for_dependence"] is not None
            else autocorrelation_note(document),
        ),
    ]


def _variation(spread: float | None, document: StreamDocument) -> str:
    """A standard deviation: in percent on a log scale, else in the unit."""
    if spread is None:
        return "–"
    return f"{100 * spread:.1f} %" if document["scale"] == "log" else amount(spread, document["unit"])


def _table(document: StreamDocument) -> html.Div:
    adjusted = [adjusted_words(document)] if humidity_matters(document) else []
    numbers = ("level", "bags", "readings", "between bags", "between readings", "% RH", *adjusted)
    heads = ("lot", "tested", *numbers, "test", "verdict", "flagged for")
    rows = [
        [
            lot_link(document["supplier"], point["lot"]),
            day(point["tested_at"]),
            amount(point["shown"], document["unit"], point["bound"]),
            str(point["bags"]),
            str(point["n"]),
            _variation(point["bag_spread"], document),
            _variation(point["reading_spread"], document),
            "–" if point["humidity"] is None else f"{point['humidity']:.1f}",
            *(amount(point["adjusted_level"], document["unit"]) for _ in adjusted),
            "suspect values" if point["to_look_at"] else point["state"],
            verdict_text(
                point["verdict"],
                "mean",
                point["bag_count"],
                point["outside_control_limits"],
                (point["limit_lower"], point["limit_upper"]),
                document["unit"],
            ),
            ", ".join(
                [name.replace("_", " ") for name in point["signals"]]
                + [text for text in (short_mark(point["bench_findings"], document["unit"]),) if text]
            ),
        ]
        for point in reversed(document["points"])
    ]
    return table(heads, rows, "Lots of this stream", numbers)
