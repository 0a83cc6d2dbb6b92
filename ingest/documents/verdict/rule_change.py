"""What a change of a decision rule changes: verdicts and alerts of each stream, and the risks of its lots."""

from __future__ import annotations

from typing import Literal

from typing_extensions import TypedDict

from ingest.documents.fields import Count, Day
from ingest.documents.verdict.conformity import Rule, RuleRisks
from ingest.documents.verdict.limit_change import StoredStreamDifference, StreamDifference

__all__ = ["ChangedRisks", "RuleChange", "RulePreview", "StoredRulePreview"]

_From = TypedDict("_From", {"from": Day})


class ChangedRisks(TypedDict):
    """The risks of the lots of a stream under the rule in force on the day, and under the one in its place."""

    supplier: str
    product: str
    before: RuleRisks
    after: RuleRisks


class _RulePreview(_From):
    """`before` and `after` are the rules in force on the day `from`; `until` is the day on which the next one begins.

    `tested` counts the valid tests of that time whose readings are known already. `looser` says whether the new rule passes
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
    """What an entry on a decision rule would change; `streams` are those with another verdict or other alerts."""

    streams: list[StoredStreamDifference]


class RulePreview(_RulePreview):
    """What an entry on a decision rule would change, as it is shown."""

    streams: list[StreamDifference]


class RuleChange(RulePreview):
    """What an entry on a decision rule changes, and whether it was recorded or only shown."""

    done: bool
