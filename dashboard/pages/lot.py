"""One lot: its verdicts, the conditioning and the readings behind them, and the decision on it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from dash import html

from dashboard.charts import plotly_figures
from dashboard.components.alert_card import alert_card
from dashboard.components.entry_form import form, if_editor
from dashboard.components.html_parts import facts, graph, legend, stream_link, supplier_link, table, word
from dashboard.components.waveforms import capture_sections, capture_warnings
from dashboard.queries import bench_queries, lot_document, page_queries
from dashboard.queries.alert_order import urgent_first
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stored_documents import from_iso
from dashboard.text.bench_mark_text import mark_sentence
from dashboard.text.formatting import amount, characteristic, counted, day, listed, moment, room_to_limit
from dashboard.text.limit_change_text import source
from dashboard.text.urls import evidence_address
from dashboard.text.verdict_text import bags_text, level_text
from ingest.audit.subjects import Subject
from ingest.decisions.responses import LOT_DECISIONS
from ingest.documents.bench import ChamberTrace
from ingest.documents.entries import SubjectEntry
from ingest.documents.lot import EarlierValue, LotDocument, RefusedRow, Session
from ingest.documents.stream import StoredControlLimits
from ingest.sessions.suspect_values import LOOK_AGAIN, SET_ASIDE, STANDS

__all__ = ["layout"]

CONDITIONING_WORDS = {
    "valid": "conditioning documented",
    "short": "not enough hours within tolerance before the test",
    "humid": "chamber too humid",
    "dry": "chamber too dry",
    "warm": "chamber too warm",
    "cold": "chamber too cold",
    "unlogged": "no complete chamber log of the hours before the test",
    "instrument": "conditioning documented, but the instrument was overdue for calibration or failed its set-up check",
}
# The verdicts that the headline names, the worst first, with the words before the characteristics.
HEADLINES = {"fail": "fails the limit in", "undecided": "undecided:", "invalid": "no valid conditioning:"}
# The chamber's log is drawn once for tests within so many hours: they share the hours before them.
SAME_HOURS = timedelta(hours=6)
TRACE_KEY = (("┄", "edge", "tolerance"), ("│", "grey", "start and end of the required hours"))


def layout(lab_reader: LabReader, supplier: str = "", lot: str = "", **_other: str) -> html.Div:
    """The page of a lot."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        document = lot_document.lot(connection, lab, supplier, lot)
        # Day by day, so that the tests of one morning stand together.
        sessions = sorted(document["sessions"], key=lambda one: (one["tested_at"][:10], one["characteristic"]))
        groups = _grouped_by_hours([one for one in sessions if one["conditioning"]["required"]])
        traces = [bench_queries.chamber_trace(connection, lab, group[0]) for group in groups]
        products = {session["product"] for session in sessions}
        in_force = {product: page_queries.limits_in_force(connection, supplier, product) for product in products}
        earlier = page_queries.earlier_values(connection, lab, supplier, lot)
        refused = page_queries.refused_rows(connection, lot)
        subject = str(Subject.lot(supplier, lot))
        subjects = [subject, *(f"alert:{alert['id']}" for alert in document["alerts"])]
        entries = page_queries.entries(connection, lab, subjects)
    limits = [in_force[session["product"]].get(session["characteristic"]) for session in sessions]
    return html.Div(
        [
            html.P([supplier_link(supplier), f" · {document['product']}"], className="quiet"),
            html.H1(f"Lot {lot}: {_headline(sessions)}"),
            html.P(_summary(document), className="lead"),
            *capture_warnings(sessions),
            _overview(sessions, limits),
            _decision(subject, entries[subject]),
            *[alert_card(alert, entries[f"alert:{alert['id']}"]) for alert in urgent_first(document["alerts"])],
            html.H2("Conditioning before the tests"),
            *_not_required(sessions),
            html.Div(
                [
                    _chamber(group, trace, number)
                    for number, (group, trace) in enumerate(zip(groups, traces, strict=True))
                ],
                className="pair",
            ),
            html.H2("Readings"),
            html.Div(
                [
                    _session(document, session, limit, number)
                    for number, (session, limit) in enumerate(zip(sessions, limits, strict=True))
                ],
                className="pair many",
            ),
            *capture_sections(sessions),
            *_corrections(earlier),
            *_refused(refused),
            html.P(
                [
                    html.A(
                        "Evidence for an audit (ZIP)", href=evidence_address(supplier=supplier, lot=lot), download=""
                    ),
                    ": readings, chamber log, limits, alerts, entries, and the hashes of the source files.",
                ],
                className="quiet",
            ),
        ]
    )


# The whole lot


