"""One lot: can I trust it, and what do I do with it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from dash import html

from dashboard.charts import plotly_figures
from dashboard.components.alert_card import alert_card, urgent_first
from dashboard.components.entry_form import form, if_editor
from dashboard.components.html_parts import facts, graph, legend, stream_link, supplier_link, table, word
from dashboard.queries import bench_queries, page_queries, stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import amount, characteristic, counted, day, listed, moment, room_to_limit
from dashboard.text.limit_change_text import source
from dashboard.text.urls import evidence_address
from ingest.audit.subjects import Subject
from ingest.decisions.responses import LOT_DECISIONS
from ingest.sessions.suspect_values import LOOK_AGAIN, SET_ASIDE, STANDS

__all__ = ["layout"]

Document = Any

CONDITIONING_WORDS = {
    "valid": "the log shows the conditioning",
    "short": "not enough hours in the window before the test",
    "humid": "the chamber was too humid",
    "dry": "the chamber was too dry",
    "warm": "the chamber was too warm",
    "cold": "the chamber was too cold",
    "unlogged": "the chamber log does not show the hours before the test",
}
WORST_FIRST = ("fail", "undecided", "invalid", "pass", "unlimited")
# Tests of one morning share the hours before them.
SAME_HOURS = timedelta(hours=6)
TRACE_KEY = (("┄", "edge", "window"), ("│", "grey", "start and end of the required hours"))


def layout(desk: LabReader, supplier: str = "", lot: str = "", **_other: str) -> html.Div:
    """The page of a lot."""
    with desk.reading() as connection:
        document = stored_documents.lot(connection, desk.lab, supplier, lot)
        sessions = sorted(document["sessions"], key=_in_order)
        groups = _together(sessions)
        traces = [bench_queries.chamber_trace(connection, desk.lab, group[0]) for group in groups]
        usual = {
            product: page_queries.usual(connection, supplier, product)
            for product in {session["product"] for session in sessions}
        }
        earlier = page_queries.earlier_values(connection, desk.lab, supplier, lot)
        refused = page_queries.refused_rows(connection, lot)
        subject = str(Subject.lot(supplier, lot))
        subjects = [subject, *(f"alert:{alert['id']}" for alert in document["alerts"])]
        entries = page_queries.entries(connection, desk.lab, subjects)
    limits = [usual[session["product"]].get(session["characteristic"]) for session in sessions]
    sheets = [_session(document, *one) for one in zip(sessions, limits, range(len(sessions)), strict=True)]
    return html.Div(
        [
            html.P([supplier_link(supplier), f" · {document['product']}"], className="quiet"),
            html.H1(f"Lot {lot}: {_headline(sessions)}"),
            html.P(_told(document), className="lead"),
            _overview(sessions, limits),
            _decision(subject, entries[subject]),
            *[alert_card(alert, entries[f"alert:{alert['id']}"]) for alert in urgent_first(document["alerts"])],
            html.H2("The chamber before the tests"),
            html.Div(
                [_chamber(*one) for one in zip(groups, traces, range(len(groups)), strict=True)], className="pair"
            ),
            html.H2("The readings"),
            html.Div(sheets, className="pair many"),
            *_corrections(earlier),
            *_refused(refused),
            _evidence(supplier, lot),
        ]
    )


def _evidence(supplier: str, lot: str) -> html.P:
    here = evidence_address(supplier=supplier, lot=lot)
    return html.P(
        [
            html.A("Evidence bundle of this lot (ZIP)", href=here, download=""),
            ": readings, chamber log, limits, alerts, entries and source files with their hashes, for an audit.",
        ],
        className="quiet",
    )


def _in_order(session: Document) -> tuple[str, str]:
    """Day by day, so that what was tested in one morning stands together."""
    return session["tested_at"][:10], session["characteristic"]


# The whole lot


def _headline(sessions: list[Document]) -> str:
    """What the first look must say: what failed, what can't be trusted, else that all is inside."""
    firsts = _first_sessions(sessions)
    by_verdict = {verdict: [one for one in firsts if one["verdict"] == verdict] for verdict in WORST_FIRST}
    told = [f"{words} {_spoken(by_verdict[verdict])}" for verdict, words in HEADLINES if by_verdict[verdict]]
    if told:
        return "; ".join(told)
    return "every test is valid and inside its limits" if by_verdict["pass"] else "no limit applies"


