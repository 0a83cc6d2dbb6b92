"""A lab with a store and alerts that a test raises by hand, to see which of them reach whom."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import default
from pathlib import Path
from typing import Any

from support.labs import LAB_TOML, Bench

from dashboard.delivery.dispatch import deliver
from ingest.config.lab import load
from ingest.store.store import open_store

# A Wednesday: no week's summary is due before the Monday after.
WEDNESDAY = datetime(2026, 11, 25, 12, tzinfo=UTC)
LATER = timedelta(hours=7)


class Alarms:
    """A lab after its first round."""

    def __init__(self, folder: Path, declared: str = "") -> None:
        self.bench = Bench(folder, LAB_TOML + declared)
        self.folder = folder
        self.bench.run(WEDNESDAY)
        self.store = open_store(folder)
        self.clock = WEDNESDAY

    def declare(self, declared: str) -> None:
        self.bench.declare(LAB_TOML + declared)

    def raise_alert(self, name: str, **about: Any) -> None:
        """An alert as a round raises it."""
        row = {
            "id": name,
            "kind": "drift",
            "grade": "act",
            "stream_id": None,
            "supplier": "Alder Film",
            "product": "MB-10",
            "characteristic": "shielding_energy",
            "lot": f"L-{name}",
            "raised_us": 1_787_000_000_000_000,
            "message": f"Alder Film MB-10, shielding energy: {name} rising, now 16.3 nJ",
            "evidence": {"what": "drift", "unit": "nJ", "level": 16.3, "usual": 9.51},
            "state": "open",
            "held_under": None,
            **about,
        }
        row["evidence"] = json.dumps(row["evidence"])
        with self.store.writing() as connection:
            connection.exec_driver_sql(
                f"INSERT INTO alert ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", tuple(row.values())
            )

    def change(self, name: str, **values: Any) -> None:
        with self.store.writing() as connection:
            connection.exec_driver_sql(
                f"UPDATE alert SET {', '.join(f'{key} = ?' for key in values)} WHERE id = ?", (*values.values(), name)
            )

    def deliver(self, environ: Mapping[str, str] | None = None, after: timedelta = timedelta(0)) -> list[str]:
        """One delivery, so much later than the one before."""
        self.clock += after
        return deliver(self.store, load(self.folder), self.clock, environ or {})

    def states(self) -> dict[str, int]:
        with self.store.reading() as connection:
            rows = connection.exec_driver_sql("SELECT state, count(*) FROM delivery GROUP BY state")
            return {row[0]: row[1] for row in rows}

    def outbox(self) -> dict[str, EmailMessage]:
        """The mail files by name."""
        found = {}
        for path in sorted((self.folder / "outbox").glob("*")):
            mail = message_from_bytes(path.read_bytes(), policy=default)
            assert isinstance(mail, EmailMessage)
            found[path.name] = mail
        return found


def text_of(mail: EmailMessage) -> str:
    part = mail.get_body(("plain",))
    assert part is not None
    return str(part.get_content())
