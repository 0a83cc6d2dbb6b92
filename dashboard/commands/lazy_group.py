"""A command group that imports a subcommand only when it is called, so that `--help` and light commands start fast."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib import import_module
from typing import Any

import click

from ingest.common.text import printable

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

    def make_context(self, *args: Any, **options: Any) -> click.Context:
        """Read the options before the subcommand."""
        with _wrong_call_in_one_line():
            return super().make_context(*args, **options)

    def invoke(self, ctx: click.Context) -> Any:
        """Find the subcommand, read its arguments and run it."""
        with _wrong_call_in_one_line():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the subcommands by their lines of help, without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, self.commands_by_name[name][1]) for name in self.list_commands(ctx)])


class WrongCallError(click.ClickException):
    """A wrong call: one line with the fault and the command that shows the right call."""

    exit_code = 2

    def show(self, file: Any = None) -> None:
        """Print the line."""
        click.echo(printable(self.message), file=file, err=True)


@contextmanager
def _wrong_call_in_one_line() -> Iterator[None]:
    try:
        yield
    except click.exceptions.NoArgsIsHelpError:
        raise
    except click.UsageError as error:
        place = error.ctx.command_path if error.ctx is not None else "lotdrift"
        what = " ".join(error.format_message().split()).rstrip(".")
        raise WrongCallError(f"{place}: {what[:1].lower()}{what[1:]}; see {place} --help") from error
