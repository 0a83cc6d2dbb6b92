"""Commands that print lists of the store. They read rows only and import no statistics, so that they start fast."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.common import json_option, lab_option, print_json, reading, warn_overdue
from dashboard.queries import history_queries, stored_documents
from dashboard.text import terminal_text
from ingest.common.clock import now
from ingest.sessions.calibration_due import overdue_instruments

__all__ = ["alerts", "board", "history"]


@click.command()
@lab_option
@json_option
def board(folder: Path, as_json: bool) -> None:
    """Show the weekly board, one row a stream."""
    with reading(folder) as (lab, connection):
        rows = [] if connection is None else stored_documents.board(connection, lab)
        overdue = [] if connection is None else overdue_instruments(connection, lab, now())
    if not as_json:
        click.echo(terminal_text.board(rows, overdue))
        return
    # The document is a list of rows: what concerns none of them goes to standard error.
    warn_overdue(overdue)
    print_json(rows)


@click.command()
@lab_option
@json_option
@click.option("--all", "closed_too", is_flag=True, help="Include closed alerts.")
def alerts(folder: Path, as_json: bool, closed_too: bool) -> None:
    """List the open alerts."""
    with reading(folder) as (lab, connection):
        documents = [] if connection is None else stored_documents.alerts(connection, lab, closed_too=closed_too)
    print_json(documents) if as_json else click.echo(terminal_text.alerts(documents))


@click.command()
@lab_option
@json_option
def history(folder: Path, as_json: bool) -> None:
    """Show the audit trail, the newest entry first."""
    with reading(folder) as (lab, connection):
        documents = [] if connection is None else history_queries.entries(connection, lab)
    print_json(documents) if as_json else click.echo(terminal_text.history(documents))
