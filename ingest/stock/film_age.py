"""How the film of a stream ages: the law of its lots' slopes, its shelf life, and what can't be stated."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special
from sqlalchemy import Connection

from ingest.common.instants import from_microseconds
from ingest.common.streams import Stream
from ingest.config.lab import Lab
from ingest.documents.fields import Side
from ingest.documents.stock import FilmWord, MeanLine, StoredFilmAge
from ingest.evaluation.stored_results import number, numbers
from ingest.stock.film_tests import FilmTests, film_tests
from spc import ageing
from spc.kernels.arrays import Flags
from spc.shared_shift.finding import Finding
from spc.stream.verdicts import to_unit
from spc.vocabulary.enums import Scale

__all__ = ["FEWEST_LOTS", "Film", "FilmLaw", "film_age"]

# Under five lots the tolerance factor is 6 and more, which is no date.
FEWEST_LOTS = 5
# A slope is shown where its 95 % interval excludes 0.
SHOWN = float(special.ndtri(0.975))
CHART_STEPS = 25


@dataclass(frozen=True, slots=True, eq=False)
class FilmLaw:
    """How lots of the film age in one kind of package: a word where nothing can be stated, else the law and its limit.

    `limit` is in the charted scale, `months` the furthest time after a test for which something is stated.
    """

    word: FilmWord
    lots: int
    side: Side | None
    limit: float | None
    months: float
    law: ageing.SlopeLaw | None


@dataclass(frozen=True, slots=True, eq=False)
class Film:
    """The tests of a stream, the law of closed and of opened packages, and the document of the film's page."""

    tests: FilmTests
    closed: FilmLaw
    opened: FilmLaw
    document: StoredFilmAge


def film_age(
    connection: Connection,
    lab: Lab,
    stream: Stream,
    findings: Sequence[Finding],
    humidity: tuple[float, float] | None,
) -> Film | None:
    """Derive how a film ages; None where the stream has no test.

    `lab` holds the limits that people entered, `humidity` is the `removed_humidity` of the film's product.
    """
    tests = film_tests(connection, lab, stream, findings, humidity, upper=True)
    if tests is None:
        return None
    lower, upper = _limits(lab, stream, tests)
    if upper is None and lower is not None and lab.characteristic(stream.characteristic).judged != "mean":
        tests = film_tests(connection, lab, stream, findings, humidity, upper=False) or tests
    closed = _law(tests, tests.counts & ~tests.is_open, lower, upper)
    opened = _law(tests, tests.counts & tests.is_open, lower, upper)
    return Film(tests, closed, opened, _document(lab, tests, closed))


def _limits(lab: Lab, stream: Stream, tests: FilmTests) -> tuple[float | None, float | None]:
    """The limits in force at the last test, clear of the guard band, in the charted scale."""
    declared = lab.characteristic(stream.characteristic)
    limits = lab.limits_at(stream.product, stream.characteristic, from_microseconds(int(tests.tested_us[-1])))
    guard = declared.guard_percent / 100.0

    def charted(limit: float | None, share: float) -> float | None:
        if limit is None:
            return None
        return float(np.log(limit * share)) if Scale(declared.scale) is Scale.LOG else limit * share

    return charted(limits.lower, 1 + guard), charted(limits.upper, 1 - guard)


def _law(tests: FilmTests, used: Flags, lower: float | None, upper: float | None) -> FilmLaw:
    if lower is None and upper is None:
        return FilmLaw("unlimited", 0, None, None, 0.0, None)
    x, lot = tests.months[used], tests.lot_id[used]
    level = ageing.with_bounds_filled(x, tests.level[used], tests.bound[used], lot)
    fitted = ageing.lines(x, level, lot)
    lots = len(fitted.lots)
    side: Side = "upper" if upper is not None else "lower"
    limit = upper if upper is not None else lower
    few = FilmLaw("too_few", lots, side, limit, 0.0, None)
    if lots < FEWEST_LOTS:
        return few
    law = ageing.weighed_slopes(x, level, lot, tests.variance[used])
    seen = max(float(np.ptp(x[lot == one])) for one in fitted.lots)
    if abs(law.mean) <= SHOWN * law.se:
        return replace(few, word="no_change_shown", law=law)
    side, limit = ("upper", upper) if law.mean > 0 else ("lower", lower)
    if limit is None:
        return replace(few, word="falls", law=law)
    # Where the ageing bends, the straight line holds as far as lots were followed and no further.
    return FilmLaw("dated", lots, side, limit, seen if _bent(x, level, lot) else ageing.furthest(seen), law)


