"""Events of loads that a person enters beside the chamber: put in, moved, taken out, and an event that was entered by mistake.

An event is stored as a row of the loads feed, in the same transaction as its entry in the audit log. The next round judges the tests of the load again.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from sqlalchemy import Connection

from ingest.audit.audit_log import AuditEntry, check_signed, record
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds, microseconds
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.bench.load_events import LoadEvent
from ingest.documents.entries import StoredEntryBody
from ingest.documents.served import iso
from ingest.intake.form_rows import FORM_FOLDER, form_drop, store_load_row
from ingest.parsing.rows.load_rows import EVENTS, LAID

__all__ = [
    "FIELDS",
    "LOAD_ENTRIES",
    "MOVE",
    "PLAN",
    "PUT_IN",
    "TAKE_BACK_EVENT",
    "TAKE_OUT",
    "Outcome",
    "load_events",
    "record_load",
    "take_back_event",
]

PUT_IN, MOVE, TAKE_OUT, PLAN, TAKE_BACK_EVENT = "put in", "move load", "take out", "plan test", "take back event"
LOAD_ENTRIES = {PUT_IN: "in", MOVE: "moved", TAKE_OUT: "out", PLAN: "planned"}
FIELDS = ("load", "chamber", "at", "supplier", "product", "load_lot", "specimens", "laid", "planned_test")
LONGEST = 200
Outcome = Literal["stored", "duplicate", "corrected", "taken back"]

EVENTS_SQL = """
SELECT e.load_id, e.at_us, e.event, e.lot_id, e.laid, e.specimens, e.planned_us, n.text AS load_name, c.text AS chamber, l.supplier, l.product, l.lot,
       d.name AS file, d.folder, e.line
FROM load_event e JOIN label n ON n.id = e.load_id JOIN label c ON c.id = e.chamber_id LEFT JOIN lot l ON l.id = e.lot_id
JOIN "drop" d ON d.id = e.drop_id
ORDER BY e.at_us DESC, e.drop_id DESC, e.line DESC LIMIT ?
"""
KEY = ("load_id", "at_us", "event", "lot_id")
EVENT_SQL = f"""
SELECT e.*, n.text AS load_name FROM load_event e JOIN label n ON n.id = e.load_id
WHERE {" AND ".join(f"e.{name} = CAST(? AS BIGINT)" for name in KEY)}
"""
KEPT = ("load_id", "at_us", "event", "lot_id", "chamber_id", "laid", "specimens", "planned_us", "drop_id", "line")


def record_load(
    connection: Connection, lab: Lab, what: str, who: str, note: str, fields: Mapping[str, str], now: datetime
) -> Outcome:
    """Store one event of a load and the entry about it.

    Parameters
    ----------
    connection : Connection
        In a transaction.
    lab : Lab
    what : str
        One of `LOAD_ENTRIES`.
    who, note : str
        The person, and a remark that may be blank.
    fields : mapping
        The fields named in `FIELDS`; a blank `at` is now, to the minute, so that a second tap is a duplicate.
    now : datetime
        Aware.

    Returns
    -------
    str
        Whether the event was new, known already, or corrected an earlier one.

    Raises
    ------
    CallError
        Where the name of the person is missing, or with the reason for which the feed of loads would refuse the row.
    """
    written = {name: fields.get(name, "").strip() for name in FIELDS}
    for name, text in (*written.items(), ("who", who), ("reason", note)):
        if len(text) > LONGEST:
            raise CallError(f"{what}: {name.replace('_', ' ')} is too long; write at most {LONGEST} characters")
    at = written["at"] or now.astimezone(lab.zone).replace(second=0, microsecond=0).isoformat()
    row = {
        "at": at, "load": written["load"], "chamber": written["chamber"], "event": LOAD_ENTRIES[what],
        "supplier": written["supplier"], "product": written["product"], "lot": written["load_lot"],
        "specimens": written["specimens"], "laid": written["laid"], "planned_test": written["planned_test"],
    }  # fmt: skip
    body: StoredEntryBody = {
        "event": {name: text for name, text in row.items() if text and name not in ("load", "event")}
    }
    entry = AuditEntry(
        now, printable(who), what, Subject.load(printable(written["load"])), printable(note) or what, body
    )
    check_signed(entry)
    try:
        counts = store_load_row(connection, lab, row, printable(who).strip(), now)
    except CallError as error:
        raise CallError(f"{what}: {error}") from error
    record(connection, entry)
    return "corrected" if counts.corrected else "duplicate" if counts.duplicate else "stored"


def take_back_event(connection: Connection, key: str, who: str, reason: str, now: datetime) -> str:
    """Take an event out of the record of loads that was entered by mistake, and return the name of its load.

    The event is kept among the earlier ones, with who took it back and why in the audit log. CallError where there is no such event.
    """
    parts = key.split(".")
    fits = len(parts) == len(KEY) and all(part.isascii() and part.isdigit() and len(part) < 19 for part in parts)
    row = connection.exec_driver_sql(EVENT_SQL, tuple(int(part) for part in parts)).mappings().first() if fits else None
    if row is None:
        raise CallError(
            f"{TAKE_BACK_EVENT}: there is no such event; it may have been taken back already, look at the page again"
        )
    load = str(row["load_name"])
    body: StoredEntryBody = {"event": {"at": from_microseconds(row["at_us"]).isoformat(), "what": EVENTS[row["event"]]}}
    record(connection, AuditEntry(now, printable(who), TAKE_BACK_EVENT, Subject.load(load), printable(reason), body))
    drop_id = form_drop(connection, "loads", f"{TAKE_BACK_EVENT} {key}".encode(), printable(who).strip(), now)
    names = (*KEPT, "replaced_by_drop_id", "replaced_us")
    connection.exec_driver_sql(
        f"INSERT INTO earlier_event ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})",
        (*(row[name] for name in KEPT), drop_id, microseconds(now)),
    )
    wanted = " AND ".join(f"{name} = ?" for name in KEY)
    connection.exec_driver_sql(f"DELETE FROM load_event WHERE {wanted}", tuple(row[name] for name in KEY))
    connection.exec_driver_sql("INSERT INTO stale_load (load_id) VALUES (?) ON CONFLICT DO NOTHING", (row["load_id"],))
    # Its tests may belong to the load by their lot alone; without the event nothing else names them.
    if row["lot_id"]:
        connection.exec_driver_sql(
            "INSERT INTO stale_lot (stream_id, lot_id) SELECT DISTINCT stream_id, lot_id FROM session WHERE lot_id = ? ON CONFLICT DO NOTHING",
            (row["lot_id"],),
        )
    return load


def load_events(connection: Connection, lab: Lab, most: int) -> list[LoadEvent]:
    """Return the latest events of loads, the newest first, each with the form or the file that it came from."""
    return [
        {
            "key": ".".join(str(row[name]) for name in KEY),
            "at": iso(row["at_us"], lab.zone),
            "load": row["load_name"],
            "event": EVENTS[row["event"]],
            "chamber": row["chamber"],
            "supplier": row["supplier"] or "",
            "product": row["product"] or "",
            "lot": row["lot"] or "",
            "specimens": row["specimens"],
            "laid": LAID[row["laid"]],
            "planned_at": iso(row["planned_us"] or None, lab.zone),
            "by_form": row["folder"] == FORM_FOLDER,
            "source": row["file"] if row["folder"] == FORM_FOLDER else f"{row['file']}, line {row['line']}",
        }
        for row in connection.exec_driver_sql(EVENTS_SQL, (most,)).mappings()
    ]
