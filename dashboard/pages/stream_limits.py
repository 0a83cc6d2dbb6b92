"""The part of a stream's page on its limits: what set them, from when to when, who and why, and the ways to change them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from dash import dcc, html

from dashboard.charts.limit_lines import LEFT_OUT, SIDES
from dashboard.components.entry_form import field, if_editor
from dashboard.components.html_parts import lot_link, table
from dashboard.components.limit_change_form import CHANGES, ask, preview_address
from dashboard.text.formatting import amount, counted, day, moment
from dashboard.text.limit_change_text import bound, source
from ingest.audit.audit_log import CHANGE_LIMIT, LEAVE_OUT, PUT_BACK, SET_BASELINE, TAKE_BACK_BASELINE, TAKE_BACK_LIMIT

__all__ = ["limits_section"]

Document = Any
Names = dict[str, str]


def limits_section(document: Document, entries: list[Document]) -> list[Any]:
    """What set the limits of this stream; `entries` are those of people on it and on its product's limit."""
    names = {key: document[key] for key in ("supplier", "product", "characteristic")}
    own = sorted((one for one in entries if one["what"] in CHANGES), key=lambda one: one["at"], reverse=True)
    return [
        html.H2("What set these limits", id="limits"),
        table(
            ("from", "to", "usual", "control limits", "lots", "left out and why", "set by"),
            _control_rows(document, names),
            "Control limits over time",
        ),
        *_specification(document, names),
        html.Div(
            [
                *if_editor("Set the control limits again from a day", ask(SET_BASELINE, names, [_day_field()])),
                *if_editor("Leave a lot out of the control limits", ask(LEAVE_OUT, names, [_lots(document)])),
                *if_editor(
                    "Change the limit of the product from a day", ask(CHANGE_LIMIT, names, _limit_fields(document))
                ),
                *_history(own),
            ]
        ),
    ]


def _details(title: str, *content: Any) -> html.Details:
    return html.Details([html.Summary(title), *content])


# Control limits


def _control_rows(document: Document, names: Names) -> list[list[Any]]:
    history, unit = document["limits_history"], document["unit"]
    begins = [(limits["set_by"] or limits)["from_at"] for limits in history]
    rows = [
        [
            day(begin),
            day(end) if end else "now",
            amount(limits["center"], unit),
            f"{amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}",
            counted(limits["from_lots"], "lot"),
            _left_out(limits["left_out"], names),
            _set_by(limits, names),
        ]
        for limits, begin, end in zip(history, begins, [*begins, None][1:], strict=True)
    ]
    return rows + [_awaited(one, names) for one in _without_lots(document)]


def _without_lots(document: Document) -> list[Document]:
    """Settings from whose day on no lot has set limits yet."""
    used = {limits["set_by"]["from_at"] for limits in document["limits_history"] if limits["set_by"]}
    return [one for one in document["settings"] if one["from_at"] not in used]


def _awaited(setting: Document, names: Names) -> list[Any]:
    return [day(setting["from_at"]), "–", "–", "no lot since", "–", "–", _signed(setting, names)]


def _left_out(lots: list[Document], names: Names) -> Any:
    if not lots:
        return "–"
    return html.Div([html.Div(list(_one_left_out(out, names))) for out in lots])


def _one_left_out(out: Document, names: Names) -> Iterator[Any]:
    yield lot_link(names["supplier"], out["lot"])
    if "who" not in out:
        yield f": {LEFT_OUT[out['why']].removeprefix('left out').strip(' :')}"
        return
    yield f": by {out['who']}, {day(out['recorded_at'])}: {out['reason']} "
    yield dcc.Link("put back", href=preview_address(PUT_BACK, names, lot=out["lot"]))


def _set_by(limits: Document, names: Names) -> Any:
    if limits["set_by"] is None:
        return "by rule: the first lots of the stream" + ("" if limits["frozen_at"] else ", still learned")
    return _signed(limits["set_by"], names)


def _signed(setting: Document, names: Names) -> html.Span:
    said = f"{setting['who']}, {day(setting['recorded_at'])}: {setting['reason']} "
    where = preview_address(TAKE_BACK_BASELINE, names, day=setting["from_at"][:10])
    return html.Span([said, dcc.Link("take back", href=where)])


# The limit of the document


def _specification(document: Document, names: Names) -> list[Any]:
    rows = [row for side in SIDES for row in _steps(document, side, names)]
    if not rows:
        return [html.P("No limit is declared or entered for this product.", className="quiet")]
    told = (
        "Limits are per product, whoever supplies it. On a day the limit with the newest day holds, whether lab.toml declares it "
        "or a person entered it; of one day the entry."
    )
    heads = ("from", "to", "limit", "where it comes from")
    return [table(heads, rows, "Limit of the document over time"), html.P(told, className="quiet")]


def _steps(document: Document, side: str, names: Names) -> Iterator[list[Any]]:
    steps = document["specification_limits"][side]
    for number, step in enumerate(steps):
        following = steps[number + 1]["from"] if number + 1 < len(steps) else None
        ends = "never: overruled" if following and following == step["from"] else day(following)
        yield [
            day(step["from"]) if step["from"] else "the beginning",
            ends if number + 1 < len(steps) else "–",
            bound(side, step["value"], document["unit"]),
            _source(step, side, names),
        ]


def _source(step: Document, side: str, names: Names) -> Any:
    if step["where"] == "lab.toml":
        return source(step)
    where = preview_address(TAKE_BACK_LIMIT, names, side=side, day=step["from"])
    return html.Span([f"{source(step)} ", dcc.Link("take back", href=where)])


# Asking


def _day_field() -> html.Label:
    return field("from", "day", placeholder="2026-03-18", pattern=r"\d{4}-\d{2}-\d{2}", required=True)


def _lots(document: Document) -> html.Label:
    lots = dict.fromkeys(point["lot"] for point in document["points"])
    return html.Label(["lot", html.Select([html.Option(lot, value=lot) for lot in lots], name="lot")])


def _limit_fields(document: Document) -> list[Any]:
    sides = [html.Option(side, value=side) for side in reversed(SIDES)]
    return [
        html.Label(["side", html.Select(sides, name="side")]),
        field(f"limit in {document['unit']}, or none", "value", required=True),
        _day_field(),
        field("document it rests on", "document"),
    ]


def _history(entries: list[Document]) -> list[Any]:
    if not entries:
        return []
    lines = [html.P(_entry(entry), className="entry") for entry in entries]
    return [_details(f"{counted(len(entries), 'entry', 'entries')} on limits", *lines)]


def _entry(entry: Document) -> str:
    about = " ".join(_about(entry["body"]))
    return f"{entry['who']}, {moment(entry['at'])}, {entry['what']}, {about}: {entry['reason']}"


def _about(body: Document) -> Iterator[str]:
    """What an entry is about, in the order in which one says it."""
    if "lot" in body:
        yield f"lot {body['lot']}"
    if "side" in body:
        yield f"{body['side']} limit"
    if "value" in body:
        yield "none" if body["value"] is None else f"{body['value']:g}"
    if "from" in body or "from_at" in body:
        yield f"from {day(body.get('from') or body['from_at'])}"
