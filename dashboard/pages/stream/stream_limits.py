"""The part of a stream's page on its limits: their history, who set them and why, and the forms to change them."""

from __future__ import annotations

from collections.abc import Iterator

from dash import dcc, html

from dashboard.charts.limit_lines import LEFT_OUT, SIDES
from dashboard.components.entry_form import day_field, field, if_editor
from dashboard.components.html_parts import folded, lot_link, table
from dashboard.components.limit_change_form import CHANGES, preview_address, request_form
from dashboard.text.formatting import counted, day, in_unit, moment
from dashboard.text.verdict.limit_change_text import bound, source
from ingest.audit.audit_log import CHANGE_LIMIT, LEAVE_OUT, PUT_BACK, SET_BASELINE, TAKE_BACK_BASELINE, TAKE_BACK_LIMIT
from ingest.documents.entries import Restart, SubjectEntry
from ingest.documents.stream import LeftOutLot, StreamDocument

__all__ = ["limits_section"]

Names = dict[str, str]
# A longer list to choose from is slower than typing.
MOST_LOTS = 200


def limits_section(document: StreamDocument, entries: list[SubjectEntry]) -> html.Details:
    """The limits of a stream; `entries` are those on the stream and on the specification limit of its product."""
    names = {name: document[name] for name in ("supplier", "product", "characteristic")}
    changes = sorted((one for one in entries if one["what"] in CHANGES), key=lambda one: one["at"], reverse=True)
    sides = html.Select([html.Option(side, value=side) for side in reversed(SIDES)], name="side")
    limit_fields = [
        html.Label(["side", sides]),
        field(f"limit in {document['unit']}, or none", "value", required=True),
        day_field("from", "day"),
        field("document that sets it", "document"),
    ]
    parts: list[object] = [
        table(
            ("from", "to", "centre line", "control limits", "baseline", "excluded from baseline", "set by"),
            _control_limit_rows(document, names),
            "Control limits over time",
        ),
        *_specification_limits(document, names),
        html.Div(
            [
                *if_editor("New baseline", request_form(SET_BASELINE, names, [day_field("from", "day")])),
                *if_editor("Exclude a lot from the baseline", request_form(LEAVE_OUT, names, [_lot_field(document)])),
                *if_editor("Change the specification limit", request_form(CHANGE_LIMIT, names, limit_fields)),
                html.Details(
                    [
                        html.Summary(f"{counted(len(changes), 'entry', 'entries')} on limits"),
                        *[html.P(_entry_text(entry), className="entry") for entry in changes],
                    ]
                )
                if changes
                else None,
            ]
        ),
    ]
    return folded("Limits", parts, "limits")


def _lot_field(document: StreamDocument) -> html.Label:
    """The choice of a lot, the newest first, with the day and the level of its test; a long list is typed instead."""
    lots: dict[str, str] = {}
    for point in reversed(document["points"]):
        level = in_unit(document, point["shown"], point["bound"])
        lots.setdefault(point["lot"], f"{point['lot']}, {day(point['tested_at'])}, {level}")
    if len(lots) > MOST_LOTS:
        return field("lot", "lot", required=True)
    return html.Label(["lot", html.Select([html.Option(text, value=lot) for lot, text in lots.items()], name="lot")])


def _entry_text(entry: SubjectEntry) -> str:
    body, about = entry["body"], []
    if "lot" in body:
        about.append(f"lot {body['lot']}")
    if "side" in body:
        about.append(f"{body['side']} limit")
    if "value" in body:
        about.append("none" if body["value"] is None else f"{body['value']:g}")
    if "from" in body or "from_at" in body:
        about.append(f"from {day(body.get('from') or body['from_at'])}")
    return f"{entry['who']}, {moment(entry['at'])}, {entry['what']}, {' '.join(about)}: {entry['reason']}"


# Control limits


def _control_limit_rows(document: StreamDocument, names: Names) -> list[list[object]]:
    history = document["limits_history"]
    begins = [(limits["set_by"] or limits)["from_at"] for limits in history]
    rows = []
    for limits, begin, end in zip(history, begins, [*begins, None][1:], strict=True):
        by_rule = (
            "the first lots of the stream" if limits["frozen_at"] else "the first lots of the stream, not complete yet"
        )
        excluded = [html.Div(list(_excluded_lot(lot, names))) for lot in limits["left_out"]]
        rows.append(
            [
                day(begin),
                day(end) if end else "now",
                in_unit(document, limits["center"]),
                f"{in_unit(document, limits['lower'])} to {in_unit(document, limits['upper'])}",
                counted(limits["from_lots"], "lot"),
                html.Div(excluded) if excluded else "–",
                _baseline_entry(limits["set_by"], names) if limits["set_by"] else by_rule,
            ]
        )
    # A baseline from a day on which no lot has been tested since has no limits yet.
    used = {limits["set_by"]["from_at"] for limits in history if limits["set_by"]}
    waiting = [one for one in document["settings"] if one["from_at"] not in used]
    rows += [[day(one["from_at"]), "–", "–", "no lot since", "–", "–", _baseline_entry(one, names)] for one in waiting]
    return rows


def _excluded_lot(excluded: LeftOutLot, names: Names) -> Iterator[object]:
    yield lot_link(names["supplier"], excluded["lot"])
    if "who" not in excluded:
        yield f": {LEFT_OUT[excluded['why']].removeprefix('left out').strip(' :')}"
        return
    yield f": by {excluded['who']}, {day(excluded['recorded_at'])}: {excluded['reason']} "
    yield dcc.Link("include again", href=preview_address(PUT_BACK, names, lot=excluded["lot"]))


def _baseline_entry(setting: Restart, names: Names) -> html.Span:
    text = f"{setting['who']}, {day(setting['recorded_at'])}: {setting['reason']} "
    undo = preview_address(TAKE_BACK_BASELINE, names, day=setting["from_at"][:10])
    return html.Span([text, dcc.Link("undo", href=undo)])


# Specification limits


def _specification_limits(document: StreamDocument, names: Names) -> list[object]:
    rows = []
    limits = document["specification_limits"]
    for side, steps in (("lower", limits["lower"]), ("upper", limits["upper"])):
        for step, following in zip(steps, [*steps, None][1:], strict=True):
            if following is None:
                end = "–"
            else:
                end = "never: replaced" if following["from"] == step["from"] else day(following["from"])
            origin: object = source(step)
            if step["where"] != "lab.toml":
                undo = preview_address(TAKE_BACK_LIMIT, names, side=side, day=step["from"] or "")
                origin = html.Span([f"{origin} ", dcc.Link("undo", href=undo)])
            start = day(step["from"]) if step["from"] else "the beginning"
            rows.append([start, end, bound(side, step["value"], document["unit"]), origin])
    if not rows:
        return [html.P("No specification limit is declared or entered for this product.", className="quiet")]
    rule = (
        "A specification limit applies to a product, whoever supplies it. The limit with the latest start date applies, from "
        "lab.toml or entered on a page; on the same date the entry applies."
    )
    heads = ("from", "to", "limit", "source")
    return [table(heads, rows, "Specification limits over time"), html.P(rule, className="quiet")]
