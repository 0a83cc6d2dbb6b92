"""How many bags, in words: for the page and the terminal."""

from __future__ import annotations

from dashboard.text.formatting import amount, change, counted, day, percent
from dashboard.text.verdict.conformity_text import at_least, rule_words
from ingest.documents.verdict.bags import BagsDocument

__all__ = ["advice", "discharges", "headline", "next_lot", "plan_sentence", "proof", "scatter", "two_loads"]


def headline(result: BagsDocument) -> str:
    """The answer in one sentence."""
    return f"With {counted(result['bags'], 'bag')} a lot at {amount(result['level'], result['unit'])} passes {_times(result['chance'])} in 100."


def _times(chance: float) -> str:
    """How often of 100 times: 72 times; what is rare is not never, and what is likely not certain."""
    if 0.995 <= chance < 1:
        return "more than 99 times"
    return "less than once" if 0 < chance < 0.005 else counted(round(100 * chance), "time")


def advice(result: BagsDocument) -> str:
    """Today's number beside it, and what to do next."""
    limit, unit = amount(result["limit"], result["unit"]), result["unit"]
    text = f"Limit {limit}, {rule_words(result['rule'])}; {counted(result['readings'], 'reading')} a bag. "
    if result["bags"] != result["bags_today"] or result["readings"] != result["readings_today"]:
        text += f"With today's {counted(result['bags_today'], 'bag')} of {result['readings_today']} it passes {_times(result['chance_today'])}. "
    row = next(one for one in result["numbers"] if one["bags"] == result["bags"])
    passes, stopped = amount(row["passes"], unit), amount(row["stopped"], unit)
    return (
        text
        + f"Up to {passes} 99 of 100 lots pass; from {stopped} 99 of 100 do not. Move a slider to try other numbers."
    )


def proof(result: BagsDocument) -> str:
    """What so many bags at that level prove of the lot's bags."""
    verb = "proves" if result["bags"] == 1 else "prove"
    text = (
        f"If bags follow the normal law, {counted(result['bags'], 'bag')} with a mean of {amount(result['level'], result['unit'])} "
        f"{verb} that {at_least(result['proves'])} of the lot's bags are inside (95 % confidence). Counted only, all of them inside "
        f"{verb} {at_least(result['by_count'])}."
    )
    by_count = f"counted only, {counted(result['bags_for_90_by_count'], 'bag')}, all of them inside"
    if result["bags_for_90"] is None:
        return f"{text} No number of bags proves 90 % at this level: the best estimate itself is below."
    return f"{text} To prove 90 % takes {counted(result['bags_for_90'], 'bag')} by the normal law; {by_count}."


def scatter(result: BagsDocument) -> str:
    """The variation that the figures rest on, and where the bench part comes from."""
    own = result["scatter"]
    text = f"Bags of one lot vary by {100 * own['bag']:.1f} %, readings on one bag by {100 * own['reading']:.1f} %"
    if own["bench"] is not None:
        text += f", sessions of the bench by {100 * own['bench']:.1f} % (from the {own['bench_source']})"
    elif own["bench_bound"] is not None:
        text += f"; the bench part is not known and counts with its bound of {100 * own['bench_bound']:.1f} %"
    else:
        text += "; the bench part is not known and left out"
    return text + f", the instrument by {100 * own['instrument']:.1f} %."


def discharges(result: BagsDocument) -> str:
    """Why more readings on a bag help little."""
    first, last = result["discharges"][0], result["discharges"][-1]
    return (
        f"More bags help; more readings on each barely do: {counted(result['bags'], 'bag')} of {counted(first['readings'], 'reading')} "
        f"show the level to {100 * first['u']:.1f} %, of {last['readings']} to {100 * last['u']:.1f} %."
    )


def plan_sentence(result: BagsDocument) -> str:
    """The plan that keeps the two declared risks."""
    own = result["plan"]
    return (
        f"Measure {own['bags']} bags and pass the lot if their mean is {own['k']:.2f} standard deviations inside. This passes "
        f"{percent(1 - own['good_risk'])} of lots with {percent(own['good'])} of bags beyond the limit and stops "
        f"{percent(1 - own['bad_risk'])} of lots with {percent(own['bad'])} beyond. With a known scatter, {own['bags_known']} bags and "
        f"{own['k_known']:.2f} do the same. If bags are only counted, all of {own['bags_by_count']} must be inside to stop the bad lots."
    )


def two_loads(result: BagsDocument) -> str:
    """The plan of two chamber loads."""
    own = result["two_loads"]
    return (
        f"In two loads, {own['first']} bags and {own['second']} more only if the first are not sure either way; then all of them "
        f"decide by the limit itself. The lot passes {_times(own['chance'])} in 100 and takes {own['mean_bags']:.1f} bags on average."
    )


def next_lot(result: BagsDocument) -> str:
    """What the last lots prove of the next one."""
    own = result["next_lot"]
    if own is None:
        return "Fewer than three lots: they prove nothing of the next one yet."
    unit = result["unit"]
    if own["bound"] is None:
        text = f"No promise for the next lot: the level moves. It is at {amount(own['level_now'], unit)} now"
        if own["change_percent_per_month"] is not None:
            text += f" and changes by {change(own['change_percent_per_month'], 2)} a month"
        if own["coming_low"] is None:
            return f"{text}."
        return f"{text}. By the forecast 8 of 10 next lots have a level between {amount(own['coming_low'], unit)} and {amount(own['coming_high'], unit)}."
    side = "below" if result["side"] == "upper" else "above"
    verdict = "inside the limit" if own["inside"] else "not inside the limit"
    lots = f"The last {own['lots']} lots ({own['bags']} bags)"
    if own["since_at"] is not None:
        lots = f"The {own['lots']} lots ({own['bags']} bags) since the level moved about {day(own['since_at'])}"
    return (
        f"{lots} prove that 90 % of the next lot's bags lie {side} {amount(own['bound'], unit)} (95 % confidence), which is "
        f"{verdict}, if the film stays as it is."
    )
