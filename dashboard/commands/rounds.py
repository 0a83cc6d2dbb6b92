"""Commands that work on the lab: rounds, checks and upgrades."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from dashboard.commands.common import REFUSED, json_option, lab_option, print_json, reading, send_alerts, warn
from dashboard.commands.progress_bar import progress_on
from dashboard.queries import stored_documents
from dashboard.text import file_check, terminal_text
from dashboard.text.formatting import round_text
from ingest.common.clock import now
from ingest.common.errors import CallError
from ingest.config.lab import Lab, load
from ingest.intake import dry_run
from ingest.parsing.parse_file import FileRefused
from ingest.parsing.proposal.source_preview import preview
from ingest.quarter.full_round import full_round
from ingest.store import migrations

__all__ = ["check", "do_round", "run", "upgrade"]


@click.command()
@lab_option
@json_option
def run(folder: Path, as_json: bool) -> None:
    """Do one round: take in the drops, evaluate, raise alerts."""
    sys.exit(REFUSED if do_round(folder, as_json=as_json) else 0)


def do_round(folder: Path, *, as_json: bool = False) -> bool:
    """Do a round, print what it did and send the alerts; whether it refused a file or a row."""
    with progress_on(sys.stderr, wanted=not as_json) as progress:
        done = full_round(load(folder), now(), progress)
    with reading(folder) as (lab, connection):
        assert connection is not None  # The round made the store
        document = stored_documents.run(connection, lab, done)
    unsent = send_alerts(lab)
    print_json(document) if as_json else click.echo("\n".join([round_text(document, done.problems), *done.hints]))
    for line in dict.fromkeys([*done.notes, *done.problems, *unsent]):
        warn(line)
    return done.refused_something


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path))
@lab_option
@json_option
def check(folder: Path, as_json: bool, file: Path | None) -> None:
    """Check lab.toml and every drop without storing anything.

    The report lists what would be refused. With FILE: show its columns, the first rows as they would be read, what is in doubt, and the [[source]] table to paste into lab.toml.
    """
    lab = load(folder)
    if file is not None:
        _check_file(file, lab, as_json=as_json)
    report = dry_run.check(lab, now())
    print_json(report.document) if as_json else click.echo(terminal_text.check(report.document))
    for line in dict.fromkeys(report.problems):
        warn(line)
    sys.exit(REFUSED if report.refused_something else 0)


def _check_file(file: Path, lab: Lab, *, as_json: bool) -> None:
    try:
        result = preview(file, None, lab, now())
    except OSError as error:
        raise CallError(
            f"check: {file} can't be read ({error.strerror}); check the name and the permissions"
        ) from error
    if isinstance(result, FileRefused):
        warn(result.reason)
        sys.exit(REFUSED)
    how_read = file_check.document(result, lab)
    print_json(how_read) if as_json else click.echo(file_check.as_text(how_read))
    sys.exit(REFUSED if result.refused_something else 0)


@click.command()
@lab_option
def upgrade(folder: Path) -> None:
    """Upgrade the store of an earlier version."""
    done = migrations.upgrade(load(folder).folder)
    if done.before == done.after:
        click.echo(f"The store already has this version (schema {done.after}). Nothing was changed.")
        return
    copy = f" A copy of the earlier store is kept in {done.copy}." if done.copy else ""
    click.echo(f"The store was upgraded from schema {done.before} to {done.after}.{copy}")
