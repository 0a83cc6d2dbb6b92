"""All suppliers of a quarter side by side, from their scorecards: places, clear changes, and what to talk about."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from typing import Literal

from ingest.documents.scorecard import (
    CardStream,
    FirstIssueChanges,
    LotCounts,
    NoticeCounts,
    NoticeList,
    Overview,
    OverviewRow,
    Reason,
    Scorecard,
    SupplierLine,
)
from ingest.quarter.lots import DISPOSITIONS, StreamLots
from spc.vocabulary.enums import Direction

__all__ = ["OVERVIEW_NAME", "lot_counts", "supplier_overview"]

OVERVIEW_NAME = "all-suppliers"
# Of streams that did not move, the share whose 95 % interval of the change leaves out zero.
FALSE_MOVES = 0.05


def lot_counts(streams: Sequence[StreamLots]) -> LotCounts:
    """The lots of a supplier by disposition. A lot counts once: of its characteristics the weightiest disposition decides."""
    worst: dict[tuple[str, str], int] = {}
    for stream in streams:
        for lot in stream.lots:
            key, weight = (stream.product, lot.lot), DISPOSITIONS.index(lot.standing)
            worst[key] = min(weight, worst.get(key, weight))
    by_disposition = Counter(DISPOSITIONS[weight] for weight in worst.values())
    return {
        "lots": len(worst),
        "fail": by_disposition["fail"],
        "undecided": by_disposition["undecided"],
        "invalid": by_disposition["invalid"],
        "set_aside": by_disposition["set_aside"],
        "pass": by_disposition["pass"],
        "unlimited": by_disposition["unlimited"],
        "retested": by_disposition["retested"],
    }


def supplier_overview(cards: Sequence[Scorecard]) -> Overview:
    """The overview of the scorecards of a quarter. Suppliers with the same range of places are in order of name."""
    first, streams = cards[0], [row for card in cards for row in card["streams"]]
    compared = [row for row in streams if row["direction"] != Direction.NOT_COMPARED]
    rows = sorted((_row(card) for card in cards), key=_by_place)
    moved = [row for row in compared if row["direction"] != Direction.UNCLEAR]
    return {
        "lab": first["lab"],
        "weights": first["weights"],
        "fails_by_size": first["fails_by_size"],
        "quarter": first["quarter"],
        "first_day": first["first_day"],
        "last_day": first["last_day"],
        "earlier_quarter": first["earlier_quarter"],
        "drawn_up_at": first["drawn_up_at"],
        "first_drawn_up_at": first["first_drawn_up_at"],
        "from_history": first["from_history"],
        "finished": first["finished"],
        "corrected_since": sum(card["corrected_since"] for card in cards),
        "since_first_drawn_up": _summed([card["since_first_drawn_up"] for card in cards]),
        "rows": rows,
        "ranked": len({(row["standing"]["place_first"], row["standing"]["place_last"]) for row in rows}) > 1,
        "moved": sorted(
            moved,
            key=lambda row: (
                row["direction"] != Direction.NEARER,
                row["supplier"],
                row["product"],
                row["characteristic"],
            ),
        ),
        "compared": len(compared),
        "moved_by_chance": FALSE_MOVES * len(compared),
        "streams": len(streams),
        "file_name": OVERVIEW_NAME,
    }


def _summed(changes: Sequence[FirstIssueChanges | None]) -> FirstIssueChanges | None:
    """The changes of all suppliers; a supplier that has left the quarter has no card and is not counted."""
    stated = [change for change in changes if change is not None]
    if not stated:
        return None
    corrected = sum(change["readings_corrected"] for change in stated)
    added, gone = sum(change["lots_added"] for change in stated), sum(change["lots_gone"] for change in stated)
    verdicts = sum(change["verdicts_changed"] for change in stated)
    other = any(change["other_figures"] for change in stated)
    return {
        "readings_corrected": corrected,
        "lots_added": added,
        "lots_gone": gone,
        "verdicts_changed": verdicts,
        "other_figures": other and not (corrected or added or gone or verdicts),
    }


def _row(card: Scorecard) -> OverviewRow:
    directions = Counter(row["direction"] for row in card["streams"])
    return {
        "supplier": card["supplier"],
        "line": _line(card),
        "stopped": card["stopped"],
        "counts": card["counts"],
        "standing": card["standing"],
        "notices": _without_list(card["notices"]),
        "nearer": directions[Direction.NEARER],
        "away": directions[Direction.AWAY],
        "reasons": [reason for row in card["streams"] for reason in _reasons(row)],
    }


def _line(card: Scorecard) -> SupplierLine:
    """Direction in the quarter, the stream to begin with, and why: for purchasing, who read one line a supplier.

    A move that was detected earlier and has not come back is a reason to talk, but no change of this quarter; nor is a single
    lot whose bags vary. What the card of a stream calls no clear change gives no direction: a drift counts only where the means of the two
    quarters can't be compared, and a wider variation only where it is clearly wider than in the quarter before.
    """
    ranked = sorted(card["streams"], key=_concern, reverse=True)
    worst = ranked[0] if ranked and any(_concern(ranked[0])) else None
    worse, better = any(map(_is_worse, card["streams"])), any(map(_is_better, card["streams"]))
    return {
        "direction": "worse" if worse else "better" if better else "unchanged",
        "product": worst["product"] if worst else None,
        "characteristic": worst["characteristic"] if worst else None,
        "reasons": [reason["what"] for reason in _reasons(worst)] if worst else [],
    }


def _is_worse(row: CardStream) -> bool:
    if row["direction"] == Direction.NEARER or (row["direction"] == Direction.NOT_COMPARED and _drifts(row)):
        return True
    return row["events"]["spread"] > 1 and any((row[ratio] or 0.0) > 1 for ratio in WIDER)


def _is_better(row: CardStream) -> bool:
    return row["direction"] == Direction.AWAY or (row["direction"] == Direction.NOT_COMPARED and row["drifts_away"] > 0)


# The lower ends of the intervals by which a card calls the variation of the bags wider.
WIDER: tuple[Literal["bag_spread_ratio_low", "reading_spread_ratio_low"], ...] = (
    "bag_spread_ratio_low",
    "reading_spread_ratio_low",
)
# A chance of a failing lot from which a stream is worth talking about: common practice.
LIKELY = 0.2


def _concern(row: CardStream) -> tuple[int, float, int, int]:
    """How much a stream worries, the worst part first: failed lots, a likely failing lot, moves, a level nearer the limit."""
    chance = row["breach_probability"] or 0.0
    moves = row["events"]["spread"] + _drifts(row) + _lasting(row)
    return row["fail"], chance if chance >= LIKELY else 0.0, moves, int(row["direction"] == Direction.NEARER)


def _drifts(row: CardStream) -> int:
    """Drifts of the quarter without those away from the only limit: they are good news."""
    return 0 if row["direction"] == Direction.AWAY else row["events"]["drift"] - row["drifts_away"]


def _lasting(row: CardStream) -> int:
    """Earlier moves that have not come back, without those away from the only limit."""
    return 0 if row["direction"] == Direction.AWAY else row["lasting"] - row["lasting_away"]


def _reasons(row: CardStream) -> list[Reason]:
    """Why to talk about a stream: failed lots, a level nearer its limit, alerts, a failing lot that is likely."""
    is_likely = (row["breach_probability"] or 0.0) >= LIKELY
    counts = (
        ("fail", row["fail"]),
        ("nearer", int(row["direction"] == Direction.NEARER)),
        ("spread", row["events"]["spread"]),
        # What the forecast of the quarter says comes before an alert that it does not bear out any more.
        ("likely", int(is_likely)),
        ("forecast", 0 if is_likely else row["events"]["forecast"]),
        ("drift", _drifts(row)),
        ("lasting", _lasting(row)),
    )
    return [
        {"product": row["product"], "characteristic": row["characteristic"], "what": what, "count": count}
        for what, count in counts
        if count
    ]


def _by_place(row: OverviewRow) -> tuple[int, int, str]:
    first, last = row["standing"]["place_first"], row["standing"]["place_last"]
    return sys.maxsize if first is None else first, sys.maxsize if last is None else last, row["supplier"]


def _without_list(notices: NoticeList) -> NoticeCounts:
    return {
        "asked": notices["asked"],
        "answered": notices["answered"],
        "in_time": notices["in_time"],
        "open": notices["open"],
        "overdue": notices["overdue"],
        "mean_days_to_answer": notices["mean_days_to_answer"],
        "longest_days_open": notices["longest_days_open"],
        "worked": notices["worked"],
        "not_yet_shown": notices["not_yet_shown"],
        "did_not_work": notices["did_not_work"],
    }
