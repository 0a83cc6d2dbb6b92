"""A command group that imports a subcommand only when it is called, so that `--help` and light commands start fast."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click

__all__ = ["LazyGroup"]


class LazyGroup(click.Group):
    """A group whose subcommands are known by name: (`module:attribute`, one line of help)."""

    def __init__(self, *args: Any, commands_by_name: Mapping[str, tuple[str, str]], **options: Any) -> None:
        super().__init__(*args, **options)
        self.commands_by_name = commands_by_name

    def list_commands(self, ctx: click.Context) -> list[str]:
        """The names of the subcommands."""
        return sorted(self.commands_by_name)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The subcommand of a name, imported now; None if there is none."""
        if cmd_name not in self.commands_by_name:
            return None
        module, _, attribute = self.commands_by_name[cmd_name][0].partition(":")
        command: click.Command = getattr(import_module(module), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the subcommands by their lines of help, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, self.commands_by_name[name][1]) for name in self.list_commands(ctx)])
