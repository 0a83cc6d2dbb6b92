"""Who may use the dashboard: names, roles, and the hashes of their passwords.

As soon as one account was ever made, everybody needs one; closing the last opens nothing. The audit log keeps each change.
"""

from __future__ import annotations

import secrets
import unicodedata
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy import Connection, Row, delete, exists, func, insert, select, update

from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import from_microseconds, microseconds
from ingest.common.text import quoted
from ingest.store import schema
from ingest.store.store import get_meta, put_meta

__all__ = [
    "LONGEST_NAME",
    "SESSION_KEY",
    "Account",
    "Role",
    "account_named",
    "accounts",
    "add_account",
    "any_declared",
    "change_password",
    "close_account",
    "end_session",
    "has_ended",
    "plain_name",
    "session_key",
]

LONGEST_NAME = 80
SESSION_KEY = "session_key"
ENDED = "ended_session:"
# Longer than any session lasts.
KEPT = timedelta(days=2)


class Role(StrEnum):
    """What a person may do."""

    VIEWER = "viewer"  # Sees everything, changes nothing
    SPECIALIST = "specialist"  # May enter and decide


@dataclass(frozen=True, slots=True)
class Account:
    """One person as declared; `closed` is the moment since which the password opens nothing."""

    name: str
    role: Role
    hash: str
    made: datetime
    closed: datetime | None


def plain_name(text: str) -> str:
    """A name as it is kept: Unicode form C, without spaces around it."""
    return unicodedata.normalize("NFC", text).strip()


def add_account(connection: Connection, name: str, role: Role, password_hash: str, by: str, now: datetime) -> None:
    """Declare a person; CallError where the name can't be one or an account already has it."""
    name = _checked_name(name)
    before = account_named(connection, name)
    if before is not None and before.closed is not None:
        raise CallError(f"user add: {quoted(name)} was closed and stays in the history; choose another name")
    if before is not None:
        raise CallError(
            f"user add: {quoted(name)} is there already, as {before.role}; "
            "lotdrift user password changes the password, lotdrift user close ends it"
        )
    connection.execute(
        insert(schema.account).values(name=name, role=role, hash=password_hash, made_us=microseconds(now))
    )
    if session_key(connection) is None:
        put_meta(connection, SESSION_KEY, secrets.token_hex(32))
    record(connection, AuditEntry(now, by, "add user", Subject.account(name), "on the command line", {"role": role}))


def _checked_name(text: str) -> str:
    name = plain_name(text)
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise CallError(f"user add: {quoted(text)} is no name; write 1 to {LONGEST_NAME} printable characters")
    return name


def close_account(connection: Connection, name: str, by: str, now: datetime) -> None:
    """End an account and all its sessions; CallError where there is none that is open."""
    found = _open_account(connection, name, "user close")
    columns = schema.account.c
    connection.execute(update(schema.account).where(columns.name == found.name).values(closed_us=microseconds(now)))
    record(connection, AuditEntry(now, by, "close user", Subject.account(found.name), "on the command line", {}))


def change_password(connection: Connection, name: str, password_hash: str, by: str, now: datetime) -> None:
    """Keep another password, which ends all sessions of the account; CallError where there is none that is open."""
    found = _open_account(connection, name, "user password")
    columns = schema.account.c
    connection.execute(update(schema.account).where(columns.name == found.name).values(hash=password_hash))
    record(connection, AuditEntry(now, by, "change password", Subject.account(found.name), "on the command line", {}))


def _open_account(connection: Connection, name: str, command: str) -> Account:
    found = account_named(connection, name)
    if found is None:
        raise CallError(f"{command}: there is no user {quoted(name)}; lotdrift user list names them all")
    if found.closed is not None:
        raise CallError(f"{command}: {quoted(found.name)} was closed already; declare another with lotdrift user add")
    return found


def account_named(connection: Connection, name: str) -> Account | None:
    """The account of a name, open or closed."""
    columns = schema.account.c
    row = connection.execute(select(schema.account).where(columns.name == plain_name(name))).one_or_none()
    return None if row is None else _account(row)


def accounts(connection: Connection) -> list[Account]:
    """All accounts by name."""
    return [_account(row) for row in connection.execute(select(schema.account).order_by(schema.account.c.name))]


def _account(row: Row[tuple[object, ...]]) -> Account:
    closed = None if row.closed_us is None else from_microseconds(row.closed_us)
    return Account(row.name, Role(row.role), row.hash, from_microseconds(row.made_us), closed)


def any_declared(connection: Connection) -> bool:
    """Whether anybody was ever declared, so that all need a login."""
    return bool(connection.execute(select(exists().select_from(schema.account))).scalar())


# Sessions


def session_key(connection: Connection) -> str | None:
    """The key that signs the sessions, made with the first account."""
    return get_meta(connection, SESSION_KEY)


def end_session(connection: Connection, session: str, now: datetime) -> None:
    """Note that a session was left: its cookie, which may have been copied, opens nothing any more."""
    columns = schema.meta.c
    put_meta(connection, ENDED + session, str(microseconds(now)))
    is_mark = func.substr(columns.key, 1, len(ENDED)) == ENDED
    old = microseconds(now - KEPT)
    connection.execute(delete(schema.meta).where(is_mark, columns.value.cast(schema.account.c.made_us.type) < old))


def has_ended(connection: Connection, session: str) -> bool:
    """Whether a session was left."""
    return get_meta(connection, ENDED + session) is not None
