"""The decision rules of a characteristic, and the preview of a change: verdicts, alerts and the risks of each stream."""

from __future__ import annotations

from typing import Any

from dash import html

from dashboard.components.current_user import current_user
from dashboard.components.decision_rules import confirm_rule_form, decision_rules, rule_request_of
from dashboard.components.html_parts import lot_link, stream_link, table, word
from dashboard.queries.lab_reader import LabReader
from dashboard.queries.stream_document import rule_steps
from dashboard.text.formatting import characteristic as name_of
from dashboard.text.formatting import counted, day
from dashboard.text.verdict.rule_text import cautions, heading, percents, reach, stream_sentences, worth_showing
from ingest.audit.limit_entries import with_entered_limits
from ingest.common.clock import now
from ingest.decisions.rule_change import as_rule_entry, mark_of, preview_rule
from ingest.documents.served import served
from ingest.documents.verdict.rule_change import RuleDifference, RulePreview

__all__ = ["layout"]

# More streams than a reader compares; the others are counted.
MOST_STREAMS = 40


def layout(lab_reader: LabReader, characteristic: str = "", change: str = "", **query: str) -> html.Div:
    """The rules of a characteristic, or the preview of a change; it writes nothing."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        if not change:
            lab.characteristic(characteristic)
            steps = rule_steps(with_entered_limits(connection, lab), characteristic)
            return html.Div(
                [
                    html.H1(f"Decision rules of {name_of(characteristic)}"),
                    html.P(
                        "A rule decides lots near the limit and applies to every product and supplier. A test keeps the rule of its "
                        "day. Of rules with the same first day, the entered one applies.",
                        className="lead",
                    ),
                    *decision_rules(characteristic, steps),
                ]
            )
        request = rule_request_of(characteristic, change, query)
        stored = preview_rule(connection, lab, as_rule_entry(connection, lab, request, "", "", now()))
    shown = served(stored, lab.zone)
    return html.Div(
        [
            html.H1(f"{heading(shown)}?"),
            html.P(f"Nothing is changed yet. {reach(shown)}", className="lead"),
            *[html.P(sentence, className="caution", role="note") for sentence in cautions(shown)],
            *_changes(shown),
            *_risks(shown),
            html.Section(
                [
                    html.H2("Confirm"),
                    html.P(
                        "The change is kept in the audit trail with your name, the time and the reason, and applies at once. "
                        "To undo it is a new entry.",
                        className="quiet",
                    ),
                    confirm_rule_form(request, mark_of(stored)),
                ],
                className="sheet",
            )
            if current_user().may_enter
            else None,
        ]
    )


def _changes(shown: RulePreview) -> list[Any]:
    changed = sorted(shown["streams"], key=lambda one: -len(one["verdicts"]))
    lots = sum(len(one["verdicts"]) for one in changed)
    if not changed:
        return [html.P("No verdict and no alert changes.")]
    left = len(changed) - MOST_STREAMS
    return [
        html.H2(f"{counted(lots, 'verdict')} of {counted(len(changed), 'stream')} change{'s' if lots == 1 else ''}"),
        *[_stream(one) for one in changed[:MOST_STREAMS]],
        html.P(
            f"{counted(left, 'further stream')} not listed here; lotdrift decision --preview lists all.",
            className="quiet",
        )
        if left > 0
        else None,
    ]


def _stream(stream: RuleDifference) -> html.Section:
    names = {name: stream[name] for name in ("supplier", "product", "characteristic")}
    lines = [
        [
            lot_link(stream["supplier"], one["lot"]),
            day(one["tested_at"]),
            html.Span([word(one["before"]), " → ", word(one["after"])]),
        ]
        for one in stream["verdicts"]
    ]
    return html.Section(
        [
            html.H3(stream_link(names, f"{stream['supplier']} {stream['product']}")),
            html.Ul([html.Li(sentence) for sentence in stream_sentences(stream)], className="differences"),
            html.Details(
                [
                    html.Summary(counted(len(lines), "lot")),
                    table(("lot", "tested", "verdict"), lines, "Lots that change"),
                ]
            )
            if lines
            else None,
        ],
        className="sheet",
    )


def _risks(shown: RulePreview) -> list[Any]:
    """The risks before and after, the stream that changes most first."""
    if not shown["risks"]:
        return []
    streams, others = worth_showing(shown["risks"])
    rows = [
        [
            f"{one['supplier']} {one['product']}",
            *(old if old == new else f"{old} → {new}" for old, new in percents(one)),
        ]
        for one in streams[:MOST_STREAMS]
    ]
    heads = ("stream", "bad lots that pass", "good lots that do not pass", "good lots that fail")
    left = len(streams) - MOST_STREAMS
    return [
        html.H2("What the rule does to the lots of each stream"),
        html.P(
            "Of all lots of the stream, with the bags of its last test: under the rule before, then under this one. A guard lowers the "
            "first and raises the second; more bags lower both.",
            className="quiet",
        ),
        table(heads, rows, "Risks before and after", heads[1:]) if rows else None,
        html.P(f"{counted(left, 'further stream')} with a smaller change.", className="quiet") if left > 0 else None,
        html.P(others, className="quiet") if others else None,
    ]
