"""How many bags: what a number of bags shows of a lot of a stream, worked out from the stored scatter of the stream.

`scatter_of` reads the store; `answer` computes from what it read, so that a slider asks the store for little.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from sqlalchemy import Connection, text

from ingest.audit.limit_entries import with_entered_limits
from ingest.common.errors import CallError, NotFoundError
from ingest.common.instants import from_microseconds
from ingest.common.json_text import from_json
from ingest.config.lab import Lab
from ingest.config.rule_history import rule_document
from ingest.documents.served import iso
from ingest.documents.stream import StoredForecast
from ingest.documents.verdict.bags import BagsDocument, BagsRow, ComingLevels, NextLot, RiskPlan, Scatter, TwoLoads
from ingest.documents.verdict.conformity import Rule, StoredConformity
from ingest.sessions.sessions import READINGS_OF_SESSION
from ingest.verdict.movement import movements, moves
from spc.acceptance import (
    bags_to_prove,
    bags_without_failure,
    batch_bound,
    passed_by_count,
    plan,
    proven_inside,
    two_stages,
)
from spc.conformity import acceptance_limits, probability, with_band
from spc.kernels.arrays import Floats
from spc.vocabulary.enums import BenchSource, Scale

__all__ = ["Question", "StreamScatter", "answer", "scatter_of"]

MOST_BAGS, MOST_READINGS = 60, 12
CURVE_POINTS = 81
LAST_LOTS = 25
FEWEST_LOTS = 3
LOTS_AFTER_MOVE = 8
NUMBERS = (3, 6, 12, 24)
DISCHARGES = (1, 3, 6, 12)

SESSIONS_SQL = """
SELECT c.document, s.bags, s.readings_per_bag, s.started_us FROM session s JOIN conformity c ON c.session_id = s.id
WHERE s.stream_id = :stream AND s.conditioning = 'valid' AND s.level IS NOT NULL ORDER BY s.started_us DESC LIMIT 25
"""
BAG_MEANS_SQL = f"""
SELECT s.id, s.started_us, s.level, r.specimen, r.value FROM session s JOIN reading r ON {READINGS_OF_SESSION}
WHERE s.stream_id = :stream AND s.conditioning = 'valid' AND s.below = 0 AND s.above = 0 AND s.started_us >= :since
ORDER BY s.started_us DESC, r.specimen
"""


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked; None for what is usual in the stream.

    `bags` and `readings` a bag, `level` the true mean in the unit, `good` and `bad` fractions of bags beyond the limit with
    the risks of a wrong answer, `second` the bags of a second chamber load.
    """

    bags: int | None = None
    readings: int | None = None
    level: float | None = None
    good: float = 0.01
    good_risk: float = 0.05
    bad: float = 0.10
    bad_risk: float = 0.10
    second: int | None = None

    def checked(self) -> Question:
        """The question; CallError where a number is out of range."""
        for name, value, most in (("bags", self.bags, MOST_BAGS), ("readings", self.readings, MOST_READINGS),
                                  ("second", self.second, MOST_BAGS)):  # fmt: skip
            if value is not None and not 1 <= value <= most:
                raise CallError(f"bags: {name} must be from 1 to {most}, got {value}")
        if self.level is not None and not (math.isfinite(self.level) and self.level > 0):
            raise CallError(f"bags: the level must be a number above 0, got {self.level}")
        if not 0 < self.good < self.bad < 1:
            raise CallError(f"bags: good must be above 0 and below bad, got {self.good:g} and {self.bad:g}")
        for name, risk in (("good-risk", self.good_risk), ("bad-risk", self.bad_risk)):
            if not 0 < risk < 0.5:
                raise CallError(f"bags: {name} must be above 0 and below 0.5, got {risk:g}")
        return self