def _headline(sessions: list[Session]) -> str:
    """What failed and what is not valid; else that every test passed."""
    standing = _standing_sessions(sessions)
    parts = []
    for verdict, words in HEADLINES.items():
        names = [characteristic(one["characteristic"]) for one in standing if one["verdict"] == verdict]
        if names:
            parts.append(f"{words} {listed(names)}")
    if parts:
        return "; ".join(
            parts
            + [
                f"{characteristic(one['characteristic'])}: {fact}"
                for one in standing
                if one["verdict"] != "invalid" and (fact := _worry(one))
            ]
        )
    worrying = [
        f"{characteristic(one['characteristic'])} passes on the {one['judged_by']}; {fact}"
        for one in standing
        if one["verdict"] == "pass" and (fact := _worry(one))
    ]
    if worrying:
        return "; ".join(worrying)
    passed = any(one["verdict"] == "pass" for one in standing)
    return "every test valid and within the limits" if passed else "no specification limit applies"


def _worry(session: Session) -> str:
    """What a reader of a pass must know too: bags outside the limit, a level outside the control limits."""
    parts = [bags] if (bags := bags_text(session["bag_count"], session["unit"])) else []
    return ", ".join(parts + (["level outside the control limits"] if session["outside_control_limits"] else []))


def _standing_sessions(sessions: list[Session]) -> list[Session]:
    """The session that stands for each characteristic: the first valid one, else the first."""
    by_name: dict[str, list[Session]] = {}
    for session in sessions:
        by_name.setdefault(session["characteristic"], []).append(session)
    return [
        next((one for one in some if one["conditioning"]["state"] == "valid"), some[0]) for some in by_name.values()
    ]


def _summary(document: LotDocument) -> str:
    sessions = document["sessions"]
    retests = len(sessions) - len(_standing_sessions(sessions))
    text = counted(len(sessions), "test session")
    if retests:
        text += f", including {counted(retests, 'retest')}; the first valid result stands, retests are shown beside it"
    text += f". Received {document['received_on']}." if document["received_on"] else "."
    text += f" Made {document['made_on']}." if document["made_on"] else ""
    return f"{text} Test result, not a release: the release is up to the person whom your procedure authorises."


def _overview(sessions: list[Session], limits: list[StoredControlLimits | None]) -> html.Div:
    rows = [
        [
            html.Span([word(session["verdict"]), f" {fact}" if (fact := _worry(session)) else ""]),
            html.A(characteristic(session["characteristic"]), href=f"#{_anchor(session)}"),
            moment(session["tested_at"]),
            level_text(session["level"], session["level_range"], session["unit"]),
            _control_limits(control, session["unit"]),
            room_to_limit(session),
            _validity(session),
            session["chamber"] or "–",
            str(session["bags"]),
        ]
        for session, control in zip(sessions, limits, strict=True)
    ]
    heads = (
        "verdict", "characteristic", "tested", "level", "control limits", "specification limit", "conditioning", "chamber", "bags",
    )  # fmt: skip
    return table(heads, rows, "Test sessions of this lot", ("level", "bags"))


def _control_limits(limits: StoredControlLimits | None, unit: str) -> str:
    if limits is None or limits["lower"] is None:
        return "no settled limits yet"
    edges = f"{amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}"
    return edges if limits.get("settled", True) else f"{edges}, not settled"


def _anchor(session: Session) -> str:
    return f"session-{session['characteristic']}-{session['tested_at'][:16]}"


def _decision(subject: str, entries: list[SubjectEntry]) -> html.Section:
    """The decision on the lot, and the form to record one."""
    decision = next((entry for entry in entries if entry["what"] != "note"), None)
    return html.Section(
        [
            html.H2(f"Decided: {decision['what']}, by {decision['who']}") if decision else None,
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
                form(subject, LOT_DECISIONS),
            ),
        ],
        className="sheet",
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


def _validity(session: Session) -> Any:
    if not session["conditioning"]["required"]:
        return "not required"
    return "valid" if session["conditioning"]["state"] == "valid" else word("invalid")


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
    shown: list[Any] = [html.P("The log has no entry for these hours.", className="quiet")]
    if trace is not None:
        shown = [
            graph(plotly_figures.chamber_trace(trace), f"trace-{number}", f"Chamber log. {text}"),
            legend(*TRACE_KEY),
        ]
    heading = f"Chamber {first['chamber'] or 'not named'}, before {moment(first['tested_at'])}"
    return html.Section([html.H3(heading), html.P(text, className="quiet"), *shown], className="sheet")


def _conditioning(session: Session) -> str:
    """The conditioning in words, with hours and humidity: "conditioning documented: 167.7 h, 11.7 to 13.3 % RH"."""
    found = session["conditioning"]
    if not found["required"]:
        return "no conditioning required"
    words = CONDITIONING_WORDS[found["state"]]
    if found["hours"] is None:
        return words
    low, high = found["humidity_min"], found["humidity_max"]
    humidity = f", {low:.1f} to {high:.1f} % RH" if low is not None else ""
    return f"{words}: {found['hours']:.1f} h within tolerance{humidity}"


# One session


