"""What people entered, read for the page, the file and the command: who, when, what, about which subject, why."""

from __future__ import annotations

import json

from sqlalchemy import Connection, text

from dashboard.text.subject_names import subject_name
from ingest.config.lab import Lab
from ingest.documents.entries import HistoryEntry
from ingest.documents.served import iso

__all__ = ["count", "entries", "entry_text"]

WHERE = "WHERE (:who = '' OR act.who = :who) AND (:what = '' OR act.what = :what)"


def entries(
    connection: Connection, lab: Lab, who: str = "", what: str = "", most: int = -1, skipped: int = 0
) -> list[HistoryEntry]:
    """Entries, the newest first; by one person or of one kind where `who` or `what` is given, all where `most` is -1."""
    rows = connection.execute(
        text(
            f"SELECT act.*, alert.message FROM act LEFT JOIN alert ON act.subject = 'alert:' || alert.id {WHERE} "
            "ORDER BY act.id DESC LIMIT :most OFFSET :skipped"
        ),
        {"who": who, "what": what, "most": most, "skipped": skipped},
    ).mappings()
    return [
        {
            "at": iso(row["at_us"], lab.zone),
            "who": row["who"],
            "what": row["what"],
            "subject": row["subject"],
            "about": subject_name(row["subject"], row["message"]),
            "reason": row["reason"],
            "body": json.loads(row["body"]),
        }
        for row in rows
    ]


def count(connection: Connection, who: str = "", what: str = "") -> int:
    """How many entries there are by one person or of one kind."""
    found = connection.execute(text(f"SELECT count(*) FROM act {WHERE}"), {"who": who, "what": what})
    return int(found.scalar_one())


def entry_text(connection: Connection) -> tuple[list[str], list[str]]:
    """Everybody who entered something, and everything that was entered."""
    who, what = (
        list(connection.execute(text(f"SELECT DISTINCT {name} FROM act ORDER BY {name}")).scalars())
        for name in ("who", "what")
    )
    return who, what
