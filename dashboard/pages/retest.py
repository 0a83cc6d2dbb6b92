"""The lots to test again, for the technician: on the screen and as a list on paper."""

from __future__ import annotations

from itertools import groupby

from dash import html

from dashboard.components.entry_form import form, hidden_field, if_editor
from dashboard.components.html_parts import lot_link, overdue_calibration, stream_link, supplier_link, word
from dashboard.queries import page_queries
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import age, characteristic, day
from dashboard.text.retest_text import REASONS, headline
from ingest.audit.subjects import Subject
from ingest.decisions.responses import NO_RETEST
from ingest.documents.retest import Retest

__all__ = ["layout"]

SIGNED = "tested on, by"
HEADS = ("lot", "test", "reason", "since", "what to do", SIGNED)
JUDGED = ("fail", "undecided")
EXPLANATION = (
    "A lot leaves the list by itself when a valid test of the same characteristic comes, or when an authorised person decides "
    "about it."
)


def layout(lab_reader: LabReader, **_other: str) -> html.Div:
    """The lots to test again, by supplier and product, with the chambers in which no test is valid yet."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        retests = lab_reader.retests(connection)
        waiting = [*lab_reader.chambers_to_wait_for(connection), *lab_reader.silent_logs(connection)]
        uncalibrated = lab_reader.instruments_to_calibrate(connection)
        looked_at = page_queries.reviewed(connection, lab)
    advice = (
        " ".join(waiting)
        if waiting
        else "Every chamber with a log is within tolerance: the hours of a bag count from the time it is laid in."
    )
    return html.Div(
        [
            html.H1(headline(retests)),
            html.P(advice, className="lead"),
            overdue_calibration(uncalibrated),
            html.P(f"{lab.name}, as of {day(looked_at)}. {EXPLANATION}", className="quiet"),
            *(_list(retests, looked_at) if retests else []),
        ],
        className="retest-list",
    )


def _list(retests: list[Retest], looked_at: str | None) -> list[object]:
    """One table, grouped by product; the characteristics of a lot with the same reason share a row."""
    by_lot: dict[tuple[str, ...], list[Retest]] = {}
    for one in sorted(retests, key=lambda one: (one["supplier"], one["product"])):
        key = (one["supplier"], one["product"], one["lot"], one["reason"], one["since_at"][:10])
        by_lot.setdefault(key, []).append(one)
    bodies = []
    for (supplier, product), keys in groupby(by_lot, key=lambda key: key[:2]):
        name = html.Th([supplier_link(supplier), f" {product}"], colSpan=len(HEADS), scope="rowgroup")
        bodies.append(html.Tbody([html.Tr(name, className="group"), *[_row(by_lot[key], looked_at) for key in keys]]))
    head = html.Thead(html.Tr([html.Th(name, scope="col", className=_paper(name)) for name in HEADS]))
    lots = {
        str(Subject.lot(one["supplier"], one["lot"])): f"{one['supplier']} {one['lot']}"
        for own in by_lot.values()
        for one in own
    }
    return [
        html.Table([head, *bodies], className="stacked"),
        *if_editor(
            "Take lots off the list",
            form(list(lots.items()), {NO_RETEST: "No retest needed"}, [hidden_field("back", "retest")]),
        ),
    ]


def _paper(head: str) -> str:
    return "on-paper" if head == SIGNED else ""


def _row(tests: list[Retest], looked_at: str | None) -> html.Tr:
    one = tests[0]
    most = max(test["sessions"] for test in tests)
    chamber = f" ({one['chamber']})" if one["chamber"] and one["reason"] not in JUDGED else ""
    state, reason = one["reason"] if one["reason"] in JUDGED else "invalid", f"{REASONS[one['reason']]}{chamber}"
    streams = [part for test in tests for part in (", ", stream_link(test, characteristic(test["characteristic"])))][1:]
    cells = [
        lot_link(one["supplier"], one["lot"]),
        streams,
        [word(state), f" {reason}" if reason != state else ""],
        f"{day(one['since_at'])}, {age(one['since_at'], looked_at)}" + (f", {most} tests so far" if most > 1 else ""),
        one["to_do"],
        # Filled in by hand on paper.
        "",
    ]
    return html.Tr(
        [
            html.Td(cell, className=_paper(label), **{"data-label": label})
            for label, cell in zip(HEADS, cells, strict=True)
        ]
    )
