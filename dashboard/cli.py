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
    from ingest.limit_requests import Request

__all__ = ["main"]

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
        except KeyboardInterrupt as error:
            raise Trouble("Stopped. What was not finished is done by the next round.", INTERRUPTED) from error

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
    from ingest.standing_units import check_units
    from ingest.store import known_store

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
    from ingest.errors import CallError
    from ingest.lab import load
    from ingest.store import known_store

    lab, store = load(folder), known_store(folder)
    if store is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    with store.writing() as connection:
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

    serve_lab(folder, host, port, say=click.echo, warn=warn)


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

        serve_lab(folder, "127.0.0.1", port, say=click.echo, warn=warn)
    else:
        click.echo(f"Look at it with: lotdrift serve --lab {folder}")


@main.command()
@lab_option
def upgrade(folder: Path) -> None:
    """Bring the store of an earlier version to this one."""
    from ingest import upgrades
    from ingest.lab import load

    done = upgrades.upgrade(load(folder).folder)
    if done.before == done.after:
        click.echo(f"The store is of this version already (schema {done.after}); nothing was done.")
        return
    kept = f" What it was before is kept as {done.copy}." if done.copy else ""
    click.echo(f"The store was brought from schema {done.before} to {done.after}.{kept}")


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


@main.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@click.option("--from", "start", metavar="DAY", help="Set the limits again from the lots of this day on.")
@click.option("--take-back", metavar="DAY", help="Take back that the limits were set again from this day.")
@click.option("--leave-out", metavar="LOT", help="Leave this lot out of the lots that set the limits.")
@click.option("--put-back", metavar="LOT", help="Put a lot that was left out back in.")
@signed_options
@lab_option
@json_option
def baseline(supplier: str, product: str, characteristic: str, **given: Any) -> None:
    """Set a stream's control limits again from a day, or leave a lot out of them; the earlier ones stay in the history."""
    from ingest import acts
    from ingest.errors import CallError
    from ingest.limit_requests import Request

    days = {acts.SET_BASELINE: given["start"], acts.TAKE_BACK_BASELINE: given["take_back"]}
    lots = {acts.LEAVE_OUT: given["leave_out"], acts.PUT_BACK: given["put_back"]}
    asked = [change for change, value in {**days, **lots}.items() if value is not None]
    if len(asked) != 1:
        raise CallError("baseline: give one of --from DAY, --take-back DAY, --leave-out LOT, --put-back LOT")
    day, lot = days.get(asked[0]) or "", lots.get(asked[0]) or ""
    change_limits(Request(asked[0], supplier, product, characteristic, day=day, lot=lot), given)


@main.command()
@click.argument("product")
@click.argument("characteristic")
@click.option("--upper", metavar="VALUE", help="The new upper limit in the unit, or none.")
@click.option("--lower", metavar="VALUE", help="The new lower limit in the unit, or none.")
@click.option("--take-back", metavar="SIDE", help="Take back the upper or lower limit that was entered from the day.")
@click.option("--from", "start", metavar="DAY", required=True, help="The day from which it holds.")
@click.option("--document", default="", help="The document it rests on.")
@signed_options
@lab_option
@json_option
def limit(product: str, characteristic: str, **given: Any) -> None:
    """Change the limit of a product from a day, for all its suppliers; earlier lots keep their verdicts."""
    from ingest import acts
    from ingest.errors import CallError
    from ingest.limit_requests import Request

    asked = [side for side in ("upper", "lower", "take_back") if given[side] is not None]
    if len(asked) != 1:
        raise CallError("limit: give one of --upper VALUE, --lower VALUE, --take-back SIDE")
    taken_back = asked[0] == "take_back"
    request = Request(
        acts.TAKE_BACK_LIMIT if taken_back else acts.CHANGE_LIMIT, "", product, characteristic, day=given["start"],
        side=given["take_back"] if taken_back else asked[0], value="" if taken_back else given[asked[0]],
        document=given["document"],
    )  # fmt: skip
    change_limits(request, given)


