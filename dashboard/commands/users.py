"""Commands about who may use the dashboard."""

from __future__ import annotations

import getpass
import os
import sys
from collections.abc import Callable
from pathlib import Path

import click
from sqlalchemy import Connection

from dashboard.commands.common import json_option, lab_option, print_json, reading
from dashboard.text import terminal_text
from ingest.audit import accounts, passwords
from ingest.common.clock import now
from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.config.lab import load
from ingest.documents.entries import User
from ingest.documents.served import iso
from ingest.store.store import open_store

__all__ = ["user"]

PASSWORD_VARIABLE = "LOTDRIFT_PASSWORD"


@click.group()
def user() -> None:
    """Manage who may use the dashboard.

    Once a user is declared, everybody needs a login.
    """


@user.command("add")
@click.argument("name")
@click.option(
    "--role",
    type=click.Choice(["viewer", "specialist"]),
    required=True,
    help="A viewer sees everything; a specialist also makes entries.",
)
@lab_option
def user_add(folder: Path, name: str, role: str) -> None:
    """Declare a user."""
    password_hash = passwords.hashed(_password(folder, name))
    _change(folder, lambda c: accounts.add_account(c, name, accounts.Role(role), password_hash, _operator(), now()))
    click.echo(f"{accounts.plain_name(name)} can now log in as {role}. Everybody needs a login from now on.")


@user.command("password")
@click.argument("name")
@lab_option
def user_password(folder: Path, name: str) -> None:
    """Change a user's password. All sessions of the user end."""
    password_hash = passwords.hashed(_password(folder, name))
    _change(folder, lambda c: accounts.change_password(c, name, password_hash, _operator(), now()))
    click.echo(f"The password of {accounts.plain_name(name)} is changed; earlier sessions have ended.")


@user.command("close")
@click.argument("name")
@lab_option
def user_close(folder: Path, name: str) -> None:
    """Close a user's account and end its sessions. The name stays in the audit trail."""
    _change(folder, lambda c: accounts.close_account(c, name, _operator(), now()))
    click.echo(f"{accounts.plain_name(name)} can no longer log in; the name stays in the audit trail.")


@user.command("list")
@lab_option
@json_option
def user_list(folder: Path, as_json: bool) -> None:
    """List the users and their roles."""
    with reading(folder) as (lab, connection):
        documents: list[User] = [
            {
                "name": account.name,
                "role": account.role.value,
                "made_at": iso(microseconds(account.made), lab.zone),
                "closed_at": None if account.closed is None else iso(microseconds(account.closed), lab.zone),
            }
            for account in ([] if connection is None else accounts.accounts(connection))
        ]
    print_json(documents) if as_json else click.echo(terminal_text.users(documents))


def _change(folder: Path, change: Callable[[Connection], None]) -> None:
    with open_store(load(folder).folder).writing() as connection:
        change(connection)


def _password(folder: Path, name: str) -> str:
    """The password of a user: typed twice at a terminal, else from the environment or a line of standard input."""
    load(folder)  # A wrong lab.toml is reported before anybody types a password.
    if sys.stdin.isatty():
        return str(click.prompt(f"Password of {name}", hide_input=True, confirmation_prompt=True, err=True))
    password = os.environ.get(PASSWORD_VARIABLE) or sys.stdin.readline().rstrip("\r\n")
    if not password:
        raise CallError(f"password: is empty; type it at a terminal, send it as a line or set {PASSWORD_VARIABLE}")
    return password


def _operator() -> str:
    """The account of this computer that runs the command."""
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):
        return "command line"
