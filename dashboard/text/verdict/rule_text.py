"""A change of a decision rule in words, for the terminal and for the page that previews it."""

from __future__ import annotations

from dashboard.text.formatting import characteristic, counted, day, listed
from dashboard.text.verdict.conformity_text import rule_words
from dashboard.text.verdict.limit_change_text import CASES_STAY
from ingest.audit.audit_log import CHANGE_RULE
from ingest.common.text import printable
from ingest.documents.verdict.conformity import Rule, RuleStep
from ingest.documents.verdict.rule_change import ChangedRisks, RuleChange, RuleDifference, RulePreview

__all__ = [
    "cautions",
    "heading",
    "percents",
    "reach",
    "rule_listing",
    "rule_source",
    "since",
    "stream_sentences",
    "worth_showing",
]

AGREED_BEFORE = (
    "A decision rule is agreed before the test: enter one for tests whose readings are known only if it was in force on their day "
    "and your procedure allows it."
)
LOOSER = (
    "It passes lots that the earlier rule does not. Enter it only with the consent of the person whom your procedure authorises. "
    "No result here releases a lot."
)


NEGLIGIBLE = 1e-4


def heading(shown: RulePreview) -> str:
    """The change as an instruction."""
    name, start = characteristic(shown["characteristic"]), day(shown["from"])
    if shown["change"] == CHANGE_RULE:
        return f"Judge {name} by {rule_words(shown['after'])}, from {start}"
    return f"Undo the decision rule of {name} that was entered from {start}"


def reach(shown: RulePreview) -> str:
    """Which tests the rule applies to, and which rule it replaces."""
    end = "" if shown["until"] is None else f" until {day(shown['until'])}, when the next rule begins"
    return (
        f"It applies to every product and supplier, to tests from {day(shown['from'])} on{end}. The earlier rule is "
        f"{rule_words(shown['before'])}; tests before that day keep it."
    )


def cautions(shown: RulePreview) -> list[str]:
    """What speaks against the change."""
    sentences = []
    if shown["tested"]:
        sentences.append(
            f"{counted(shown['tested'], 'valid test')} of that time {_is_are(shown)} known already. {AGREED_BEFORE}"
        )
    if shown["looser"]:
        sentences.append(f"Looser than {rule_words(shown['before'])}. {LOOSER}")
    return sentences


def _is_are(shown: RulePreview) -> str:
    return "is" if shown["tested"] == 1 else "are"


def stream_sentences(stream: RuleDifference) -> list[str]:
    """The lots of a stream whose verdict changes, and the alerts that close or are raised."""
    changes: dict[tuple[str, str], list[str]] = {}
    for one in stream["verdicts"]:
        changes.setdefault((one["before"], one["after"]), []).append(one["lot"])
    sentences = [
        f"{counted(len(lots), 'verdict')} from {before} to {after}: {listed(lots, 12)}."
        for (before, after), lots in sorted(changes.items())
    ]
    gone, new = stream["alerts"]["go"], stream["alerts"]["come"]
    if gone or new:
        sentences.append(f"Alerts: {len(gone)} closed, {len(new)} new." + (f" {CASES_STAY}" if gone else ""))
    return sentences


def percents(risks: ChangedRisks) -> list[tuple[str, str]]:
    """Bad lots that pass, good lots that do not pass and good lots that fail, in percent: before and after."""
    before, after = risks["before"], risks["after"]
    pairs = (
        (before["wrong_passes"], after["wrong_passes"]),
        (before["good_not_passed"], after["good_not_passed"]),
        (before["wrong_fails"], after["wrong_fails"]),
    )
    return [(_percent(old), _percent(new)) for old, new in pairs]


def _percent(chance: float) -> str:
    return f"under {100 * NEGLIGIBLE:g} %" if chance < NEGLIGIBLE else f"{100 * chance:.2g} %"


def worth_showing(risks: list[ChangedRisks]) -> tuple[list[ChangedRisks], str | None]:
    """The streams with a risk that matters, the one that changes most first, and a sentence on the others."""
    shown = [
        one
        for one in risks
        if any(
            risk[key] >= NEGLIGIBLE
            for risk in (one["before"], one["after"])
            for key in ("wrong_passes", "good_not_passed", "wrong_fails")
        )
    ]
    left = len(risks) - len(shown)
    shown.sort(key=lambda one: -abs(one["before"]["good_not_passed"] - one["after"]["good_not_passed"]))
    if not left:
        return shown, None
    return (
        shown,
        f"{counted(left, 'further stream')} far from the limit: every risk is under {100 * NEGLIGIBLE:g} % by both rules.",
    )


def rule_source(step: RuleStep) -> str:
    """Where a rule comes from: "lab.toml" or "entered by A. Specialist, 3 Jan 2026: reason"."""
    if step["where"] == "lab.toml":
        return "lab.toml"
    return f"entered by {step.get('who', '')}, {day(step['entered_at'])}: {step['reason']}"


def rule_listing(shown: RuleChange) -> str:
    """The change for a terminal."""
    head = f"{'Done' if shown['done'] else 'Preview, nothing is changed yet'}: {heading(shown)}."
    lines = [head, reach(shown), *cautions(shown)]
    if not shown["streams"]:
        lines.append("No verdict and no alert changes.")
    for stream in shown["streams"]:
        lines.append(f"\n{stream['supplier']} {stream['product']}")
        lines += [f"  {sentence}" for sentence in stream_sentences(stream)]
    streams, others = worth_showing(shown["risks"])
    if streams:
        lines.append("\nOf the lots of each stream, before and after:")
    for risks in streams:
        passes, kept, fails = (f"{old} to {new}" for old, new in percents(risks))
        lines.append(
            f"  {risks['supplier']} {risks['product']}: bad lots that pass {passes}; good lots that do not pass {kept}; good lots "
            f"that fail {fails}"
        )
    if others:
        lines.append(f"\n{others}")
    return "\n".join(printable(line) for part in lines for line in part.split("\n"))


def since(rule: Rule) -> str:
    """The day of a rule and who entered it: ", declared from 1 Nov 2026" or ", entered by A. Specialist from 1 Nov 2026"."""
    if rule["from"] is None:
        return ""
    return f", {'entered by ' + rule['who'] if 'who' in rule else 'declared'} from {day(rule['from'])}"