@dataclass(frozen=True, slots=True)
class StreamScatter:
    """The stored scatter of a stream and the limit and rule in force at its last valid test."""

    supplier: str
    product: str
    characteristic: str
    unit: str
    log: bool
    side: int
    limit: float
    rule: Rule
    bag: float
    reading: float
    bench: float | None
    bench_bound: float | None
    instrument: float
    bag_df: float
    bench_source: BenchSource
    bags: int
    readings: int
    level: float
    next_lot: NextLot | None

    def u(self, bags: int, readings: int) -> float:
        """Uncertainty of a level; an unknown bench part counts with its bound."""
        bench = self.bench if self.bench is not None else self.bench_bound or 0.0
        return math.sqrt(self.bag_mean(readings) ** 2 / bags + bench**2 + self.instrument**2)

    def bag_mean(self, readings: int) -> float:
        """Standard deviation of a bag mean."""
        return math.sqrt(self.bag**2 + self.reading**2 / readings)

    def charted(self, value: float) -> float:
        """A value of the unit in the charted scale."""
        return math.log(value) if self.log else value

    def in_unit(self, value: float) -> float:
        """A value of the charted scale in the unit."""
        return math.exp(value) if self.log else value


def scatter_of(connection: Connection, lab: Lab, supplier: str, product: str, characteristic: str) -> StreamScatter:
    """Read the scatter of a stream; CallError where there is no such stream, no limit, or no variation between bags yet."""
    names = {"supplier": supplier, "product": product, "characteristic": characteristic}
    stream = connection.execute(
        text(
            "SELECT id FROM stream WHERE supplier = :supplier AND product = :product AND characteristic = :characteristic"
        ),
        names,
    ).scalar()
    where = f"{supplier} {product}, {characteristic}"
    if stream is None:
        raise NotFoundError("bags", f"there is no stream {where}", "lotdrift board lists them all")
    rows = connection.execute(text(SESSIONS_SQL), {"stream": stream}).mappings().all()
    documents: list[StoredConformity] = [from_json(row["document"]) for row in rows]
    # A lot that varied more than usual says nothing about the others.
    usual = next(
        (place for place, one in enumerate(documents) if not one["own_variance"] and one["bag_mean_sd"]),
        next((place for place, one in enumerate(documents) if one["bag_mean_sd"]), None),
    )
    if usual is None:
        raise CallError(f"bags: {where} has no valid lot yet that shows how its bags vary")
    row, last = rows[usual], documents[usual]
    declared = lab.characteristic(characteristic)
    when = from_microseconds(row["started_us"])
    limits = with_entered_limits(connection, lab).limits_at(product, characteristic, when)
    board = from_json(
        str(
            connection.execute(
                text("SELECT board FROM evaluation WHERE stream_id = :stream"), {"stream": stream}
            ).scalar()
        )
    )
    if (limits.upper is None and limits.lower is None) or board["level"] is None:
        raise CallError(
            f"bags: no specification limit applies to {where}; declare one in lab.toml or with lotdrift limit"
        )
    log = Scale(declared.scale) == Scale.LOG
    side, limit = _nearer(limits.lower, limits.upper, board["level"], log)
    bags, readings = int(row["bags"]), max(round(row["readings_per_bag"] or 1), 1)
    u_readings = last["parts"]["readings"] or 0.0
    known = last["parts"]["bench"]
    bound = None
    if known is None and last["u_high"] is not None and last["u"] is not None:
        bound = math.sqrt(max(last["u_high"] ** 2 - last["u"] ** 2, 0.0))
    result = StreamScatter(
        supplier=supplier,
        product=product,
        characteristic=characteristic,
        unit=declared.unit,
        log=log,
        side=side,
        limit=limit,
        rule=rule_document(lab.decision_rule(characteristic, when)),
        bag=last["bag_sd"] or 0.0,
        reading=u_readings * math.sqrt(bags * readings),
        bench=known,
        bench_bound=bound,
        instrument=last["parts"]["instrument"] or 0.0,
        bag_df=last["bag_df"],
        bench_source=BenchSource(last["bench"]),
        bags=bags,
        readings=readings,
        level=board["level"],
        next_lot=None,
    )
    return replace(
        result, next_lot=_next_lot(connection, lab, stream, min(one["started_us"] for one in rows), result, board)
    )


def _nearer(lower: float | None, upper: float | None, level: float, log: bool) -> tuple[int, float]:
    """The side and value of the limit that the level is nearer to."""
    sides = [(side, edge) for side, edge in ((-1, lower), (1, upper)) if edge is not None]
    return min(sides, key=lambda one: abs(math.log(one[1] / level)) if log else abs(one[1] - level))


