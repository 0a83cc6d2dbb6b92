"""How the bags of a test stand to its specification limits, beside the verdict on the lot."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.fields import Bound, Count

__all__ = ["BagCount"]


class BagCount(TypedDict):
    """The bags of one test: how many are outside the limits, and the worst of them.

    A bag counts by the mean of its readings (geometric on a log scale). `outside` are certainly outside; of `undecided` ones
    bounded readings leave it open. `worst` is the mean of the worst bag with the sign of its bound.
    """

    bags: Count
    outside: Count
    undecided: Count
    worst: float | None
    worst_bound: Bound
