"""The shelf as of a day: lots by date, those to test first, and the ageing of a product.

The days of each lot are stored; chances by a day that a reader chooses are computed here from the stored law of its film, for
the lots that are shown and for those that a test may decide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple, cast

import numpy as np
from sqlalchemy import Connection

from ingest.audit.lot_decisions import HOLD, LOT_DECISIONS, RETURN
from ingest.audit.subjects import Subject, SubjectKind
from ingest.common.errors import CallError, NotFoundError
from ingest.common.instants import DAY_US, day_number, day_of
from ingest.common.json_text import from_json
from ingest.common.number_format import LEAST_DIGITS
from ingest.config.lab import Lab
from ingest.documents.served import served
from ingest.documents.stock import (
    AgeingDocument,
    FilmAge,
    Hold,
    LotWord,
    ShelfCounts,
    ShelfFigures,
    ShelfLotDay,
    StockDocument,
)
from ingest.stock.shelf_lots import are_counted, chances, stored_laws
from ingest.store.dialect import among, containing
from ingest.store.stream_digits import stored_digits
from spc.ageing import DAYS_PER_MONTH
from spc.vocabulary.enums import Verdict

__all__ = [
    "CAUTION",
    "TEST_FIRST",
    "ageing_document",
    "is_near",
    "lot_in_stock",
    "lots_on_hold",
    "shelf_counts",
    "stock_document",
]

CAUTION = (
    "A date clears no lot and condemns none: it is an estimate from dry tests of this film. The standard's text and the "
    "authorised person decide."
)
TEST_FIRST = 10

COLUMNS = "s.lot_id, s.stream_id, l.supplier, l.product, l.lot, s.word, s.keep_day, s.tested_day, s.level, s.quantity, s.unit, s.document"
PLACE = f"SELECT {COLUMNS} FROM shelf_lot s JOIN lot l ON l.id = s.lot_id"


def stock_document(
    connection: Connection,
    lab: Lab,
    day: date,
    by: date | None = None,
    *,
    find: str = "",
    start: int = 0,
    most: int | None = None,
) -> StockDocument:
    """The shelf on a day; `find` keeps lots whose supplier, product or lot holds a text, `most` limits the rows.

    Raises
    ------
    CallError
        If `by` is before the day.
    """
    today, counts = day_number(day), shelf_counts(connection, lab, day, by)
    end, test_day = day_number(date.fromisoformat(counts["by"])), today + _days_to_test(lab)
    words = _words(connection)
    rows = _by_date(connection, find, start, most)
    return {
        "day": day.isoformat(),
        "test_on": day_of(test_day).isoformat(),
        "lots": sum(words.values()),
        "dated": words.get("dated", 0),
        **counts,
        "words": words,
        "test_first": _test_first(connection, today, end, test_day),
        "rows": _rows(connection, rows, today, end),
        "caution": CAUTION,
    }


def is_near(row: ShelfLotDay, by: str) -> bool:
    """Whether a lot is past its date, has one by a day, or is on hold."""
    return row["is_passed"] or row["hold"] is not None or (row["keep_until"] is not None and row["keep_until"] <= by)


def lot_in_stock(connection: Connection, lab: Lab, supplier: str, lot: str, day: date) -> list[ShelfLotDay]:
    """The rows of the shelf for one lot, one a product, that are past their date, near it, beyond sight or on hold; none without counts."""
    rows = connection.exec_driver_sql(
        f"{PLACE} WHERE s.leads = 1 AND l.supplier = ? AND l.lot = ? ORDER BY s.lot_id", (supplier, lot)
    ).fetchall()
    if not rows or not are_counted(connection):
        return []
    end = last_day(lab, day)
    return [
        row
        for row in _rows(connection, rows, day_number(day), end)
        if is_near(row, day_of(end).isoformat()) or row["is_unsighted"]
    ]


def lots_on_hold(connection: Connection, lab: Lab, day: date, by: date | None, most: int) -> list[ShelfLotDay]:
    """The first lots in stock that are on hold, whether or not they have a date."""
    # Only lots with something that may hold them: most of a large shelf has nothing, and each page would judge all of it.
    lots = [*connection.exec_driver_sql(MAY_HOLD_SQL)]
    written = connection.exec_driver_sql(
        f"SELECT DISTINCT subject FROM act WHERE what IN ('{HOLD}', '{RETURN}')"
    ).scalars()
    names = [subject.names for text in written if (subject := Subject.parse(text)) and subject.kind is SubjectKind.LOT]
    for start in range(0, len(names), LOTS_AT_ONCE):
        keys, values = among(connection, names[start : start + LOTS_AT_ONCE])
        lots += connection.exec_driver_sql(f"{ON_SHELF} AND (l.supplier, l.lot) IN {keys}", values)
    holds = sorted(_holds(connection, {lot: str(Subject.lot(supplier, name)) for lot, supplier, name in lots}))[:most]
    if not holds:
        return []
    marks = ", ".join("?" * len(holds))
    rows = connection.exec_driver_sql(
        f"{PLACE} WHERE s.leads = 1 AND s.lot_id IN ({marks}) ORDER BY s.lot_id", tuple(holds)
    ).fetchall()
    end = last_day(lab, day) if by is None else day_number(by)
    return _rows(connection, rows, day_number(day), end)


def last_day(lab: Lab, day: date) -> int:
    """The end of the horizon within which a date is near."""
    return day_number(day) + round(7 * lab.alerts.horizon_weeks)


def shelf_counts(connection: Connection, lab: Lab, day: date, by: date | None = None) -> ShelfCounts:
    """The lots in stock that are past their date on a day, and those whose date comes by another, or within the horizon.

    Raises
    ------
    CallError
        If `by` is before the day.
    """
    today = day_number(day)
    end = day_number(by) if by is not None else last_day(lab, day)
    if end < today:
        raise CallError(f"stock: expected a day from {day} on for --by, got {by}")
    passed, unsighted, due = connection.exec_driver_sql(
        "SELECT coalesce(sum(CASE WHEN word = 'passed' OR (word = 'dated' AND keep_day < ?) THEN 1 ELSE 0 END), 0), "
        "coalesce(sum(CASE WHEN word = 'beyond_sight' AND keep_day < ? THEN 1 ELSE 0 END), 0), "
        "coalesce(sum(CASE WHEN keep_day >= ? AND keep_day <= ? AND word = 'dated' THEN 1 ELSE 0 END), 0) "
        "FROM shelf_lot WHERE leads = 1 AND keep_day <= ?",
        (today, today, today, end, end),
    ).one()
    return {
        "by": day_of(end).isoformat(),
        "source": "counts" if are_counted(connection) else "every tested lot",
        "passed": int(passed),
        "unsighted": int(unsighted),
        "due": int(due),
    }


def _words(connection: Connection) -> dict[LotWord, int]:
    rows = connection.exec_driver_sql(
        "SELECT word, count(*) FROM shelf_lot WHERE leads = 1 GROUP BY word ORDER BY word"
    )
    return {cast(LotWord, word): int(count) for word, count in rows}


def _by_date(connection: Connection, find: str, start: int, most: int | None) -> list[Any]:
    """The rows in the order of their date; lots without one come last."""
    where, values = "", []
    if find:
        pattern = containing(find.lower())
        texts = " OR ".join(f"lower(l.{name}) LIKE ? ESCAPE '!'" for name in ("supplier", "product", "lot"))
        where, values = f" AND ({texts})", [pattern] * 3
    selected: list[Any] = []
    skipped = start
    # Two queries, each in the order of the index, instead of a sort of the whole shelf.
    for has_date, order in (("IS NOT NULL", "s.keep_day, s.lot_id"), ("IS NULL", "s.lot_id")):
        wanted = None if most is None else most - len(selected)
        if wanted == 0:
            break
        part = f" AND s.keep_day {has_date}{where}"
        limits = "" if wanted is None else f" LIMIT {int(wanted)} OFFSET {int(skipped)}"
        rows = connection.exec_driver_sql(
            f"{PLACE} WHERE s.leads = 1{part} ORDER BY {order}{limits}", tuple(values)
        ).fetchall()
        selected += rows
        if most is not None and skipped and not rows:
            count = f"SELECT count(*) FROM shelf_lot s JOIN lot l ON l.id = s.lot_id WHERE s.leads = 1{part}"
            skipped -= int(connection.exec_driver_sql(count, tuple(values)).scalar() or 0)
        elif rows:
            skipped = 0
    return selected


def _days_to_test(lab: Lab) -> int:
    """Days until a bag that is laid into the chamber today can be tested."""
    rules = [lab.conditioning_for(one.name) for one in lab.characteristics]
    hours = [rule.hours for rule in rules if rule is not None]
    return math.ceil(max(hours, default=0.0) / 24.0)


def _test_first(connection: Connection, today: int, end: int, test_day: int) -> list[ShelfLotDay]:
    """Lots ranked by p (1 - p) times quantity, p the chance of being over the limit on the next day of a test."""
    rows = connection.exec_driver_sql(
        "SELECT lot_id, stream_id, level, tested_day, quantity, is_open FROM shelf_lot WHERE leads = 1 AND first_day <= ? "
        "AND last_day >= ? AND word = 'dated' ORDER BY lot_id",
        (test_day, test_day),
    ).fetchall()
    if not rows:
        return []
    chance = _chances(connection, [(row[1], row[2], row[3], bool(row[5])) for row in rows], test_day)
    amount = np.array([1.0 if row[4] is None else row[4] for row in rows])
    worth = np.nan_to_num(chance * (1.0 - chance)) * amount
    best = sorted(range(len(rows)), key=lambda place: (-worth[place], rows[place][0]))[:TEST_FIRST]
    chosen = [(rows[place][0], rows[place][1]) for place in best if worth[place] > 0]
    if not chosen:
        return []
    # By the lots alone: with `leads` in the condition, SQLite reads the whole shelf.
    marks = ", ".join("?" * len(chosen))
    selected = connection.exec_driver_sql(f"{PLACE} WHERE s.lot_id IN ({marks})", tuple(lot for lot, _ in chosen))
    by_key = {(row[0], row[1]): row for row in selected}
    return _rows(connection, [by_key[key] for key in chosen], today, end)


def _chances(
    connection: Connection, lots: Sequence[tuple[int, float | None, int | None, bool]], day: int
) -> np.ndarray:
    """Chance of each lot (stream, level, day of the last test, opened) to be over its limit on a day."""
    out = np.full(len(lots), np.nan)
    laws = stored_laws(connection, {stream for stream, level, _, _ in lots if level is not None})
    groups: dict[tuple[int, bool], list[int]] = {}
    for place, (stream, level, tested, is_open) in enumerate(lots):
        if level is not None and tested is not None and stream in laws:
            groups.setdefault((stream, is_open), []).append(place)
    for (stream, is_open), places in groups.items():
        levels = np.array([lots[place][1] for place in places], dtype=np.float64)
        days = np.array([lots[place][2] for place in places], dtype=np.float64)
        out[places] = chances(laws[stream][is_open], levels, days, day)
    return out


def _rows(connection: Connection, rows: Sequence[Any], today: int, end: int) -> list[ShelfLotDay]:
    figures: list[ShelfFigures] = [from_json(row[11]) for row in rows]
    lots = [
        (row[1], row[8] if row[5] in ("dated", "beyond_sight") else None, row[7], bool(one["opened_on"]))
        for row, one in zip(rows, figures, strict=True)
    ]
    now, later = (_chances(connection, lots, day) for day in (today, end))
    digits = stored_digits(connection, {row[1] for row in rows if row[1] is not None})
    holds = _holds(connection, {row[0]: str(Subject.lot(row[2], row[4])) for row in rows})
    return [
        _row(row, one, today, now[place], later[place], digits.get(row[1], LEAST_DIGITS), holds.get(row[0]))
        for place, (row, one) in enumerate(zip(rows, figures, strict=True))
    ]


# The result that stands is that of the lot's point on the chart; the newest valid test says how the lot is now.
ON_SHELF = "SELECT s.lot_id, l.supplier, l.lot FROM shelf_lot s JOIN lot l ON l.id = s.lot_id WHERE s.leads = 1"
MAY_HOLD_SQL = f"""
{ON_SHELF} AND (EXISTS (
  SELECT 1 FROM session n LEFT JOIN bag_count b ON b.session_id = n.id WHERE n.lot_id = s.lot_id
  AND (n.verdict IN ('{Verdict.FAIL}', '{Verdict.UNDECIDED}') OR b.outside > 0)
) OR NOT EXISTS (SELECT 1 FROM session n WHERE n.lot_id = s.lot_id AND n.verdict <> '{Verdict.INVALID}'))
"""
RESULTS_SQL = """
SELECT s.lot_id, t.characteristic, s.verdict, p.session_id IS NOT NULL, b.outside FROM session s
JOIN stream t ON t.id = s.stream_id LEFT JOIN point p ON p.stream_id = s.stream_id AND p.session_id = s.id LEFT JOIN bag_count b ON b.session_id = s.id
WHERE s.lot_id IN {lots} AND s.verdict <> 'invalid' ORDER BY s.started_us
"""
DECISIONS_SQL = "SELECT subject, what FROM act WHERE subject IN {subjects} ORDER BY id"
LOTS_AT_ONCE = 5_000


class _Cause(NamedTuple):
    """Why a lot is on hold, and the characteristics whose result is the reason; none for a person's entry or a lot without a valid test."""

    hold: Hold
    characteristics: tuple[str, ...] = ()


