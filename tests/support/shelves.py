"""A film that ages on the shelf of a small lab: its tests, the log of its chamber, and counts of its lots."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, datetime, timedelta

import numpy as np
from support.labs import MONDAY, Bench, csv_text, lot_rows

__all__ = ["FILM", "FIRST", "LEVELS", "NAME", "PACES", "STOCK", "TODAY", "count", "fill", "film_rows", "logs"]

NAME = "surface_resistance"
FILM = {"product": "PB-1", "characteristic": NAME, "unit": "ohm"}
TODAY = date(2026, 11, 25)
STOCK = ("counted_on", "supplier", "product", "lot", "quantity", "unit", "storage", "opened_on")
# Seven lots: decades at the first test and a month; tested every 150 days, three times.
LEVELS = (9.0, 9.1, 8.9, 9.05, 8.95, 9.15, 9.0)
PACES = (0.10, 0.11, 0.09, 0.105, 0.095, 0.10, 0.10)
FIRST = MONDAY - timedelta(days=330)


def film_rows(
    pace: Iterable[float] = PACES, *, tests: int = 3, lots: int = 7, made: bool = True
) -> tuple[list[dict[str, object]], list[datetime]]:
    rng = np.random.default_rng(3)
    rows: list[dict[str, object]] = []
    moments: list[datetime] = []
    for number, (level, slope) in enumerate(list(zip(LEVELS, pace, strict=True))[:lots]):
        for test in range(tests):
            moment = FIRST + timedelta(days=7 * number + 150 * test)
            decades = level + slope * test * 150 / 30.4375
            values = [[f"{10 ** (decades + 0.01 * rng.standard_normal()):.4g}"] for _ in range(3)]
            part = lot_rows(f"L{number}", moment, values, **FILM)
            for row in part:
                row["specimen"] = int(str(row["specimen"])) + 3 * test
                row["made_on"] = (FIRST + timedelta(days=7 * number - 30)).date().isoformat() if made else ""
            rows += part
            moments.append(moment)
    return rows, moments


def fill(bench: Bench, rows: list[dict[str, object]], moments: Iterable[datetime], humidity: float = 12.0) -> None:
    bench.drop_tests("film.csv", rows)
    bench.drop("log.csv", logs(moments, humidity), "climate")


def logs(moments: Iterable[datetime], humidity: float = 12.0, chamber: str = "C1") -> str:
    """One log of the hours before each moment, an entry every hour."""
    hours = {moment + timedelta(hours=step) for moment in moments for step in range(-49, 3)}
    return csv_text(
        ("logged_at", "chamber", "humidity_percent", "temperature_c"),
        [(one.isoformat(), chamber, humidity, 23.0) for one in sorted(hours)],
    )


def count(bench: Bench, name: str, rows: list[tuple[object, ...]]) -> None:
    (bench.folder / "drops" / "stock").mkdir(exist_ok=True)
    cells = [(TODAY.isoformat(), "Alder Film", "PB-1", *row, *("",) * (5 - len(row))) for row in rows]
    bench.drop(name, csv_text(STOCK, cells), "stock")
