"""The tests of a stream that may show ageing: which count, and their levels without humidity and without the bench's share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from sqlalchemy import Connection

from ingest.alerts.shared_shift_points import quantity_of
from ingest.common.instants import DAY_US, WEEK_US, day_number, local_day
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.evaluation.humidity_effect import humidity_slope
from ingest.sessions.suspect_values import STANDS
from spc.ageing import DAYS_PER_MONTH
from spc.kernels.arrays import Flags, Floats, Integers
from spc.kernels.columns import Rows
from spc.shared_shift.finding import Finding, explain
from spc.vocabulary.enums import Scale

__all__ = ["FilmTests", "film_tests", "removed_humidity"]

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


WHOLE = ("session", "lot_id", "tested_us", "smallest_bound", "largest_bound")
WORDS = ("lot", "made_on", "received_on", "conditioning", "chamber", "instrument", "load", "settled", "opened_on")


@dataclass(frozen=True, slots=True, eq=False)
class FilmTests:
    """All tests of a stream in order of time, arrays of shape (n,).

    `tested_day` is the local day, counted from 1970.
    `level` is in the charted scale, as judged (mean or worst), at the declared humidity and without the share of bench
    findings; nan where there is none. `read` is it as it was read. `bound` is that of a level of which only one side is known. `variance` is that of the
    correction for humidity, and `humidity` the slope that was taken out, with its standard error; None where none is shown. `months` are months since 1970; `age` is the age in months, since manufacture where `since` is
    "made", else since receipt; nan where neither day is known. `why_not` says why a test does not count ("" where it does).
    """

    stream: Stream
    session: Integers
    lot_id: Integers
    lot: list[str]
    tested_us: Integers
    tested_day: Integers
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
    humidity: tuple[float, float] | None

    @property
    def humidity_removed(self) -> bool:
        """Whether the levels are without an effect of humidity."""
        return self.humidity is not None

    @property
    def counts(self) -> Flags:
        """Which tests show ageing."""
        return np.array([not why for why in self.why_not], dtype=bool)


def film_tests(
    connection: Connection,
    lab: Lab,
    stream: Stream,
    findings: Sequence[Finding],
    humidity: tuple[float, float] | None,
    *,
    upper: bool,
) -> FilmTests | None:
    """Read the tests of a stream; None where it has none.

    `humidity` is the `removed_humidity` of its product. With `upper` the worst reading is the largest one.
    """
    rows = connection.exec_driver_sql(SQL, (stream.id,)).fetchall()
    if not rows:
        return None
    columns = {
        name: np.array(column, dtype=np.int64 if name in WHOLE else object if name in WORDS else np.float64)
        for name, column in zip(COLUMNS, zip(*rows, strict=True), strict=True)
    }
    table = Rows(columns.pop("session"), columns)
    declared = lab.characteristic(stream.characteristic)
    level, bound = _judged(table, declared.scale, declared.judged, upper=upper)
    read, variance = level, np.zeros(len(table))
    rule = lab.conditioning_for(stream.characteristic)
    if humidity is not None and rule is not None:
        away = np.nan_to_num(table["humidity"] - rule.humidity_percent)
        level, variance = level - humidity[0] * away, (humidity[1] * away) ** 2
    common, under = _bench(lab, stream, table, findings)
    tested = table["tested_us"]
    tested_day = [local_day(us, lab.zone) for us in tested.tolist()]
    age, since, doubtful = _ages(table, tested_day)
    opened = np.array([_day(day) for day in table["opened_on"].tolist()], dtype=np.float64)
    is_open = np.nan_to_num(opened, nan=np.inf) <= tested / DAY_US
    return FilmTests(
        stream=stream,
        session=table.index,
        lot_id=table["lot_id"],
        lot=table["lot"].tolist(),
        tested_us=tested,
        tested_day=np.array(tested_day, dtype=np.int64),
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
                table["conditioning"].tolist(),
                table["settled"].tolist(),
                np.isfinite(level),
                age,
                doubtful,
                strict=True,
            )
        ],
        under_finding=under,
        is_open=is_open,
        humidity=humidity,
    )


def removed_humidity(connection: Connection, lab: Lab, product: str, characteristic: str) -> tuple[float, float] | None:
    """The effect of humidity that is taken out of the levels of a film, with its standard error; None where none is shown."""
    effect = humidity_slope(connection, product, characteristic)
    return None if effect is None or lab.conditioning_for(characteristic) is None else (effect.slope, effect.se)


def _why_not(state: str, settled: object, has_level: bool, age: float, doubt: bool, from_months: float) -> str:
    """Why a test does not count: its conditioning, a suspected slip, no level, or an age before the declared day."""
    if state != "valid":
        return state
    if isinstance(settled, str) and settled != STANDS:
        return "set aside" if settled else "may be a slip"
    if not has_level:
        return "no level"
    return "too young" if not doubt and age < from_months else ""


def _judged(table: Rows, scale: str, judged: str, *, upper: bool) -> tuple[Floats, Integers]:
    """The level that is compared with the limit, in the charted scale, and which side of it is open."""
    low, high, level = (table[name] for name in ("level_low", "level_high", "level"))
    bound = np.zeros(len(table), dtype=np.int64)
    if judged != "mean":
        side = "largest" if upper else "smallest"
        worst = table[side]
        return np.log(worst) if scale == Scale.LOG else worst, table[f"{side}_bound"]
    # A level estimated from bounded readings is none to date a lot by: its known end is.
    above, below = np.isfinite(low) & ~np.isfinite(high), np.isfinite(high) & ~np.isfinite(low)
    bound[above], bound[below] = 1, -1
    return np.select([above, below], [low, high], level), bound


def _bench(lab: Lab, stream: Stream, table: Rows, findings: Sequence[Finding]) -> tuple[Floats, Flags]:
    """What bench findings added to each level, and which tests they touch."""
    if not findings:
        return np.zeros(len(table)), np.zeros(len(table), dtype=bool)
    points = table.frame().assign(
        supplier=stream.supplier,
        quantity=quantity_of(lab, stream.characteristic),
        weeks=table["tested_us"] / WEEK_US,
        is_check_standard=lab.is_check_standard(stream.supplier, stream.product),
    )
    parts = explain(points, findings)
    common = parts["common"].to_numpy(np.float64)
    return common, (common != 0) | (parts["finding"].to_numpy() >= 0)


def _ages(table: Rows, tested_days: Sequence[int]) -> tuple[Floats, list[str], list[bool]]:
    """Age in months at each test, since which day, and whether the days can't be meant (such an age is in no label)."""
    ages, since, doubtful = [], [], []
    for made, received, tested in zip(
        table["made_on"].tolist(), table["received_on"].tolist(), tested_days, strict=True
    ):
        made_day, received_day = _day(made), _day(received)
        doubt = made_day is not None and (made_day > tested or (received_day is not None and made_day > received_day))
        doubt = doubt or (received_day is not None and received_day > tested)
        start = made_day if made_day is not None else received_day
        ages.append(np.nan if start is None or doubt else (tested - start) / DAYS_PER_MONTH)
        since.append("" if start is None or doubt else "made" if made_day is not None else "received")
        doubtful.append(doubt)
    return np.array(ages, dtype=np.float64), since, doubtful


def _day(text: object) -> int | None:
    return day_number(date.fromisoformat(text)) if isinstance(text, str) and text else None
