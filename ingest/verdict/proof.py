"""What the bags of a session prove of the fraction of a lot's bags that is inside its limits."""

from __future__ import annotations

import math
from collections.abc import Iterable

from sqlalchemy import RowMapping

from ingest.common.json_text import from_json
from ingest.documents.verdict.conformity import Conformity, LotProof, StoredConformity
from spc.acceptance import bags_to_prove, passed_by_count, proven_inside, tolerance_factor
from spc.vocabulary.enums import Scale

__all__ = ["CONFIDENCE", "conformity", "lot_proof"]

CONFIDENCE = 0.95
COVERAGE = 0.9

Readings = Iterable[tuple[int, float, int]]


def conformity(
    stored: str | None, session: RowMapping, readings: Readings, scale: str, lower: float | None, upper: float | None
) -> Conformity | None:
    """The conformity of a session as it is shown; None until the first round of this version has derived it.

    `session` is a row of the table `session`; `readings` are its readings as bag, value and bound; the limits are those of
    the day of its test.
    """
    if stored is None:
        return None
    document: StoredConformity = from_json(stored)
    valid = session["verdict"] not in (None, "invalid") and (lower is not None or upper is not None)
    return {
        **document,
        "proof": lot_proof(document, session, readings, scale, lower, upper) if valid else None,
    }


def lot_proof(
    document: StoredConformity,
    session: RowMapping,
    readings: Readings,
    scale: str,
    lower: float | None,
    upper: float | None,
) -> LotProof:
    """What the bags prove by their values, with this lot's own scatter and with the pooled one, and by counting."""
    bags = int(session["bags"])
    inside = _bags_inside(readings, scale, lower, upper)
    result: LotProof = {
        "bags": bags,
        "confidence": CONFIDENCE,
        "inside": None,
        "own": None,
        "best": None,
        "bags_for_90": None,
        "level_for_90": None,
        "bags_inside": inside,
        "by_count": passed_by_count(bags, bags - inside, CONFIDENCE),
    }
    level, sd, df = session["level"], document["bag_mean_sd"], document["bag_df"]
    bounded = session["level_low"] != session["level_high"]
    if level is None or bounded or not sd or df <= 0:
        return result
    edges = [(side, _charted(limit, scale)) for side, limit in ((-1, lower), (1, upper)) if limit is not None]
    distances = [side * (edge - level) / sd for side, edge in edges]
    # Two limits: each at half the risk, which is the safe side.
    confidence = 1 - (1 - CONFIDENCE) / len(edges)
    result["inside"] = _both(proven_inside(one, bags, df, confidence) for one in distances)
    result["best"] = _both(0.5 * math.erfc(-one / math.sqrt(2)) for one in distances)
    own = session["bag_variance"]
    if bags >= 2 and own:
        scale_own = sd / math.sqrt(own)
        result["own"] = _both(proven_inside(one * scale_own, bags, None, confidence) for one in distances)
    if len(edges) == 1:
        result["bags_for_90"] = bags_to_prove(distances[0], COVERAGE, df, CONFIDENCE)
        side, edge = edges[0]
        needed = edge - side * tolerance_factor(bags, COVERAGE, CONFIDENCE, df) * sd
        result["level_for_90"] = math.exp(needed) if scale == Scale.LOG else needed
    return result


def _bags_inside(readings: Readings, scale: str, lower: float | None, upper: float | None) -> int:
    """Bags whose mean is inside for certain, whatever the true values of bounded readings are."""
    ends: dict[int, list[tuple[float, float]]] = {}
    for bag, value, bound in readings:
        charted = _charted(value, scale)
        ends.setdefault(bag, []).append((-math.inf if bound < 0 else charted, math.inf if bound > 0 else charted))
    low = -math.inf if lower is None else _charted(lower, scale)
    high = math.inf if upper is None else _charted(upper, scale)

    def is_inside(own: list[tuple[float, float]]) -> bool:
        least, most = (sum(one[end] for one in own) / len(own) for end in (0, 1))
        return (lower is None or least >= low) and (upper is None or most < high)

    return sum(is_inside(own) for own in ends.values())


def _both(fractions: Iterable[float]) -> float:
    """Fraction inside both limits at least, from those inside each."""
    return max(1 - sum(1 - one for one in fractions), 0.0)


def _charted(value: float, scale: str) -> float:
    return math.log(value) if scale == Scale.LOG else value