def _bent(x: np.ndarray, level: np.ndarray, lot: np.ndarray) -> bool:
    term = ageing.square_term(x - x.min(), level, lot) if x.size else None
    return term is not None and (term[1] > 0 or term[2] < 0)


# The film's page


def _document(lab: Lab, tests: FilmTests, law: FilmLaw) -> StoredFilmAge:
    stream = tests.stream
    declared, product = lab.characteristic(stream.characteristic), lab.product(stream.product)
    used = tests.counts & ~tests.is_open
    since = "made" if any(one == "made" for one in tests.since) else "received"
    labelled = used & np.array([one == since for one in tests.since], dtype=bool)
    filled = tests.level.copy()
    filled[used] = ageing.with_bounds_filled(
        tests.months[used], tests.level[used], tests.bound[used], tests.lot_id[used]
    )
    document: StoredFilmAge = {
        "supplier": stream.supplier,
        "product": stream.product,
        "characteristic": stream.characteristic,
        "unit": declared.unit,
        "scale": Scale(declared.scale),
        "word": law.word,
        "why": "",
        "side": law.side,
        "limit": _in_unit(law.limit, declared.scale),
        "lots": law.lots,
        "tests": int(used.sum()),
        "lots_needed": FEWEST_LOTS,
        **_change(law, declared.scale, declared.unit),  # type: ignore[typeddict-item]
        "coverage": lab.ageing.coverage,
        "confidence": lab.ageing.confidence,
        "life_months": None,
        "life_expected_months": None,
        "life_lots": 0,
        "life_since": None,
        "life_word": "too_few",
        "mean_line": None,
        "furthest_months": number(law.months) if law.months else None,
        "oldest_months": number(float(tests.age[labelled].max())) if labelled.any() else None,
        "keep_months": None if product is None else product.keep_months,
        "is_bent": bool(used.any()) and _bent(tests.months[used], filled[used], tests.lot_id[used]),
        "bounded_tests": int(np.sum(used & (tests.bound != 0))),
        "humidity_removed": tests.humidity_removed,
        "tests_under_finding": int(np.sum(used & tests.under_finding)),
        "retested_read_higher": _retested_read_higher(tests, used, law),
        "bound_line": [],
        "missing": [],
        "points": [
            {
                "lot": name,
                "age_months": number(age),
                "level": level,
                "bound": int(bound),
                "is_used": not why,
                "why_not": why or None,
                "is_under_finding": bool(finding),
                "is_open": bool(is_open),
                "tested_us": int(tested),
            }
            for name, age, level, bound, why, finding, is_open, tested in zip(
                tests.lot, tests.age, numbers(to_unit(tests.level, declared.scale)), tests.bound, tests.why_not,
                tests.under_finding, tests.is_open, tests.tested_us, strict=True,
            )
        ],
    }  # fmt: skip
    _add_life(document, tests, filled, labelled, law, since)
    document["why"] = _why(document)
    document["missing"] = _missing(document)
    return document


def _in_unit(level: float | None, scale: str) -> float | None:
    return None if level is None else number(float(to_unit(np.array([level]), scale)[0]))


def _change(law: FilmLaw, scale: str, unit: str) -> dict[str, object]:
    """The mean slope a month with its 95 % interval: percent where charted in logs, else the unit."""
    log = scale == Scale.LOG

    def shown(slope: float) -> float | None:
        return number(100.0 * float(np.expm1(min(slope, 50.0))) if log else slope)

    slopes = law.law
    mean, half = (slopes.mean, SHOWN * slopes.se) if slopes is not None else (np.nan, np.nan)
    return {
        "change_percent_per_month": shown(mean),
        "change_low": shown(mean - half),
        "change_high": shown(mean + half),
        "change_unit": "%" if log else unit,
    }


