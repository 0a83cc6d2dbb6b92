"""One lot: its verdicts, the conditioning and the readings behind them, and the decision on it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from dash import html

from dashboard.charts import plotly_figures
from dashboard.components.alert_card import alert_card
from dashboard.components.conformity import conformity_section
from dashboard.components.entry_form import form, if_editor
from dashboard.components.html_parts import folded, graph, legend, link, mark, stream_link, supplier_link, table, word
from dashboard.components.test_report import report_section
from dashboard.components.waveforms import capture_sections, capture_warnings
from dashboard.queries import bench_queries, lot_document, page_queries
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import from_iso
from dashboard.text.bench.bench_mark_text import mark_sentence
from dashboard.text.bench.instrument_text import tested_on
from dashboard.text.formatting import (
    amount,
    characteristic,
    counted,
    day,
    digits_of,
    in_unit,
    listed,
    moment,
    required_humidity,
    room_to_limit,
)
from dashboard.text.lot_text import (
    OVER,
    RESULT_WORDS,
    STREAM_ALERTS,
    advice,
    by_day,
    headline,
    result_of,
    standing_sessions,
    worry,
)
from dashboard.text.shelf_text import in_stock
from dashboard.text.urls import STOCK, alert_address, evidence_address, with_query
from dashboard.text.verdict.limit_change_text import source
from dashboard.text.verdict.verdict_text import is_reading_outside, level_text
from ingest.audit.subjects import Subject
from ingest.common.number_format import printed_unit
from ingest.common.text import capitalised
from ingest.decisions.responses import LOT_RESPONSES, RETEST_ENTRIES
from ingest.documents.alert import Alert
from ingest.documents.bench.bench import ChamberTrace
from ingest.documents.entries import SubjectEntry
from ingest.documents.lot import EarlierValue, LotDocument, RefusedRow, Session
from ingest.documents.stream import StoredControlLimits
from ingest.sessions.suspect_values import LOOK_AGAIN, SET_ASIDE, STANDS
from ingest.verdict.report import issued_numbers
from spc.vocabulary.enums import Verdict

__all__ = ["layout"]

CONDITIONING_WORDS = {
    "valid": "conditioning documented",
    "short": "not enough hours within tolerance before the test",
    "humid": "chamber too humid",
    "dry": "chamber too dry",
    "warm": "chamber too warm",
    "cold": "chamber too cold",
    "unlogged": "no complete log of the air around the bags up to the test: a gap in the chamber log, or the load had been taken out",
    "instrument": "conditioning documented, but the instrument was overdue for calibration or failed its set-up check",
}
# The colour of the bar beside what to do.
BARS = {Verdict.FAIL: "act", Verdict.UNDECIDED: "look", OVER: "look", Verdict.INVALID: "bench"}
# The chamber's log is drawn once for tests within so many hours: they share the hours before them.
SAME_HOURS = timedelta(hours=6)
TRACE_KEY = (("┄", "grey", "tolerance"), ("│", "grey", "start and end of the required hours"))


def layout(lab_reader: LabReader, supplier: str = "", lot: str = "", **_other: str) -> html.Div:
    """The page of a lot."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        document = lot_document.lot(connection, lab, supplier, lot)
        sessions = by_day(document)
        groups = _grouped_by_hours([one for one in sessions if one["conditioning"]["required"]])
        traces = [bench_queries.chamber_trace(connection, lab, group[0]) for group in groups]
        products = {session["product"] for session in sessions}
        in_force = {product: page_queries.limits_in_force(connection, supplier, product) for product in products}
        reports = issued_numbers(connection, supplier, lot)
        earlier = page_queries.earlier_values(connection, lab, supplier, lot)
        refused = page_queries.refused_rows(connection, lot)
        subject = str(Subject.lot(supplier, lot))
        subjects = [subject, *(f"alert:{alert['id']}" for alert in document["alerts"])]
        entries = page_queries.entries(connection, lab, subjects)
    limits = [in_force[session["product"]].get(session["characteristic"]) for session in sessions]
    worst = result_of(sessions)
    return html.Div(
        [
            html.P(
                [
                    supplier_link(supplier),
                    f" · {document['product']}",
                    f" · received {day(document['received_on'])}" if document["received_on"] else "",
                    f" · made {day(document['made_on'])}" if document["made_on"] else "",
                ],
                className="crumb",
            ),
            word(worst, RESULT_WORDS[worst]),
            html.H1(f"Lot {lot}: {headline(sessions)}."),
            html.P(advice(document, sessions, lab.alerts.breach_probability), className="lead"),
            *[
                html.P([in_stock(row), " ", link("Stock", with_query(STOCK, {"find": lot}))], className="caution")
                for row in document["stock"]
            ],
            html.P(_summary(document), className="quiet"),
            *capture_warnings(sessions),
            html.Div(
                [
                    html.Div(
                        [
                            _picture(document, session, limit, number)
                            for number, (session, limit) in enumerate(zip(sessions, limits, strict=True))
                        ],
                        className="pair many",
                    ),
                    _decision(document, entries[subject], worst),
                ],
                className="split ahead",
            ),
            _overview(sessions, limits),
            folded("Readings", _readings_by_bag(sessions)),
            html.Details(
                [html.Summary("Every reading, with its file and line"), *[_readings(session) for session in sessions]]
            ),
            report_section(supplier, lot, reports),
            folded(
                "Conditioning before the tests",
                [
                    *_not_required(sessions),
                    html.Div(
                        [
                            _chamber(group, trace, number)
                            for number, (group, trace) in enumerate(zip(groups, traces, strict=True))
                        ],
                        className="pair",
                    ),
                ],
            ),
            *capture_sections(sessions),
            *([html.H2("Alerts")] if document["alerts"] else []),
            *[alert_card(alert, entries[f"alert:{alert['id']}"]) for alert in urgent_first(document["alerts"])],
            *_stream_alerts(document["stream_alerts"]),
            *_corrections(earlier),
            *_refused(refused),
        ]
    )


