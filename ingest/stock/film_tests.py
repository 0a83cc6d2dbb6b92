"""The tests of a stream that may show ageing: which count, and their levels without humidity and without the bench's share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from sqlalchemy import Connection

from ingest.alerts.shared_shift_points import quantity_of
from ingest.common.instants import DAY_US, WEEK_US, day_number, local_day
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.evaluation.humidity_effect import humidity_slope
from ingest.sessions.suspect_values import STANDS
from spc.ageing import DAYS_PER_MONTH
from spc.kernels.arrays import Flags, Floats, Integers
from spc.shared_shift.finding import Finding, explain
from spc.vocabulary.enums import Scale

__all__ = ["FilmTests", "film_tests"]

SQL = """
SELECT s.id, s.lot_id, l.lot, l.made_on, l.received_on, s.started_us, s.level, s.level_low, s.level_high, s.smallest, s.largest,
  s.smallest_bound, s.largest_bound, s.conditioning, s.humidity_mean, c.text, i.text, o.text, m.settled,
  (SELECT max(k.opened_on) FROM stock_count k WHERE k.lot_id = s.lot_id)
FROM session s JOIN lot l ON l.id = s.lot_id JOIN label c ON c.id = s.chamber_id JOIN label i ON i.id = s.instrument_id
JOIN label o ON o.id = s.load_id LEFT JOIN mark m ON m.session_id = s.id
WHERE s.stream_id = ? ORDER BY s.started_us, l.lot
"""
COLUMNS = (
    "session", "lot_id", "lot", "made_on", "received_on", "tested_us", "level", "level_low", "level_high", "smallest",
    "largest", "smallest_bound", "largest_bound", "conditioning", "humidity", "chamber", "instrument", "load", "settled",
    "opened_on",
)  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class FilmTests:
    """All tests of a stream in order of time, arrays of shape (n,).

    `level` is in the charted scale, as judged (mean or worst), at the declared humidity and without the share of bench
    findings; nan where there is none. `read` is it as it was read. `bound` is that of a level of which only one side is known. `variance` is that of the
    correction for humidity. `months` are months since 1970; `age` is the age in months, since manufacture where `since` is
    "made", else since receipt; nan where neither day is known. `why_not` says why a test does not count ("" where it does).
    """

    stream: Stream
    session: Integers
    lot_id: Integers
    lot: list[str]
    tested_us: Integers
    months: Floats
    level: Floats
    read: Floats
    bound: Integers
    variance: Floats
    age: Floats
    since: list[str]
    why_not: list[str]
    under_finding: Flags
    is_open: Flags
    humidity_removed: bool

    @property
    def counts(self) -> Flags:
        """Which tests show ageing."""
        return np.array([not why for why in self.why_not], dtype=bool)


def film_tests(
    connection: Connection, lab: Lab, stream: Stream, findings: Sequence[Finding], *, upper: bool
) -> FilmTests | None:
    """Read the tests of a stream; None where it has none. With `upper` the worst reading is the largest one."""
    rows = [tuple(row) for row in connection.exec_driver_sql(SQL, (stream.id,))]
    if not rows:
        return None
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    declared = lab.characteristic(stream.characteristic)
    level, bound = _judged(frame, declared.scale, declared.judged, upper=upper)
    read, variance = level, np.zeros(len(frame))
    slope = humidity_slope(connection, stream.product, stream.characteristic)
    humidity = frame["humidity"].to_numpy(np.float64)
    rule = lab.conditioning_for(stream.characteristic)
    if slope is not None and rule is not None:
        away = np.nan_to_num(humidity - rule.humidity_percent)
        level, variance = level - slope.slope * away, (slope.se * away) ** 2
    common, under = _bench(lab, stream, frame, findings)
    tested = frame["tested_us"].to_numpy(np.int64)
    age, since, doubtful = _ages(lab, frame)
    opened = pd.to_numeric(frame["opened_on"].map(_day), errors="coerce").to_numpy(np.float64)
    is_open = np.nan_to_num(opened, nan=np.inf) <= tested / DAY_US
    return FilmTests(
        stream=stream,
        session=frame["session"].to_numpy(np.int64),
        lot_id=frame["lot_id"].to_numpy(np.int64),
        lot=[str(name) for name in frame["lot"]],
        tested_us=tested,
        months=tested / DAY_US / DAYS_PER_MONTH,
        level=level - common,
        read=read,
        bound=bound,
        variance=variance,
        age=age,
        since=since,
        why_not=[
            _why_not(str(state), settled, has_level, months, doubt, lab.ageing.from_days / DAYS_PER_MONTH)
            for state, settled, has_level, months, doubt in zip(
                frame["conditioning"], frame["settled"], np.isfinite(level), age, doubtful, strict=True
            )
        ],
        under_finding=under,
        is_open=is_open,
        humidity_removed=slope is not None and rule is not None,
    )


def _why_not(state: str, settled: object, has_level: bool, age: float, doubt: bool, from_months: float) -> str:
    """Why a test does not count: its conditioning, a suspected slip, no level, or an age before the declared day."""
    if state != "valid":
        return state
    if isinstance(settled, str) and settled != STANDS:
        return "set aside" if settled else "may be a slip"
    if not has_level:
        return "no level"
    return "too young" if not doubt and age < from_months else ""


def _judged(frame: pd.DataFrame, scale: str, judged: str, *, upper: bool) -> tuple[Floats, Integers]:
    """The level that is compared with the limit, in the charted scale, and which side of it is open."""
    low, high = (frame[name].astype(np.float64).to_numpy() for name in ("level_low", "level_high"))
    level = frame["level"].astype(np.float64).to_numpy()
    bound = np.zeros(len(frame), dtype=np.int64)
    if judged != "mean":
        side = "largest" if upper else "smallest"
        worst = frame[side].to_numpy(np.float64)
        return np.log(worst) if scale == Scale.LOG else worst, frame[f"{side}_bound"].to_numpy(np.int64)
    # A level estimated from bounded readings is none to date a lot by: its known end is.
    above, below = np.isfinite(low) & ~np.isfinite(high), np.isfinite(high) & ~np.isfinite(low)
    bound[above], bound[below] = 1, -1
    return np.select([above, below], [low, high], level), bound


def _bench(lab: Lab, stream: Stream, frame: pd.DataFrame, findings: Sequence[Finding]) -> tuple[Floats, Flags]:
    """What bench findings added to each level, and which tests they touch."""
    if not findings:
        return np.zeros(len(frame)), np.zeros(len(frame), dtype=bool)
    points = frame.assign(
        supplier=stream.supplier,
        quantity=quantity_of(lab, stream.characteristic),
        weeks=frame["tested_us"].to_numpy(np.float64) / WEEK_US,
        is_check_standard=lab.is_check_standard(stream.supplier, stream.product),
    )
    parts = explain(points, findings)
    common = parts["common"].to_numpy(np.float64)
    return common, (common != 0) | (parts["finding"].to_numpy() >= 0)


def _ages(lab: Lab, frame: pd.DataFrame) -> tuple[Floats, list[str], list[bool]]:
    """Age in months at each test, since which day, and whether the days can't be meant (such an age is in no label)."""
    ages, since, doubtful = [], [], []
    offset = {us: local_day(int(us), lab.zone) for us in set(frame["tested_us"])}
    for made, received, tested_us in zip(frame["made_on"], frame["received_on"], frame["tested_us"], strict=True):
        tested, made_day, received_day = offset[tested_us], _day(made), _day(received)
        doubt = made_day is not None and (made_day > tested or (received_day is not None and made_day > received_day))
        doubt = doubt or (received_day is not None and received_day > tested)
        start = made_day if made_day is not None else received_day
        ages.append(np.nan if start is None or doubt else (tested - start) / DAYS_PER_MONTH)
        since.append("" if start is None or doubt else "made" if made_day is not None else "received")
        doubtful.append(doubt)
    return np.array(ages, dtype=np.float64), since, doubtful


def _day(text: object) -> int | None:
    return day_number(date.fromisoformat(text)) if isinstance(text, str) and text else None
