"""A comparison in words: for the page, the terminal and the paper."""

from __future__ import annotations

from dashboard.text.formatting import amount, characteristic, counted, day, listed, signed
from ingest.documents.verdict.comparison import Candidate, Comparison, Pair
from spc.vocabulary.enums import Scale

__all__ = ["asked", "cautions", "change", "differences", "headline", "level", "name", "next_step", "pair_sentence"]

# Simulated sets of equal candidates whose lots scatter unequally (tests/bench/RESULTS.md).
HOW_GOOD = "Where the candidates scatter unequally the promise is approximate: up to 6.2 % of simulated sets had a wrong claim, for 5 %."
ANSWERS = {
    "better": "{b} is better than {a}{by}",
    "worse": "{b} is worse than {a}{by}",
    "different": "{b} and {a} differ{by}",
    "alike": "{b} and {a} are alike within {margin:g} %",
    "no worse": "{b} is no worse than {a} by {margin:g} %",
}


def name(one: Candidate, split_at: str | None = None) -> str:
    """A candidate by name, with its time where one product is compared with itself."""
    text = f"{one['supplier']} {one['product']}"
    return f"{text} {one['time']} {split_at}" if one["time"] else text


def headline(result: Comparison) -> str:
    """The answer in one sentence."""
    if len(result["candidates"]) == 2:
        return _answer(result, result["pairs"][0]) + "."
    if all(pair["answer"] == "no answer" for pair in result["pairs"]):
        return f"No answer for these {len(result['candidates'])} candidates."
    if result["in_use"] is not None:
        return _against_the_one_in_use(result)
    best = [name(one) for one in result["candidates"] if one["not_shown_worse"]]
    by = _by(result)
    if len(best) == len(result["candidates"]):
        return f"None of {len(best)} candidates is shown to be worse than another{by}."
    return f"Not shown worse than another{by}: {', '.join(best)} of {len(result['candidates'])} candidates."


def _by(result: Comparison) -> str:
    """The size that matters, where a margin applies."""
    margin = _margin(result)
    return "" if margin is None else f" by more than {margin:g} %"


def _margin(result: Comparison) -> float | None:
    """The margin in percent; None without one, and on a linear scale, on which no percentage is a difference."""
    return result["margin_percent"] if Scale(result["scale"]) == Scale.LOG else None


def _against_the_one_in_use(result: Comparison) -> str:
    """Which candidates are better than the one in use, or alike or no worse where none is."""
    used, by, margin = name(result["candidates"][result["in_use"] or 0]), _by(result), result["margin_percent"] or 0
    for answer, words in (
        ("better", f"better than {used}{by}"),
        ("different", f"different from {used}{by}"),
        ("alike", f"alike within {margin:g} % with {used}"),
        ("no worse", f"no worse by {margin:g} % than {used}"),
    ):
        found = [name(result["candidates"][pair["second"]]) for pair in result["pairs"] if pair["answer"] == answer]
        if found:
            return f"Shown to be {words}: {listed(found)}."
    return f"No candidate is shown to be better than {used}{by}."


def _answer(result: Comparison, pair: Pair) -> str:
    a, b = (name(result["candidates"][pair[end]], result["split_on"]) for end in ("first", "second"))
    margin = _margin(result)
    if pair["answer"] == "no answer":
        return f"No answer for {a} and {b}: {pair['why']}"
    if pair["answer"] != "not shown":
        return ANSWERS[pair["answer"]].format(a=a, b=b, by=_by(result), margin=margin or 0)
    if margin is None:
        return f"Not shown that {a} and {b} differ"
    if not pair["differs"]:
        return f"Not decided whether {b} and {a} differ{_by(result)}"
    # A difference to the good side would be shown to be no worse.
    question = f"{b} and {a} differ" if result["better"] == "none" else f"{b} is worse than {a}"
    return f"Not decided whether {question}{_by(result)}: a difference is shown, its size is not"


def change(result: Comparison, value: float | None) -> str:
    """A difference: in percent on a log scale, else in the unit."""
    if value is None:
        return "–"
    if Scale(result["scale"]) == Scale.LOG:
        return f"{signed(value, '.0f')} %"
    return f"{'−' if value < 0 else '+'}{amount(abs(value), result['unit'])}"


def level(result: Comparison, one: Candidate) -> str:
    """The level of a candidate: the mean of its lots, or where it stands now if it moved."""
    if one["moves"] and one["level_now"] is not None:
        return f"{amount(one['level_now'], result['unit'], one['level_now_bound'])} now"
    return amount(one["level"], result["unit"])


