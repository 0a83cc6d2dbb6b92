"""All suppliers of a quarter side by side, from their scorecards: places, clear changes, and what to talk about."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from typing import Any

from ingest.quarter.lots import DISPOSITIONS, StreamLots
from spc.supplier.quarter import Direction
from spc.vocabulary.enums import Kind

__all__ = ["OVERVIEW_NAME", "lot_counts", "supplier_overview"]

Document = dict[str, Any]

OVERVIEW_NAME = "all-suppliers"
SHARED = (
    "lab", "weights", "quarter", "first_day", "last_day", "earlier_quarter", "drawn_up_at", "first_drawn_up_at", "finished",
)  # fmt: skip
# Of streams that did not move, the share whose 95 % interval of the change leaves out zero.
FALSE_MOVES = 0.05


def lot_counts(streams: Sequence[StreamLots]) -> dict[str, int]:
    """The lots of a supplier by disposition. A lot counts once: of its characteristics the weightiest disposition decides."""
    worst: dict[tuple[str, str], int] = {}
    for stream in streams:
        for lot in stream.lots:
            key, weight = (stream.product, lot.lot), DISPOSITIONS.index(lot.standing)
            worst[key] = min(weight, worst.get(key, weight))
    by_disposition = Counter(DISPOSITIONS[weight] for weight in worst.values())
    return {"lots": len(worst), **{name: by_disposition[name] for name in DISPOSITIONS}}


def supplier_overview(cards: Sequence[Document]) -> Document:
    """The overview of the scorecards of a quarter. Suppliers with the same range of places are in order of name."""
    streams = [row for card in cards for row in card["streams"]]
    compared = [row for row in streams if row["direction"] != Direction.NOT_COMPARED]
    moved = [row for row in compared if row["direction"] != Direction.UNCLEAR]
    return {
        **{key: cards[0][key] for key in SHARED},
        "corrected_since": sum(card["corrected_since"] for card in cards),
        "since_first_drawn_up": _summed([card["since_first_drawn_up"] for card in cards]),
        "rows": sorted((_row(card) for card in cards), key=_by_place),
        "moved": sorted(moved, key=lambda row: (row["direction"] != Direction.NEARER, *_names(row))),
        "compared": len(compared),
        "moved_by_chance": FALSE_MOVES * len(compared),
        "streams": len(streams),
        "file_name": OVERVIEW_NAME,
    }


def _names(row: Document) -> tuple[str, str, str]:
    return row["supplier"], row["product"], row["characteristic"]


def _summed(changes: Sequence[Document | None]) -> Document | None:
    """The changes of all suppliers; a supplier that has left the quarter has no card and is not counted."""
    stated = [change for change in changes if change is not None]
    if not stated:
        return None
    sums = {key: sum(change[key] for change in stated) for key in stated[0] if key != "other_figures"}
    return {**sums, "other_figures": not any(sums.values()) and any(change["other_figures"] for change in stated)}


def _row(card: Document) -> Document:
    directions = Counter(row["direction"] for row in card["streams"])
    return {
        "supplier": card["supplier"],
        "counts": card["counts"],
        "standing": card["standing"],
        "notices": {key: value for key, value in card["notices"].items() if key != "list"},
        "nearer": directions[Direction.NEARER],
        "away": directions[Direction.AWAY],
        "reasons": [reason for row in card["streams"] for reason in _reasons(row)],
    }


def _reasons(row: Document) -> list[Document]:
    """Why to talk about a stream: failed lots, a level nearer its limit, alerts, a failing lot that is likely."""
    # A drift away from the limit is good news; it is among the changes.
    kinds = [Kind.SPREAD, Kind.FORECAST] + ([Kind.DRIFT] if row["direction"] != Direction.AWAY else [])
    counts = [
        ("fail", row["fail"]),
        ("nearer", int(row["direction"] == Direction.NEARER)),
        *((str(kind), row["events"][kind]) for kind in kinds),
    ]
    names = {key: row[key] for key in ("product", "characteristic")}
    return [{**names, "what": what, "count": count} for what, count in counts if count]


def _by_place(row: Document) -> tuple[int, int, str]:
    standing = row["standing"]
    if not standing["placed"]:
        return sys.maxsize, sys.maxsize, row["supplier"]
    return standing["place_first"], standing["place_last"], row["supplier"]