# The whole lot


def _stream_alerts(alerts: Sequence[Alert]) -> list[html.Component]:
    """A line for each open alert that another lot of the same streams raised."""
    if not alerts:
        return []
    lines = [
        html.Li([word(one["grade"]), " ", html.A(capitalised(one["message"]), href=alert_address(one["id"]))])
        for one in urgent_first(alerts)
    ]
    return [html.H2(STREAM_ALERTS), html.Ul(lines, className="more")]


def _summary(document: LotDocument) -> str:
    sessions = document["sessions"]
    retests = len(sessions) - len(standing_sessions(sessions))
    text = counted(len(sessions), "test session")
    if retests:
        text += f", including {counted(retests, 'retest')}; the first valid result stands, retests are shown beside it"
    return f"{text}. Test result, not a release: the release is up to the person whom your procedure authorises."


def _overview(sessions: list[Session], limits: list[StoredControlLimits | None]) -> html.Div:
    """One line a session."""
    rows = [
        [
            html.Span([word(session["verdict"]), f" {fact}" if (fact := worry(session)) else ""]),
            html.A(characteristic(session["characteristic"]), href=f"#{_anchor(session)}"),
            moment(session["tested_at"]),
            level_text(session["level"], session["level_range"], session),
            room_to_limit(session),
            _control_limits(control, session),
            in_unit(session, session["worst"], session["worst_bound"]),
            _bags_text(session),
            _conditioning(session),
            _tested_with(session),
        ]
        for session, control in zip(sessions, limits, strict=True)
    ]
    heads = (
        "verdict", "characteristic", "tested", "lot level", "specification limit", "control limits", "worst reading",
        "bags outside", "conditioning", "tested with",
    )  # fmt: skip
    return table(heads, rows, "Test sessions of this lot", ("lot level", "worst reading", "bags outside"))


def _bags_text(session: Session) -> str:
    """The bags outside the limit by their mean, of all bags."""
    count = session["bag_count"]
    if count is None:
        return f"{session['bags']} tested"
    return f"{count['outside'] or 'none'} of {count['bags']}"


def _tested_with(session: Session) -> str:
    """Chamber, load, and the instrument with its state that day."""
    parts = [f"chamber {session['chamber']}" if session["chamber"] else "chamber not named"]
    parts += [f"load {session['load']}"] if session["load"] else []
    instrument = tested_on(session["bench"])
    return ", ".join([*parts, instrument] if instrument else parts)