HEADLINES = (
    ("fail", "breaches its limit in"),
    ("undecided", "is not settled in"),
    ("invalid", "was tested without valid conditioning for"),
)


def _first_sessions(sessions: list[Document]) -> list[Document]:
    """The session of each characteristic that counts: the first valid one, else the first."""
    by_name: dict[str, list[Document]] = {}
    for session in sessions:
        by_name.setdefault(session["characteristic"], []).append(session)
    return [next((one for one in own if one["conditioning"]["state"] == "valid"), own[0]) for own in by_name.values()]


def _spoken(sessions: list[Document]) -> str:
    return listed([characteristic(session["characteristic"]) for session in sessions])


def _told(document: Document) -> str:
    sessions = document["sessions"]
    retests = len(sessions) - len(_first_sessions(sessions))
    said = counted(len(sessions), "test session")
    if retests:
        said += f", of them {counted(retests, 'repeat')}: the first valid result stands, later ones are shown beside it"
    said += f". Received {document['received_on']}." if document["received_on"] else "."
    said += f" Made {document['made_on']}." if document["made_on"] else ""
    return f"{said} Marks, not a release: the decision is for the person your procedure authorises."


def _overview(sessions: list[Document], limits: list[Document | None]) -> html.Div:
    rows = [_overview_row(session, usual) for session, usual in zip(sessions, limits, strict=True)]
    heads = ("verdict", "characteristic", "tested", "level", "usual here", "limit", "conditioning", "chamber", "bags")
    return table(heads, rows, "Test sessions of this lot", ("level", "bags"))


def _overview_row(session: Document, usual: Document | None) -> list[Any]:
    unit, state = session["unit"], session["conditioning"]["state"]
    return [
        word(session["verdict"]),
        html.A(characteristic(session["characteristic"]), href=f"#{_anchor(session)}"),
        moment(session["tested_at"]),
        amount(session["level"], unit),
        _usual(usual, unit),
        room_to_limit(session),
        "valid" if state == "valid" else word("invalid"),
        session["chamber"] or "–",
        str(session["bags"]),
    ]


def _usual(usual: Document | None, unit: str) -> str:
    if usual is None or usual["lower"] is None:
        return "not yet known"
    return f"{amount(usual['lower'], unit)} to {amount(usual['upper'], unit)}"


def _anchor(session: Document) -> str:
    return f"session-{session['characteristic']}-{session['tested_at'][:16]}"


def _decision(subject: str, entries: list[Document]) -> html.Section:
    """What people decided, and where to write it down."""
    decided = next((entry for entry in entries if entry["what"] != "note"), None)
    said = f"Decided: {decided['what']}, by {decided['who']}" if decided else "No decision is recorded"
    return html.Section(
        [
            html.H2(said),
            *[
                html.P(f"{one['who']}, {moment(one['at'])}, {one['what']}: {one['reason']}", className="entry")
                for one in entries
            ],
            *if_editor(
                "Record what was decided",
                html.P(
                    "Keeps the decision of an authorised person with its reason; it moves no material.",
                    className="quiet",
                ),
                form(subject, LOT_DECISIONS),
            ),
        ],
        className="sheet",
    )


# The chamber


def _together(sessions: list[Document]) -> list[list[Document]]:
    """Sessions that one stretch of the same chamber's log covers: begun within hours of each other."""
    groups: list[list[Document]] = []
    for session in sorted(sessions, key=lambda one: (one["chamber"], one["tested_at"])):
        if groups and _same_hours(groups[-1][0], session):
            groups[-1].append(session)
        else:
            groups.append([session])
    return sorted(groups, key=lambda group: group[0]["tested_at"])