def _holds(connection: Connection, subjects: Mapping[int, str]) -> dict[int, _Cause]:
    """The lots that are not to be used before a person decides; `subjects` are the lots with their subjects of the audit log."""
    worst: dict[int, _Cause] = {}
    pending: list[tuple[int, str]] = list(subjects.items())
    for start in range(0, len(pending), LOTS_AT_ONCE):
        some = pending[start : start + LOTS_AT_ONCE]
        keys, values = among(connection, [(lot,) for lot, _ in some])
        standing: dict[int, set[tuple[Hold | None, str]]] = {}
        newest: dict[int, dict[str, Hold | None]] = {}
        for lot, tested, verdict, counts, outside in connection.exec_driver_sql(RESULTS_SQL.format(lots=keys), values):
            result = _hold(verdict, outside or 0)
            standing.setdefault(lot, set()).update([(result, tested)] if counts else [])
            newest.setdefault(lot, {})[tested] = result
        for lot, _ in some:
            results = standing.get(lot, set()).union((hold, tested) for tested, hold in newest.get(lot, {}).items())
            if not results:
                worst[lot] = _Cause("no valid test")
            elif cause := next((one for one in HOLDS if any(hold == one for hold, _ in results)), None):
                worst[lot] = _Cause(cause, tuple(sorted(tested for hold, tested in results if hold == cause)))
        keys, values = among(connection, [(subject,) for _, subject in some])
        decided = {
            subject: what
            for subject, what in connection.exec_driver_sql(DECISIONS_SQL.format(subjects=keys), values)
            if what in LOT_DECISIONS
        }
        for lot, subject in some:
            if decided.get(subject) in (HOLD, RETURN):
                worst[lot] = _Cause("held" if decided[subject] == HOLD else "returned")
            elif subject in decided:
                worst.pop(lot, None)
    return worst


