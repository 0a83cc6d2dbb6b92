"""How sure a verdict is: three questions with one answer each on a lot's page, and the risks of the rule on a stream's page."""

from __future__ import annotations

from dash import html

from dashboard.charts.number_line import NumberLine, number_line
from dashboard.charts.sparkline import as_image_address
from dashboard.components.decision_rules import decision_rules
from dashboard.components.html_parts import facts, folded, legend, table
from dashboard.text.formatting import amount, percent
from dashboard.text.urls import bags_address
from dashboard.text.verdict.conformity_text import (
    bags_sentence,
    has_guard,
    mean_sentence,
    next_bag_sentence,
    risk_words,
    rule_words,
)
from dashboard.text.verdict.rule_text import since
from ingest.documents.lot import LotDocument, Session
from ingest.documents.stream import StreamDocument
from ingest.documents.verdict.conformity import Conformity
from spc.vocabulary.enums import BenchSource, Scale
from spc.vocabulary.finite import LARGEST, MOST_COUNTED, SMALLEST, exp

__all__ = ["conformity_section", "rule_section"]

Z_95 = 1.96
LEVEL_KEY = ("━●━", "span", "level of the lot, with its 95 % interval")
GUARD_KEY = ("▨", "guard", "guard band: a lot here does not pass")


def conformity_section(document: LotDocument, session: Session) -> list[object]:
    """How sure the verdict of a session is; nothing where there is no limit or no valid test."""
    result = session["conformity"]
    if result is None or session["verdict"] in ("invalid", "unlimited"):
        return []
    unit = session["unit"]
    mean, why = mean_sentence(result, session["judged_by"])
    part, proof = bags_sentence(result["proof"], unit)
    questions = facts(
        [
            ("Is the mean of the lot inside?", mean, why),
            ("Is the next bag of it inside?", next_bag_sentence(result), "a random further bag of this lot"),
            ("Which part of its bags is inside?", part, proof),
        ]
    )
    link = html.A(
        "How many bags would show more?",
        href=bags_address(document["supplier"], session["product"], session["characteristic"]),
    )
    return [
        html.Details(
            [
                html.Summary(html.H3("How sure is that?")),
                html.Div(questions, className="questions"),
                *_line(session, result),
                html.P([_rule(session, result), " ", link], className="quiet"),
            ],
            open=True,
            className="fold-narrow",
        )
    ]


def _rule(session: Session, result: Conformity) -> str:
    rule, unit = result["rule"], session["unit"]
    text = f"Decision rule: {rule_words(rule)}{since(rule)}."
    edges = [
        f"{words} {amount(edge, unit)}"
        for words, edge in (("from", result["accept_lower"]), ("up to", result["accept_upper"]))
        if edge is not None and has_guard(rule)
    ]
    text += f" A lot with these bags passes {' '.join(edges)}." if edges else ""
    if result["bench"] == BenchSource.UNKNOWN:
        text += " Bench part not known: no check standard, repeated lot or gauge study shows it yet, so both ends are given."
    return text


def _line(session: Session, result: Conformity) -> list[object]:
    level, u = session["level"], result["u_high"] or result["u"]
    if level is None or not u:
        return []
    log = session["scale"] == Scale.LOG
    ends = (level * exp(s * Z_95 * u) if log else level + s * Z_95 * u for s in (-1, 1))
    low, high = (min(max(end, SMALLEST if log else -LARGEST), LARGEST) for end in ends)
    if not log and max(-low, high) > MOST_COUNTED:  # The ends of the picture would be beyond the largest number
        return []
    title = f"Level {amount(level, session['unit'])}, between {amount(low, session['unit'])} and {amount(high, session['unit'])}"
    line = NumberLine(
        level,
        low,
        high,
        session["limit_lower"],
        session["limit_upper"],
        result["accept_lower"],
        result["accept_upper"],
        session["unit"],
        log,
    )
    marks = [LEVEL_KEY] if line.nearer_edge is None else [LEVEL_KEY, GUARD_KEY]
    return [
        html.Img(src=as_image_address(number_line(line, title)), alt=title, className="number-line"),
        legend(*marks),
    ]


def rule_section(document: StreamDocument) -> html.Details | None:
    """The decision rules of a stream over time, and the risks of the one in force beside other rules and more bags."""
    result, name = document["decision"], document["characteristic"]
    limits = document["specification_limits"]
    if result is None:
        limited = limits["lower"] or limits["upper"]
        return folded("Decision rule", decision_rules(name, document["decision_rules"]), "rule") if limited else None
    rows = [
        [risk_words(one), percent(one["wrong_passes"]), percent(one["good_not_passed"]), percent(one["wrong_fails"])]
        for one in result["risks"]
    ]
    heads = ("rule", "bad lots that pass", "good lots that do not pass", "good lots that fail")
    declared = result["risks"][0]
    parts: list[object] = [
        html.P(
            f"The rule is {rule_words(result['rule'])}. Of 100 lots of this stream it passes {100 * declared['wrong_passes']:.1f} bad "
            f"ones and keeps back {100 * declared['good_not_passed']:.1f} good ones. A guard is paid by good lots; more bags lower "
            "both."
        ),
        table(heads, rows, "Risks of decision rules", heads[1:]),
        *decision_rules(name, document["decision_rules"]),
    ]
    return folded("Decision rule and its risks", parts, "rule")
