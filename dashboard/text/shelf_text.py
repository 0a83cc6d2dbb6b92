"""The words of one lot in stock, for the shelf and for the page of the lot."""

from __future__ import annotations

from dashboard.text.formatting import chance_text, characteristic, day, listed
from ingest.common.text import capitalised
from ingest.documents.stock import Hold, ShelfLotDay

__all__ = ["WORDS", "in_stock", "keep_until", "state"]

WORDS = {
    "dated": "dated",
    "too_few": "too few tests",
    "no_change_shown": "no change shown",
    "falls": "moves away from its limit",
    "unlimited": "no limit",
    "beyond_sight": "beyond sight",
    "passed": "date passed",
}
HOLDS: dict[Hold, str] = {
    "failed": "hold: {} failed the limit",
    "undecided": "hold: {} undecided",
    "bags outside": "hold: bags outside the limit of {}",
    "no valid test": "hold: no valid test",
    "held": "hold: decided by a person",
    "returned": "return: decided by a person",
}


def state(row: ShelfLotDay) -> str:
    """What is known of a lot on the day of the list; a hold comes before its date."""
    if row["hold"]:
        # A hold is about the lot, and the row is about the characteristic with the earliest date: often another one.
        causes = [characteristic(one) for one in row["hold_by"]]
        return HOLDS[row["hold"]].format(listed(causes) if causes else "")
    if row["is_unsighted"]:
        return "beyond sight: test again"
    return WORDS["passed"] if row["is_passed"] else WORDS[row["word"]]


def keep_until(row: ShelfLotDay) -> str:
    """The day to keep a lot until, or what is known instead."""
    if row["word"] == "beyond_sight":
        return f"at least until {day(row['keep_until'])}"
    if row["word"] == "passed":
        return "no time left at the last test"
    return day(row["keep_until"]) if row["keep_until"] else WORDS[row["word"]]


def in_stock(row: ShelfLotDay) -> str:
    """What the shelf states of a lot in a sentence; of a lot on hold its date too."""
    words = [state(row)]
    if row["hold"] and row["is_passed"]:
        words.append(WORDS["passed"])
    if row["keep_until"] or row["word"] == "passed":
        words.append(f"keep until {day(row['keep_until'])}" if row["word"] == "dated" else keep_until(row))
    if row["chance_today"] is not None:
        words.append(f"over today: {chance_text(row['chance_today'])}")
    return f"In stock. {capitalised(', '.join(dict.fromkeys(words)))}."
