"""One stream: when and how fast it moved, and the evidence behind that."""

from __future__ import annotations

from dash import dcc, html

from dashboard.charts import plotly_figures
from dashboard.charts.flags import reason
from dashboard.charts.limit_lines import near
from dashboard.charts.thinning import MOST_POINTS
from dashboard.components.alert_card import alert_card
from dashboard.components.conformity import rule_section
from dashboard.components.entry_form import day_field, form, if_editor
from dashboard.components.html_parts import facts, folded, graph, legend, link, lot_link, supplier_link, table, word
from dashboard.components.next_step import next_step
from dashboard.pages.stream.stream_chart import (
    ChartView,
    adjusted_words,
    choices,
    humidity_matters,
    points_between,
    span,
)
from dashboard.pages.stream.stream_limits import limits_section
from dashboard.queries import page_queries, stored_documents, stream_document
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.text.baseline_text import autocorrelation_note, moving_baseline
from dashboard.text.bench.bench_mark_text import short_mark
from dashboard.text.formatting import (
    ShownEvidence,
    chance_text,
    change,
    counted,
    day,
    digits_of,
    false_mark_text,
    futures,
    happenings,
    humidity,
    in_unit,
    listed,
    room_to_limit,
    stream_level,
    wander,
    weekday,
    weeks,
)
from dashboard.text.formatting import characteristic as spoken
from dashboard.text.formatting import shown as shown_evidence
from dashboard.text.urls import notice_address, stream_file_address
from dashboard.text.verdict.limit_change_text import in_force
from dashboard.text.verdict.verdict_text import bags_text, verdict_text
from ingest.audit.subjects import Subject
from ingest.config.lab import Lab
from ingest.decisions.corrective_actions import no_notice_because
from ingest.decisions.responses import NOTE
from ingest.documents.alert import Alert
from ingest.documents.case import Case
from ingest.documents.entries import SubjectEntry
from ingest.documents.stream import BoardRow, ControlLimits, Point, StreamDocument

__all__ = ["layout"]

# The marks of the chart by the name of their trace or shape, each with its key; the key shows those that are there.
KEY = {
    "usual": ("●", "accent", "lot"),
    "flagged": ("■", "edge", "flagged lot"),
    "flag": ("", "edge mark mark-first", "first flagged lot of a run"),
    "not valid": ("□", "warm", "test not valid: it sets no limit"),
    "to look at": ("◇", "edge", "suspect values"),
    "bench off": ("○", "warm", "lot tested while the bench was off, or may have been"),
    "without the finding": ("┴", "warm", "its level without what was off"),
    "bench weeks": ("▨", "warm", "weeks in which the bench was off, or may have been"),
    "above": ("▲", "edge", "level above the range of the meter"),
    "below": ("▼", "accent", "level below the range of the meter"),
    "trend": ("━", "edge", "trend estimate"),
    "control limit": ("┄", "grey", "control limits"),
    "left out": ("◯", "grey", "lot excluded from the baseline"),
    "baseline": ("└─┘", "grey", "baseline: the lots from which the control limits come"),
    "forecast": ("▒", "accent", "forecast: 80 % and 50 % of coming lots, with its middle (dashed)"),
    "start": ("░┆░", "grey", "estimated start of the move (line) and its interval (band)"),
}
LAST_LOTS = 6
# A longer table is slower to read than the file that holds all lots.
MOST_LOTS = 200


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
        cases = lab_reader.cases(connection)
    declared = lab.product(product)
    view = ChartView(names, show, since, until, beside)
    moves = _moves(alerts)
    return html.Div(
        [
            html.P(
                [
                    supplier_link(supplier),
                    f" · {product}",
                    f" · {declared.class_}" if declared else "",
                    f" · last test {weekday(row['last_tested_at'])}",
                ],
                className="crumb",
            ),
            word(row["state"]),
            html.H1(f"{product}, {spoken(characteristic)}: {_finding(row, alerts, lab)}"),
            html.P(_summary(row, document, lab), className="lead"),
            html.P(moving_baseline(document), className="lead") if document.get("baseline_moving") else None,
            html.P(wander(document), className="lead") if document.get("wander") else None,
            html.Div(
                [_chart(view, document, row, moves, entries[subject], lab), _what_to_do(row, alerts, cases, lab)],
                className="split",
            ),
            html.Div([html.H2("Last lots"), html.A("All lots", href="#lots")], className="head"),
            _last_lots(document),
            folded(_alerts_heading(alerts), [alert_card(alert, entries[f"alert:{alert['id']}"]) for alert in alerts])
            if alerts
            else html.P("No alert so far."),
            limits_section(document, [*entries[subject], *entries[limit]]),
            folded(
                "Variation and capability",
                [facts(_facts(row, document)), html.P(humidity(document), className="quiet")],
            ),
            rule_section(document),
            folded(
                "Notes",
                [
                    *[
                        html.P(_note_text(entry), className="entry")
                        for entry in entries[subject]
                        if entry["what"] == NOTE
                    ],
                    *if_editor(
                        "Add a note: a process change, a new film", form(subject, (NOTE,), [day_field("day", "on")])
                    ),
                ],
            ),
            folded(
                "Data table",
                [
                    html.P(html.A("Download as CSV", href=stream_file_address(names), download="", className="button")),
                    html.Details([html.Summary(counted(len(document["points"]), "lot")), *_table(document)]),
                ],
                "lots",
            ),
            dcc.Location(id="stream-goes-to", refresh="callback-nav"),
            dcc.Store(id="stream-supplier", data=supplier),
        ]
    )


