"""What a change of a decision rule changes: verdicts and alerts of each stream, and the risks of its lots."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Count, Day, Microseconds, Moment
from ingest.documents.stream import StreamNames
from ingest.documents.verdict.conformity import Rule, RuleRisks
from ingest.documents.verdict.limit_change import ChangedVerdict, StoredChangedVerdict
from spc.vocabulary.enums import Kind

__all__ = [
    "ChangedRisks",
    "RuleChange",
    "RuleDifference",
    "RulePreview",
    "StoredRuleAlert",
    "StoredRuleDifference",
    "StoredRulePreview",
]

_From = TypedDict("_From", {"from": Day})


class ChangedRisks(TypedDict):
    """The risks of the lots of a stream under the rule in force on the day, and under the one in its place."""

    supplier: str
    product: str
    before: RuleRisks
    after: RuleRisks


class _RuleAlert(TypedDict):
    """An alert about undecided lots, with the lot that raised it: the only alerts that a decision rule changes."""

    id: str
    kind: Kind
    lot: str


class StoredRuleAlert(_RuleAlert):
    """An alert in a preview of a rule."""

    raised_us: Microseconds


class RuleAlert(_RuleAlert):
    """An alert in a preview of a rule, as it is shown."""

    raised_at: Moment


class StoredRuleAlerts(TypedDict):
    """The alerts that go or close, and those that come or open again."""

    go: list[StoredRuleAlert]
    come: list[StoredRuleAlert]


class RuleAlerts(TypedDict):
    """The alerts that go and come, as they are shown."""

    go: list[RuleAlert]
    come: list[RuleAlert]


class StoredRuleDifference(StreamNames):
    """What a rule changes in one stream."""

    verdicts: list[StoredChangedVerdict]
    alerts: StoredRuleAlerts


class RuleDifference(StreamNames):
    """What a rule changes in one stream, as it is shown."""

    verdicts: list[ChangedVerdict]
    alerts: RuleAlerts


class _RulePreview(_From):
    """`before` and `after` are the rules in force on the day `from`; `until` is the day on which the next one begins.

    `tested` counts the valid tests of that time whose readings are known already. `looser` is whether the new rule passes
    more.
    """

    change: Literal["change decision rule", "take back decision rule"]
    characteristic: str
    before: Rule
    after: Rule
    until: Day | None
    tested: Count
    looser: bool
    risks: list[ChangedRisks]


class StoredRulePreview(_RulePreview):
    """What an entry on a decision rule would change; `streams` are those with another verdict."""

    streams: list[StoredRuleDifference]


class RulePreview(_RulePreview):
    """What an entry on a decision rule would change, as it is shown."""

    streams: list[RuleDifference]


class RuleChange(RulePreview):
    """What an entry on a decision rule changes, and whether it was recorded or only shown."""

    done: bool
