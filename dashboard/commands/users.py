"""Commands about who may use the dashboard."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.common import (
    json_option,
    lab_option,
    print_json,
    reading,
)

if TYPE_CHECKING:
    pass

__all__ = ["user"]


@click.group()
def user() -> None:
    """Who may use the dashboard; as soon as one user is declared, everybody needs a login."""


@user.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(["viewer", "specialist"]), required=True, help="Look only, or enter too.")
@lab_option
def user_add(folder: Path, name: str, role: str) -> None:
    """Declare a user."""
    from dashboard.commands import user_actions

    click.echo(user_actions.add(folder, name, role))


@user.command("password")
@click.argument("name")
@lab_option
def user_password(folder: Path, name: str) -> None:
    """Change a user's password; all sessions of the user end."""
    from dashboard.commands import user_actions

    click.echo(user_actions.change_password(folder, name))


@user.command("close")
@click.argument("name")
@lab_option
def user_close(folder: Path, name: str) -> None:
    """End a user's account and all its sessions; the name stays in the history."""
    from dashboard.commands import user_actions

    click.echo(user_actions.close(folder, name))


@user.command("list")
@lab_option
@json_option
def user_list(folder: Path, as_json: bool) -> None:
    """The users and what they may do."""
    from dashboard.commands import user_actions
    from dashboard.text import terminal_text

    with reading(folder) as (lab, connection):
        documents = [] if connection is None else user_actions.documents(connection, lab)
    print_json(documents) if as_json else click.echo(terminal_text.users(documents))
