"""What commands share: trouble as one line and an exit status, the lab and its store, JSON on standard output."""

from __future__ import annotations

import _thread
import json
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from ingest.common.text import printable

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from ingest.config.lab import Lab

__all__ = [
    "REFUSED",
    "json_option",
    "lab_option",
    "print_json",
    "reading",
    "required",
    "signed_options",
    "tell_people",
    "tells_trouble",
    "warn",
    "writing",
]

P = ParamSpec("P")
R = TypeVar("R")

REFUSED, WRONG_CALL, NO_STORE = 1, 2, 3
# What a shell tells of a command that SIGINT ended: 128 + 2.
INTERRUPTED = 130


class Trouble(click.ClickException):
    """One line on standard error and an exit status."""

    def __init__(self, message: str, status: int) -> None:
        super().__init__(message)
        self.exit_code = status  # type: ignore[misc]  # an instance of the library's class may well have its own

    def show(self, file: Any = None) -> None:
        """Say the line."""
        warn(self.message)


def warn(line: str) -> None:
    """One line on standard error, without control characters that a name in a file could carry."""
    click.echo(printable(line), err=True)


def tells_trouble(command: Callable[P, R]) -> Callable[P, R]:
    """Turn our own errors into their exit status; anything else is a fault of ours and keeps its traceback."""

    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        from ingest.common.errors import CallError, StoreError

        try:
            with _heard_again():
                return command(*args, **kwargs)
        except CallError as error:
            raise Trouble(str(error), WRONG_CALL) from error
        except StoreError as error:
            raise Trouble(str(error), NO_STORE) from error
        except KeyboardInterrupt as error:
            raise Trouble("Stopped. What was not finished is done by the next round.", INTERRUPTED) from error

    return wrapped


@contextmanager
def _heard_again() -> Iterator[None]:
    """Ctrl-C in a moment in which Python drops what is raised (an object's end) is raised again a moment later."""
    usual, later = sys.unraisablehook, []

    def dropped(told: sys.UnraisableHookArgs) -> None:
        if not issubclass(told.exc_type, KeyboardInterrupt):
            usual(told)
            return
        later.append(threading.Timer(0.01, _thread.interrupt_main))
        later[-1].start()

    sys.unraisablehook = dropped
    try:
        yield
    finally:
        sys.unraisablehook = usual
        for timer in later:
            timer.cancel()


def lab_option(command: Callable[P, R]) -> Callable[P, R]:
    """The lab folder that a command works on."""
    return click.option(
        "--lab",
        "folder",
        type=click.Path(path_type=Path),
        default=Path(),
        help="The lab folder (default: this folder).",
    )(tells_trouble(command))


def json_option(command: Callable[P, R]) -> Callable[P, R]:
    """Print one JSON document and nothing else."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")(command)


def signed_options(command: Callable[P, R]) -> Callable[P, R]:
    """Who decides and why, or a preview that decides nothing."""
    options = (
        click.option("--by", default="", help="Who decides."),
        click.option("--because", default="", help="Why."),
        click.option("--preview", is_flag=True, help="Show what it would change, and change nothing."),
    )
    for option in options:
        command = option(command)
    return command


def print_json(document: object) -> None:
    """One JSON document on standard output; a nan in it is a fault of ours, so it is not let through."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1))


@contextmanager
def reading(folder: Path) -> Iterator[tuple[Lab, Connection | None]]:
    """The declarations and the store of a lab; no connection before the first round."""
    from ingest.config.lab import load
    from ingest.store.store import known_store
    from ingest.store.unit_check import check_units

    lab = load(folder)
    store = known_store(lab.folder)
    if store is None:
        yield lab, None
        return
    with store.reading() as connection:
        check_units(connection, lab)
        yield lab, connection


@contextmanager
def writing(folder: Path) -> Iterator[tuple[Lab, Connection]]:
    """The declarations of a lab and its store, to enter something."""
    from ingest.common.errors import NoStoreYet
    from ingest.config.lab import load
    from ingest.store.store import known_store

    lab, store = load(folder), known_store(folder)
    if store is None:
        raise NoStoreYet
    with store.writing() as connection:
        yield lab, connection


def required(connection: Connection | None) -> Connection:
    """The connection, or a line that says how to get one."""
    from ingest.common.errors import NoStoreYet

    if connection is None:
        raise NoStoreYet
    return connection


def tell_people(lab: Lab) -> list[str]:
    """Send the alerts that are new or waited; a line for each server that did not take them."""
    from dashboard.delivery.dispatch import deliver
    from ingest.common.clock import now
    from ingest.store.store import known_store

    store = known_store(lab.folder)
    return [] if store is None else deliver(store, lab, now(), os.environ)
