"""The shelf: lots in stock with the day to keep them until, and how the film of a stream ages."""

from __future__ import annotations

from typing import Literal, NotRequired

from typing_extensions import TypedDict

from ingest.documents.fields import Bound, Count, Day, Digits, Moment, Probability, Side
from spc.vocabulary.enums import Scale

__all__ = [
    "AgeingDocument",
    "FilmAge",
    "FilmPoint",
    "FilmWord",
    "Hold",
    "LotWord",
    "MeanLine",
    "ShelfCounts",
    "ShelfFigures",
    "ShelfLot",
    "ShelfLotDay",
    "StockDocument",
    "StoredFilmAge",
    "StoredFilmPoint",
]

FilmWord = Literal["dated", "too_few", "no_change_shown", "falls", "unlimited"]
"""What the tests of a film allow to say. `falls`: away from its only limit."""
LotWord = Literal["dated", "too_few", "no_change_shown", "falls", "unlimited", "beyond_sight", "passed"]


Hold = Literal["failed", "undecided", "bags outside", "no valid test", "held", "returned"]
"""Why a lot is not to be used: the result that stands, or a person's entry that holds or returns it."""


class ShelfFigures(TypedDict):
    """What the round stores of a lot on the shelf and a characteristic; levels in the unit of the characteristic."""

    characteristic: str | None
    characteristic_unit: str | None
    word: LotWord
    why: str
    keep_until: Day | None
    expected_on: Day | None
    tested_on: Day | None
    level: float | None
    # The sign of a level of which only one end is known; stores of 0.6.0 have none until the film is derived again.
    bound: NotRequired[Bound]
    limit: float | None
    side: Side | None
    film_lots: Count
    counted_on: Day | None
    storage: list[str]
    opened_on: Day | None
    made_on: Day | None
    received_on: Day | None
    keep_months: float | None
    claimed_until: Day | None
    marks: list[str]


class ShelfLot(ShelfFigures):
    """A lot on the shelf, by the characteristic with its earliest date."""

    supplier: str
    product: str
    lot: str
    quantity: float | None
    unit: str


class ShelfLotDay(ShelfLot):
    """A lot on the shelf as of a day: its age, and the chance of being over its limit that day and by a later one.

    `is_passed`: its date has passed. `is_unsighted`: nothing is stated for that day any more, as the tests of its film do not reach so
    far. `hold` is about the use of the lot, whatever the date; `hold_by` are the characteristics whose result is the reason, which need not be the one
    of the row. It is empty where a person holds or returns the lot or no test is valid.
    """

    digits: NotRequired[Digits]

    age_months: float | None
    age_since: Literal["made", "received"] | None
    is_passed: bool
    is_unsighted: bool
    hold: Hold | None
    hold_by: list[str]
    chance_today: Probability | None
    chance_by: Probability | None


class ShelfCounts(TypedDict):
    """The lots in stock past their date, beyond what the tests show, and with a date that comes by a day."""

    by: Day
    source: Literal["counts", "every tested lot"]
    passed: Count
    unsighted: Count
    due: Count


class StockDocument(ShelfCounts):
    """The shelf as of a day: the lots by date, and those to test first."""

    day: Day
    test_on: Day
    lots: Count
    dated: Count
    words: dict[LotWord, Count]
    test_first: list[ShelfLotDay]
    rows: list[ShelfLotDay]
    caution: str


class _FilmPointFigures(TypedDict):
    lot: str
    age_months: float | None
    level: float | None
    bound: Bound
    is_used: bool
    why_not: str | None
    is_under_finding: bool
    is_open: bool


class StoredFilmPoint(_FilmPointFigures):
    """A test of the film as it is stored."""

    tested_us: int


class FilmPoint(_FilmPointFigures):
    """A test of the film: age since manufacture (else receipt), and level in the unit."""

    tested_at: Moment


class MeanLine(TypedDict):
    """The published shelf life of stability studies; it is no promise about a lot."""

    model: Literal["one line", "parallel lines", "own lines"]
    months: float | None
    furthest_months: float


class _FilmFigures(TypedDict):
    supplier: str
    product: str
    characteristic: str
    unit: str
    scale: Scale
    word: FilmWord
    why: str
    side: Side | None
    limit: float | None
    lots: Count
    tests: Count
    lots_needed: Count
    change_percent_per_month: float | None
    change_low: float | None
    change_high: float | None
    change_unit: str
    coverage: Probability
    confidence: Probability
    life_months: float | None
    life_expected_months: float | None
    life_lots: Count
    life_since: Literal["made", "received"] | None
    life_word: Literal["dated", "too_few", "beyond_sight"]
    mean_line: MeanLine | None
    furthest_months: float | None
    oldest_months: float | None
    keep_months: float | None
    is_bent: bool
    bounded_tests: Count
    humidity_removed: bool
    tests_under_finding: Count
    retested_read_higher: bool
    bound_line: list[tuple[float, float, float]]
    missing: list[str]


class StoredFilmAge(_FilmFigures):
    """How a film ages, as it is stored."""

    points: list[StoredFilmPoint]


class FilmAge(_FilmFigures):
    """How a film ages; `beside` counts the later tests with a check standard or a fresh lot within the week."""

    digits: NotRequired[Digits]
    points: list[FilmPoint]
    later_tests: Count
    beside: Count
    bench: str


class AgeingDocument(TypedDict):
    """How a product ages: one film a supplier."""

    product: str
    characteristic: str
    films: list[FilmAge]
    caution: str
