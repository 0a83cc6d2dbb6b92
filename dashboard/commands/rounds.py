"""Commands that work on the lab: rounds, the served dashboard, the demo, checks and upgrades."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashboard.commands.common import (
    REFUSED,
    json_option,
    lab_option,
    print_json,
    reading,
    tell_people,
    tells_trouble,
    warn,
)

if TYPE_CHECKING:
    from ingest.config.lab import Lab

if TYPE_CHECKING:
    pass

__all__ = ["check", "demo", "run", "serve", "upgrade"]


@click.command()
@lab_option
@json_option
def run(folder: Path, as_json: bool) -> None:
    """Do one round: take in all drops, evaluate, raise alerts."""
    from dashboard.commands.progress_line import progress_on
    from dashboard.queries import stored_documents
    from dashboard.text.formatting import round_text
    from ingest.common.clock import now
    from ingest.config.lab import load
    from ingest.quarter.full_round import full_round

    with progress_on(sys.stderr, wanted=not as_json) as watch:
        done = full_round(load(folder), now(), watch)
    with reading(folder) as (lab, connection):
        assert connection is not None  # the round made the store
        document = stored_documents.run(connection, lab, done)
    unsent = tell_people(lab)
    if as_json:
        print_json(document)
    else:
        click.echo(round_text(document, done.problems))
    for line in [*done.notes, *done.problems, *unsent]:
        warn(line)
    sys.exit(REFUSED if done.refused_something else 0)


@click.command()
@lab_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8050, show_default=True, help="Port to serve on.")
def serve(folder: Path, host: str, port: int) -> None:
    """Serve the dashboard and do the scheduled rounds, in one process."""
    from dashboard.web.serve import serve as serve_lab

    serve_lab(folder, host, port, say=click.echo, warn=warn)


@click.command()
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path), default=Path("demo-lab"))
@click.option("--serve/--no-serve", "serves", default=True, help="Serve the dashboard when the lab is made.")
@click.option("--port", type=click.IntRange(0, 65535), default=8050, show_default=True, help="Port to serve on.")
@tells_trouble
def demo(folder: Path, serves: bool, port: int) -> None:
    """Make a lab folder with invented feeds, run it and serve the dashboard."""
    import sample_feeds
    from dashboard.commands.progress_line import progress_on
    from dashboard.queries import stored_documents
    from dashboard.text.formatting import round_text
    from ingest.common.clock import now
    from ingest.common.errors import CallError
    from ingest.config.lab import load
    from ingest.quarter.full_round import full_round

    if folder.exists() and any(folder.iterdir()) and not (folder / sample_feeds.MARK).exists():
        raise CallError(f"{folder}: is not empty and no earlier demo; name another folder")
    click.echo(f"Making an invented lab in {folder} …")
    if not (folder / sample_feeds.MARK).exists():
        sample_feeds.copy_to(folder, now())
    with progress_on(sys.stderr) as watch:
        done = full_round(load(folder), now(), watch)
    with reading(folder) as (lab, connection):
        assert connection is not None  # the round made the store
        document = stored_documents.run(connection, lab, done)
    unsent = tell_people(lab)
    click.echo(round_text(document, done.problems))
    for line in [*done.notes, *unsent]:
        warn(line)
    if serves:
        from dashboard.web.serve import serve as serve_lab

        serve_lab(folder, "127.0.0.1", port, say=click.echo, warn=warn)
    else:
        click.echo(f"Look at it with: lotdrift serve --lab {folder}")


@click.command()
@lab_option
def upgrade(folder: Path) -> None:
    """Bring the store of an earlier version to this one."""
    from ingest.config.lab import load
    from ingest.store import migrations

    done = migrations.upgrade(load(folder).folder)
    if done.before == done.after:
        click.echo(f"The store is of this version already (schema {done.after}); nothing was done.")
        return
    kept = f" What it was before is kept as {done.copy}." if done.copy else ""
    click.echo(f"The store was brought from schema {done.before} to {done.after}.{kept}")


@click.command()
@click.argument("file", required=False, type=click.Path(path_type=Path))
@lab_option
@json_option
def check(folder: Path, as_json: bool, file: Path | None) -> None:
    """Read lab.toml and every drop, store nothing, report what would be refused."""
    from dashboard.text import terminal_text
    from ingest.common.clock import now
    from ingest.config.lab import load
    from ingest.intake import dry_run

    lab = load(folder)
    if file is not None:
        show_preview(file, lab)
        return
    report = dry_run.check(lab, now())
    print_json(report.document) if as_json else click.echo(terminal_text.check(report.document))
    for problem in report.problems:
        warn(problem)
    sys.exit(REFUSED if report.refused_something else 0)


def show_preview(file: Path, lab: Lab) -> None:
    """How one file would be read, and the `[[source]]` table to paste."""
    from dashboard.text import terminal_text
    from ingest.common.clock import now
    from ingest.common.errors import CallError
    from ingest.parsing.parse_file import FileRefused
    from ingest.parsing.source_preview import preview

    try:
        seen = preview(file, None, lab, now())
    except OSError as error:
        raise CallError(f"check: {file} can't be read ({error.strerror}); see that it is there") from error
    if isinstance(seen, FileRefused):
        warn(seen.reason)
        sys.exit(REFUSED)
    click.echo(terminal_text.preview(seen))
    sys.exit(REFUSED if seen.refusals else 0)
