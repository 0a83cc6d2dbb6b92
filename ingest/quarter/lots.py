"""The lots of a quarter by stream, those of the quarter before, and how each counts.

A lot counts once, by the session that is its point on the chart. A lot that a bench finding explains, a test without valid
conditioning and a repeated test are listed but count against no supplier.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import TypedDict, cast, get_args

from sqlalchemy import Connection, RowMapping, text

from ingest.common.errors import CallError
from ingest.common.instants import FIRST_DAY, LAST_DAY, WEEK_US, microseconds
from ingest.config.lab import Lab
from ingest.documents.alert import StoredStreamEvidence
from ingest.documents.fields import Bound, ConditioningState, Standing
from ingest.documents.lot import LevelRange
from ingest.documents.stream import StoredPoint
from ingest.evaluation.session_values import determined, level_range, worst_bound
from spc.vocabulary.enums import Scale, Verdict

__all__ = [
    "DISPOSITIONS",
    "Quarter",
    "QuarterLot",
    "StreamLots",
    "corrected_since",
    "gather",
    "quarter",
    "quarter_before",
    "quarter_on",
    "stopped_products",
]

# The most serious first: a lot with several characteristics counts by the first that applies.
DISPOSITIONS: tuple[Standing, ...] = get_args(Standing)

Limits = tuple[float | None, float | None]


@dataclass(frozen=True, slots=True)
class Quarter:
    """A calendar quarter in the lab's zone: from `start_us` up to, but not including, `end_us`."""

    name: str
    first: date
    last: date
    start_us: int
    end_us: int

    def holds(self, moment_us: int) -> bool:
        """Whether a time lies in the quarter."""
        return self.start_us <= moment_us < self.end_us


def quarter(name: str, lab: Lab) -> Quarter:
    """The quarter called `name` (2026-Q3); CallError for anything else."""
    found = re.fullmatch(r"([0-9]{4})-Q([1-4])", name)
    if found is None or not FIRST_DAY.year <= int(found[1]) <= LAST_DAY.year:
        raise CallError(f'scorecard: expected a quarter like 2026-Q3, got "{name}"')
    return _quarter(int(found[1]), int(found[2]), lab)


