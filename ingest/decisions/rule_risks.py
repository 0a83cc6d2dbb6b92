"""The risks of the decision rule for the lots of a stream, beside other rules and more bags."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection

from ingest.common.instants import from_microseconds
from ingest.config.lab import Lab
from ingest.config.models import Characteristic
from ingest.documents.fields import Count
from ingest.documents.verdict.conformity import DecisionRisks, Rule, RuleRisks, StoredConformity
from ingest.store.dialect import json_number
from spc.conformity import acceptance_limits, risks, with_band
from spc.vocabulary.enums import BenchSource, Scale

__all__ = ["SIMPLE_RULE", "decision_risks", "risks_of_rules"]

USUAL_RISK = 0.05
SIMPLE_RULE: Rule = {"rule": "simple", "wrong_pass": None, "wrong_fail": None, "from": None}
# Streams with a valid test: the last one of each, with the level and the component between lots of its evaluation. The last valid test nearly
# always has its document; where one has none, the last that has one is searched, which reads every document of the stream.
LATEST_SQL = """
SELECT t.id, s.bags, s.started_us, c.document, {level}, {lots} FROM stream t JOIN session s ON s.id = (
    SELECT l.id FROM session l {searched}
    WHERE l.stream_id = t.id AND l.conditioning = 'valid' ORDER BY l.started_us DESC LIMIT 1)
JOIN conformity c ON c.session_id = s.id JOIN evaluation e ON e.stream_id = t.id WHERE t.id IN ({places})
"""
SEARCHED = "JOIN conformity d ON d.session_id = l.id"
STREAMS_AT_ONCE = 500


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


def decision_risks(
    connection: Connection, lab: Lab, stream: int, product: str, characteristic: str
) -> DecisionRisks | None:
    """The risks of the rule in force at the last valid test; None without a limit, or before the lots show their variation."""
    lots = _lots(connection, lab, {stream: product}, characteristic).get(stream)
    if lots is None:
        return None
    rule, log = lots.last["rule"], _is_log(lab, characteristic)
    rows = [_risks([lots], choice, [bags], in_force, log)[0] for choice, bags, in_force in _choices(rule, lots.bags)]
    return {
        "rule": rule,
        "level": lots.level,
        "lot_sd": math.sqrt(lots.between),
        "u": lots.u,
        "bench": BenchSource(lots.last["bench"]),
        "conforming": rows[-1][1],
        "risks": [one for one, _ in rows],
    }


def risks_of_rules(
    connection: Connection, lab: Lab, products: Mapping[int, str], characteristic: str, rules: Sequence[Rule]
) -> dict[int, list[RuleRisks]]:
    """The risks of each of these rules for the lots of many streams, with the bags of the last valid test of each.

    `products` names the product of each stream; a stream without a limit or without known variation is left out.
    """
    lots = _lots(connection, lab, products, characteristic)
    every = list(lots.values())
    log = _is_log(lab, characteristic)
    by_rule = [_risks(every, rule, [one.bags for one in every], False, log) for rule in rules]
    return {stream: [one for one, _ in pair] for stream, pair in zip(lots, zip(*by_rule, strict=True), strict=True)}


def _is_log(lab: Lab, characteristic: str) -> bool:
    return Scale(lab.characteristic(characteristic).scale) == Scale.LOG


def _risks(
    lots: Sequence[_Lots], rule: Rule, bags: Sequence[Count], in_force: bool, log: bool
) -> list[tuple[RuleRisks, float]]:
    """The risks of a rule with so many bags for the lots of each stream, and the fraction of lots that are inside."""
    if not lots:
        return []
    error = np.sqrt(np.array([one.fixed + one.bag / count for one, count in zip(lots, bags, strict=True)]))
    lower, upper = (
        np.array([math.nan if one.limits[side] is None else one.limits[side] for one in lots]) for side in (0, 1)
    )
    edges = acceptance_limits(
        lower, upper, error, np.array([one.df for one in lots]), rule["wrong_pass"], rule["wrong_fail"]
    )
    edges = with_band(edges, rule.get("guard_percent", 0.0) / 100.0, log=log)
    fractions = risks(
        np.array([one.mean for one in lots]), np.array([one.between for one in lots]), error, edges, lower, upper
    )
    columns = (fractions.wrong_pass, fractions.wrong_fail, fractions.not_passed, fractions.conforming)
    return [
        (_document(rule, count, in_force, wrong_pass, wrong_fail, not_passed), conforming)
        for count, wrong_pass, wrong_fail, not_passed, conforming in zip(
            bags, *(column.tolist() for column in columns), strict=True
        )
    ]


def _lots(connection: Connection, lab: Lab, products: Mapping[int, str], characteristic: str) -> dict[int, _Lots]:
    """The lots of each stream that has a limit and shows their variation."""
    declared = lab.characteristic(characteristic)
    if declared.judged == "worst":
        return {}
    level, lots = (
        json_number(connection, "e.board", "level"),
        json_number(connection, "e.document", "components", "lot"),
    )
    wanted, every = list(products), {}
    for start in range(0, len(wanted), STREAMS_AT_ONCE):
        part = wanted[start : start + STREAMS_AT_ONCE]
        rows: dict[int, Sequence[Any]] = {}
        for searched in ("", SEARCHED):
            missing = [stream for stream in part if stream not in rows]
            if missing:
                places = ", ".join("?" * len(missing))
                sql = LATEST_SQL.format(level=level, lots=lots, searched=searched, places=places)
                rows |= {row[0]: row[1:] for row in connection.exec_driver_sql(sql, tuple(missing)).all()}
        for stream, row in rows.items():
            one = _lots_of(lab, products[stream], declared, *row)
            if one is not None:
                every[stream] = one
    return {stream: every[stream] for stream in wanted if stream in every}


def _lots_of(
    lab: Lab, product: str, declared: Characteristic, bags: int, started_us: int, document: str, level: float | None,
    lots: float | None,
) -> _Lots | None:  # fmt: skip
    last: StoredConformity = json.loads(document)
    limits = lab.limits_at(product, declared.name, from_microseconds(started_us))
    log = _is_log(lab, declared.name)
    u = last["u_high"] if last["u_high"] is not None else last["u"]
    if level is None or lots is None or not u or (limits.lower is None and limits.upper is None):
        return None
    # The component between lots holds the bench part of their sessions too.
    between = lots - (last["parts"]["bench"] or 0.0) ** 2
    if between <= 0:
        return None
    bag = (last["bag_mean_sd"] or 0.0) ** 2
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
        return (rule["rule"], rule["wrong_pass"], rule["wrong_fail"], rule.get("guard_percent"))

    others = [rule for rule in (SIMPLE_RULE, guarded) if content(rule) != content(declared)]
    twice = declared if declared["rule"] == "guarded" else guarded
    return [(declared, bags, True), *((rule, bags, False) for rule in others), (twice, 2 * bags, False)]


def _document(
    rule: Rule, bags: int, declared: bool, wrong_passes: float, wrong_fails: float, good_not_passed: float
) -> RuleRisks:
    document: RuleRisks = {
        "rule": rule["rule"],
        "wrong_pass": rule["wrong_pass"],
        "wrong_fail": rule["wrong_fail"],
        "bags": bags,
        "declared": declared,
        "wrong_passes": wrong_passes,
        "wrong_fails": wrong_fails,
        "good_not_passed": good_not_passed,
    }
    if "guard_percent" in rule:
        document["guard_percent"] = rule["guard_percent"]
    return document