# The worst first.
HOLDS: tuple[Hold, ...] = ("failed", "undecided", "bags outside")


def _hold(verdict: str, outside: int) -> Hold | None:
    if verdict == Verdict.FAIL:
        return "failed"
    if verdict == Verdict.UNDECIDED:
        return "undecided"
    return "bags outside" if outside else None


def _row(
    row: Any, figures: ShelfFigures, today: int, now: float, later: float, digits: int, cause: _Cause | None
) -> ShelfLotDay:
    start = figures["made_on"] or figures["received_on"]
    age = None if start is None else (today - day_number(date.fromisoformat(start))) / DAYS_PER_MONTH
    return {
        **figures,
        "supplier": row[2],
        "product": row[3],
        "lot": row[4],
        "quantity": row[9],
        "unit": row[10],
        "digits": digits,
        "age_months": age,
        "age_since": None if start is None else "made" if figures["made_on"] else "received",
        "is_passed": row[5] == "passed" or (row[5] == "dated" and row[6] is not None and row[6] < today),
        "is_unsighted": row[5] == "beyond_sight" and row[6] is not None and row[6] < today,
        "hold": None if cause is None else cause.hold,
        "hold_by": [] if cause is None else list(cause.characteristics),
        "chance_today": None if np.isnan(now) else float(now),
        "chance_by": None if np.isnan(later) else float(later),
    }


