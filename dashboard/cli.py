"""The `lotdrift` command: puts the parts together, prints, and turns trouble into one line and an exit status.

Heavy imports stand inside the commands, so that `lotdrift --help` answers at once.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

if TYPE_CHECKING:
    from sqlalchemy import Connection

    from ingest.lab import Lab

__all__ = ["main"]

P = ParamSpec("P")
R = TypeVar("R")

REFUSED, WRONG_CALL, NO_STORE = 1, 2, 3


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
    click.echo("".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in line), err=True)


def tells_trouble(command: Callable[P, R]) -> Callable[P, R]:
    """Turn our own errors into their exit status; anything else is a fault of ours and keeps its traceback."""

    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        from ingest.errors import CallError, StoreError

        try:
            return command(*args, **kwargs)
        except CallError as error:
            raise Trouble(str(error), WRONG_CALL) from error
        except StoreError as error:
            raise Trouble(str(error), NO_STORE) from error

    return wrapped


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


def print_json(document: object) -> None:
    """One JSON document on standard output; a nan in it is a fault of ours, so it is not let through."""
    click.echo(json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1))


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lotdrift", prog_name="lotdrift")
def main() -> None:
    """Watch the lots of static-control packaging: valid tests, drift before a limit, the evidence behind it."""


@contextmanager
def reading(folder: Path) -> Iterator[tuple[Lab, Connection | None]]:
    """The declarations and the store of a lab; no connection before the first round."""
    from ingest.lab import load
    from ingest.store import known_store

    lab = load(folder)
    store = known_store(lab.folder)
    if store is None:
        yield lab, None
        return
    with store.reading() as connection:
        yield lab, connection


def tell_people(lab: Lab) -> list[str]:
    """Send the alerts that are new or waited; a line for each server that did not take them."""
    from dashboard.notify import deliver
    from ingest.clock import now
    from ingest.store import known_store

    store = known_store(lab.folder)
    return [] if store is None else deliver(store, lab, now(), os.environ)


@main.command()
@lab_option
@json_option
def run(folder: Path, as_json: bool) -> None:
    """Do one round: take in all drops, evaluate, raise alerts."""
    from dashboard import views
    from dashboard.progress import progress_on
    from dashboard.sentences import told_round
    from ingest import rounds
    from ingest.clock import now
    from ingest.lab import load

    with progress_on(sys.stderr, wanted=not as_json) as watch:
        done = rounds.run(load(folder), now(), watch)
    with reading(folder) as (lab, connection):
        assert connection is not None  # the round made the store
        document = views.run(connection, lab, done)
    unsent = tell_people(lab)
    if as_json:
        print_json(document)
    else:
        click.echo(told_round(document, done.problems))
    for line in [*done.problems, *unsent]:
        warn(line)
    sys.exit(REFUSED if done.refused_something else 0)


@main.command()
@lab_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve on.")
@click.option("--port", type=click.IntRange(0, 65535), default=8050, show_default=True, help="Port to serve on.")
def serve(folder: Path, host: str, port: int) -> None:
    """Serve the dashboard and do the scheduled rounds, in one process."""
    from dashboard.serving import serve as serve_lab

    serve_lab(folder, host, port, say=click.echo)


@main.command()
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path), default=Path("demo-lab"))
@click.option("--serve/--no-serve", "serves", default=True, help="Serve the dashboard when the lab is made.")
@click.option("--port", type=click.IntRange(0, 65535), default=8050, show_default=True, help="Port to serve on.")
@tells_trouble
def demo(folder: Path, serves: bool, port: int) -> None:
    """Make a lab folder with invented feeds, run it and serve the dashboard."""
    import sample_feeds
    from dashboard import views
    from dashboard.progress import progress_on
    from dashboard.sentences import told_round
    from ingest import rounds
    from ingest.clock import now
    from ingest.errors import CallError
    from ingest.lab import load

    if folder.exists() and any(folder.iterdir()) and not (folder / sample_feeds.MARK).exists():
        raise CallError(f"{folder}: is not empty and no earlier demo; name another folder")
    click.echo(f"Making an invented lab in {folder} …")
    if not (folder / sample_feeds.MARK).exists():
        sample_feeds.copy_to(folder, now())
    with progress_on(sys.stderr) as watch:
        done = rounds.run(load(folder), now(), watch)
    with reading(folder) as (lab, connection):
        assert connection is not None  # the round made the store
        document = views.run(connection, lab, done)
    unsent = tell_people(lab)
    click.echo(told_round(document, done.problems))
    for line in unsent:
        warn(line)
    if serves:
        from dashboard.serving import serve as serve_lab

        serve_lab(folder, "127.0.0.1", port, say=click.echo)
    else:
        click.echo(f"Look at it with: lotdrift serve --lab {folder}")


@main.command()
@lab_option
@json_option
def board(folder: Path, as_json: bool) -> None:
    """The weekly board, one row a stream."""
    from dashboard import listings, views

    with reading(folder) as (lab, connection):
        rows = [] if connection is None else views.board(connection, lab)
    print_json(rows) if as_json else click.echo(listings.board(rows))


@main.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@lab_option
@json_option
def stream(folder: Path, as_json: bool, supplier: str, product: str, characteristic: str) -> None:
    """One stream, point by point."""
    from dashboard import listings, views

    with reading(folder) as (lab, connection):
        document = views.stream(required(connection), lab, supplier, product, characteristic)
    print_json(document) if as_json else click.echo(listings.stream(document))


@main.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@lab_option
@click.option(
    "--from", "start", type=click.DateTime(["%Y-%m-%d"]), help="Set the limits again from the lots of this day on."
)
@click.option("--leave-out", "left_out", metavar="LOT", help="Leave this lot out of the lots that set the limits.")
@click.option("--by", required=True, help="Who decides.")
@click.option("--because", required=True, help="Why.")
def baseline(
    folder: Path,
    supplier: str,
    product: str,
    characteristic: str,
    start: Any,
    left_out: str | None,
    by: str,
    because: str,
) -> None:
    """Set a stream's limits again from a day, or leave a lot out of them; the earlier limits stay in the history."""
    from ingest import acts
    from ingest.clock import now
    from ingest.errors import CallError
    from ingest.lab import load
    from ingest.stamps import microseconds
    from ingest.store import known_store

    if (start is None) == (left_out is None):
        raise CallError("baseline: give either --from DAY or --leave-out LOT")
    lab, store = load(folder), known_store(folder)
    if store is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    what = acts.LEAVE_OUT if start is None else acts.SET_BASELINE
    body = {"lot": left_out} if start is None else {"from_us": microseconds(start.replace(tzinfo=lab.zone))}
    names = (supplier, product, characteristic)
    with store.writing() as connection:
        acts.change_baseline(connection, names, acts.Act(now(), by, what, acts.stream_subject(*names), because, body))
    click.echo("Recorded. The next round evaluates the stream with it: lotdrift run")


