"""Store one row that a person wrote into a form as if it were a file of its feed: same checks, duplicates and corrections.

The row has a drop of its own with a blank folder, which tells it from the rows of files. There is no file to archive; the audit log keeps what was written.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping
from dataclasses import asdict
from datetime import datetime

from sqlalchemy import Connection, insert, update

from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.config.lab import Lab, Source
from ingest.intake.insert_rows import add_load_events
from ingest.intake.staging import LOAD_EVENTS, Counts, StagedRows
from ingest.parsing.parse_file import NotATableError, open_feed
from ingest.store import schema

__all__ = ["FORM_FOLDER", "form_drop", "store_load_row"]

FORM_FOLDER = ""
FORM = Source(kind="loads", folder="drops/loads", encoding="utf-8", delimiter=",", decimal=".")


def store_load_row(connection: Connection, lab: Lab, row: Mapping[str, str], who: str, now: datetime) -> Counts:
    """Store one event of a load; CallError with the reason for which the feed would refuse it."""
    text = io.StringIO()
    csv.writer(text).writerows([list(row), list(row.values())])
    data = text.getvalue().encode("utf-8", "replace")
    drop_id = form_drop(connection, "loads", data, who, now)
    staged = StagedRows(connection, LOAD_EVENTS, drop_id, microseconds(now))
    try:
        with open_feed(data, FORM, lab, now) as feed:
            for piece in feed.pieces():
                if piece.refusals:
                    raise CallError(piece.refusals[0].reason)
                add_load_events(connection, staged, drop_id, piece.rows)
    except NotATableError as error:
        raise CallError(str(error)) from error
    counts = staged.resolve()
    connection.execute(update(schema.drop).where(schema.drop.c.id == drop_id).values(**asdict(counts)))
    return counts


def form_drop(connection: Connection, kind: str, data: bytes, who: str, now: datetime) -> int:
    """Record what a form sent as a drop without a file and return its id."""
    at = microseconds(now)
    drop_id: int = connection.execute(
        insert(schema.drop)
        .values(
            kind=kind, name=f"form of {who}", folder=FORM_FOLDER, digest=hashlib.sha256(data).digest(), size=len(data),
            modified_ns=at * 1000, taken_us=at, state="stored", settled=1,
        )
        .returning(schema.drop.c.id)
    ).scalar_one()  # fmt: skip
    return drop_id