def _alerts_heading(alerts: list[Alert]) -> str:
    """How many alerts of the stream are open, and how many are closed."""
    closed = sum(alert["state"] == "closed" for alert in alerts)
    counts = [(len(alerts) - closed, "open"), (closed, "closed")]
    return f"Alerts: {', '.join(f'{count} {state}' for count, state in counts if count)}"


def _moves(alerts: list[Alert]) -> list[ShownEvidence]:
    """Estimated starts of moves that are not closed; that of a drift first, as the board states it."""
    kinds = ("drift", "bench", "forecast")
    open_alerts = [alert for alert in alerts if alert["state"] != "closed" and alert["evidence"].get("since_at")]
    moving = [alert for alert in open_alerts if alert["kind"] in kinds]
    return [shown_evidence(alert["evidence"]) for alert in sorted(moving, key=lambda alert: kinds.index(alert["kind"]))]


def _finding(row: BoardRow, alerts: list[Alert], lab: Lab) -> str:
    """What a reader has to know, in a few words."""
    happened = happenings([alert for alert in alerts if alert["state"] != "closed"], lab.alerts.breach_probability)
    if happened:
        return f"{happened}."
    words = {
        "learning": "too few lots for settled limits",
        "silent": "no lot for a long time",
        "steady": "no open alert",
        "note": "nothing to act on or to look at",
    }
    return f"{words.get(row['state'], row['state'])}."


def _what_to_do(row: BoardRow, alerts: list[Alert], cases: list[Case], lab: Lab) -> html.Aside:
    """The next steps on the stream, and the figures that they depend on."""
    step = next_step(alerts, cases)
    steps: list[object] = []
    if step is not None:
        steps.append([html.A(step.text, href=_on_page(step.address)), html.Span(step.detail, className="quiet")])
        noticed = next((one for one in alerts if one["state"] != "closed" and not no_notice_because(one)), None)
        if noticed and row["state"] in ("act", "look"):
            notice = html.A("Notice to the supplier (PDF)", href=notice_address(noticed["id"]), download="")
            steps.append([notice, html.Span("download; not sent automatically", className="quiet")])
    if row["state"] == "act":
        stock = html.Span("a pass does not protect the lots that follow a drift", className="quiet")
        steps.append(
            [link(f"Check the lots of {row['supplier']} you still hold", "/supplier", name=row["supplier"]), stock]
        )
    share = chance_text(row["breach_probability"])
    limit = [(f"chance of a failing lot, {lab.alerts.horizon_weeks:g} weeks", html.Span(share, className="large"), "")]
    limit.append(("time to the limit", weeks(row["weeks_to_limit"]), ""))
    return html.Aside(
        [
            html.H2("What to do"),
            html.Ol([html.Li(one) for one in steps])
            if steps
            else html.P("Nothing until the next lot is tested: no alert is open."),
            facts(limit) if row["breach_probability"] is not None else None,
        ],
        className=f"sheet todo {row['state']}",
        **{"aria-label": "What to do"},
    )


