"""The entries of people, read for the audit trail, its file and its command: who, when, what, about which subject, why."""

from __future__ import annotations

from sqlalchemy import Connection, text

from dashboard.queries.stored_documents import rows_of
from dashboard.text.subject_names import subject_name
from ingest.common.json_text import from_json
from ingest.config.lab import Lab
from ingest.documents.entries import HistoryEntry
from ingest.documents.served import iso

__all__ = ["choices", "count", "entries"]

WHERE = "WHERE (:who = '' OR act.who = :who) AND (:what = '' OR act.what = :what)"


def entries(
    connection: Connection, lab: Lab, who: str = "", what: str = "", most: int | None = None, skipped: int = 0
) -> list[HistoryEntry]:
    """Entries by one person or of one kind, the newest first; at most `most` of them after the first `skipped`."""
    rows = rows_of(
        connection,
        f"SELECT act.*, alert.message FROM act LEFT JOIN alert ON act.subject = 'alert:' || alert.id {WHERE} "
        f"ORDER BY act.id DESC {'' if most is None else 'LIMIT :most OFFSET :skipped'}",
        who=who,
        what=what,
        **({} if most is None else {"most": most, "skipped": skipped}),
    )
    return [
        {
            "at": iso(row["at_us"], lab.zone),
            "who": row["who"],
            "what": row["what"],
            "subject": row["subject"],
            "about": subject_name(row["subject"], row["message"]),
            "reason": row["reason"],
            "body": from_json(row["body"]),
        }
        for row in rows
    ]


def count(connection: Connection, who: str = "", what: str = "") -> int:
    """The number of entries by one person or of one kind."""
    number = connection.execute(text(f"SELECT count(*) FROM act {WHERE}"), {"who": who, "what": what})
    return int(number.scalar_one())


def choices(connection: Connection) -> tuple[list[str], list[str]]:
    """Everybody who made an entry, and every kind of entry made."""
    who, what = (
        list(connection.execute(text(f"SELECT DISTINCT {name} FROM act ORDER BY {name}")).scalars())
        for name in ("who", "what")
    )
    return who, what
