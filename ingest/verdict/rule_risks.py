"""The risks of the decision rule for the lots of a stream, beside other rules and more bags."""

from __future__ import annotations

import json
import math

import numpy as np
from sqlalchemy import Connection, text

from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.documents.stream import StoredBoardRow, StoredStream
from ingest.documents.verdict.conformity import DecisionRisks, Rule, RuleRisks, StoredConformity
from spc.conformity import acceptance_limits, risks
from spc.vocabulary.enums import BenchSource, Scale

__all__ = ["decision_risks"]

USUAL_RISK = 0.05
LATEST_SQL = """
SELECT c.document, s.bags, s.started_us FROM session s JOIN conformity c ON c.session_id = s.id
WHERE s.stream_id = :stream AND s.conditioning = 'valid' ORDER BY s.started_us DESC LIMIT 1
"""


def decision_risks(
    connection: Connection, lab: Lab, stream: int, product: str, characteristic: str
) -> DecisionRisks | None:
    """The risks of the rule in force at the last valid test; None without a limit, or before the lots show their variation."""
    names = {"stream": stream}
    latest = connection.execute(text(LATEST_SQL), names).mappings().first()
    evaluated = connection.execute(
        text("SELECT board, document FROM evaluation WHERE stream_id = :stream"), names
    ).first()
    if latest is None or evaluated is None:
        return None
    board: StoredBoardRow = json.loads(evaluated[0])
    document: StoredStream = json.loads(evaluated[1])
    last: StoredConformity = json.loads(latest["document"])
    when = from_microseconds(latest["started_us"])
    limits = lab.limits_at(product, characteristic, when)
    declared = lab.characteristic(characteristic)
    log = Scale(declared.scale) == Scale.LOG
    level, lots = board["level"], document["components"]["lot"]
    u = last["u_high"] if last["u_high"] is not None else last["u"]
    if level is None or lots is None or not u or (limits.lower is None and limits.upper is None):
        return None
    bench = last["parts"]["bench"] or 0.0
    # The component between lots holds the bench part of their sessions too.
    between = lots - bench**2
    if between <= 0 or declared.judged == "worst":
        return None
    lower, upper = (
        None if limit is None else math.log(limit) if log else limit for limit in (limits.lower, limits.upper)
    )
    mean = math.log(level) if log else level
    bags = int(latest["bags"])
    fixed = u**2 - (last["bag_mean_sd"] or 0.0) ** 2 / bags
    rule = last["rule"]
    result = []
    conforming = 0.0
    for choice, count, in_force in _choices(rule, bags):
        error = math.sqrt(max(fixed, 0.0) + (last["bag_mean_sd"] or 0.0) ** 2 / count)
        edges = acceptance_limits(
            -np.inf if lower is None else lower, np.inf if upper is None else upper, error, last["df"] or np.inf,
            choice["wrong_pass"], choice["wrong_fail"],
        )  # fmt: skip
        one = risks(mean, between, error, edges, lower, upper)
        conforming = one.conforming
        result.append(_document(choice, count, in_force, one.wrong_pass, one.wrong_fail, one.not_passed))
    return {
        "rule": rule,
        "level": level,
        "lot_sd": math.sqrt(between),
        "u": u,
        "bench": BenchSource(last["bench"]),
        "conforming": conforming,
        "risks": result,
    }


def _choices(declared: Rule, bags: int) -> list[tuple[Rule, int, bool]]:
    """Rules to show: the declared one, the simple one and a guard of 5 %, and the guard with twice the bags."""
    simple: Rule = {"rule": "simple", "wrong_pass": None, "wrong_fail": None, "from": None}
    guarded: Rule = {"rule": "guarded", "wrong_pass": USUAL_RISK, "wrong_fail": None, "from": None}

    def content(rule: Rule) -> tuple[object, ...]:
        return (rule["rule"], rule["wrong_pass"], rule["wrong_fail"])

    others = [rule for rule in (simple, guarded) if content(rule) != content(declared)]
    twice = declared if declared["rule"] == "guarded" else guarded
    return [(declared, bags, True), *((rule, bags, False) for rule in others), (twice, 2 * bags, False)]


def _document(
    rule: Rule, bags: int, declared: bool, wrong_passes: float, wrong_fails: float, good_not_passed: float
) -> RuleRisks:
    return {
        "rule": rule["rule"],
        "wrong_pass": rule["wrong_pass"],
        "wrong_fail": rule["wrong_fail"],
        "bags": bags,
        "declared": declared,
        "wrong_passes": wrong_passes,
        "wrong_fails": wrong_fails,
        "good_not_passed": good_not_passed,
    }