def change_limits(request: Request, given: dict[str, Any]) -> None:
    """Show what a change of limits would do, or do it and say what it did."""
    from dashboard.limitwords import listing
    from dashboard.views import with_times
    from ingest.clock import now
    from ingest.errors import CallError
    from ingest.lab import load
    from ingest.limit_requests import as_act
    from ingest.preview_limits import carry_out, preview
    from ingest.store import known_store

    lab, only_shown = load(given["folder"]), given["preview"]
    store = known_store(lab.folder)
    if store is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    with store.reading() if only_shown else store.writing() as connection:
        act = as_act(connection, lab, request, given["by"], given["because"], now())
        seen = preview(connection, lab, act) if only_shown else carry_out(connection, lab, act)
    document = {"done": not only_shown, **with_times(seen.document, lab)}
    unit = lab.characteristic(request.characteristic).unit
    print_json(document) if given["as_json"] else click.echo(listing(document, request, unit))


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
@click.argument("supplier")
@click.argument("lot")
@click.argument("characteristic")
@lab_option
@click.option("--tested", type=click.DateTime(["%Y-%m-%d"]), help="The day of the test, where several are marked.")
@click.option("--stands", "what", flag_value="stands as written", help="The values are right as they are.")
@click.option("--set-aside", "what", flag_value="set aside", help="They are wrong: the test leaves the chart.")
@click.option("--look-again", "what", flag_value="look again", help="Take back what was said before.")
@click.option("--by", required=True, help="Who decides.")
@click.option("--because", required=True, help="Why.")
def settle(
    folder: Path, supplier: str, lot: str, characteristic: str, tested: Any, what: str | None, by: str, because: str
) -> None:
    """Settle a test whose values look like a slip of the pen; no value is changed."""
    from ingest import acts, suspects
    from ingest.clock import now
    from ingest.errors import CallError
    from ingest.evaluating import evaluate_stale
    from ingest.stamps import from_microseconds

    if what is None:
        raise CallError("settle: say --stands, --set-aside or --look-again")
    with writing(folder) as (lab, connection):
        tests = suspects.marked_tests(connection, supplier, lot, characteristic)
        days = [from_microseconds(start).astimezone(lab.zone).date() for _, start in tests]
        chosen = [test for test, day in zip(tests, days, strict=True) if tested is None or day == tested.date()]
        if len(chosen) != 1:
            there = ", ".join(day.isoformat() for day in days) or "none"
            raise CallError(
                f"settle: marked tests of {supplier} lot {lot}, {characteristic}: {there}; name one with --tested"
            )
        names = (supplier, chosen[0][0], characteristic)
        body = {"lot": lot, "started_us": chosen[0][1]}
        suspects.settle(connection, names, acts.Act(now(), by, what, acts.stream_subject(*names), because, body))
        evaluate_stale(connection, lab)
    click.echo(f"Recorded: {what}.")


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
@lab_option
@json_option
def history(folder: Path, as_json: bool) -> None:
    """What people entered, the newest first."""
    from dashboard import historyviews, listings

    with reading(folder) as (lab, connection):
        documents = [] if connection is None else historyviews.entries(connection, lab)
    print_json(documents) if as_json else click.echo(listings.history(documents))


@main.group()
def user() -> None:
    """Who may use the dashboard; as soon as one user is declared, everybody needs a login."""


@user.command("add")
@click.argument("name")
@click.option("--role", type=click.Choice(["viewer", "specialist"]), required=True, help="Look only, or enter too.")
@lab_option
def user_add(folder: Path, name: str, role: str) -> None:
    """Declare a user."""
    from dashboard import usercommands

    click.echo(usercommands.add(folder, name, role))


@user.command("password")
@click.argument("name")
@lab_option
def user_password(folder: Path, name: str) -> None:
    """Change a user's password; all sessions of the user end."""
    from dashboard import usercommands

    click.echo(usercommands.change_password(folder, name))


@user.command("close")
@click.argument("name")
@lab_option
def user_close(folder: Path, name: str) -> None:
    """End a user's account and all its sessions; the name stays in the history."""
    from dashboard import usercommands

    click.echo(usercommands.close(folder, name))


@user.command("list")
@lab_option
@json_option
def user_list(folder: Path, as_json: bool) -> None:
    """The users and what they may do."""
    from dashboard import listings, usercommands

    with reading(folder) as (lab, connection):
        documents = [] if connection is None else usercommands.documents(connection, lab)
    print_json(documents) if as_json else click.echo(listings.users(documents))