@main.command()
@click.argument("supplier")
@click.argument("lot")
@lab_option
@json_option
def lot(folder: Path, as_json: bool, supplier: str, lot: str) -> None:
    """One lot: every reading, every session, its conditioning, its signals."""
    from dashboard import listings, views

    with reading(folder) as (lab, connection):
        document = views.lot(required(connection), lab, supplier, lot)
    print_json(document) if as_json else click.echo(listings.lot(document))


@main.command()
@lab_option
@json_option
@click.option("--all", "closed_too", is_flag=True, help="Closed ones too.")
def alerts(folder: Path, as_json: bool, closed_too: bool) -> None:
    """Open alerts."""
    from dashboard import listings, views

    with reading(folder) as (lab, connection):
        documents = [] if connection is None else views.alerts(connection, lab, closed_too=closed_too)
    print_json(documents) if as_json else click.echo(listings.alerts(documents))


@main.command()
@click.argument("day", type=click.DateTime(["%Y-%m-%d"]))
@lab_option
@json_option
def replay(folder: Path, as_json: bool, day: Any) -> None:
    """What the board and the alerts would have said at the end of a past day (2026-08-31)."""
    from dashboard import listings, views
    from dashboard.progress import progress_on
    from ingest.lab import load
    from ingest.replay import replayed

    lab = load(folder)
    with progress_on(sys.stderr, wanted=not as_json) as watch, replayed(lab, day.date(), watch) as connection:
        document = views.replay(connection, lab, day.date())
    print_json(document) if as_json else click.echo(listings.replay(document))


@main.command()
@click.argument("quarter")
@lab_option
@json_option
@click.option("--supplier", help="Only this supplier (default: all).")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
@click.option("--formats", default="pdf,xlsx,html,csv", show_default=True, help="Which forms to write.")
def scorecard(folder: Path, as_json: bool, quarter: str, supplier: str | None, out: Path | None, formats: str) -> None:
    """The scorecards of a quarter (2026-Q3)."""
    from dashboard import exports

    with reading(folder) as (lab, connection):
        documents = exports.documents(required(connection), lab, quarter, supplier)
        written = exports.write(documents, formats, out or lab.folder / "exports")
    print_json(documents) if as_json else click.echo("\n".join(str(path) for path in written))


@main.command()
@click.argument("file", required=False, type=click.Path(path_type=Path))
@lab_option
@json_option
def check(folder: Path, as_json: bool, file: Path | None) -> None:
    """Read lab.toml and every drop, store nothing, report what would be refused."""
    from dashboard import listings
    from ingest import checking
    from ingest.clock import now
    from ingest.lab import load

    lab = load(folder)
    if file is not None:
        show_preview(file, lab)
        return
    report = checking.check(lab, now())
    print_json(report.document) if as_json else click.echo(listings.check(report.document))
    for problem in report.problems:
        warn(problem)
    sys.exit(REFUSED if report.refused_something else 0)


def show_preview(file: Path, lab: Lab) -> None:
    """How one file would be read, and the `[[source]]` table to paste."""
    from dashboard import listings
    from ingest.clock import now
    from ingest.errors import CallError
    from ingest.feeds import FileRefused
    from ingest.preview import preview

    try:
        seen = preview(file, None, lab, now())
    except OSError as error:
        raise CallError(f"check: {file} can't be read ({error.strerror}); see that it is there") from error
    if isinstance(seen, FileRefused):
        warn(seen.reason)
        sys.exit(REFUSED)
    click.echo(listings.preview(seen))
    sys.exit(REFUSED if seen.refusals else 0)


def required(connection: Connection | None) -> Connection:
    """The connection, or a line that says how to get one."""
    from ingest.errors import CallError

    if connection is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    return connection


if __name__ == "__main__":
    main()
