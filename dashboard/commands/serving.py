"""Commands that serve the dashboard."""

from __future__ import annotations

from pathlib import Path

import click

import sample_feeds
from dashboard.commands.common import lab_option, one_line_errors, warn
from dashboard.commands.rounds import do_round
from dashboard.web.serve import serve as serve_lab
from ingest.common.clock import now
from ingest.common.errors import CallError

__all__ = ["demo", "serve"]

port_option = click.option(
    "--port", type=click.IntRange(0, 65535), default=8050, show_default=True, help="Port to serve on."
)


@click.command()
@lab_option
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve on.")
@port_option
def serve(folder: Path, host: str, port: int) -> None:
    """Serve the dashboard and do the scheduled rounds.

    Both run in this process until Ctrl-C.
    """
    serve_lab(folder, host, port, say=click.echo, warn=warn)


@click.command()
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path), default=Path("demo-lab"))
@click.option("--serve/--no-serve", "serves", default=True, help="Serve the dashboard once the lab is made.")
@port_option
@one_line_errors
def demo(folder: Path, serves: bool, port: int) -> None:
    """Make a demo lab with invented feeds and serve it.

    DIR is the folder of the lab (default: demo-lab).
    """
    made_before = (folder / sample_feeds.MARK).exists()
    if not made_before and folder.exists() and any(folder.iterdir()):
        raise CallError(f"{folder}: is not empty and holds no demo lab; choose another folder")
    click.echo(f"Making a demo lab with invented feeds in {folder} …")
    if not made_before:
        sample_feeds.copy_to(folder, now())
    do_round(folder)
    if serves:
        serve_lab(folder, "127.0.0.1", port, say=click.echo, warn=warn)
    else:
        click.echo(f"To open the dashboard: lotdrift serve --lab {folder}")