def _on_page(address: str) -> str:
    """The card of an alert stands on this page too: the same anchor without the page of alerts."""
    return f"#{address.partition('#')[2]}" if "#" in address else address


def _last_lots(document: StreamDocument) -> html.Div:
    rows = [
        [
            lot_link(document["supplier"], point["lot"]),
            day(point["tested_at"]),
            in_unit(document, point["shown"], point["bound"]),
            word(point["verdict"]),
            _remark(point, document),
        ]
        for point in reversed(document["points"][-LAST_LOTS:])
    ]
    return table(("lot", "tested", "lot mean", "verdict", "remark"), rows, "Last lots", ("lot mean",))


def _remark(point: Point, document: StreamDocument) -> str:
    """What is unusual about a lot; empty where nothing is. The bags outside come first: a lot passes on its mean."""
    parts = [bags] if (bags := bags_text(point["bag_count"], document)) else []
    parts += ["suspect values"] if point["to_look_at"] else []
    parts += [] if point["state"] == "valid" else [f"test not valid: {point['state']}"]
    parts += [f"flagged: {listed(reason(point).split(', '), 3)}"] if point["signals"] else []
    return "; ".join(parts)


def _chart(
    view: ChartView,
    document: StreamDocument,
    row: BoardRow,
    moves: list[ShownEvidence],
    entries: list[SubjectEntry],
    lab: Lab,
) -> html.Section:
    """The chart, with the choices of its view above and the key of its marks below."""
    adjusted = bool(view.beside) and humidity_matters(document)
    shown = span(view, document)
    points = points_between(document, shown)
    drawn: StreamDocument = {**document, "points": points}
    figure = plotly_figures.stream(
        drawn, moves[0] if moves else None, shown, None if row.get("level_bound", 0) else row["level"]
    )
    plotly_figures.pin_notes(figure, entries)
    marks = {part.get("name") for part in [*figure["data"], *figure["layout"]["shapes"]]}
    key = [entry for name, entry in KEY.items() if name in marks]
    if adjusted:
        plotly_figures.add_adjusted_levels(figure, drawn, shown)
        key.append(
            ("○", "accent", f"level {adjusted_words(document)}: for information only; the measured value is the record")
        )
    limits = (row["limit_lower"], row["limit_upper"])
    far = [limit for limit in limits if limit is not None and not near(document, limit)]
    hint = "Click a lot in the chart, or in the table below, to see its readings."
    if far:
        hint += f" The specification limit {' and '.join(in_unit(row, limit) for limit in far)} is outside the chart."
    if len(document["points"]) > MOST_POINTS:
        hint += f" Of {len(document['points']):,} lots the chart draws {len(points):,}: every peak and every fall is among them."
    return html.Section(
        [
            *choices(view, document),
            graph(
                figure, "stream-figure", f"Control chart of the lot levels over time. {_summary(row, document, lab)}"
            ),
            html.Details(
                [html.Summary("Key of the chart"), legend(*key), html.P(hint, className="quiet")],
                open=True,
                className="bare fold-narrow",
            ),
            html.Details(
                [
                    html.Summary("What the chart flags"),
                    html.P(
                        false_mark_text(document["pattern_price"], lab.alerts.false_alerts_per_stream_year),
                        className="quiet",
                    ),
                ]
            ),
        ],
        **{"aria-label": "Control chart"},
    )


# Words


def _summary(row: BoardRow, document: StreamDocument, lab: Lab) -> str:
    """The stream in a few sentences."""
    limits = document["limits"]
    text = f"The level is {stream_level(row)}"
    if row["change_percent_per_month"] is not None:
        text += f" and changes by {change(row['change_percent_per_month'], digits_of(row))} a month"
    limit = room_to_limit(row)
    text += "; no specification limit applies." if limit == "no limit" else f"; the specification limit is {limit}."
    if limits["center"] is not None and not limits.get("settled", True):
        text += f" {_unsettled(limits, document, lab)}"
    elif limits["center"] is not None:
        text += (
            f" The centre line is {in_unit(document, limits['center'])}, from {counted(limits['from_lots'], 'lot')}."
        )
    if row["breach_probability"] is not None and row["weeks_to_limit"] is not None:
        text += (
            f" Chance of a failing lot within {lab.alerts.horizon_weeks:g} weeks: {chance_text(row['breach_probability'])}. "
            f"Time to the limit: {weeks(row['weeks_to_limit'])}."
        )
    return f"{text}{futures(document['forecast'], document)}"


