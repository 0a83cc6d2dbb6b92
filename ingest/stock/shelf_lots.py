"""The lots on the shelf and the day to keep each until, written by the round.

With counts in the store, the rows of a lot's latest count give its quantity; a lot without a count or with quantity 0 is not
on the shelf. Without any count, every tested lot is taken as held.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, cast

import numpy as np
from sqlalchemy import Connection

from ingest.common.instants import day_number, day_of
from ingest.common.json_text import as_json, from_json
from ingest.config.lab import Lab
from ingest.documents.fields import Bound
from ingest.documents.stock import LotWord, ShelfFigures
from ingest.evaluation.stored_results import numbers
from ingest.stock.film_age import Film, FilmLaw
from ingest.store.dialect import among
from ingest.store.store import insert_many
from spc import ageing
from spc.ageing import DAYS_PER_MONTH
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import Scale

__all__ = [
    "NEVER",
    "Held",
    "are_counted",
    "chances",
    "forget_film",
    "held_lots",
    "law_from_json",
    "law_to_json",
    "put_leading",
    "stored_humidity",
    "stored_laws",
    "write_lots",
    "write_untested",
]

# Beyond every day that is stored.
NEVER = 2**31 - 1
# Lots between these chances are worth a test: outside them a test changes nothing that one does.
LEAST_CHANCE, MOST_CHANCE = 0.01, 0.99
LOTS_AT_ONCE = 5_000

COUNTS_SQL = """
SELECT k.lot_id, k.counted_day, k.quantity, k.is_counted, k.unit, b.text, k.opened_on FROM stock_count k
JOIN label b ON b.id = k.storage_id
WHERE k.lot_id IN {lots} AND k.counted_day = (SELECT max(n.counted_day) FROM stock_count n WHERE n.lot_id = k.lot_id)
ORDER BY k.lot_id, b.text
"""


@dataclass(frozen=True, slots=True)
class Held:
    """A lot on the shelf: its days, and what the latest count says. `quantity` is None where nothing was counted."""

    lot_id: int
    made_on: str
    received_on: str
    counted_day: int | None = None
    quantity: float | None = None
    unit: str = ""
    storage: tuple[str, ...] = ()
    opened_on: str = ""


def are_counted(connection: Connection) -> bool:
    """Whether the store holds any count."""
    return bool(connection.exec_driver_sql("SELECT EXISTS (SELECT 1 FROM stock_count)").scalar())


def held_lots(connection: Connection, lots: Collection[int], *, counted: bool) -> dict[int, Held]:
    """Those of these lots that are on the shelf."""
    held: dict[int, Held] = {}
    wanted = sorted(lots)
    for start in range(0, len(wanted), LOTS_AT_ONCE):
        keys, values = among(connection, [(lot,) for lot in wanted[start : start + LOTS_AT_ONCE]])
        counts: dict[int, list[Any]] = {}
        for row in connection.exec_driver_sql(COUNTS_SQL.format(lots=keys), values):
            counts.setdefault(row[0], []).append(row)
        rows = connection.exec_driver_sql(f"SELECT id, made_on, received_on FROM lot WHERE id IN {keys}", values)
        for lot_id, made_on, received_on in rows.fetchall():
            of_lot = counts.get(lot_id)
            if of_lot is None:
                if not counted:
                    held[lot_id] = Held(lot_id, made_on, received_on)
                continue
            quantities = [row[2] for row in of_lot if row[3]]
            if len(quantities) == len(of_lot) and sum(quantities) == 0:
                continue
            held[lot_id] = Held(
                lot_id=lot_id,
                made_on=made_on,
                received_on=received_on,
                counted_day=of_lot[0][1],
                quantity=sum(quantities) if quantities else None,
                unit=next((row[4] for row in of_lot if row[4]), ""),
                storage=tuple(row[5] for row in of_lot if row[5]),
                # Of a lot on several shelves, the package that was opened first decides.
                opened_on=min((row[6] for row in of_lot if row[6]), default=""),
            )
    return held


# The dates of the lots of one film

# What a round derives of a lot; which characteristic leads the lot is known when all are derived.
ROW = (
    "lot_id", "stream_id", "is_open", "word", "keep_day", "expected_day", "first_day", "last_day", "tested_day", "level", "quantity",
    "unit", "document",
)  # fmt: skip


def write_lots(connection: Connection, lab: Lab, film: Film, held: Mapping[int, Held]) -> set[int]:
    """Write the rows of these lots for the characteristic of the film in place of the earlier ones; the lots that changed."""
    tests = film.tests
    last = {int(tests.lot_id[place]): int(place) for place in np.flatnonzero(tests.counts)}
    lots = [held[lot] for lot in sorted({int(lot) for lot in tests.lot_id} & held.keys())]
    rows: list[tuple[Any, ...]] = []
    for law, group in ((film.closed, False), (film.opened, True)):
        chosen = [one for one in lots if bool(one.opened_on) == group]
        rows += _rows(lab, film, law, chosen, last)
    stream = film.tests.stream.id
    stored = connection.exec_driver_sql(f"SELECT {', '.join(ROW)} FROM shelf_lot WHERE stream_id = ?", (stream,))
    before = {tuple(row) for row in stored.fetchall()}
    changed = before ^ set(rows)
    insert_many(
        connection,
        "DELETE FROM shelf_lot WHERE stream_id = ? AND lot_id = ?",
        [(stream, lot) for lot in sorted({row[0] for row in before & changed})],
    )
    insert_many(
        connection,
        f"INSERT INTO shelf_lot (leads, {', '.join(ROW)}) VALUES (0{', ?' * len(ROW)})",
        [row for row in rows if row in changed],
    )
    return {row[0] for row in changed}


def forget_film(connection: Connection, stream: int) -> set[int]:
    """Take away what is derived of a film without a test; the lots that had a row."""
    lots = connection.exec_driver_sql("SELECT lot_id FROM shelf_lot WHERE stream_id = ?", (stream,)).scalars()
    forgotten = {int(lot) for lot in lots}
    for table in ("film_age", "shelf_lot"):
        connection.exec_driver_sql(f"DELETE FROM {table} WHERE stream_id = ?", (stream,))
    return forgotten


def _rows(lab: Lab, film: Film, law: FilmLaw, lots: list[Held], last: Mapping[int, int]) -> Iterable[tuple[Any, ...]]:
    places = np.array([last.get(one.lot_id, -1) for one in lots], dtype=np.int64)
    level = np.where(places >= 0, film.tests.level[places], np.nan) if lots else np.empty(0)
    bound = np.where(places >= 0, film.tests.bound[places], 0) if lots else np.empty(0)
    exact = np.isfinite(level) & (bound == 0)
    # Converted together: a round writes every lot of a film again.
    read = np.where(places >= 0, film.tests.read[places], np.nan) if lots else np.empty(0)
    *shown, limit = _in_unit(lab, film, np.append(read, np.nan if law.limit is None else law.limit))
    keep, expected, first, latest = (np.full(len(lots), np.nan) for _ in range(4))
    if law.word == "dated" and law.law is not None and law.limit is not None and law.side is not None and exact.any():
        y, side, confidence = level[exact], law.side, lab.ageing.confidence
        dates = ageing.own_date(y, law.limit, law.law, side, confidence, law.months)
        keep[exact], expected[exact] = dates.keep, dates.expected
        first[exact], latest[exact] = (
            ageing.months_to_chance(y, law.limit, law.law, side, chance, law.months)
            for chance in (LEAST_CHANCE, MOST_CHANCE)
        )
    # Plain numbers: one by one, those of an array take ten times as long.
    months = np.column_stack([keep, expected, first, latest]).tolist()
    rows = zip(lots, places.tolist(), shown, numbers(level), months, strict=True)
    for one, at, as_read, charted, (keep_months, expected_months, first_months, last_months) in rows:
        word, why = _word(film, law, one, at, keep_months)
        is_dated = word in ("dated", "beyond_sight", "passed") and math.isfinite(keep_months)
        tested_day = int(film.tests.tested_day[at]) if at >= 0 else None
        ends = [
            _day(tested_day, end, law.months) if is_dated else None
            for end in (keep_months, expected_months, first_months, last_months)
        ]
        if word == "passed" and tested_day is not None:
            ends = [tested_day, ends[1] if ends[1] is not None else tested_day, tested_day, ends[3]]
        keep_day, expected_day, first_day, last_day = ends
        figures = (as_read, limit, tested_day, keep_day, expected_day)
        document = _document(lab, film, law, one, at, word, why, figures)
        never = is_dated and first_day is not None and (last_day is None or last_months >= law.months)
        yield (
            one.lot_id, film.tests.stream.id, int(bool(one.opened_on)), word, keep_day, expected_day,
            None if first_months >= law.months else first_day, NEVER if never else last_day, tested_day,
            charted, one.quantity, one.unit, as_json(document),
        )  # fmt: skip


def _in_unit(lab: Lab, film: Film, level: np.ndarray) -> list[float | None]:
    scale = Scale(lab.characteristic(film.tests.stream.characteristic).scale)
    return numbers(to_unit(level, scale))


def _day(tested_day: int | None, months: float, furthest: float) -> int | None:
    """The day so many months after a test, rounded down; None where it lies beyond what can be stated."""
    if tested_day is None or not math.isfinite(months) or months > 4 * furthest:
        return None
    return tested_day + int(months * DAYS_PER_MONTH)


def _word(film: Film, law: FilmLaw, one: Held, at: int, keep: float) -> tuple[LotWord, str]:
    """What can be stated of a lot, and one sentence why."""
    tests = film.tests
    if at < 0:
        return "too_few", "No valid test of this lot"
    if one.opened_on and law.word == "too_few":
        return (
            "too_few",
            f"Opened on {one.opened_on}; the slope of closed packages does not hold for it, and {law.lots} of "
            f"{film.document['lots_needed']} opened lots have two valid tests",
        )
    if one.opened_on and not tests.is_open[at]:
        why = "Opened after its last test; counted from that test with the slope of opened packages"
    else:
        why = f"Last test and the slope of {law.lots} lots"
    outward = 0 if law.side is None or law.limit is None else (1 if law.side == "upper" else -1)
    if outward and tests.bound[at] != 0 and law.limit is not None:
        is_beyond = tests.bound[at] == outward and outward * (tests.level[at] - law.limit) >= 0
        return ("passed", "Its last test is over the limit") if is_beyond else (
            "too_few", "Its last test is a bound, from which no date follows"
        )  # fmt: skip
    if outward and law.limit is not None and outward * (tests.level[at] - law.limit) >= 0:
        return "passed", "Its last test is over the limit"
    if law.word != "dated":
        return law.word, film.document["why"]
    if keep <= 0:
        return "passed", "Its last test is too near the limit for any time on the shelf"
    if keep >= law.months - 1e-3:
        return "beyond_sight", f"{why}; nothing is stated beyond {law.months:.0f} months after the test"
    return "dated", why


def _document(
    lab: Lab, film: Film, law: FilmLaw, one: Held, at: int, word: LotWord, why: str,
    figures: tuple[float | None, float | None, int | None, int | None, int | None],
) -> ShelfFigures:  # fmt: skip
    """The document of a lot; `figures` are its level and the limit in the unit, and the days of test, keep and expectation."""
    level, limit, tested_day, keep_day, expected_day = figures
    tests, stream = film.tests, film.tests.stream
    declared, product = lab.characteristic(stream.characteristic), lab.product(stream.product)
    claim = None if product is None else product.keep_months
    marks = []
    if at >= 0 and tests.under_finding[at]:
        marks.append(
            "The last test lies under a bench finding: its level is as read, and its dates are without the finding."
        )
    if one.made_on and tested_day is not None and day_number(date.fromisoformat(one.made_on)) > tested_day:
        marks.append("The day of manufacture is after the test; correct it.")
    if one.made_on and one.received_on and one.made_on > one.received_on:
        marks.append("The day of manufacture is after the receipt; correct it.")
    return {
        "characteristic": stream.characteristic,
        "characteristic_unit": declared.unit,
        "word": word,
        "why": why,
        "keep_until": _iso(keep_day),
        "expected_on": _iso(expected_day),
        "tested_on": _iso(tested_day),
        "level": level if at >= 0 else None,
        "bound": cast(Bound, int(tests.bound[at])) if at >= 0 else 0,
        "limit": limit,
        "side": law.side,
        "film_lots": law.lots,
        "counted_on": _iso(one.counted_day),
        "storage": list(one.storage),
        "opened_on": one.opened_on or None,
        "made_on": one.made_on or None,
        "received_on": one.received_on or None,
        "keep_months": claim,
        "claimed_until": _claimed_until(one.made_on, claim),
        "marks": marks,
    }


def _iso(day: int | None) -> str | None:
    return None if day is None else day_of(day).isoformat()


def _claimed_until(made_on: str, months: float | None) -> str | None:
    if not made_on or months is None:
        return None
    return (date.fromisoformat(made_on) + timedelta(days=int(months * DAYS_PER_MONTH))).isoformat()


def write_untested(connection: Connection, held: Mapping[int, Held]) -> None:
    """Write a row for each held lot that has none: nothing is known of it but its count."""
    present: set[int] = set()
    wanted = sorted(held)
    for start in range(0, len(wanted), LOTS_AT_ONCE):
        keys, values = among(connection, [(lot,) for lot in wanted[start : start + LOTS_AT_ONCE]])
        rows_of_lots = connection.exec_driver_sql(
            f"SELECT DISTINCT lot_id FROM shelf_lot WHERE lot_id IN {keys}", values
        )
        present |= set(rows_of_lots.scalars())
    rows = []
    for lot, one in held.items():
        if lot in present:
            continue
        document: ShelfFigures = {
            "characteristic": None,
            "characteristic_unit": None,
            "word": "too_few",
            "why": "No test of this lot",
            "keep_until": None,
            "expected_on": None,
            "tested_on": None,
            "level": None,
            "limit": None,
            "side": None,
            "film_lots": 0,
            "counted_on": _iso(one.counted_day),
            "storage": list(one.storage),
            "opened_on": one.opened_on or None,
            "made_on": one.made_on or None,
            "received_on": one.received_on or None,
            "keep_months": None,
            "claimed_until": None,
            "marks": [],
        }
        rows.append((lot, one.quantity, one.unit, as_json(document)))
    insert_many(
        connection,
        "INSERT INTO shelf_lot (lot_id, stream_id, leads, is_open, word, quantity, unit, document) VALUES (?, 0, 1, 0, 'too_few', ?, ?, ?)",
        rows,
    )


def put_leading(connection: Connection, lots: Collection[int]) -> None:
    """Mark the characteristic with the earliest date of each lot; of lots without a date, the first characteristic."""
    insert_many(
        connection,
        "UPDATE shelf_lot SET leads = CASE WHEN stream_id = (SELECT n.stream_id FROM shelf_lot n WHERE n.lot_id = shelf_lot.lot_id "
        f"ORDER BY coalesce(n.keep_day, {NEVER}), CASE n.word WHEN 'unlimited' THEN 1 ELSE 0 END, n.stream_id LIMIT 1) "
        "THEN 1 ELSE 0 END WHERE lot_id = ?",
        [(lot,) for lot in sorted(lots)],
    )


# The law of a film as it is stored


def law_to_json(law: FilmLaw) -> dict[str, Any]:
    """The law as plain lists, for chances by a day that is asked for later."""
    present = law.law
    return {
        "word": law.word,
        "lots": law.lots,
        "side": law.side,
        "limit": law.limit,
        "months": law.months,
        "weight": [] if present is None else present.weight.tolist(),
        "slope": [] if present is None else present.slope.tolist(),
        "slope_variance": [] if present is None else present.slope_variance.tolist(),
        "session_variance": [] if present is None else present.session_variance.tolist(),
    }


def law_from_json(stored: Mapping[str, Any]) -> FilmLaw:
    """The law that `law_to_json` wrote, without the error of its mean."""
    weight = np.array(stored["weight"], dtype=np.float64)
    endless = np.full(weight.size, np.inf)
    law = ageing.SlopeLaw(
        weight=weight,
        slope=np.array(stored["slope"], dtype=np.float64),
        slope_variance=np.array(stored["slope_variance"], dtype=np.float64),
        slope_df=endless,
        session_variance=np.array(stored["session_variance"], dtype=np.float64),
        session_df=endless,
        mean_variance=np.zeros(weight.size),
        lots=stored["lots"],
    )
    return FilmLaw(
        stored["word"], stored["lots"], stored["side"], stored["limit"], stored["months"], law if weight.size else None
    )


def chances(law: FilmLaw, level: np.ndarray, tested_day: np.ndarray, day: int) -> np.ndarray:
    """Chance of each lot to be over its limit on a day; nan before its test and beyond what can be stated."""
    months = (day - tested_day) / DAYS_PER_MONTH
    if law.law is None or law.limit is None or law.side is None or law.word != "dated":
        return np.full(level.size, np.nan)
    chance = ageing.chance_over(level, law.limit, law.law, np.maximum(months, 0.0), law.side)
    return np.where((months < 0) | (months > law.months), np.nan, chance)


def stored_humidity(connection: Connection, streams: Collection[int]) -> dict[int, tuple[float, float] | None]:
    """The effect of humidity with its error that was taken out of the films of these streams; None where none was shown."""
    wanted, values = among(connection, [(stream,) for stream in sorted(streams)] or [(-1,)])
    rows = connection.exec_driver_sql(f"SELECT stream_id, law FROM film_age WHERE stream_id IN {wanted}", values)
    stored = {stream: from_json(law)["humidity"] for stream, law in rows}
    return {stream: None if effect is None else (effect[0], effect[1]) for stream, effect in stored.items()}


def stored_laws(connection: Connection, streams: Collection[int]) -> dict[int, tuple[FilmLaw, FilmLaw]]:
    """The laws of closed and of opened packages of these streams."""
    wanted, values = among(connection, [(stream,) for stream in sorted(streams)] or [(-1,)])
    rows = connection.exec_driver_sql(f"SELECT stream_id, law FROM film_age WHERE stream_id IN {wanted}", values)
    return {
        row[0]: (law_from_json(stored["closed"]), law_from_json(stored["opened"]))
        for row in rows
        for stored in (from_json(row[1]),)
    }
