"""What commands share: errors as one line and an exit status, the lab and its store, JSON on standard output."""

from __future__ import annotations

import _thread
import json
import logging
import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import click
from sqlalchemy import Connection

from dashboard.text.bench.instrument_text import overdue_line
from ingest.common.errors import CallError, StoreError
from ingest.common.text import printable
from ingest.config.lab import Lab, load
from ingest.documents.bench.instrument import OverdueInstrument
from ingest.store.store import Store, known_store
from ingest.store.unit_check import check_units

__all__ = [
    "REFUSED",
    "exports_option",
    "json_option",
    "lab_option",
    "lab_store",
    "one_line_errors",
    "print_json",
    "reading",
    "send_alerts",
    "signed_options",
    "stored",
    "warn",
    "warn_overdue",
]

P = ParamSpec("P")
R = TypeVar("R")

REFUSED, WRONG_CALL, NO_STORE = 1, 2, 3
NO_MEMORY = (
    "This needs more memory than there is: end other programs, or give the computer more. Nothing that was stored is lost; "
    "the next round completes what was not finished."
)
# The exit status of a program that SIGINT ended: 128 + 2.
INTERRUPTED = 130


class CommandError(click.ClickException):
    """One line on standard error and an exit status."""

    def __init__(self, message: str, status: int) -> None:
        super().__init__(message)
        self.exit_code = status  # type: ignore[misc]  # click declares it for the class; each error has its own

    def show(self, file: Any = None) -> None:
        """Print the line."""
        warn(self.message)


def warn(line: str) -> None:
    """Print one line on standard error, without control characters that a name in a file may hold."""
    click.echo(printable(line), err=True)


def warn_overdue(overdue: Sequence[OverdueInstrument]) -> None:
    """Print the line about instruments past their calibration date on standard error, where there are any."""
    if line := overdue_line(overdue):
        warn(line)


def one_line_errors(command: Callable[P, R]) -> Callable[P, R]:
    """Turn expected errors into a line and an exit status; an unexpected one keeps its traceback."""

    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            with _interrupts_kept():
                return command(*args, **kwargs)
        except CallError as error:
            raise CommandError(str(error), WRONG_CALL) from error
        except StoreError as error:
            raise CommandError(str(error), NO_STORE) from error
        except MemoryError as error:
            raise CommandError(NO_MEMORY, NO_STORE) from error
        except KeyboardInterrupt as error:
            raise CommandError("Stopped. The next round completes what was not finished.", INTERRUPTED) from error

    return wrapped


@contextmanager
def _interrupts_kept() -> Iterator[None]:
    """Raise Ctrl-C again a moment later when it arrives in a finaliser, where Python drops exceptions.

    When it arrives while a connection is closed, SQLAlchemy raises it but logs its traceback first: that record is dropped.
    """
    python_hook, timers = sys.unraisablehook, []
    printer = logging.lastResort

    def hook(unraisable: sys.UnraisableHookArgs) -> None:
        if not issubclass(unraisable.exc_type, KeyboardInterrupt):
            python_hook(unraisable)
            return
        timers.append(threading.Timer(0.01, _thread.interrupt_main))
        timers[-1].start()

    sys.unraisablehook = hook
    if printer is not None:
        printer.addFilter(_is_no_interrupt)
    try:
        yield
    finally:
        sys.unraisablehook = python_hook
        if printer is not None:
            printer.removeFilter(_is_no_interrupt)
        for timer in timers:
            timer.cancel()


def _is_no_interrupt(record: logging.LogRecord) -> bool:
    return not (record.exc_info and isinstance(record.exc_info[1], KeyboardInterrupt))


# Options


def lab_option(command: Callable[P, R]) -> Callable[P, R]:
    """Add `--lab`, the lab folder that a command works on."""
    return click.option(
        "--lab",
        "folder",
        type=click.Path(path_type=Path),
        default=Path(),
        help="The lab folder (default: the current folder).",
    )(one_line_errors(command))


def json_option(command: Callable[P, R]) -> Callable[P, R]:
    """Add `--json`: print one JSON document and nothing else."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")(command)


def exports_option(command: Callable[P, R]) -> Callable[P, R]:
    """Add `--out`, the folder that a command writes to."""
    return click.option(
        "--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab)."
    )(command)


def signed_options(command: Callable[P, R]) -> Callable[P, R]:
    """Add the name and the reason of an entry, and `--preview`, which enters nothing."""
    for option in (
        click.option("--by", default="", help="Your name."),
        click.option("--because", default="", help="The reason."),
        click.option("--preview", is_flag=True, help="Show what would change, and change nothing."),
    ):
        command = option(command)
    return command


# The lab


def print_json(document: object) -> None:
    """Print one JSON document; a nan in it is a defect and raises ValueError."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1))


@contextmanager
def reading(folder: Path) -> Iterator[tuple[Lab, Connection | None]]:
    """The declarations and a reading connection of a lab; no connection before the first round."""
    lab = load(folder)
    store = known_store(lab.folder)
    if store is None:
        yield lab, None
        return
    with store.reading() as connection:
        check_units(connection, lab)
        yield lab, connection


@contextmanager
def stored(folder: Path) -> Iterator[tuple[Lab, Connection]]:
    """The declarations and a reading connection of a lab; CallError before the first round."""
    with reading(folder) as (lab, connection):
        if connection is None:
            raise _no_store()
        yield lab, connection


def lab_store(folder: Path) -> tuple[Lab, Store]:
    """The declarations of a lab and its store; CallError before the first round."""
    lab = load(folder)
    store = known_store(lab.folder)
    if store is None:
        raise _no_store()
    return lab, store


def _no_store() -> CallError:
    return CallError("the lab has no store yet; do a first round with lotdrift run")


def send_alerts(lab: Lab) -> list[str]:
    """Send the alerts that are new or waiting; one line for each server that did not accept them."""
    # Imported here: only rounds send, and the mail and picture libraries are slow to load.
    from dashboard.delivery.dispatch import deliver
    from ingest.common.clock import now

    store = known_store(lab.folder)
    return [] if store is None else deliver(store, lab, now(), os.environ)
