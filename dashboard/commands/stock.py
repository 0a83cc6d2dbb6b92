"""Commands about lots in stock: their dates, and how a product ages."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from dashboard.commands.common import json_option, lab_option, print_json, stored
from dashboard.text import stock_text
from ingest.common import clock

__all__ = ["ageing", "stock"]


@click.command()
@lab_option
@json_option
@click.option(
    "--by", type=click.DateTime(["%Y-%m-%d"]), help="The day of the later chance (default: after the horizon)."
)
def stock(folder: Path, as_json: bool, by: datetime | None) -> None:
    """Show the lots in stock and the day to keep each until."""
    # The chances need the statistics, which are slow to load.
    from ingest.stock.shelf_list import stock_document

    with stored(folder) as (lab, connection):
        today = clock.now().astimezone(lab.zone).date()
        document = stock_document(connection, lab, today, None if by is None else by.date())
    print_json(document) if as_json else click.echo(stock_text.stock(document))


@click.command()
@click.argument("product")
@click.argument("characteristic")
@lab_option
@json_option
def ageing(folder: Path, as_json: bool, product: str, characteristic: str) -> None:
    """Show how a product ages on the shelf."""
    from ingest.stock.shelf_list import ageing_document

    with stored(folder) as (lab, connection):
        document = ageing_document(connection, lab, product, characteristic)
    print_json(document) if as_json else click.echo(stock_text.ageing(document))