def _next_lot(
    connection: Connection, lab: Lab, stream: int, since_us: int, scatter: StreamScatter, board: Mapping[str, Any]
) -> NextLot | None:
    """What the last lots prove of the next bag of the next lot; None where there are too few of them.

    Lots of a level that moves prove nothing of the next one: it is at the level of no lot before it. The forecast holds where
    such a lot may be. Of a level that moved once, the lots since count.
    """
    means: dict[tuple[int, int], list[float]] = {}
    tests: dict[int, tuple[int, float]] = {}
    for session, started_us, level, bag, value in connection.execute(
        text(BAG_MEANS_SQL), {"stream": stream, "since": since_us}
    ):
        means.setdefault((session, bag), []).append(scatter.charted(value))
        tests[session] = started_us, level
    lots = sorted(list(tests)[:LAST_LOTS], key=lambda one: tests[one])
    if len(lots) < FEWEST_LOTS:
        return None
    movement = movements(connection, [stream])[stream]
    start, end = tests[lots[0]][0], tests[lots[-1]][0]
    moved = max((moment for moment in movement.begun if start < moment <= end), default=None)
    if moved is not None:
        lots = [one for one in lots if tests[one][0] >= moved]
    tested, levels = [tests[one][0] for one in lots], [tests[one][1] for one in lots]
    kept = {key: sum(own) / len(own) for key, own in means.items() if key[0] in set(lots)}
    result: NextLot = {
        "lots": len(lots),
        "bags": len(kept),
        "since_at": iso(moved, lab.zone),
        "bound": None,
        "inside": None,
        "moves": True,
        "level_now": board["level"],
        "change_percent_per_month": board["change_percent_per_month"],
        **_coming(connection, stream, tested),
    }
    # Few lots after a move do not show whether it is over.
    is_open = moved is not None and len(lots) < LOTS_AFTER_MOVE
    if is_open or moves(movement, moved or start, end + 1, tested, levels):
        return result
    if len(kept) <= len(lots):
        return None
    bound = batch_bound(list(kept.values()), [session for session, _ in kept], side=scatter.side).bound
    value = scatter.in_unit(min(max(bound, -700.0), 700.0))
    inside = value < scatter.limit if scatter.side > 0 else value >= scatter.limit
    return {**result, "bound": value, "inside": inside, "moves": False}


def _coming(connection: Connection, stream: int, tested: Sequence[int]) -> ComingLevels:
    """Between which levels eight of ten next lots lie by the stored forecast, one usual interval after the last lot."""
    document = from_json(
        str(
            connection.execute(
                text("SELECT document FROM evaluation WHERE stream_id = :stream"), {"stream": stream}
            ).scalar()
        )
    )
    outlook: StoredForecast | None = document["forecast"]
    if outlook is None or len(tested) < 2:
        return {"coming_low": None, "coming_high": None}
    due = tested[-1] + (tested[-1] - tested[0]) // (len(tested) - 1)
    near = min(outlook["fan"], key=lambda one: abs(one["tested_us"] - due))
    return {"coming_low": near["p10"], "coming_high": near["p90"]}


def answer(scatter: StreamScatter, asked: Question) -> BagsDocument:
    """What the asked number of bags shows; CallError where a number is out of range."""
    asked = asked.checked()
    bags, readings = asked.bags or scatter.bags, asked.readings or scatter.readings
    level = scatter.level if asked.level is None else asked.level
    limit = scatter.charted(scatter.limit)
    reach = 3.2 * max(scatter.u(3, readings), scatter.u(scatter.bags, scatter.readings))
    span = max(reach, abs(scatter.charted(level) - limit) * 1.05)
    means = np.linspace(limit - span, limit + span, CURVE_POINTS)
    chance, today = (_pass_chance(scatter, means, *one) for one in ((bags, readings), (scatter.bags, scatter.readings)))
    at_level = np.array([scatter.charted(level)])
    bag_mean = scatter.bag_mean(readings)
    distance = scatter.side * (limit - float(at_level[0])) / bag_mean
    second = asked.second or 2 * bags
    return {
        "supplier": scatter.supplier,
        "product": scatter.product,
        "characteristic": scatter.characteristic,
        "unit": scatter.unit,
        "scale": Scale.LOG if scatter.log else Scale.LINEAR,
        "side": "upper" if scatter.side > 0 else "lower",
        "limit": scatter.limit,
        "rule": scatter.rule,
        "scatter": _scatter_document(scatter),
        "bags": bags,
        "readings": readings,
        "level": level,
        "bags_today": scatter.bags,
        "readings_today": scatter.readings,
        "chance": float(_pass_chance(scatter, at_level, bags, readings)[0]),
        "chance_today": float(_pass_chance(scatter, at_level, scatter.bags, scatter.readings)[0]),
        "u": scatter.u(bags, readings),
        "proves": proven_inside(distance, bags, scatter.bag_df),
        "by_count": passed_by_count(bags, 0),
        "bags_for_90": bags_to_prove(distance, 0.9, scatter.bag_df),
        "bags_for_90_by_count": next(number for number in itertools.count(1) if passed_by_count(number, 0) >= 0.9),
        "curve": [
            {"level": scatter.in_unit(mean), "chance": one, "chance_today": other}
            for mean, one, other in zip(means.tolist(), chance.tolist(), today.tolist(), strict=True)
        ],
        "numbers": [_numbers(scatter, count, readings) for count in sorted({*NUMBERS, bags})],
        "discharges": [{"readings": count, "u": scatter.u(bags, count)} for count in sorted({*DISCHARGES, readings})],
        "plan": _plan(asked.good, asked.good_risk, asked.bad, asked.bad_risk),
        "two_loads": _two_loads(scatter, float(at_level[0]), bags, second, readings),
        "next_lot": scatter.next_lot,
    }


