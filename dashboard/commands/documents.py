"""Commands that print one subject in full: a stream, a lot, a past day."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path

import click

from dashboard.commands.common import REFUSED, json_option, lab_option, print_json, stored
from dashboard.commands.progress_bar import progress_on
from dashboard.queries import lot_document, stored_documents, stream_document
from dashboard.text import terminal_text
from dashboard.text.bench.study_text import study_listing
from ingest.common.clock import now
from ingest.config.lab import load
from ingest.rounds.replay import replayed
from ingest.sessions.gauge_studies import gauge_studies
from ingest.sessions.instruments import instruments_and_sensors
from ingest.sessions.ready import moment_in
from ingest.sessions.ready import ready as ready_at

__all__ = ["instruments", "lot", "ready", "replay", "stream", "study"]


@click.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@lab_option
@json_option
def stream(folder: Path, as_json: bool, supplier: str, product: str, characteristic: str) -> None:
    """Show one stream, lot by lot."""
    with stored(folder) as (lab, connection):
        document = stream_document.stream(connection, lab, supplier, product, characteristic)
        row = stored_documents.board_row(connection, lab, supplier, product, characteristic)
    print_json(document) if as_json else click.echo(terminal_text.stream(document, row))


@click.command()
@click.argument("supplier")
@click.argument("lot")
@lab_option
@json_option
def lot(folder: Path, as_json: bool, supplier: str, lot: str) -> None:
    """Show one lot with every reading and test session."""
    with stored(folder) as (lab, connection):
        document = lot_document.lot(connection, lab, supplier, lot)
    print_json(document) if as_json else click.echo(terminal_text.lot(document, lab.alerts.breach_probability))


@click.command()
@lab_option
@json_option
@click.option("--at", "moment", default="", help="The state at a past moment, such as 2026-11-20T10:00.")
def ready(folder: Path, as_json: bool, moment: str) -> None:
    """Show what may be tested now, and when the rest."""
    with stored(folder) as (lab, connection):
        document = ready_at(connection, lab, moment_in("--at", moment, lab) if moment else now())
    print_json(document) if as_json else click.echo(terminal_text.ready(document))


@click.command()
@lab_option
@json_option
def instruments(folder: Path, as_json: bool) -> None:
    """Show calibrations, set-up checks and what a bad meter touched."""
    with stored(folder) as (lab, connection):
        every = instruments_and_sensors(connection, lab, now())
    meters = [one for one in every if one["sensor"] is None]
    sensors = [one["sensor"] for one in every if one["sensor"] is not None]
    print_json(every) if as_json else click.echo(terminal_text.instruments(meters, sensors))


@click.command()
@lab_option
@json_option
def study(folder: Path, as_json: bool) -> None:
    """Show the gauge studies and the session part that they give."""
    documents = gauge_studies(load(folder))
    print_json(documents) if as_json else click.echo(study_listing(documents))
    if any(one["trouble"] for one in documents):
        sys.exit(REFUSED)


@click.command()
@click.argument("day", type=click.DateTime(["%Y-%m-%d"]))
@lab_option
@json_option
def replay(folder: Path, as_json: bool, day: datetime) -> None:
    """Show the board and the alerts of a past day.

    DAY is written as 2026-08-31. The readings are those taken in until the end of that day, the declarations today's.
    """
    lab = load(folder)
    with progress_on(sys.stderr, wanted=not as_json) as progress, replayed(lab, day.date(), progress) as connection:
        document = stored_documents.replay(connection, lab, day.date())
    print_json(document) if as_json else click.echo(terminal_text.replay(document))
