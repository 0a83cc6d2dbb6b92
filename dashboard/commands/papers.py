"""Commands that write papers for others: scorecards, notices, evidence."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.common import exports_option, json_option, lab_option, print_json, stored
from dashboard.evidence import bundle_file, bundle_scope
from dashboard.notice import notice as notice_paper
from dashboard.notice.pdf import as_pdf
from dashboard.scorecard import export
from ingest.common.errors import CallError

__all__ = ["evidence", "notice", "scorecard"]


@click.command()
@click.argument("quarter")
@lab_option
@json_option
@click.option("--supplier", help="Only this supplier (default: all).")
@exports_option
@click.option(
    "--formats",
    default="pdf,xlsx,html,csv",
    show_default=True,
    help="The formats to write; the card over all suppliers has no csv.",
)
def scorecard(folder: Path, as_json: bool, quarter: str, supplier: str | None, out: Path | None, formats: str) -> None:
    """Write the scorecards of a quarter.

    QUARTER is written as 2026-Q3.
    """
    with stored(folder) as (lab, connection):
        documents = export.documents(connection, lab, quarter, supplier)
        written = export.write(documents, formats, out or lab.folder / "exports")
    print_json(documents) if as_json else click.echo("\n".join(str(path) for path in written))


@click.command()
@click.argument("quarter", required=False)
@click.option("--lot", "lot", nargs=2, metavar="SUPPLIER LOT", help="One lot, instead of a quarter.")
@click.option("--supplier", help="With a quarter: only this supplier (default: all).")
@exports_option
@lab_option
def evidence(
    folder: Path, quarter: str | None, lot: tuple[str, str] | None, supplier: str | None, out: Path | None
) -> None:
    """Write the evidence for an audit as one ZIP file.

    The evidence covers a QUARTER, written as 2026-Q3, or one lot.
    """
    if (quarter is None) == (lot is None) or (lot is not None and supplier is not None):
        raise CallError("evidence: give a quarter such as 2026-Q3, with or without --supplier, or --lot SUPPLIER LOT")
    with stored(folder) as (lab, connection):
        scope = (
            bundle_scope.of_quarter(connection, lab, str(quarter), supplier)
            if lot is None
            else bundle_scope.of_lot(connection, *lot)
        )
        path = (out or lab.folder / "exports") / scope.file_name
        export.write_piecewise(path, lambda file: bundle_file.write(connection, lab, scope, file))
    click.echo(str(path))


@click.command()
@click.argument("alert")
@lab_option
@exports_option
def notice(folder: Path, alert: str, out: Path | None) -> None:
    """Write the notice to a supplier about an alert as PDF.

    The notice is not sent automatically.
    """
    with stored(folder) as (lab, connection):
        document = notice_paper.document(connection, lab, alert)
    path = (out or lab.folder / "exports") / notice_paper.file_name(document)
    export.write_file(path, as_pdf(document))
    click.echo(str(path))
