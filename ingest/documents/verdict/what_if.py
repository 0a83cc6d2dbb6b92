"""Another limit over the history: which lots would fail, pass or stay open, and what is to be expected."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.fields import Count, Day, Moment, Probability, Side
from ingest.documents.stream import StreamNames
from spc.vocabulary.enums import Scale, Verdict

__all__ = ["ChangedLot", "Counts", "WhatIf", "WhatIfStream", "WhatIfSupplier"]


class Counts(TypedDict):
    """Lots under the other limit, and the 95 % interval of the fraction that fails: from no open lot failing to all."""

    lots: Count
    passing: Count
    failing: Count
    undecided: Count
    low: Probability
    high: Probability


class WhatIfStream(Counts, StreamNames):
    """One stream under the other limit.

    `since_at` begins its window. `law`, `law_low` and `law_high` are the fraction by the normal law of its levels, where
    the limit lies among them, without the `outliers` that the forecast leaves out too. `breach_probability` is the chance of
    a failing lot within the horizon, by the forecast of the board; null for a stream that is not forecast.
    """

    since_at: Moment
    failing_now: Count
    law: Probability | None
    law_low: Probability | None
    law_high: Probability | None
    outliers: Count
    moves: bool
    breach_probability: Probability | None


class WhatIfSupplier(Counts):
    """All streams of a supplier under the other limit. `pooled` is the fraction that fails after partial pooling."""

    supplier: str
    failing_now: Count
    pooled: Probability | None


class ChangedLot(TypedDict):
    """A lot with another verdict under the other limit."""

    supplier: str
    product: str
    lot: str
    tested_at: Moment
    before: Verdict
    after: Verdict


class WhatIf(TypedDict):
    """Another limit over the history of a characteristic. Nothing is recorded and no verdict changes.

    `since` is the first day asked for; null where each stream starts at its last move, its baseline or the edition in force.
    `left_out` counts sessions that are not valid or suspect; `unlimited` streams to which no limit applies.
    """

    characteristic: str
    unit: str
    scale: Scale
    side: Side
    limit: float
    declared: list[float]
    since: Day | None
    horizon_weeks: float
    drawn_up_at: Moment
    left_out: Count
    unlimited: Count
    total: Counts
    failing_now: Count
    suppliers: list[WhatIfSupplier]
    streams: list[WhatIfStream]
    changed: list[ChangedLot]
    changed_more: Count
