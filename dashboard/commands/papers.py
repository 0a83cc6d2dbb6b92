"""Commands that write papers for others: scorecards, notices, evidence."""

from __future__ import annotations

from pathlib import Path

import click

from dashboard.commands.common import (
    json_option,
    lab_option,
    print_json,
    reading,
    required,
)

__all__ = ["evidence", "notice", "scorecard"]


@click.command()
@click.argument("quarter")
@lab_option
@json_option
@click.option("--supplier", help="Only this supplier (default: all).")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
@click.option("--formats", default="pdf,xlsx,html,csv", show_default=True, help="Which forms to write.")
def scorecard(folder: Path, as_json: bool, quarter: str, supplier: str | None, out: Path | None, formats: str) -> None:
    """The scorecards of a quarter (2026-Q3)."""
    from dashboard.scorecard import export

    with reading(folder) as (lab, connection):
        documents = export.documents(required(connection), lab, quarter, supplier)
        written = export.write(documents, formats, out or lab.folder / "exports")
    print_json(documents) if as_json else click.echo("\n".join(str(path) for path in written))


@click.command()
@click.argument("quarter", required=False)
@click.option("--lot", "lot", nargs=2, metavar="SUPPLIER LOT", help="Of one lot, instead of a quarter.")
@click.option("--supplier", help="Of a quarter: only this supplier (default: all).")
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
@lab_option
def evidence(
    folder: Path, quarter: str | None, lot: tuple[str, str] | None, supplier: str | None, out: Path | None
) -> None:
    """The evidence for an audit, of a quarter (2026-Q3) or of a lot, as one ZIP file."""
    from dashboard.commands import evidence_command

    with reading(folder) as (lab, connection):
        scope = evidence_command.asked(required(connection), lab, quarter, lot, supplier)
        path = evidence_command.pack(required(connection), lab, scope, out or lab.folder / "exports")
    click.echo(str(path))


@click.command()
@click.argument("alert")
@lab_option
@click.option("--out", type=click.Path(path_type=Path), help="Folder to write to (default: exports/ in the lab).")
def notice(folder: Path, alert: str, out: Path | None) -> None:
    """The notice to the supplier about an alert, as PDF; it is sent to nobody."""
    from dashboard.notice import notice
    from dashboard.notice.pdf import as_pdf
    from dashboard.scorecard import export

    with reading(folder) as (lab, connection):
        document = notice.document(required(connection), lab, alert)
    path = (out or lab.folder / "exports") / notice.file_name(document)
    export.write_file(path, as_pdf(document))
    click.echo(str(path))