def _same_hours(first: Document, other: Document) -> bool:
    apart = datetime.fromisoformat(other["tested_at"]) - datetime.fromisoformat(first["tested_at"])
    return first["chamber"] == other["chamber"] and apart < SAME_HOURS


def _chamber(group: list[Document], trace: Document | None, number: int) -> html.Section:
    first = group[0]
    states = list(dict.fromkeys(CONDITIONING_WORDS[one["conditioning"]["state"]] for one in group))
    told = f"before {listed([characteristic(one['characteristic']) for one in group])}: {'; '.join(states)}"
    shown: list[Any] = [html.P("The log holds no entry for the hours before.", className="quiet")]
    if trace is not None:
        shown = [graph(plotly_figures.chamber_trace(trace), f"trace-{number}", f"Chamber, {told}"), legend(*TRACE_KEY)]
    heading = f"Chamber {first['chamber'] or 'not named'}, before {moment(first['tested_at'])}"
    return html.Section([html.H3(heading), html.P(told.capitalize(), className="quiet"), *shown], className="sheet")


# One session


def _session(document: Document, session: Document, usual: Document | None, number: int) -> html.Section:
    name = _named(session)
    return html.Section(
        [
            html.H3([f"{name} ", word(session["verdict"])]),
            html.P(_reason(session)),
            *_doubt(document, session),
            graph(
                plotly_figures.bags(session, usual), f"bags-{number}", f"Readings by bag, {name}. {_reason(session)}"
            ),
            legend(*_bags_key(session, usual)),
            facts(_facts(session, usual)),
            html.P(stream_link({**document, **session}, "how this stands in its stream")),
            html.Details([html.Summary("Every reading, with its file and line"), _readings(session)]),
        ],
        className="sheet",
        id=_anchor(session),
    )


def _doubt(document: Document, session: Document) -> list[Any]:
    """Why the values of a session are to be looked at, what a person said of it, and where to say it."""
    mark = session["mark"]
    if mark is None:
        return []
    subject = str(
        Subject.session(
            document["supplier"],
            session["product"],
            session["characteristic"],
            document["lot"],
            stored_documents.from_iso(session["tested_at"]),
        )
    )
    said = (
        f"Settled: {mark['settled']}."
        if mark["settled"]
        else "Nobody has settled it yet: until then it tells neither limits nor outlook."
    )
    unit = session["unit"]
    return [
        html.P([html.Strong("Look at the values. "), f"{mark['told']}. {said}"], className="entry"),
        *if_editor(
            "Settle it",
            html.P(
                f"Usual before this test: {amount(mark['low'], unit)} to {amount(mark['high'], unit)}. No value is "
                "changed here: set aside, the test leaves the chart; the right values come as a corrected file.",
                className="quiet",
            ),
            form(subject, (STANDS, SET_ASIDE) if not mark["settled"] else (LOOK_AGAIN,)),
        ),
    ]


def _named(session: Document) -> str:
    return f"{characteristic(session['characteristic'])}, {moment(session['tested_at'])}"


def _bags_key(session: Document, usual: Document | None) -> list[tuple[str, str, str]]:
    """What is drawn, and no more."""
    key = [("●", "accent", "reading")]
    if any(reading["bound"] for reading in session["readings"]):
        key.append(("▲▼", "edge", "beyond the range of the meter"))
    if session["level"] is not None:
        key.append(("┅", "accent", "level of the lot"))
    if usual is not None and usual["lower"] is not None:
        key.append(("▒", "grey", "usual for the level of a lot here"))
    if session["limit_lower"] is not None or session["limit_upper"] is not None:
        key.append(("━", "edge", "limit of the document"))
    return key