# The ageing of a product

LATER_SQL = """
SELECT count(*), coalesce(sum(CASE WHEN EXISTS (
  SELECT 1 FROM session n JOIN stream t ON t.id = n.stream_id WHERE t.characteristic = ? AND n.conditioning = 'valid'
    AND n.lot_id <> s.lot_id AND n.started_us BETWEEN s.started_us - ? AND s.started_us + ?
    AND ({standards} OR (n.stream_id = s.stream_id AND NOT EXISTS (SELECT 1 FROM session e WHERE e.stream_id = n.stream_id
      AND e.lot_id = n.lot_id AND e.started_us < n.started_us)))
) THEN 1 ELSE 0 END), 0)
FROM session s WHERE s.stream_id = ? AND s.conditioning = 'valid' AND EXISTS (SELECT 1 FROM session e
  WHERE e.stream_id = s.stream_id AND e.lot_id = s.lot_id AND e.started_us < s.started_us)
"""
BESIDE_US = 7 * DAY_US


def ageing_document(connection: Connection, lab: Lab, product: str, characteristic: str) -> AgeingDocument:
    """How the films of a product age, one a supplier.

    Raises
    ------
    CallError
        If no film of this name was tested for the characteristic.
    """
    rows = connection.exec_driver_sql(
        "SELECT f.stream_id, f.document FROM film_age f JOIN stream t ON t.id = f.stream_id WHERE t.product = ? "
        "AND t.characteristic = ? ORDER BY t.supplier",
        (product, characteristic),
    ).fetchall()
    if not rows:
        raise NotFoundError(
            "ageing", f"no test of {product}, {characteristic}, is stored", "see lotdrift board for what is"
        )
    films = [_film(connection, lab, stream, from_json(document), characteristic) for stream, document in rows]
    return {"product": product, "characteristic": characteristic, "films": films, "caution": CAUTION}


def _film(connection: Connection, lab: Lab, stream: int, stored: Mapping[str, Any], characteristic: str) -> FilmAge:
    names = [(one.supplier, one.product) for one in lab.check_standards]
    standards = " OR ".join(["(t.supplier = ? AND t.product = ?)"] * len(names)) or "1 = 0"
    later, beside = connection.exec_driver_sql(
        LATER_SQL.format(standards=standards),
        (characteristic, BESIDE_US, BESIDE_US, *(name for pair in names for name in pair), stream),
    ).one()
    film = cast(FilmAge, served(cast(Any, dict(stored)), lab.zone))
    film["later_tests"], film["beside"] = int(later), int(beside)
    film["digits"] = stored_digits(connection, [stream])[stream]
    film["bench"] = _bench(int(later), int(beside))
    return film


def _bench(later: int, beside: int) -> str:
    """Whether ageing can be separated from a drift of the bench."""
    if not later:
        return "No lot was tested a second time."
    if not beside:
        return "Ageing or bench: no fresh lot and no check standard was tested beside the old ones, so they can't be separated."
    return f"A check standard or a fresh lot was tested within a week of {beside} of {later} later tests."