def _control_limits(limits: StoredControlLimits | None, session: Session) -> str:
    if limits is None or limits["lower"] is None:
        return "no settled limits yet"
    edges = f"{in_unit(session, limits['lower'])} to {in_unit(session, limits['upper'])}"
    return edges if limits.get("settled", True) else f"{edges}, not settled"


def _anchor(session: Session) -> str:
    return f"session-{session['characteristic']}-{session['tested_at'][:16]}"


def _decision(document: LotDocument, entries: list[SubjectEntry], worst: str) -> html.Aside:
    """The decision on the lot, the form to record one, and the evidence to hand over."""
    subject = str(Subject.lot(document["supplier"], document["lot"]))
    decision, passes = document["decision"], worst in (Verdict.PASS, Verdict.UNLIMITED)
    evidence = html.A(
        "Evidence for an audit (ZIP)",
        href=evidence_address(supplier=document["supplier"], lot=document["lot"]),
        download="",
    )
    return html.Aside(
        [
            html.H2(f"Decided: {decision['what']}, by {decision['who']}" if decision else "What to do"),
            *[
                html.P(f"{one['who']}, {moment(one['at'])}, {one['what']}: {one['reason']}", className="entry")
                for one in entries
            ],
            None if decision else html.P("No decision recorded.", className="quiet"),
            *if_editor(
                "Record a decision",
                html.P(
                    "Records the decision of an authorised person with its reason; it moves no material.",
                    className="quiet",
                ),
                None
                if passes
                else html.P(
                    f"The result of this lot is “{RESULT_WORDS[worst].lower()}”. Only a person authorised by your procedure may "
                    "release it. Write the reason.",
                    className="trouble",
                ),
                form(subject, (*LOT_RESPONSES, *RETEST_ENTRIES)),
            ),
            html.P(
                [
                    evidence,
                    ": readings, chamber log, loads, calibrations, checks, limits, alerts, entries, and the hashes of the source files.",
                ],
                className="quiet",
            ),
        ],
        className=f"sheet todo {BARS.get(worst, '')}",
        **{"aria-label": "Decision on the lot"},
    )


# Conditioning


def _grouped_by_hours(sessions: list[Session]) -> list[list[Session]]:
    """Sessions in groups that one stretch of the same chamber's log covers."""
    groups: list[list[Session]] = []
    for session in sorted(sessions, key=lambda one: (one["chamber"], one["tested_at"])):
        first = groups[-1][0] if groups else None
        if first is not None and first["chamber"] == session["chamber"]:
            apart = datetime.fromisoformat(session["tested_at"]) - datetime.fromisoformat(first["tested_at"])
            if apart < SAME_HOURS:
                groups[-1].append(session)
                continue
        groups.append([session])
    return sorted(groups, key=lambda group: group[0]["tested_at"])


def _not_required(sessions: list[Session]) -> list[html.P]:
    """The characteristics of the lot that need no conditioning, in a sentence."""
    names = dict.fromkeys(
        characteristic(one["characteristic"]) for one in sessions if not one["conditioning"]["required"]
    )
    return [html.P(f"No conditioning required: {listed(list(names))}.", className="quiet")] if names else []


def _chamber(group: list[Session], trace: ChamberTrace | None, number: int) -> html.Section:
    first = group[0]
    states = "; ".join(dict.fromkeys(_conditioning(one) for one in group))
    names = listed([characteristic(one["characteristic"]) for one in group])
    text = f"Before {names}: {states}"
    shown: list[object] = [html.P("The log has no entry for these hours.", className="quiet")]
    if trace is not None:
        shown = [
            graph(plotly_figures.chamber_trace(trace), f"trace-{number}", f"Chamber log. {text}"),
            legend(*TRACE_KEY),
        ]
    heading = f"Chamber {first['chamber'] or 'not named'}, before {moment(first['tested_at'])}"
    return html.Section([html.H3(heading), html.P(text, className="quiet"), *shown])


def _conditioning(session: Session) -> str:
    """The conditioning in words, with hours and humidity: "conditioning documented: 167.7 h, 11.7 to 13.3 % RH"."""
    found = session["conditioning"]
    if not found["required"]:
        return "no conditioning required"
    words = CONDITIONING_WORDS[found["state"]]
    if found["hours"] is None:
        return words
    low, high = found["humidity_min"], found["humidity_max"]
    humidity = f"; {required_humidity(low, high)}" if low is not None and high is not None else ""
    return f"{words}: {found['hours']:.1f} h within tolerance up to the test{humidity}"