def _quarter(year: int, number: int, lab: Lab) -> Quarter:
    first = date(year, 3 * number - 2, 1)
    after = date(year + number // 4, 3 * number % 12 + 1, 1)
    return Quarter(f"{year}-Q{number}", first, after - timedelta(days=1), _midnight(first, lab), _midnight(after, lab))


def _midnight(day: date, lab: Lab) -> int:
    return microseconds(datetime(day.year, day.month, day.day, tzinfo=lab.zone))


def quarter_before(span: Quarter, lab: Lab) -> Quarter:
    """The quarter that ends where this one begins."""
    return quarter_on(span.first - timedelta(days=1), lab)


def quarter_on(day: date, lab: Lab) -> Quarter:
    """The quarter in which a day lies."""
    return _quarter(day.year, (day.month + 2) // 3, lab)


class QuarterSession(TypedDict):
    """What a scorecard reads of a test session; `limits` are those of its point, None where it is none."""

    id: int
    started_us: int
    readings: int
    bags: int
    reading_df: float
    level: float | None
    bag_variance: float | None
    reading_variance: float | None
    level_unit: float | None
    level_range: LevelRange | None
    worst: float | None
    worst_bound: Bound
    judged: float | None
    verdict: Verdict
    conditioning: ConditioningState
    limits: Limits | None
    # The judged value without what bench findings add to it; null where no finding marks the test.
    judged_without: float | None


@dataclass(frozen=True, slots=True)
class QuarterLot:
    """A lot in a quarter: the session by which it counts, or the last one where none counts."""

    lot: str
    session: QuarterSession
    standing: Standing
    # The verdict of each test of the lot in the quarter, by its start.
    verdicts: Mapping[int, str] = field(default_factory=dict)

    @property
    def counts(self) -> bool:
        """Whether its test is one of the supplier's film."""
        return self.standing in ("pass", "fail", "undecided", "unlimited")

    @property
    def measured(self) -> bool:
        """Whether its level is one of the supplier's film."""
        return self.counts and self.session["level"] is not None


@dataclass(slots=True)
class StreamLots:
    """The lots of one stream in a quarter and in the one before, in order of test."""

    id: int
    supplier: str
    product: str
    characteristic: str
    lots: list[QuarterLot] = field(default_factory=list)
    earlier: list[QuarterLot] = field(default_factory=list)
    readings: int = 0


SESSIONS_SQL = """
SELECT t.id AS stream_id, t.supplier, t.product, t.characteristic, l.lot, s.id, s.started_us, s.readings, s.bags,
s.reading_df, s.level, s.bag_variance, s.reading_variance, s.level_unit, s.level_low, s.level_high, s.smallest, s.smallest_bound, s.largest, s.largest_bound, s.worst, s.judged, s.verdict, s.conditioning,
p.document AS point, (SELECT min(b.level_without) FROM bench_share b WHERE b.session_id = s.id) AS level_without
FROM session s JOIN stream t ON t.id = s.stream_id JOIN lot l ON l.id = s.lot_id
LEFT JOIN point p ON p.stream_id = s.stream_id AND p.session_id = s.id
WHERE s.started_us >= :start AND s.started_us < :end
ORDER BY t.supplier, t.product, t.characteristic, s.started_us, l.lot
"""


def gather(connection: Connection, lab: Lab, span: Quarter) -> list[StreamLots]:
    """Every stream with a test in the quarter, check standards left out."""
    before = quarter_before(span, lab)
    rows = connection.execute(text(SESSIONS_SQL), {"start": before.start_us, "end": span.end_us}).mappings()
    spans = _explained_by_bench(connection)
    by_stream: dict[int, list[RowMapping]] = {}
    for row in rows:
        if not lab.is_check_standard(row["supplier"], row["product"]):
            by_stream.setdefault(row["stream_id"], []).append(row)
    streams = [_stream(sessions, span, spans.get(id_, []), lab) for id_, sessions in by_stream.items()]
    return [stream for stream in streams if stream.lots]


def _stream(
    sessions: Sequence[RowMapping], span: Quarter, explained: Sequence[tuple[int, int]], lab: Lab
) -> StreamLots:
    names = {key: sessions[0][key] for key in ("supplier", "product", "characteristic")}
    scale = lab.characteristic(names["characteristic"]).scale
    now = [session for session in sessions if span.holds(session["started_us"])]
    before = [session for session in sessions if not span.holds(session["started_us"])]
    return StreamLots(
        id=sessions[0]["stream_id"],
        **names,
        lots=_lots(now, explained, scale),
        earlier=_lots(before, explained, scale),
        readings=sum(session["readings"] for session in now),
    )


def _lots(sessions: Iterable[RowMapping], explained: Sequence[tuple[int, int]], scale: str) -> list[QuarterLot]:
    by_lot: dict[str, list[QuarterSession]] = {}
    for row in sessions:
        by_lot.setdefault(row["lot"], []).append(_session(row, scale))
    found = [
        replace(_lot(lot, own, explained), verdicts={one["started_us"]: str(one["verdict"]) for one in own})
        for lot, own in by_lot.items()
    ]
    return sorted(found, key=lambda lot: (lot.session["started_us"], lot.lot))


def _session(row: RowMapping, scale: str) -> QuarterSession:
    point: StoredPoint | None = None if row["point"] is None else json.loads(row["point"])
    return {
        "id": row["id"],
        "started_us": row["started_us"],
        "readings": row["readings"],
        "bags": row["bags"],
        "reading_df": row["reading_df"],
        "level": determined(row),
        "bag_variance": row["bag_variance"],
        "reading_variance": row["reading_variance"],
        "level_unit": determined(row, "level_unit"),
        "level_range": level_range(row, scale),
        "worst": row["worst"],
        "worst_bound": worst_bound(row),
        "judged": row["judged"],
        "verdict": row["verdict"],
        "conditioning": row["conditioning"],
        "limits": None if point is None else (point["limit_lower"], point["limit_upper"]),
        "judged_without": _judged_without(row, scale),
    }


def _judged_without(row: RowMapping, scale: str) -> float | None:
    judged, level, without = row["judged"], row["level_unit"], row["level_without"]
    if judged is None or level is None or without is None:
        return None
    return float(judged * without / level if scale == Scale.LOG else judged + without - level)


def _lot(lot: str, sessions: Sequence[QuarterSession], explained: Sequence[tuple[int, int]]) -> QuarterLot:
    """How a lot stands in the quarter: by the session that is its point, or by its last where that lies elsewhere."""
    points = [session for session in sessions if session["limits"] is not None]
    session = points[0] if points else sessions[-1]
    if not points:
        invalid = all(one["conditioning"] != "valid" for one in sessions)
        return QuarterLot(lot, session, "invalid" if invalid else "retested")
    explains = any(low <= session["started_us"] <= high for low, high in explained)
    if session["verdict"] != "invalid" and explains and not _fails_anyway(session):
        return QuarterLot(lot, session, "set_aside")
    return QuarterLot(lot, session, cast(Standing, str(session["verdict"])))


def _fails_anyway(session: QuarterSession) -> bool:
    """Whether a lot that failed would fail without the shift of the bench too: a finding explains no more than its size."""
    if session["verdict"] != Verdict.FAIL:
        return False
    value, (lower, upper) = session["judged_without"], session["limits"] or (None, None)
    return value is None or (upper is not None and value >= upper) or (lower is not None and value < lower)


EXPLAINED_SQL = """
SELECT stream_id, raised_us, evidence FROM alert
WHERE held_under IS NOT NULL AND stream_id IS NOT NULL AND kind <> 'bench'
"""


def _explained_by_bench(connection: Connection) -> dict[int, list[tuple[int, int]]]:
    """For each stream the times between which a bench finding explains what was seen."""
    spans: dict[int, list[tuple[int, int]]] = {}
    for stream_id, raised_us, evidence in connection.execute(text(EXPLAINED_SQL)):
        found: StoredStreamEvidence = json.loads(evidence)
        since = found["since_us"] or raised_us
        spans.setdefault(stream_id, []).append((min(since, raised_us), max(found["latest_tested_us"], raised_us)))
    return spans


STOPPED_SQL = """
SELECT t.supplier, t.product, l.lot, s.started_us FROM session s JOIN stream t ON t.id = s.stream_id
JOIN lot l ON l.id = s.lot_id JOIN (
  SELECT t2.supplier AS supplier, t2.product AS product, max(s2.started_us) AS last_us FROM session s2
  JOIN stream t2 ON t2.id = s2.stream_id WHERE s2.started_us < :end GROUP BY t2.supplier, t2.product
) AS latest ON latest.supplier = t.supplier AND latest.product = t.product AND latest.last_us = s.started_us
WHERE latest.last_us < :start AND latest.last_us >= :year_before ORDER BY t.supplier, t.product, l.lot
"""


def stopped_products(connection: Connection, lab: Lab, span: Quarter) -> dict[str, list[tuple[str, str, int]]]:
    """By supplier the products that were tested in the year before the quarter and not in it: product, last lot, time."""
    times = {"start": span.start_us, "end": span.end_us, "year_before": span.start_us - 52 * WEEK_US}
    found: dict[str, dict[str, tuple[str, str, int]]] = {}
    for supplier, product, lot, started_us in connection.execute(text(STOPPED_SQL), times):
        if not lab.is_check_standard(supplier, product):
            found.setdefault(supplier, {})[product] = (product, lot, started_us)
    return {supplier: list(products.values()) for supplier, products in found.items()}


CORRECTED_SQL = """
SELECT t.supplier, count(*) FROM earlier_value e JOIN stream t ON t.id = e.stream_id
WHERE e.tested_us >= :start AND e.tested_us < :end AND e.replaced_us >= :since GROUP BY t.supplier
"""


def corrected_since(connection: Connection, span: Quarter, since_us: int) -> dict[str, int]:
    """Readings of the quarter, by supplier, that were corrected since a time."""
    times = {"start": span.start_us, "end": span.end_us, "since": since_us}
    rows = connection.execute(text(CORRECTED_SQL), times)
    return {str(supplier): int(count) for supplier, count in rows}
