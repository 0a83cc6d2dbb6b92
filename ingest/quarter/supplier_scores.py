"""The score and place of each supplier in a quarter, from counts that the lab's declared weights put together.

Every part is a share of counts: lots that conform, streams without a drift or a wider scatter, lots with room to their
limit, notices answered in time. What a bench finding explains and what was not valid counts in none.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import get_args

from ingest.common.instants import microseconds
from ingest.config.models import USUAL_WEIGHTS, Weights
from ingest.documents.alert import Alert
from ingest.documents.scorecard import NoticeRow, ScorePartName, SupplierStanding, WeightShares
from ingest.documents.verdict.bag_count import BagCount
from ingest.quarter.lots import DISPOSITIONS, Quarter, QuarterLot, StreamLots
from ingest.quarter.notices import in_time, overdue
from spc.supplier import ranking, scoring
from spc.vocabulary.enums import AlertState, Effectiveness, Kind

__all__ = ["FAR", "PARTS", "SPARE", "VERY_FAR", "counts", "lasting", "score_rows", "weights_document"]

Pair = tuple[int, int]
Columns = tuple[tuple[int, ...], tuple[int, ...]]

PARTS: tuple[ScorePartName, ...] = get_args(ScorePartName)
SPARE = 0.2
"""Share of the limit that a lot with room keeps clear of it: common practice, no source."""


def counts(
    streams: Sequence[StreamLots],
    alerts: Sequence[Alert],
    notices: Sequence[NoticeRow],
    bags: Mapping[int, BagCount] | None = None,
    *,
    by_size: bool = False,
) -> dict[ScorePartName, Pair]:
    """For each part of a supplier's score, how many were good of how many that could be judged.

    `alerts` are those of the supplier that lasted in the quarter, `notices` those asked in it. With `by_size` a failing lot
    counts as up to three, by how far and how many of its bags are over the limit.
    """
    lots = _lots_once(streams)
    decided = [standing for standing, _ in lots.values() if standing in ("pass", "fail")]
    roomy = [standing == "pass" and has_room for standing, has_room in lots.values() if standing in ("pass", "fail")]
    watched = [stream for stream in streams if any(lot.measured for lot in stream.lots)]
    moved = {
        (alert["supplier"], alert["product"], alert["characteristic"]) for alert in alerts if _counts_as_move(alert)
    }
    steady = sum((stream.supplier, stream.product, stream.characteristic) not in moved for stream in watched)
    failing = len(decided) - decided.count("pass")
    if by_size:
        failing = sum(_sizes_of_failing_lots(streams, bags or {}).values())
    return {
        "conforming": (decided.count("pass"), decided.count("pass") + failing),
        "drift": (steady, len(watched)),
        "room": (sum(roomy), len(roomy)),
        "response": (
            # An answer in time whose action failed has not helped.
            sum(in_time(one) and one["answer"] != Effectiveness.DID_NOT_WORK for one in notices),
            sum(one["answered_on"] is not None or overdue(one) for one in notices),
        ),
    }


FAR, VERY_FAR = 1.25, 2.0
"""Judged value over the limit, as a ratio, from which a failing lot counts twice and three times: common practice, no source."""


def _sizes_of_failing_lots(streams: Sequence[StreamLots], bags: Mapping[int, BagCount]) -> dict[tuple[str, str], int]:
    """Each failing lot with what it counts for: one, two from `FAR` or half of the bags on, three from `VERY_FAR` or all."""
    sizes: dict[tuple[str, str], int] = {}
    for stream in streams:
        for lot in stream.lots:
            if lot.standing == "fail":
                key = (stream.product, lot.lot)
                sizes[key] = max(sizes.get(key, 1), _size(lot, bags.get(lot.session["id"])))
    return sizes


def _size(lot: QuarterLot, bags: BagCount | None) -> int:
    judged, limits = lot.session["judged"], lot.session["limits"]
    share = bags["outside"] / bags["bags"] if bags and bags["bags"] else 0.0
    lower, upper = limits or (None, None)
    ratio = 1.0
    if judged is not None and upper is not None and judged >= upper > 0:
        ratio = judged / upper
    elif judged is not None and lower is not None and 0 < judged < lower:
        ratio = lower / judged
    if ratio >= VERY_FAR or share == 1.0:
        return 3
    return 2 if ratio >= FAR or share >= 0.5 else 1


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


def lasting(alerts: Sequence[Alert], span: Quarter) -> list[Alert]:
    """The alerts that were raised in a quarter, and those about a lasting move or scatter that had not ended before it.

    A drift or a wider scatter lasts from its detection to the last lot of its evidence, or on while its alert is not closed.
    """
    return [alert for alert in alerts if span.holds(_us(alert["raised_at"])) or _lasts_in(alert, span)]


def _lasts_in(alert: Alert, span: Quarter) -> bool:
    evidence = alert["evidence"]
    if evidence["what"] not in (Kind.DRIFT, Kind.SPREAD) or _us(alert["raised_at"]) >= span.end_us:
        return False
    ended = _us(evidence["latest_tested_at"])
    return alert["state"] != AlertState.CLOSED or ended >= span.start_us


def _us(stamp: str) -> int:
    return microseconds(datetime.fromisoformat(stamp))


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

    Every lot weighs the same, whatever its size; that is common practice where nothing else is agreed. A part without data
    of a supplier is left out of its score. A supplier without a decided lot has no place and takes part in none.
    """
    found = {supplier: _unplaced(own, weights) for supplier, own in by_supplier.items()}
    # Of a supplier without a lot, or with nothing in any part that weighs, there is nothing to say.
    ranked = [
        supplier
        for supplier, own in by_supplier.items()
        if own["conforming"][1] and any(getattr(weights, part) and own[part][1] for part in PARTS)
    ]
    if not ranked:
        return found
    pairs = tuple(_columns([by_supplier[supplier][part] for supplier in ranked]) for part in PARTS)
    alone, score = _places(pairs, tuple(float(getattr(weights, part)) for part in PARTS))
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
            part["weighs"], part["share"] = (
                float(score.weights[number, position]),
                pooled if math.isfinite(pooled) else None,
            )
    return found


# Page, papers, workbook and evidence bundle show the same counts; the integrals over them take most of the time of a card.
@lru_cache(maxsize=64)
def _places(pairs: tuple[Columns, ...], weights: tuple[float, ...]) -> tuple[ranking.Standing, scoring.Score]:
    """The shares and the scores of suppliers by their counts in each part; nobody may change the arrays."""
    return ranking.shares(*pairs[0]), scoring.combine(pairs, weights)


def _columns(pairs: Sequence[Pair]) -> Columns:
    return tuple(good for good, _ in pairs), tuple(decided for _, decided in pairs)


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