@main.command()
@click.argument("quarter")
@lab_option
@json_option
@click.option("--supplier", help="Only this supplier (default: all).")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
@click.option("--formats", default="pdf,xlsx,html,csv", show_default=True, help="Which forms to write.")
def scorecard(folder: Path, as_json: bool, quarter: str, supplier: str | None, out: Path | None, formats: str) -> None:
    """The scorecards of a quarter (2026-Q3)."""
    from dashboard import exports, firstdrawn
    from ingest.store import known_store

    with reading(folder) as (lab, connection):
        documents = exports.documents(required(connection), lab, quarter, supplier)
        written = exports.write(documents, formats, out or lab.folder / "exports")
    store = known_store(lab.folder)
    assert store is not None  # it was just read
    firstdrawn.note(store, lab, quarter)
    print_json(documents) if as_json else click.echo("\n".join(str(path) for path in written))


@main.command()
@click.argument("quarter", required=False)
@click.option("--lot", "lot", nargs=2, metavar="SUPPLIER LOT", help="Of one lot, instead of a quarter.")
@click.option("--supplier", help="Of a quarter: only this supplier (default: all).")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
@lab_option
def evidence(
    folder: Path, quarter: str | None, lot: tuple[str, str] | None, supplier: str | None, out: Path | None
) -> None:
    """The evidence for an audit, of a quarter (2026-Q3) or of a lot, as one ZIP file."""
    from dashboard import evidencecall

    with reading(folder) as (lab, connection):
        scope = evidencecall.asked(required(connection), lab, quarter, lot, supplier)
        path = evidencecall.pack(required(connection), lab, scope, out or lab.folder / "exports")
    evidencecall.note(lab, scope)
    click.echo(str(path))


@main.command()
@click.argument("alert")
@lab_option
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
def notice(folder: Path, alert: str, out: Path | None) -> None:
    """The notice to the supplier about an alert, as PDF; it is sent to nobody."""
    from dashboard import exports, notice
    from dashboard.forms.noticepaper import as_pdf

    with reading(folder) as (lab, connection):
        document = notice.document(required(connection), lab, alert)
    path = (out or lab.folder / "exports") / notice.file_name(document)
    exports.write_file(path, as_pdf(document))
    click.echo(str(path))


@main.command()
@click.argument("alert")
@lab_option
@click.option("--asked", metavar="DAY", help="The day on which the supplier was asked.")
@click.option("--answered", metavar="DAY", help="The day on which the supplier answered.")
@click.option("--cause", default="", help="The cause, as the supplier tells it.")
@click.option("--action", "done", default="", help="What the supplier does about it.")
@click.option("--first-lot", "lot", default="", metavar="LOT", help="The first lot made after the action.")
@click.option("--by", required=True, help="Who enters it.")
@click.option("--because", default="", help="A remark (default: what was entered).")
def action(
    folder: Path,
    alert: str,
    asked: str | None,
    answered: str | None,
    cause: str,
    done: str,
    lot: str,
    by: str,
    because: str,
) -> None:
    """Record a corrective action: when the supplier was asked, what it answered, the first lot after."""
    from ingest import actions
    from ingest.clock import now
    from ingest.errors import CallError
    from ingest.lab import load
    from ingest.store import known_store

    fields = {"cause": cause, "action": done, "first_lot": lot}
    days = {actions.ASKED: asked, actions.ANSWERED: answered}
    steps = [(what, day) for what, day in days.items() if day is not None]
    steps = steps if answered is not None or not lot else [*steps, (actions.FIRST_LOT, "")]
    if not steps:
        raise CallError("action: give --asked DAY, --answered DAY or --first-lot LOT")
    lab, store = load(folder), known_store(folder)
    if store is None:
        raise CallError("the lab has no store yet; do a first round with lotdrift run")
    with store.writing() as connection:
        for what, day in steps:
            actions.keep_step(connection, lab, alert, what, by, because or what, {"on": day, **fields}, now())
    click.echo("Recorded. lotdrift alerts --all --json tells whether the lots after it show that it worked.")


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
