"""The risks of the decision rule for the lots of a stream, beside other rules and more bags."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from sqlalchemy import Connection, text

from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.documents.fields import Count
from ingest.documents.stream import StoredBoardRow, StoredStream
from ingest.documents.verdict.conformity import DecisionRisks, Rule, RuleRisks, StoredConformity
from spc.conformity import acceptance_limits, risks
from spc.vocabulary.enums import BenchSource, Scale

__all__ = ["SIMPLE_RULE", "decision_risks", "risks_of_rules"]

USUAL_RISK = 0.05
SIMPLE_RULE: Rule = {"rule": "simple", "wrong_pass": None, "wrong_fail": None, "from": None}
LATEST_SQL = """
SELECT c.document, s.bags, s.started_us FROM session s JOIN conformity c ON c.session_id = s.id
WHERE s.stream_id = :stream AND s.conditioning = 'valid' ORDER BY s.started_us DESC LIMIT 1
"""


@dataclass(frozen=True, slots=True)
class _Lots:
    """The lots of a stream as its evaluation has them, and the last valid test with its rule.

    `mean`, `between` (a variance) and `limits` are in the charted scale; `u` is the uncertainty with `bags` bags, `fixed` the
    part of its square that no bag lowers and `bag` the variance of one bag mean.
    """

    level: float
    mean: float
    between: float
    u: float
    df: float
    bags: Count
    fixed: float
    bag: float
    limits: tuple[float | None, float | None]
    last: StoredConformity

    def risks(self, rule: Rule, bags: Count, in_force: bool) -> tuple[RuleRisks, float]:
        """The risks of a rule with so many bags, and the fraction of lots that are inside."""
        lower, upper = self.limits
        error = math.sqrt(self.fixed + self.bag / bags)
        edges = acceptance_limits(
            -np.inf if lower is None else lower, np.inf if upper is None else upper, error, self.df,
            rule["wrong_pass"], rule["wrong_fail"],
        )  # fmt: skip
        one = risks(self.mean, self.between, error, edges, lower, upper)
        return _document(rule, bags, in_force, one.wrong_pass, one.wrong_fail, one.not_passed), one.conforming


def decision_risks(
    connection: Connection, lab: Lab, stream: int, product: str, characteristic: str
) -> DecisionRisks | None:
    """The risks of the rule in force at the last valid test; None without a limit, or before the lots show their variation."""
    lots = _lots(connection, lab, stream, product, characteristic)
    if lots is None:
        return None
    rule = lots.last["rule"]
    found = [lots.risks(*choice) for choice in _choices(rule, lots.bags)]
    return {
        "rule": rule,
        "level": lots.level,
        "lot_sd": math.sqrt(lots.between),
        "u": lots.u,
        "bench": BenchSource(lots.last["bench"]),
        "conforming": found[-1][1],
        "risks": [one for one, _ in found],
    }


def risks_of_rules(
    connection: Connection, lab: Lab, stream: int, product: str, characteristic: str, rules: Sequence[Rule]
) -> list[RuleRisks] | None:
    """The risks of each of these rules for the lots of a stream, with the bags of its last valid test."""
    lots = _lots(connection, lab, stream, product, characteristic)
    return None if lots is None else [lots.risks(rule, lots.bags, False)[0] for rule in rules]


def _lots(connection: Connection, lab: Lab, stream: int, product: str, characteristic: str) -> _Lots | None:
    names = {"stream": stream}
    latest = connection.execute(text(LATEST_SQL), names).mappings().first()
    evaluated = connection.execute(
        text("SELECT board, document FROM evaluation WHERE stream_id = :stream"), names
    ).first()
    declared = lab.characteristic(characteristic)
    if latest is None or evaluated is None or declared.judged == "worst":
        return None
    board: StoredBoardRow = json.loads(evaluated[0])
    document: StoredStream = json.loads(evaluated[1])
    last: StoredConformity = json.loads(latest["document"])
    limits = lab.limits_at(product, characteristic, from_microseconds(latest["started_us"]))
    log = Scale(declared.scale) == Scale.LOG
    level, lots = board["level"], document["components"]["lot"]
    u = last["u_high"] if last["u_high"] is not None else last["u"]
    if level is None or lots is None or not u or (limits.lower is None and limits.upper is None):
        return None
    # The component between lots holds the bench part of their sessions too.
    between = lots - (last["parts"]["bench"] or 0.0) ** 2
    if between <= 0:
        return None
    bags, bag = int(latest["bags"]), (last["bag_mean_sd"] or 0.0) ** 2
    lower, upper = (
        None if limit is None else math.log(limit) if log else limit for limit in (limits.lower, limits.upper)
    )
    return _Lots(
        level=level,
        mean=math.log(level) if log else level,
        between=between,
        u=u,
        df=last["rule_df"] or math.inf,
        bags=bags,
        fixed=max(u**2 - bag / bags, 0.0),
        bag=bag,
        limits=(lower, upper),
        last=last,
    )


def _choices(declared: Rule, bags: int) -> list[tuple[Rule, int, bool]]:
    """Rules to show: the declared one, the simple one and a guard of 5 %, and the guard with twice the bags."""
    guarded: Rule = {"rule": "guarded", "wrong_pass": USUAL_RISK, "wrong_fail": None, "from": None}

    def content(rule: Rule) -> tuple[object, ...]:
        return (rule["rule"], rule["wrong_pass"], rule["wrong_fail"])

    others = [rule for rule in (SIMPLE_RULE, guarded) if content(rule) != content(declared)]
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