def _scatter_document(scatter: StreamScatter) -> Scatter:
    return {
        "bag": scatter.bag,
        "reading": scatter.reading,
        "bench": scatter.bench,
        "bench_bound": scatter.bench_bound,
        "instrument": scatter.instrument,
        "bag_df": scatter.bag_df,
        "bench_source": scatter.bench_source,
    }


def _edge(scatter: StreamScatter, u: float) -> float:
    """Measured level up to which a lot passes, in the charted scale, seen from the side of the limit."""
    limit = scatter.charted(scatter.limit)
    lower, upper = (-np.inf, limit) if scatter.side > 0 else (limit, np.inf)
    rule = scatter.rule
    result = acceptance_limits(lower, upper, u, max(scatter.bag_df, 1.0), rule["wrong_pass"], rule["wrong_fail"])
    result = with_band(result, rule.get("guard_percent", 0.0) / 100.0, log=scatter.log)
    return float(result.pass_upper if scatter.side > 0 else result.pass_lower)


def _pass_chance(scatter: StreamScatter, means: Floats, bags: int, readings: int) -> Floats:
    """Chance that a lot with this true mean passes."""
    u = scatter.u(bags, readings)
    edge = _edge(scatter, u)
    return probability(means, u, upper=edge) if scatter.side > 0 else probability(means, u, lower=edge)


def _numbers(scatter: StreamScatter, bags: int, readings: int) -> BagsRow:
    u = scatter.u(bags, readings)
    edge = _edge(scatter, u)
    passes, stopped = (scatter.in_unit(edge + sign * scatter.side * 2.3263479 * u) for sign in (-1, 1))
    return {"bags": bags, "passes": passes, "stopped": stopped}


@lru_cache(maxsize=200)
def _plan_of(good: float, good_risk: float, bad: float, bad_risk: float) -> tuple[int, float, int, float, int]:
    try:
        by_values = plan(good, good_risk, bad, bad_risk)
        known = plan(good, good_risk, bad, bad_risk, sd_known=True)
    except ValueError as error:
        raise CallError(f"bags: {error}") from error
    return by_values.bags, by_values.k, known.bags, known.k, bags_without_failure(bad, bad_risk)


def _plan(good: float, good_risk: float, bad: float, bad_risk: float) -> RiskPlan:
    bags, k, bags_known, k_known, by_count = _plan_of(good, good_risk, bad, bad_risk)
    return {
        "good": good,
        "good_risk": good_risk,
        "bad": bad,
        "bad_risk": bad_risk,
        "bags": bags,
        "k": k,
        "bags_known": bags_known,
        "k_known": k_known,
        "bags_by_count": by_count,
    }


def _two_loads(scatter: StreamScatter, mean: float, first: int, second: int, readings: int) -> TwoLoads:
    bench = scatter.bench if scatter.bench is not None else scatter.bench_bound or 0.0
    distance = scatter.side * (scatter.charted(scatter.limit) - mean)
    result = two_stages(distance, first, second, scatter.bag_mean(readings), 1.645, bench)
    return {"first": first, "second": second, "chance": float(result.pass_chance), "mean_bags": float(result.mean_bags)}