def _facts(session: Document, usual: Document | None) -> list[tuple[str, Any, str]]:
    unit, conditioning = session["unit"], session["conditioning"]
    count = f"{counted(session['bags'], 'bag')}, {counted(len(session['readings']), 'reading')}"
    return [
        ("lot level", amount(session["level"], unit), count),
        ("usual here", _usual(usual, unit), "control limits of the stream now"),
        ("worst reading", amount(session["worst"], unit), ""),
        ("limit on that day", room_to_limit(session), _limit_source(session)),
        ("conditioning", CONDITIONING_WORDS[conditioning["state"]], _hours(conditioning)),
        ("instrument", session["instrument"] or "–", f"load {session['load']}" if session["load"] else ""),
    ]


def _limit_source(session: Document) -> str:
    """Where the limits come from that the session was held against."""
    return "; ".join(dict.fromkeys(source(step) for step in session["limit_sources"].values() if step is not None))


def _reason(session: Document) -> str:
    """How the verdict was reached."""
    limit, unit = room_to_limit(session), session["unit"]
    if session["mark"] and session["mark"]["settled"] == SET_ASIDE:
        return "Not judged: a person set this test aside; its readings stay below."
    if session["verdict"] == "invalid":
        return f"Not judged: {CONDITIONING_WORDS[session['conditioning']['state']]}."
    if session["verdict"] == "unlimited":
        return f"No limit applies; the level is {amount(session['level'], unit)}."
    by = f" ({session['limit_document']})" if session["limit_document"] else ""
    if session["judged"] is None:
        beyond = sum(reading["bound"] != 0 for reading in session["readings"])
        outcome = "They settle it all the same." if session["verdict"] in ("pass", "fail") else "The lot is undecided."
        return f"{counted(beyond, 'reading')} beyond the range of the meter, judged against {limit}{by}. {outcome}"
    held = "geometric mean" if session["judged_by"] == "mean" and session["scale"] == "log" else session["judged_by"]
    return f"Judged by its {held}: {amount(session['judged'], unit)}, to be {limit}{by}."


def _hours(conditioning: Document) -> str:
    if conditioning["hours"] is None:
        return ""
    low, high = conditioning["humidity_min"], conditioning["humidity_max"]
    span = f", {low:.1f} to {high:.1f} % RH" if low is not None else ""
    return f"{conditioning['hours']:.1f} h unbroken in the window{span}"


def _readings(session: Document) -> html.Div:
    heads = ("bag", "reading", "value", "as written", "tested", "operator", "file", "line", "state")
    return table(
        heads, [_reading(one) for one in session["readings"]], f"Readings, {_named(session)}", ("value", "line")
    )


def _reading(reading: Document) -> list[str]:
    return [
        str(reading["specimen"]),
        str(reading["reading"]),
        amount(reading["value"], reading["unit"], reading["bound"]),
        reading["written"],
        moment(reading["tested_at"]),
        reading["operator"],
        reading["file"],
        str(reading["line"]),
        "look at it" if reading["marked"] else reading["state"],
    ]


# What did not stay as it came


def _corrections(earlier: list[Document]) -> list[Any]:
    if not earlier:
        return []
    heads = ("characteristic", "bag", "reading", "was", "as written", "file", "line", "corrected by", "on")
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
    was = amount(first["value"], first["unit"], first["bound"])
    told = f"Bag {first['specimen']}, reading {first['reading']} was {was} ({first['written']} in {first['file']}, line {first['line']})."
    return [
        html.H2(f"{counted(len(earlier), 'reading')} corrected by a later file"),
        html.P(told),
        html.Details([html.Summary("All earlier values"), table(heads, rows, "Earlier values", ("was", "line"))]),
    ]


def _refused(rows: list[Document]) -> list[Any]:
    if not rows:
        return []
    shown = [[row["file"], str(row["line"]), row["reason"]] for row in rows]
    return [
        html.H2(f"{counted(len(rows), 'refused row')} with this lot's name"),
        table(("file", "line", "why"), shown, "Refused rows"),
    ]
