"""How sure a verdict is, in words. Each sentence answers one of three questions: the mean, the next bag, the part of the bags."""

from __future__ import annotations

import math

from dashboard.text.formatting import amount, counted, percent
from ingest.documents.verdict.conformity import Conformity, LotProof, Rule, RuleRisks
from spc.vocabulary.enums import BenchSource

__all__ = [
    "at_least",
    "bags_sentence",
    "chance",
    "has_guard",
    "mean_sentence",
    "measurement",
    "next_bag_sentence",
    "risk_words",
    "rule_words",
]


def chance(value: float | None, low: float | None, high: float | None, *, open_end: bool) -> str:
    """A chance with its ends where they differ: "95 %", "80 to 95 %", "at most 95 %"."""
    top = high if value is None else value
    if top is None:
        return "not known"
    if low is None:
        return f"at most {percent(top)}" if open_end else percent(top)
    shown_low, shown_top = percent(low), percent(top if high is None else high)
    return shown_top if shown_low == shown_top else f"{shown_low.removesuffix(' %')} to {shown_top}"


def mean_sentence(result: Conformity, judged_by: str) -> tuple[str, str]:
    """Whether the lot's mean is inside: the answer, and what limits it."""
    if judged_by == "worst":
        return "no chance stated", "The worst of many readings is judged; no such chance exists for it."
    answer = chance(result["p"], result["p_low"], result["p_high"], open_end=True)
    if result["p"] is None and result["p_high"] is not None:
        return answer, "Readings beyond the range of the meter leave it open."
    return answer, measurement(result)


def measurement(result: Conformity) -> str:
    """The uncertainty of the level with its parts: "measurement 5.8 %: bags 4.9, readings 0.8, bench not known, …"."""
    parts = result["parts"]
    if result["u"] is None:
        return "Its uncertainty is not known: one bag, and no other lot shows the variation between bags."
    names = [
        f"{name} {100 * value:.1f}"
        for name, value in (
            ("bags", parts["bags"]),
            ("readings", parts["readings"]),
            ("instrument", parts["instrument"]),
        )
        if value
    ]
    bench = "bench not known" if parts["bench"] is None else f"bench {100 * parts['bench']:.1f}{_bench_source(result)}"
    names.insert(min(2, len(names)), bench)
    text = f"measurement {100 * result['u']:.1f} %: {', '.join(names)}"
    if result["bench"] == BenchSource.UNKNOWN:
        high = result["u_high"]
        text += "; no bound yet" if high is None else f"; at most {100 * high:.1f} % with the bench"
    return text + ("; bags of this lot alone, they vary more than usual" if result["own_variance"] else "")


def _bench_source(result: Conformity) -> str:
    """Where the bench part comes from, with its degrees of freedom: " (gauge study, 1.4 degrees of freedom)"."""
    df = result["bench_df"]
    return "" if df is None else f" ({result['bench']}, {df:.3g} degrees of freedom)"


def next_bag_sentence(result: Conformity) -> str:
    """Whether a random further bag is inside."""
    return chance(result["next_bag"], result["next_bag_low"], result["next_bag_high"], open_end=True)


def at_least(share: float) -> str:
    """A proven part: "at least 61 %", rounded down; "over 99 %", and never "at least 100 %" or "at least under 1 %"."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share >= 0.99 else f"at least {math.floor(100 * share)} %"


def bags_sentence(proof: LotProof | None, unit: str) -> tuple[str, str]:
    """What part of the lot's bags is inside: what the bags prove, and what would prove 90 %."""
    if proof is None:
        return "not known", "A valid test against a limit is needed."
    bags = f"{counted(proof['bags'], 'bag')} {'proves' if proof['bags'] == 1 else 'prove'}"
    count = f"counting alone ({proof['bags_inside']} of {proof['bags']} inside) proves {at_least(proof['by_count'])}"
    if proof["inside"] is None:
        return (
            at_least(proof["by_count"]),
            f"{bags} it by counting: {proof['bags_inside']} are inside for certain.",
        )
    answer = at_least(proof["inside"])
    best = f"best estimate {percent(proof['best'])}"
    if proof["inside"] >= 0.9:
        return answer, f"{bags} it with 95 % confidence, if bags follow the normal law; {best}; {count}."
    if proof["bags_for_90"] is not None:
        more = f"90 % would take {counted(proof['bags_for_90'], 'bag')} like these"
    elif proof["level_for_90"] is not None:
        more = f"90 % would need a level of {amount(proof['level_for_90'], unit)}"
    else:
        more = "90 % is out of reach"
    return answer, f"{bags} it with 95 % confidence, if bags follow the normal law; {best}; {more}; {count}."


def rule_words(rule: Rule) -> str:
    """A decision rule: "simple acceptance", "guard band of 5 % of the limit", "guarded: wrong passes at most 5 %"."""
    if "guard_percent" in rule:
        return f"guard band of {rule['guard_percent']:g} % of the limit"
    if rule["rule"] == "simple":
        return "simple acceptance"
    text = f"guarded: wrong passes at most {100 * (rule['wrong_pass'] or 0):g} %"
    return text + (f", wrong fails at most {100 * rule['wrong_fail']:g} %" if rule["wrong_fail"] else "")


def has_guard(rule: Rule) -> bool:
    """Whether a lot has to lie inside its limit by a guard to pass."""
    return rule["rule"] == "guarded" or "guard_percent" in rule


def risk_words(risk: RuleRisks) -> str:
    """The rule of a row of risks, with its bags."""
    rule: Rule = {
        "rule": risk["rule"],
        "wrong_pass": risk["wrong_pass"],
        "wrong_fail": risk["wrong_fail"],
        "from": None,
    }
    if "guard_percent" in risk:
        rule["guard_percent"] = risk["guard_percent"]
    return f"{rule_words(rule)}, {counted(risk['bags'], 'bag')}" + (" (declared)" if risk["declared"] else "")