def _add_life(
    document: StoredFilmAge, tests: FilmTests, filled: np.ndarray, labelled: Flags, law: FilmLaw, since: str
) -> None:
    """The shelf life of the film: by its lots where there are enough with a day, and by the published mean line beside it."""
    if law.side is None or law.limit is None or not labelled.any():
        return
    age, level, lot = tests.age[labelled], filled[labelled], tests.lot_id[labelled]
    fitted = ageing.lines(age, level, lot)
    document["life_lots"] = len(fitted.lots)
    document["life_since"] = since  # type: ignore[typeddict-item]
    furthest = ageing.furthest(float(age.max()))
    if len(fitted.lots) >= 2 and fitted.df >= 1 and fitted.mean_square > 0:
        lower, upper = (law.limit, None) if law.side == "lower" else (None, law.limit)
        mean = ageing.mean_line_life(age, level, lot, lower, upper, document["confidence"])
        line: MeanLine = {"model": mean.model, "months": number(min(mean.life, furthest)), "furthest_months": furthest}
        document["mean_line"] = line
    if law.word != "dated" or len(fitted.lots) < FEWEST_LOTS:
        return
    life = ageing.tolerance_life(age, level, lot, law.limit, law.side, document["coverage"], document["confidence"])
    document["life_word"] = "dated" if life.life <= furthest else "beyond_sight"
    document["life_months"] = number(min(life.life, furthest))
    document["life_expected_months"] = number(life.expected)
    document["bound_line"] = _bound_line(fitted, life, furthest, law, document["scale"])


def _bound_line(
    fitted: ageing.Lines, life: ageing.ToleranceLife, furthest: float, law: FilmLaw, scale: str
) -> list[tuple[float, float, float]]:
    """Age, mean line and bound on the lots, in the unit, for the chart of the film."""
    ages = np.linspace(0.0, furthest, CHART_STEPS)
    at = fitted.level[:, None] + fitted.slope[:, None] * (ages - fitted.age[:, None])
    sign = 1.0 if law.side == "upper" else -1.0
    middle = at.mean(axis=0)
    bound = middle + sign * life.factor * at.std(axis=0, ddof=1)
    columns = (to_unit(np.clip(part, -600.0, 600.0), scale) for part in (middle, bound))
    return [(float(a), float(m), float(b)) for a, m, b in zip(ages, *columns, strict=True)]


def _retested_read_higher(tests: FilmTests, used: Flags, law: FilmLaw) -> bool:
    """Whether the lots that were tested again read nearer to the limit at first than the rest, so that their lines are too flat."""
    first = np.zeros(tests.lot_id.size, dtype=bool)
    places = np.flatnonzero(used)
    first[places[np.unique(tests.lot_id[places], return_index=True)[1]]] = True
    lots, count = np.unique(tests.lot_id[used], return_counts=True)
    again = np.isin(tests.lot_id, lots[count > 1])
    a, b = tests.level[first & again], tests.level[first & ~again]
    if a.size < 2 or b.size < 2:
        return False
    df = a.size + b.size - 2
    square = (a.var() * a.size + b.var() * b.size) / df
    if square <= 0:
        return False
    sign = -1.0 if law.side == "lower" else 1.0
    t = sign * (a.mean() - b.mean()) / np.sqrt(square * (1 / a.size + 1 / b.size))
    return bool(t > special.stdtrit(df, 0.975))


def _why(document: StoredFilmAge) -> str:
    """One sentence on what the tests of the film allow to say."""
    lots = document["lots"]
    return {
        "too_few": f"{lots} of {FEWEST_LOTS} lots have two valid tests; a date needs {FEWEST_LOTS}",
        "no_change_shown": f"The tests of {lots} lots show no change with age",
        "falls": f"The level of {lots} lots moves away from the only limit",
        "unlimited": "No specification limit applies",
        "dated": f"The slope comes from {lots} lots with two or more valid tests",
    }[document["word"]]


def _missing(document: StoredFilmAge) -> list[str]:
    """What would give a better date, one sentence each."""
    wanted = []
    if document["word"] == "unlimited":
        return []
    if document["lots"] < FEWEST_LOTS:
        short = FEWEST_LOTS - document["lots"]
        wanted.append(
            f"Test {short} more {'lot' if short == 1 else 'lots'} a second time, six months or more after the first test."
        )
    elif document["lots"] < 10:
        wanted.append("Test more lots a second time: with ten lots the bound comes nearer to the mean.")
    if document["life_lots"] < FEWEST_LOTS <= document["lots"]:
        wanted.append("Record the day of manufacture: the shelf life of the film needs five lots with that day.")
    if document["word"] == "dated" and document["life_word"] == "beyond_sight" and document["oldest_months"]:
        wanted.append(
            f"Test lots older than {document['oldest_months']:.0f} months: the date lies beyond the ages tested."
        )
    if document["retested_read_higher"]:
        wanted.append(
            "Choose lots for a second test by age: those tested again read nearer to the limit at first. The dates of lots allow "
            "for this, the shelf life of the film does not."
        )
    if document["word"] == "no_change_shown":
        wanted.append("Test the oldest lots again: a longer time between tests shows a smaller change.")
    return wanted