def _session(document: LotDocument, session: Session, control: StoredControlLimits | None, number: int) -> html.Section:
    name, unit = f"{characteristic(session['characteristic'])}, {moment(session['tested_at'])}", session["unit"]
    reason = _reason(session)
    key = [("●", "accent", "reading")]
    if any(reading["bound"] for reading in session["readings"]):
        key.append(("▲▼", "edge", "beyond the range of the meter"))
    if session["level"] is not None:
        key.append(("┅", "accent", "lot level"))
    if control is not None and control["lower"] is not None:
        key.append(("▒", "grey", "control limits of the lot level"))
    if session["limit_lower"] is not None or session["limit_upper"] is not None:
        key.append(("━", "edge", "specification limit"))
    steps = session["limit_sources"]["lower"], session["limit_sources"]["upper"]
    limit_sources = "; ".join(dict.fromkeys(source(step) for step in steps if step is not None))
    count = f"{counted(session['bags'], 'bag')}, {counted(len(session['readings']), 'reading')}"
    return html.Section(
        [
            html.H3([f"{name} ", word(session["verdict"])]),
            html.P(reason),
            *[
                html.P(text, className="entry")
                for text in (mark_sentence(session["bench_findings"], session["level"], unit),)
                if text
            ],
            *_suspect(document, session),
            graph(plotly_figures.bags(session, control), f"bags-{number}", f"Readings by bag, {name}. {reason}"),
            legend(*key),
            facts(
                [
                    ("lot level", level_text(session["level"], session["level_range"], unit), count),
                    ("control limits", _control_limits(control, unit), "of the stream, now in force"),
                    ("worst reading", amount(session["worst"], unit, session["worst_bound"]), ""),
                    *(
                        [("bags", bags, "each bag by the mean of its readings")]
                        if (bags := bags_text(session["bag_count"], unit))
                        else []
                    ),
                    ("specification limit on that day", room_to_limit(session), limit_sources),
                    ("conditioning", _conditioning(session), ""),
                    ("instrument", session["instrument"] or "–", f"load {session['load']}" if session["load"] else ""),
                ]
            ),
            html.P(stream_link({**document, **session}, "show in control chart")),
            html.Details([html.Summary("Every reading, with its file and line"), _readings(session, name)]),
        ],
        className="sheet",
        id=_anchor(session),
    )


def _reason(session: Session) -> str:
    """How the verdict was reached."""
    limit, unit = room_to_limit(session), session["unit"]
    if session["mark"] and session["mark"]["settled"] == SET_ASIDE:
        return "Not judged: a person set this test aside; its readings are kept below."
    if session["verdict"] == "invalid":
        return f"Not judged: {CONDITIONING_WORDS[session['conditioning']['state']]}."
    if session["verdict"] == "unlimited":
        level = level_text(session["level"], session["level_range"], unit)
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
    worry = f" But {worry}." if (worry := _worry(session)) and session["verdict"] == "pass" else ""
    return f"Judged by the {statistic}: {amount(session['judged'], unit)}; limit {limit}{by}.{worry}"


def _suspect(document: LotDocument, session: Session) -> list[Any]:
    """Why values of a session are suspect, the decision on them, and the form to decide."""
    mark, unit = session["mark"], session["unit"]
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
                f"Normal before this test: {amount(mark['low'], unit)} to {amount(mark['high'], unit)}. No value is changed "
                "here. A test that is set aside leaves the chart; the right values come as a corrected file.",
                className="quiet",
            ),
            form(subject, (LOOK_AGAIN,) if mark["settled"] else (STANDS, SET_ASIDE)),
        ),
    ]


def _readings(session: Session, name: str) -> html.Div:
    heads = ("bag", "reading", "value", "as written", "tested", "operator", "file", "line", "state")
    rows = [
        [
            str(reading["specimen"]),
            str(reading["reading"]),
            amount(reading["value"], reading["unit"], reading["bound"]),
            reading["written"],
            moment(reading["tested_at"]),
            reading["operator"],
            reading["file"],
            str(reading["line"]),
            "suspect" if reading["marked"] else reading["state"],
        ]
        for reading in session["readings"]
    ]
    return table(heads, rows, f"Readings, {name}", ("value", "line"))


# Corrected and refused rows


def _corrections(earlier: list[EarlierValue]) -> list[Any]:
    if not earlier:
        return []
    heads = ("characteristic", "bag", "reading", "earlier value", "as written", "file", "line", "corrected by", "on")
    rows = [
        [
            characteristic(one["characteristic"]),
            str(one["specimen"]),
            str(one["reading"]),
            amount(one["value"], one["unit"], one["bound"]),
            one["written"],
            one["file"],
            str(one["line"]),
            one["replaced_by"],
            day(one["replaced_at"]),
        ]
        for one in earlier
    ]
    first = earlier[0]
    value = amount(first["value"], first["unit"], first["bound"])
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


def _refused(rows: list[RefusedRow]) -> list[Any]:
    if not rows:
        return []
    shown = [[row["file"], str(row["line"]), row["reason"]] for row in rows]
    return [
        html.H2(f"{counted(len(rows), 'refused row')} with this lot's name"),
        table(("file", "line", "reason"), shown, "Refused rows"),
    ]
