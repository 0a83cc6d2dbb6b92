"""Commands that print what the store holds."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.common import (
    json_option,
    lab_option,
    print_json,
    reading,
    required,
)

if TYPE_CHECKING:
    pass

__all__ = ["alerts", "board", "history", "lot", "replay", "stream"]


@click.command()
@lab_option
@json_option
def board(folder: Path, as_json: bool) -> None:
    """The weekly board, one row a stream."""
    from dashboard.queries import stored_documents
    from dashboard.text import terminal_text

    with reading(folder) as (lab, connection):
        rows = [] if connection is None else stored_documents.board(connection, lab)
    print_json(rows) if as_json else click.echo(terminal_text.board(rows))


@click.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@lab_option
@json_option
def stream(folder: Path, as_json: bool, supplier: str, product: str, characteristic: str) -> None:
    """One stream, point by point."""
    from dashboard.queries import stored_documents
    from dashboard.text import terminal_text

    with reading(folder) as (lab, connection):
        document = stored_documents.stream(required(connection), lab, supplier, product, characteristic)
    print_json(document) if as_json else click.echo(terminal_text.stream(document))


@click.command()
@click.argument("supplier")
@click.argument("lot")
@lab_option
@json_option
def lot(folder: Path, as_json: bool, supplier: str, lot: str) -> None:
    """One lot: every reading, every session, its conditioning, its signals."""
    from dashboard.queries import stored_documents
    from dashboard.text import terminal_text

    with reading(folder) as (lab, connection):
        document = stored_documents.lot(required(connection), lab, supplier, lot)
    print_json(document) if as_json else click.echo(terminal_text.lot(document))


@click.command()
@lab_option
@json_option
@click.option("--all", "closed_too", is_flag=True, help="Closed ones too.")
def alerts(folder: Path, as_json: bool, closed_too: bool) -> None:
    """Open alerts."""
    from dashboard.queries import stored_documents
    from dashboard.text import terminal_text

    with reading(folder) as (lab, connection):
        documents = [] if connection is None else stored_documents.alerts(connection, lab, closed_too=closed_too)
    print_json(documents) if as_json else click.echo(terminal_text.alerts(documents))


@click.command()
@lab_option
@json_option
def history(folder: Path, as_json: bool) -> None:
    """What people entered, the newest first."""
    from dashboard.queries import history_queries
    from dashboard.text import terminal_text

    with reading(folder) as (lab, connection):
        documents = [] if connection is None else history_queries.entries(connection, lab)
    print_json(documents) if as_json else click.echo(terminal_text.history(documents))


@click.command()
@click.argument("day", type=click.DateTime(["%Y-%m-%d"]))
@lab_option
@json_option
def replay(folder: Path, as_json: bool, day: Any) -> None:
    """What the board and the alerts would have said at the end of a past day (2026-08-31)."""
    from dashboard.commands.progress_line import progress_on
    from dashboard.queries import stored_documents
    from dashboard.text import terminal_text
    from ingest.config.lab import load
    from ingest.rounds.replay import replayed

    lab = load(folder)
    with progress_on(sys.stderr, wanted=not as_json) as watch, replayed(lab, day.date(), watch) as connection:
        document = stored_documents.replay(connection, lab, day.date())
    print_json(document) if as_json else click.echo(terminal_text.replay(document))