# One session


def _picture(document: LotDocument, session: Session, control: StoredControlLimits | None, number: int) -> html.Section:
    """The readings of one session by bag, on one scale with its retests, and how its verdict was reached."""
    beside = [one for one in document["sessions"] if one["characteristic"] == session["characteristic"]]
    name = f"{characteristic(session['characteristic'])}, {day(session['tested_at'])}"
    reason = _reason(session)
    steps = session["limit_sources"]["lower"], session["limit_sources"]["upper"]
    limit_sources = "; ".join(dict.fromkeys(source(step) for step in steps if step is not None))
    return html.Section(
        [
            html.H2(name, className="name"),
            word(session["verdict"]),
            graph(
                plotly_figures.bags(session, control, beside), f"bags-{number}", f"Readings by bag, {name}. {reason}"
            ),
            html.P([reason, f" Source of the limit: {limit_sources}." if limit_sources else ""], className="quiet"),
            *[
                html.P(text, className="entry")
                for text in (mark_sentence(session["bench_findings"], session["level"], session),)
                if text
            ],
            *_suspect(document, session),
            *conformity_section(document, session),
            html.P(stream_link({**document, **session}, "show in control chart"), className="quiet"),
        ],
        id=_anchor(session),
    )


def _reason(session: Session) -> str:
    """How the verdict was reached."""
    limit = room_to_limit(session)
    if session["mark"] and session["mark"]["settled"] == SET_ASIDE:
        return "Not judged: a person set this test aside; its readings are kept below."
    if session["verdict"] == "invalid":
        return f"Not judged: {CONDITIONING_WORDS[session['conditioning']['state']]}."
    if session["verdict"] == "unlimited":
        level = level_text(session["level"], session["level_range"], session)
        return f"No specification limit applies; the level is {level}."
    by = f" ({session['limit_document']})" if session["limit_document"] else ""
    if session["judged"] is None:
        beyond = sum(reading["bound"] != 0 for reading in session["readings"])
        decided = session["verdict"] in ("pass", "fail")
        outcome = "The verdict does not depend on them." if decided else "The lot is undecided."
        return f"{counted(beyond, 'reading')} beyond the range of the meter; limit {limit}{by}. {outcome}"
    statistic = (
        "geometric mean" if session["judged_by"] == "mean" and session["scale"] == "log" else session["judged_by"]
    )
    but = f" But {fact}." if (fact := worry(session)) and session["verdict"] == "pass" else ""
    return f"Judged by the {statistic}: {in_unit(session, session['judged'])}; limit {limit}{by}.{but}"


def _suspect(document: LotDocument, session: Session) -> list[object]:
    """Why values of a session are suspect, the decision on them, and the form to decide."""
    mark = session["mark"]
    if mark is None:
        return []
    stream = (document["supplier"], session["product"], session["characteristic"])
    subject = str(Subject.session(*stream, document["lot"], from_iso(session["tested_at"])))
    state = f"Cleared: {mark['settled']}." if mark["settled"] else "Not cleared yet; left out of limits and forecast."
    return [
        html.P([html.Strong("Suspect values. "), f"{mark['told']}. {state}"], className="entry"),
        *if_editor(
            "Clear the suspect test",
            html.P(
                f"Normal before this test: {in_unit(session, mark['low'])} to {in_unit(session, mark['high'])}. No value is changed "
                "here. A test that is set aside leaves the chart; the right values come as a corrected file.",
                className="quiet",
            ),
            form(subject, (LOOK_AGAIN,) if mark["settled"] else (STANDS, SET_ASIDE)),
        ),
    ]


def _readings_by_bag(sessions: list[Session]) -> list[object]:
    """One table a day: a row a bag, a column a characteristic; bags outside a limit by their mean are marked."""
    days: dict[str, list[Session]] = {}
    for session in sessions:
        days.setdefault(session["tested_at"][:10], []).append(session)
    return [part for day_of_test, some in days.items() for part in _day_of_readings(day_of_test, some)]


