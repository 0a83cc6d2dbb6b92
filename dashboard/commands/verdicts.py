"""Commands about how sure verdicts are: bags, comparisons, other limits, test reports."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from dashboard.commands.common import exports_option, json_option, lab_option, lab_store, print_json, stored
from dashboard.text.verdict import verdict_answers
from ingest.common.errors import CallError
from ingest.verdict import comparison, what_if
from ingest.verdict.bags import Question, answer, scatter_of

__all__ = ["bags", "compare", "report", "whatif"]


@click.command()
@click.argument("supplier")
@click.argument("product")
@click.argument("characteristic")
@click.option("--bags", "count", type=int, help="Bags to test (default: as in the last lot).")
@click.option("--readings", type=int, help="Readings a bag (default: as in the last lot).")
@click.option("--level", type=float, help="True mean of the lot in the unit (default: where the stream stands).")
@click.option("--second", type=int, help="Bags of a second chamber load (default: twice the first).")
@click.option(
    "--good", type=float, default=1.0, show_default=True, help="Percent of bags beyond the limit in a good lot."
)
@click.option(
    "--good-risk", type=float, default=5.0, show_default=True, help="Percent of good lots that may be stopped."
)
@click.option(
    "--bad", type=float, default=10.0, show_default=True, help="Percent of bags beyond the limit in a bad lot."
)
@click.option("--bad-risk", type=float, default=10.0, show_default=True, help="Percent of bad lots that may pass.")
@lab_option
@json_option
def bags(
    folder: Path,
    as_json: bool,
    supplier: str,
    product: str,
    characteristic: str,
    count: int | None,
    readings: int | None,
    level: float | None,
    second: int | None,
    good: float,
    good_risk: float,
    bad: float,
    bad_risk: float,
) -> None:
    """Show what a number of bags proves of a lot."""
    asked = Question(count, readings, level, good / 100, good_risk / 100, bad / 100, bad_risk / 100, second)
    with stored(folder) as (lab, connection):
        scatter = scatter_of(connection, lab, supplier, product, characteristic)
    document = answer(scatter, asked)
    print_json(document) if as_json else click.echo(verdict_answers.bags(document))


DAY = click.DateTime(["%Y-%m-%d"])


@click.command()
@click.argument("characteristic")
@click.option(
    "--candidate", "candidates", nargs=2, multiple=True, metavar="SUPPLIER PRODUCT", help="Once for each candidate."
)
@click.option(
    "--in-use", nargs=2, metavar="SUPPLIER PRODUCT", help="The candidate in use: compare the others with it only."
)
@click.option("--margin", type=float, help="Percent that would not matter (default: margin_percent of lab.toml).")
@click.option("--since", type=DAY, help="First day of the tests (default: a year before the last).")
@click.option("--until", type=DAY, help="Day after the last test.")
@click.option("--split", "split_at", type=DAY, help="Compare one candidate before this day with itself since.")
@click.option("--pdf", is_flag=True, help="Write the one-page paper.")
@exports_option
@lab_option
@json_option
def compare(
    folder: Path,
    as_json: bool,
    characteristic: str,
    candidates: tuple[tuple[str, str], ...],
    in_use: tuple[str, str] | None,
    margin: float | None,
    since: datetime | None,
    until: datetime | None,
    split_at: datetime | None,
    pdf: bool,
    out: Path | None,
) -> None:
    """Compare products or suppliers by their lots."""
    first, last, split = (None if day is None else day.date() for day in (since, until, split_at))
    asked = comparison.Request(characteristic, candidates, first, last, split, margin, in_use)
    with stored(folder) as (lab, connection):
        document = comparison.compare(connection, lab, asked)
    if pdf:
        # Imported here: only papers need the typesetting library.
        from dashboard.scorecard.export import write_file
        from dashboard.verdict_papers import comparison as paper

        path = (out or lab.folder / "exports") / paper.FILE_NAME
        write_file(path, paper.as_pdf(document, lab.name))
        click.echo(str(path), err=as_json)
    print_json(document) if as_json else click.echo(verdict_answers.compare(document))


@click.command()
@click.argument("characteristic")
@click.option("--upper", type=float, help="The other upper limit, in the unit.")
@click.option("--lower", type=float, help="The other lower limit, in the unit.")
@click.option("--since", type=DAY, help="First day of the tests (default: each stream's last move or baseline).")
@click.option("--guard", type=float, help="Guard in percent of the limit (default: the declared rule).")
@lab_option
@json_option
def whatif(
    folder: Path,
    as_json: bool,
    characteristic: str,
    upper: float | None,
    lower: float | None,
    since: datetime | None,
    guard: float | None,
) -> None:
    """Judge the history by another limit; nothing is recorded."""
    if (upper is None) == (lower is None):
        raise CallError("whatif: give the other limit as --upper VALUE or --lower VALUE")
    day = None if since is None else since.date()
    if upper is not None:
        asked = what_if.Request(characteristic, upper, "upper", day, guard)
    else:
        asked = what_if.Request(characteristic, float(lower or 0.0), "lower", day, guard)
    with stored(folder) as (lab, connection):
        document = what_if.what_if(connection, lab, asked)
    print_json(document) if as_json else click.echo(verdict_answers.whatif(document))


@click.command()
@click.argument("supplier")
@click.argument("lot")
@click.option("--characteristic", default="", help="Only this characteristic (default: all).")
@click.option("--number", default="", help="Number of an issued report, or with --issue the new one.")
@click.option("--issue", "issues", is_flag=True, help="Issue the report; needs --number, --by and --because.")
@click.option("--by", default="", help="Your name.")
@click.option("--because", default="", help="Your authorisation.")
@click.option("--customer", default="", help="Customer (default: own use).")
@click.option("--state", default="", help="State of the bags as received.")
@click.option("--sampling", default="", help="Who took the bags, how many, and from what.")
@click.option("--deviations", default="", help="Deviations beyond those that the program lists.")
@click.option("--replaces", default="", help="Number of the report that this one replaces.")
@click.option("--changes", default="", help="What changed against the report that it replaces.")
@exports_option
@lab_option
@json_option
def report(
    folder: Path,
    as_json: bool,
    supplier: str,
    lot: str,
    characteristic: str,
    number: str,
    issues: bool,
    by: str,
    because: str,
    out: Path | None,
    **entries: str,
) -> None:
    """Write the test report of a lot as PDF.

    Without --number the report is a draft. With the number of an issued report the same bytes are written again.
    """
    # Imported here: only papers need the typesetting library.
    from dashboard.queries import lot_document
    from dashboard.scorecard.export import write_file
    from dashboard.verdict_papers import report as paper
    from ingest.common.clock import now
    from ingest.verdict import report as reports

    if issues:
        lab, store = lab_store(folder)
        with store.writing() as connection:
            drawn = reports.draft(connection, lab, lot_document.lot(connection, lab, supplier, lot), characteristic)
            entered = {**entries, "number": number, "issued_by": by, "authorisation": because}
            document = reports.issue(connection, lab, drawn, entered, now())  # type: ignore[arg-type]  # the options above
    else:
        with stored(folder) as (lab, connection):
            if number:
                document = reports.issued(connection, supplier, lot, number)
            else:
                lot_found = lot_document.lot(connection, lab, supplier, lot)
                document = reports.draft(connection, lab, lot_found, characteristic)
    path = (out or lab.folder / "exports") / paper.file_name(document)
    write_file(path, paper.as_pdf(document))
    print_json(document) if as_json else click.echo(str(path))
