"""Another limit over the history, in words: for the page and the terminal."""

from __future__ import annotations

from dashboard.text.formatting import amount, chance_text, characteristic, counted, day, percent
from ingest.documents.verdict.what_if import Counts, WhatIf, WhatIfStream

__all__ = ["CAUTION", "ahead", "by_law", "fraction", "headline", "limit_words", "window"]

CAUTION = "Nothing is recorded and no verdict changes: this is a question, and no ground to hold a lot."


def limit_words(result: WhatIf) -> str:
    """The other limit: "under 10.0 nJ"."""
    return f"{'under' if result['side'] == 'upper' else 'at least'} {amount(result['limit'], result['unit'])}"


def headline(result: WhatIf) -> str:
    """The answer in one sentence."""
    total = result["total"]
    text = f"With a limit of {limit_words(result)}, {total['failing']} of {counted(total['lots'], 'lot')} would fail"
    return text + (f" and {total['undecided']} stay open." if total["undecided"] else ".")


def window(result: WhatIf) -> str:
    """The lots that count, and what is left out."""
    since = (
        f"lots tested since {day(result['since'])}"
        if result["since"]
        else "of each stream the lots since its last move, its baseline or the edition in force"
    )
    text = (
        f"{characteristic(result['characteristic']).capitalize()}, all products: {since}. By the limits that applied, "
        f"{result['failing_now']} failed. Each interval runs from no "
        "open lot failing to all of them failing."
    )
    if result["left_out"]:
        text += f" Left out: {counted(result['left_out'], 'session')} that are not valid or suspect."
    if result["unlimited"]:
        text += f" {counted(result['unlimited'], 'stream')} without any limit not asked."
    return text


def fraction(one: Counts) -> str:
    """The fraction of failing lots by counting, with its 95 % interval."""
    if not one["lots"]:
        return "–"
    share = percent(one["failing"] / one["lots"]) if one["failing"] else "0 %"
    return f"{share} ({percent(one['low']).removesuffix(' %')} to {percent(one['high'])})"


def by_law(one: WhatIfStream) -> str:
    """The fraction by the normal law of the levels; only where the limit lies among them."""
    if one["law"] is None:
        return "–"
    text = f"{percent(one['law'])} ({percent(one['law_low']).removesuffix(' %')} to {percent(one['law_high'])})"
    return f"{text}, without {counted(one['outliers'], 'outlier')}" if one["outliers"] else text


def ahead(one: WhatIfStream) -> str:
    """The chance of a failing lot within the horizon, as on the board."""
    text = chance_text(one["breach_probability"])
    return f"moves: {text}" if one["moves"] else text
