"""The score and place of each supplier in a quarter, from counts that the lab's declared weights put together.

Every part is a share of counts: lots that conform, streams without a drift or a wider scatter, lots with room to their
limit, notices answered in time. What a bench finding explains and what was not valid counts in none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import get_args

from ingest.config.models import USUAL_WEIGHTS, Weights
from ingest.documents.alert import Alert
from ingest.documents.scorecard import NoticeRow, ScorePartName, SupplierStanding, WeightShares
from ingest.quarter.lots import DISPOSITIONS, QuarterLot, StreamLots
from ingest.quarter.notices import in_time, overdue
from spc.supplier import ranking, scoring
from spc.vocabulary.enums import Kind

__all__ = ["PARTS", "SPARE", "counts", "score_rows", "weights_document"]

Pair = tuple[int, int]

PARTS: tuple[ScorePartName, ...] = get_args(ScorePartName)
SPARE = 0.2
"""Share of the limit that a lot with room keeps clear of it: common practice, no source."""


def counts(
    streams: Sequence[StreamLots], alerts: Sequence[Alert], notices: Sequence[NoticeRow]
) -> dict[ScorePartName, Pair]:
    """For each part of a supplier's score, how many were good of how many that could be judged.

    `alerts` are those of the supplier raised in the quarter, `notices` those asked in it.
    """
    lots = _lots_once(streams)
    decided = [standing for standing, _ in lots.values() if standing in ("pass", "fail")]
    roomy = [standing == "pass" and has_room for standing, has_room in lots.values() if standing in ("pass", "fail")]
    watched = [stream for stream in streams if any(lot.measured for lot in stream.lots)]
    moved = {
        (alert["supplier"], alert["product"], alert["characteristic"]) for alert in alerts if _counts_as_move(alert)
    }
    steady = sum((stream.supplier, stream.product, stream.characteristic) not in moved for stream in watched)
    return {
        "conforming": (decided.count("pass"), len(decided)),
        "drift": (steady, len(watched)),
        "room": (sum(roomy), len(roomy)),
        "response": (
            sum(map(in_time, notices)),
            sum(one["answered_on"] is not None or overdue(one) for one in notices),
        ),
    }


def _lots_once(streams: Sequence[StreamLots]) -> dict[tuple[str, str], tuple[str, bool]]:
    """How each lot stands by the characteristic that weighs most, and whether all of them have room."""
    found: dict[tuple[str, str], tuple[str, bool]] = {}
    for stream in streams:
        for lot in stream.lots:
            key = (stream.product, lot.lot)
            standing, has_room = found.get(key, (lot.standing, True))
            worst = min(standing, lot.standing, key=DISPOSITIONS.index)
            found[key] = (worst, has_room and _has_room(lot))
    return found


def _has_room(lot: QuarterLot) -> bool:
    """Whether the judged value keeps clear of its limits; a bounded value that passes does."""
    judged, limits = lot.session["judged"], lot.session["limits"]
    if judged is None or limits is None:
        return True
    lower, upper = limits
    under = upper is None or judged <= upper - SPARE * abs(upper)
    return bool(under and (lower is None or judged >= lower + SPARE * abs(lower)))


def _counts_as_move(alert: Alert) -> bool:
    """A wider scatter, or a drift that doesn't lead away from the only limit; nothing that the bench explains."""
    if alert["held_under"] is not None or alert["kind"] not in (Kind.DRIFT, Kind.SPREAD):
        return False
    evidence = alert["evidence"]
    if evidence["what"] != Kind.DRIFT:
        return True
    return (evidence["limit_upper"] if evidence["direction"] > 0 else evidence["limit_lower"]) is not None


def weights_document(weights: Weights) -> WeightShares:
    """The weights as shares of 1, and whether they are the default ones."""
    whole = weights.conforming + weights.drift + weights.room + weights.response
    return {
        "conforming": weights.conforming / whole,
        "drift": weights.drift / whole,
        "room": weights.room / whole,
        "response": weights.response / whole,
        "usual": weights == USUAL_WEIGHTS,
    }


def score_rows(
    by_supplier: Mapping[str, Mapping[ScorePartName, Pair]], weights: Weights
) -> dict[str, SupplierStanding]:
    """Share of conforming lots, score and place of each supplier, pooled in part with all others of the quarter.

    Every lot weighs the same, whatever its size; that is common practice where nothing else is agreed. A supplier
    without a decided lot has no place and takes part in none.
    """
    found = {supplier: _unplaced(own, weights) for supplier, own in by_supplier.items()}
    ranked = [supplier for supplier, own in by_supplier.items() if own["conforming"][1]]
    pairs = [_columns([by_supplier[supplier][part] for supplier in ranked]) for part in PARTS]
    given = [float(getattr(weights, part)) for part in PARTS]
    if not any(weight and any(decided) for weight, (_, decided) in zip(given, pairs, strict=True)):
        return found
    alone, score = ranking.shares(*pairs[0]), scoring.combine(pairs, given)
    for position, supplier in enumerate(ranked):
        found[supplier] = {
            **found[supplier],
            "share": float(alone.share[position]),
            "share_low": float(alone.low[position]),
            "share_high": float(alone.high[position]),
            "score": float(score.score[position]),
            "score_low": float(score.low[position]),
            "score_high": float(score.high[position]),
            "place_first": int(score.first[position]),
            "place_last": int(score.last[position]),
            "placed": len(ranked),
        }
        for number, part in enumerate(found[supplier]["parts"]):
            pooled = float(score.parts[number, position])
            part["weighs"], part["share"] = float(score.weights[number]), pooled if math.isfinite(pooled) else None
    return found


def _columns(pairs: Sequence[Pair]) -> tuple[list[int], list[int]]:
    return [good for good, _ in pairs], [decided for _, decided in pairs]


def _unplaced(own: Mapping[ScorePartName, Pair], weights: Weights) -> SupplierStanding:
    shares = weights_document(weights)
    return {
        "conforming": own["conforming"][0],
        "decided": own["conforming"][1],
        "share": None,
        "share_low": None,
        "share_high": None,
        "score": None,
        "score_low": None,
        "score_high": None,
        "place_first": None,
        "place_last": None,
        "placed": 0,
        "parts": [
            {
                "part": part,
                "weight": shares[part],
                "weighs": 0.0,
                "good": own[part][0],
                "decided": own[part][1],
                "share": None,
            }
            for part in PARTS
        ],
    }
