"""What `lotdrift user` does: reads a password, changes an account, says what was done."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
from sqlalchemy import Connection

from ingest.audit import accounts, passwords
from ingest.common.clock import now
from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.config.lab import Lab, load
from ingest.store.store import open_store

__all__ = ["PASSWORD_VARIABLE", "add", "change_password", "close", "documents"]

Document = Any

PASSWORD_VARIABLE = "LOTDRIFT_PASSWORD"


def add(folder: Path, name: str, role: str) -> str:
    """Declare a user; what was done, in a line."""
    given = accounts.Role(role)
    lab, password_hash = load(folder), passwords.hashed(_password(name))
    _change(lab, lambda c: accounts.add_account(c, name, given, password_hash, _who(), now()))
    return f"{accounts.plain_name(name)} may log in as {role}; from now on everybody needs a login."


def change_password(folder: Path, name: str) -> str:
    """Keep another password of a user."""
    lab, password_hash = load(folder), passwords.hashed(_password(name))
    _change(lab, lambda c: accounts.change_password(c, name, password_hash, _who(), now()))
    return f"The password of {accounts.plain_name(name)} is changed; earlier logins ended."


def close(folder: Path, name: str) -> str:
    """End a user's account."""
    _change(load(folder), lambda c: accounts.close_account(c, name, _who(), now()))
    return f"{accounts.plain_name(name)} may not log in any more; the name stays in the history."


def documents(connection: Connection, lab: Lab) -> list[Document]:
    """The users by name, without anything of their passwords."""
    from dashboard.queries.stored_documents import iso

    return [
        {
            "name": account.name,
            "role": str(account.role),
            "made_at": iso(microseconds(account.made), lab.zone),
            "closed_at": None if account.closed is None else iso(microseconds(account.closed), lab.zone),
        }
        for account in accounts.accounts(connection)
    ]


def _change(lab: Lab, change: Callable[[Connection], None]) -> None:
    with open_store(lab.folder).writing() as connection:
        change(connection)


def _password(name: str) -> str:
    """Typed twice at a terminal, else from the environment or the first line of standard input."""
    if sys.stdin.isatty():
        return str(click.prompt(f"Password of {name}", hide_input=True, confirmation_prompt=True, err=True))
    found = os.environ.get(PASSWORD_VARIABLE) or sys.stdin.readline().rstrip("\r\n")
    if not found:
        raise CallError(
            f"password: none was given; type it at a terminal, send it as a line or set {PASSWORD_VARIABLE}"
        )
    return found


def _who() -> str:
    """The account of this computer that the command runs under."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "command line"
