"""A small lab for tests: its declarations, and helpers that write drops as instruments would."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from pathlib import Path

import pytest

from ingest.common import clock
from ingest.config.lab import load
from ingest.rounds import rounds

LAB_TOML = """
[lab]
name = "Test bench"
timezone = "Europe/Lisbon"

[conditioning.dry]
humidity_percent = 12.0
humidity_tolerance = 3.0
temperature_c = 23.0
temperature_tolerance_c = 3.0
hours = 48
longest_gap_minutes = 60

[[characteristic]]
name = "shielding_energy"
unit = "nJ"
scale = "log"
upper_limit = [ { value = 50.0, document = "older edition" }, { value = 20.0, from = 2018-10-01 } ]

[[characteristic]]
name = "surface_resistance"
unit = "ohm"
scale = "log"
lower_limit = [ { value = 1e4 } ]
upper_limit = [ { value = 1e11 } ]

[[source]]
kind = "tests"
folder = "drops/tests"

[[source]]
kind = "climate"
folder = "drops/climate"
"""

TEST_COLUMNS = (
    "tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on", "specimen",
    "reading", "characteristic", "value", "unit", "load",
)  # fmt: skip
NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
MONDAY = datetime(2026, 1, 5, 9, tzinfo=UTC)


def at_lab_time(patch: pytest.MonkeyPatch) -> None:
    """Let the clock of the program go on from `NOW`, whatever this computer's clock shows."""
    ahead = NOW - clock.now()

    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return super().now(tz) + ahead

    patch.setattr("ingest.common.clock.datetime", Clock)


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """CSV as an instrument writes it."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue()


class Bench:
    """A lab folder that a test fills and runs."""

    def __init__(self, folder: Path, declared: str = LAB_TOML, store: str | None = None) -> None:
        folder.mkdir(exist_ok=True)
        self.folder = folder
        self.store = store
        self.declare(declared)
        for part in ("tests", "climate"):
            (folder / "drops" / part).mkdir(parents=True, exist_ok=True)

    def declare(self, text: str) -> None:
        """Write `lab.toml`, with the store that the lab has."""
        if self.store is not None and self.store not in text:
            text = text.replace("[lab]\n", f'[lab]\nstore = "{self.store}"\n', 1)
        (self.folder / "lab.toml").write_text(text, encoding="utf-8")

    def drop(self, name: str, text: str | bytes, kind: str = "tests") -> Path:
        """Put a file into a drop folder."""
        path = self.folder / "drops" / kind / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    def drop_tests(self, name: str, rows: Iterable[dict[str, object]]) -> Path:
        """Drop test readings; columns that a row leaves out are blank."""
        return self.drop(
            name, csv_text(TEST_COLUMNS, [[row.get(column, "") for column in TEST_COLUMNS] for row in rows])
        )

    def drop_climate(
        self, name: str, start: datetime, hours: float, humidity: float = 12.0, chamber: str = "C1"
    ) -> Path:
        """Drop a log of half-hourly entries, edges included."""
        entries = [
            ((start + timedelta(minutes=30 * step)).isoformat(), chamber, humidity, 23.0)
            for step in range(int(hours * 2) + 1)
        ]
        return self.drop(
            name, csv_text(("logged_at", "chamber", "humidity_percent", "temperature_c"), entries), "climate"
        )

    def run(self, now: datetime = NOW) -> rounds.Round:
        """One round."""
        return rounds.run(load(self.folder), now)


def lot_rows(
    lot: str,
    tested: datetime,
    values: Sequence[Sequence[object]],
    *,
    supplier: str = "Alder Film",
    product: str = "MB-10",
    characteristic: str = "shielding_energy",
    unit: str = "nJ",
    chamber: str = "C1",
) -> list[dict[str, object]]:
    """Readings of one lot: a row of `values` a bag, a value a reading, a minute apart."""
    rows = []
    for bag, readings in enumerate(values, start=1):
        for number, value in enumerate(readings, start=1):
            moment = tested + timedelta(minutes=len(rows))
            rows.append(
                {
                    "tested_at": moment.isoformat(),
                    "chamber": chamber,
                    "instrument": "E1",
                    "supplier": supplier,
                    "product": product,
                    "lot": lot,
                    "specimen": bag,
                    "reading": number,
                    "characteristic": characteristic,
                    "value": value,
                    "unit": unit,
                }
            )
    return rows
