"""Commands that print the work to do: cases, lots to test again, and the answers of a search."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.common import json_option, lab_option, print_json, reading, stored, warn_overdue
from dashboard.queries import retest_list
from dashboard.queries.find import find as find_answers
from dashboard.text import terminal_text
from ingest.common.clock import now
from ingest.common.errors import CallError
from ingest.decisions.cases import cases as stored_cases
from ingest.sessions.calibration_due import overdue_instruments

__all__ = ["cases", "find", "retest"]


@click.command()
@lab_option
@json_option
@click.option("--all", "closed_too", is_flag=True, help="Include closed cases.")
def cases(folder: Path, as_json: bool, closed_too: bool) -> None:
    """List the cases with owner, due date and state."""
    with reading(folder) as (lab, connection):
        documents = [] if connection is None else stored_cases(connection, lab, closed_too=closed_too)
    print_json(documents) if as_json else click.echo(terminal_text.cases(documents))


@click.command()
@click.argument("text")
@lab_option
@json_option
def find(folder: Path, as_json: bool, text: str) -> None:
    """Find a lot, product, supplier, file, operator or alert.

    TEXT is a part of a name.
    """
    if not text.strip():
        raise CallError("find: the text is blank; write a part of a name")
    with stored(folder) as (lab, connection):
        document = find_answers(connection, lab, text)
    print_json(document) if as_json else click.echo(terminal_text.answers(document))


@click.command()
@lab_option
@json_option
def retest(folder: Path, as_json: bool) -> None:
    """List the lots to test again, the newest first."""
    with reading(folder) as (lab, connection):
        documents = [] if connection is None else retest_list.retests(connection, lab)
        chambers = [] if connection is None else retest_list.chamber_states(connection, lab, now())
        overdue = [] if connection is None else overdue_instruments(connection, lab, now())
    if not as_json:
        click.echo(terminal_text.retests(documents, chambers, overdue))
        return
    # The document is a list of lots: what concerns none of them goes to standard error.
    warn_overdue(overdue)
    print_json(documents)