def _unsettled(limits: ControlLimits, document: StreamDocument, lab: Lab) -> str:
    """What is known while the control limits are not settled."""
    lots = f"{limits['from_lots']} of {counted(lab.baseline.lots, 'lot')}"
    if limits["frozen_at"]:
        lots = (
            f"the {counted(limits['from_lots'], 'lot')} of the baseline are too much alike their neighbours to set any"
        )
    seen = f"{in_unit(document, limits['seen_lower'])} to {in_unit(document, limits['seen_upper'])}"
    so_far = f"The lots so far lie from {seen}, around {in_unit(document, limits['center'])}."
    if limits["from_lots"] == 1:
        so_far = f"The level of the one lot so far is {in_unit(document, limits['center'])}."
    text = f"No settled limits yet: {lots}. {so_far}"
    if limits["lower"] is None or limits["frozen_at"]:
        return text
    return f"{text} Limits from them, which will still move: {in_unit(document, limits['lower'])} to {in_unit(document, limits['upper'])}."


def _note_text(entry: SubjectEntry) -> str:
    about = f", for {day(entry['body']['on'])}" if "on" in entry["body"] else ""
    return f"{entry['who']}, {day(entry['at'])}, {entry['what']}{about}: {entry['reason']}"


def _facts(row: BoardRow, document: StreamDocument) -> list[tuple[str, object, str]]:
    limits, capability = document["limits"], document["capability"]
    components = document["components"]
    baseline = f"baseline complete {day(limits['frozen_at'])}" if limits["frozen_at"] else "baseline not complete yet"
    edges = f"{in_unit(document, limits['lower'])} to {in_unit(document, limits['upper'])}"
    shown = (
        "no settled limits yet"
        if limits["lower"] is None
        else edges
        if limits.get("settled", True)
        else f"{edges}, not settled"
    )

    def variation(name: str, variance: float | None, explanation: str) -> tuple[str, object, str]:
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
            document["dependence"]["told"].replace("not shown", "none found") if document["dependence"] else "–",
            "the control limits are widened for it"
            if limits["widened_for_dependence"] is not None
            else autocorrelation_note(document),
        ),
    ]


def _variation(spread: float | None, document: StreamDocument) -> str:
    """A standard deviation: in percent on a log scale, else in the unit."""
    if spread is None:
        return "–"
    return f"{100 * spread:.1f} %" if document["scale"] == "log" else in_unit(document, spread)


def _table(document: StreamDocument) -> list[object]:
    """The newest lots, and a sentence where the file holds more."""
    adjusted = [adjusted_words(document)] if humidity_matters(document) else []
    numbers = ("level", "bags", "readings", "between bags", "between readings", "% RH", *adjusted)
    heads = ("lot", "tested", *numbers, "test", "verdict", "flagged for")
    rows = [
        [
            lot_link(document["supplier"], point["lot"]),
            day(point["tested_at"]),
            in_unit(document, point["shown"], point["bound"]),
            str(point["bags"]),
            str(point["n"]),
            _variation(point["bag_spread"], document),
            _variation(point["reading_spread"], document),
            "–" if point["humidity"] is None else f"{point['humidity']:.1f}",
            *(in_unit(document, point["adjusted_level"]) for _ in adjusted),
            "suspect values" if point["to_look_at"] else point["state"],
            verdict_text(
                point["verdict"],
                "mean",
                point["bag_count"],
                point["outside_control_limits"],
                (point["limit_lower"], point["limit_upper"]),
                document,
            ),
            ", ".join([reason(point)] + [text for text in (short_mark(point["bench_findings"], document),) if text]),
        ]
        for point in reversed(document["points"][-MOST_LOTS:])
    ]
    more = len(document["points"]) - len(rows)
    rest = html.P(f"{counted(more, 'older lot')}: in the CSV file.", className="quiet") if more else None
    return [table(heads, rows, "Lots of this stream", numbers), rest]