def _day_of_readings(day_of_test: str, sessions: list[Session]) -> list[object]:
    bags = sorted({reading["specimen"] for session in sessions for reading in session["readings"]})
    beyond = [set(session["bags_outside"]) for session in sessions]
    single = any(
        reading["specimen"] not in some and is_reading_outside(session, reading)
        for session, some in zip(sessions, beyond, strict=True)
        for reading in session["readings"]
    )
    rows, styles = [], []
    for bag in bags:
        marked = any(bag in some for some in beyond)
        styles.append("beyond" if marked else "")
        cells = [
            html.Span(_values(session, bag) or "–", className="over" if bag in some else "")
            for session, some in zip(sessions, beyond, strict=True)
        ]
        rows.append([html.Span([f"bag {bag}", *([mark("fail"), " outside"] if marked else [])]), *cells])
    heads = ["bag", *(f"{characteristic(one['characteristic'])}, {printed_unit(one['unit'])}" for one in sessions)]
    files = dict.fromkeys(
        f"{one['readings'][0]['file']}, from line {min(reading['line'] for reading in one['readings'])}"
        for one in sessions
    )
    return [
        html.P(f"Tested {day(day_of_test)}. {listed(list(files))}.", className="quiet"),
        table(heads, rows, f"Readings by bag, {day(day_of_test)}", (), styles),
        html.P(
            [
                "A bag is outside the limit by the mean of its readings. ",
                *(
                    [html.Span("Underlined", className="apart"), ": a single reading outside the limit."]
                    if single
                    else []
                ),
            ],
            className="quiet",
        )
        if single or any(beyond)
        else None,
    ]


def _values(session: Session, bag: int) -> list[object]:
    """The readings on a bag, without their unit, as that stands in the head of the column."""
    some = sorted((one for one in session["readings"] if one["specimen"] == bag), key=lambda one: one["reading"])
    words = [
        (amount(one["value"], bound=one["bound"], digits=digits_of(session)), is_reading_outside(session, one))
        for one in some
    ]
    apart = "" if bag in session["bags_outside"] else "apart"
    return [
        part
        for value, outside in words
        for part in (html.Span(value, className=apart) if outside and apart else value, "\u2002")
    ]


def _readings(session: Session) -> html.Div:
    name = f"{characteristic(session['characteristic'])}, {moment(session['tested_at'])}"
    heads = ("bag", "reading", "value", "as written", "tested", "operator", "file", "line", "state")
    rows = [
        [
            str(reading["specimen"]),
            str(reading["reading"]),
            amount(reading["value"], reading["unit"], reading["bound"], digits_of(session)),
            reading["written"],
            moment(reading["tested_at"]),
            reading["operator"],
            reading["file"],
            str(reading["line"]),
            "suspect" if reading["marked"] else reading["state"],
        ]
        for reading in session["readings"]
    ]
    return html.Div([html.H3(name), table(heads, rows, f"Readings, {name}", ("value", "line"))])


# Corrected and refused rows


def _corrections(earlier: list[EarlierValue]) -> list[object]:
    if not earlier:
        return []
    heads = ("characteristic", "bag", "reading", "earlier value", "as written", "file", "line", "corrected by", "on")
    rows = [
        [
            characteristic(one["characteristic"]),
            str(one["specimen"]),
            str(one["reading"]),
            in_unit(one, one["value"], one["bound"]),
            one["written"],
            one["file"],
            str(one["line"]),
            one["replaced_by"],
            day(one["replaced_at"]),
        ]
        for one in earlier
    ]
    first = earlier[0]
    value = in_unit(first, first["value"], first["bound"])
    return [
        html.H2(f"{counted(len(earlier), 'reading')} corrected by a later file"),
        html.P(
            f"Bag {first['specimen']}, reading {first['reading']} was {value} ({first['written']} in {first['file']}, line "
            f"{first['line']})."
        ),
        html.Details(
            [html.Summary("All earlier values"), table(heads, rows, "Earlier values", ("earlier value", "line"))]
        ),
    ]


def _refused(rows: list[RefusedRow]) -> list[object]:
    if not rows:
        return []
    shown = [[row["file"], str(row["line"]), row["reason"]] for row in rows]
    return [
        html.H2(f"{counted(len(rows), 'refused row')} with this lot's name"),
        table(("file", "line", "reason"), shown, "Refused rows"),
    ]