def differences(result: Comparison, most: int | None = None) -> list[str]:
    """The pairs, each with what would decide it; none where the headline holds the only pair, which has no answer."""
    if len(result["pairs"]) == 1 and result["pairs"][0]["answer"] == "no answer":
        return []
    return [f"{pair_sentence(result, pair)} {next_step(result, pair)}".rstrip() for pair in result["pairs"][:most]]


def pair_sentence(result: Comparison, pair: Pair) -> str:
    """The difference of a pair with its interval, and the lots that it comes from; no figure where there is no answer."""
    if pair["change"] is None or pair["answer"] == "no answer":
        return f"{_answer(result, pair)}."
    a, b = (result["candidates"][pair[end]] for end in ("first", "second"))
    lots = f"{len(a['lots'])} and {len(b['lots'])} lots"
    several = len(result["pairs"]) > 1
    ends = ("change_low_together", "change_high_together") if several else ("change_low", "change_high")
    low, high = (change(result, pair[end]) for end in ends)  # type: ignore[literal-required]  # keys of a pair
    together = "all pairs" if result["in_use"] is None else f"the {len(result['pairs'])} comparisons"
    confidence = f"95 % confidence for {together} together" if several else "95 % confidence"
    text = (
        f"{name(b, result['split_on'])} reads {change(result, pair['change'])} against {name(a, result['split_on'])} (between {low} and "
        f"{high}, {confidence}; {lots}"
    )
    text += f", compared within the same {counted(pair['loads'], 'load')})." if pair["paired"] else ")."
    if pair["paired"]:
        text += f" Over all lots, not paired, it would be {change(result, pair['unpaired_change'])}."
    if pair["alike"] is not None:
        shown = "Shown" if pair["alike"] else "Not shown"
        text += f" {shown}: that the two are alike within {result['margin_percent']:g} %."
    return text


def next_step(result: Comparison, pair: Pair) -> str:
    """What would decide an open question; empty where nothing is open."""
    if pair["answer"] != "not shown":
        return ""
    if pair["lots_needed"] is None:
        return "No number of lots is likely to decide it."
    kind = "loads with both" if pair["paired"] else "lots each"
    return f"{pair['lots_needed']} {kind} would decide it in 80 of 100 cases, if the difference stays as it is."


def cautions(result: Comparison) -> list[str]:
    """What weakens the comparison, the gravest first."""
    lines = []
    for pair in result["pairs"]:
        a, b = (name(result["candidates"][pair[end]], result["split_on"]) for end in ("first", "second"))
        if pair["never_together"]:
            lines.append(
                f"{a} and {b} never shared a load, a day or an instrument: a difference of the bench can't be separated from one of the film."
            )
    for one in result["candidates"]:
        if one["moves"]:
            lines.append(
                f"{name(one)} moved in this time: its mean is no fair picture. It stands at {amount(one['level_now'], result['unit'], one['level_now_bound'])} now."
            )
        if one["left_out"]:
            lines.append(f"{counted(one['left_out'], 'lot')} of {name(one)} left out: beyond the range of the meter.")
    if result["better"] == "none":
        lines.append("The limits have two sides or none: which level is better is not declared.")
    if result["margin_percent"] is not None and _margin(result) is None:
        lines.append(
            'The margin in percent does not apply on a linear scale: "no worse" and "alike" can\'t be answered.'
        )
    if result["margin_percent"] is None:
        lines.append(
            'No margin is declared, so that "no worse" and "alike" can\'t be answered; declare margin_percent or give one.'
        )
    return lines


def asked(result: Comparison) -> str:
    """The question: characteristic, window, margin and where it comes from."""
    text = (
        f"{characteristic(result['characteristic']).capitalize()}, lots tested from {day(result['since'])} to before "
        f"{day(result['until'])}, the first valid test of each; the lot is the unit."
    )
    if result["margin_percent"] is not None:
        where = "declared in lab.toml" if result["margin_from"] == "lab.toml" else "given with the question"
        text += f" Margin {result['margin_percent']:g} %, {where}."
    if len(result["pairs"]) < 2:
        return text
    if result["in_use"] is None:
        return (
            text
            + " All pairs at once: p values and answers by the studentized range (Tukey and Kramer, Games and Howell). "
            + HOW_GOOD
        )
    return (
        text
        + f" Each against {name(result['candidates'][result['in_use']])} at once: p values and answers by Dunnett's test."
    )
