"""Scorecards as files: the same figures in every form. All are made before the first is written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import IO

from sqlalchemy import Connection

from dashboard.scorecard import scorecard
from dashboard.scorecard.csv_file import as_csv
from dashboard.scorecard.html import as_html, overview_as_html
from dashboard.scorecard.pdf import as_pdf, overview_as_pdf
from dashboard.scorecard.xlsx import as_xlsx, overview_as_xlsx
from ingest.common.durable import write_whole
from ingest.common.errors import CallError, StoreError
from ingest.config.lab import Lab
from ingest.documents.scorecard import Scorecard
from ingest.quarter.overview import OVERVIEW_NAME, supplier_overview

__all__ = ["FORMS", "OVERVIEW_FORMS", "documents", "write", "write_file", "write_piecewise"]

FORMS: dict[str, Callable[[Scorecard], bytes]] = {"pdf": as_pdf, "xlsx": as_xlsx, "html": as_html, "csv": as_csv}
# The overview of all suppliers. It has no CSV form, whose rows would repeat those of the suppliers' files.
OVERVIEW_FORMS: dict[str, Callable[[list[Scorecard]], bytes]] = {
    "pdf": lambda cards: overview_as_pdf(supplier_overview(cards)),
    "xlsx": lambda cards: overview_as_xlsx(supplier_overview(cards), cards),
    "html": lambda cards: overview_as_html(supplier_overview(cards)),
}


def documents(connection: Connection, lab: Lab, quarter: str, supplier: str | None) -> list[Scorecard]:
    """The scorecards of a quarter, of one supplier or of all that had tests."""
    return scorecard.documents(connection, lab, quarter, supplier)


def write(cards: list[Scorecard], formats: str, folder: Path) -> list[Path]:
    """Write each card in each form, and the overview if there are several cards; the paths written.

    CallError for an unknown form, before anything is written.
    """
    chosen = _chosen(formats)
    made = {folder / file_name(card, form): FORMS[form](card) for card in cards for form in chosen}
    if len(cards) > 1:
        for form in chosen:
            if form in OVERVIEW_FORMS:
                made[folder / overview_file_name(cards[0]["quarter"], form)] = OVERVIEW_FORMS[form](cards)
    for path, data in made.items():
        write_file(path, data)
    return list(made)


def file_name(card: Scorecard, form: str) -> str:
    """The name of a supplier's file."""
    return f"scorecard-{card['quarter']}-{card['file_name']}.{form}"


def overview_file_name(quarter: str, form: str) -> str:
    """The name of the overview's file."""
    return f"scorecard-{quarter}-{OVERVIEW_NAME}.{form}"


def _chosen(formats: str) -> list[str]:
    chosen = list(dict.fromkeys(part.strip().lower() for part in formats.split(",") if part.strip()))
    unknown = [form for form in chosen if form not in FORMS]
    if unknown or not chosen:
        raise CallError(f'scorecard: expected forms out of {", ".join(FORMS)}, got "{formats}"; nothing was written')
    return chosen


def write_file(path: Path, data: bytes) -> None:
    """Replace a file as a whole; StoreError if it can't be written."""
    write_piecewise(path, lambda out: out.write(data))


def write_piecewise(path: Path, fill: Callable[[IO[bytes]], object]) -> None:
    """Replace a file as a whole by what `fill` writes piece by piece."""
    try:
        write_whole(path, fill)
    except OSError as error:
        raise StoreError(f"{path}: can't be written ({error.strerror}); name another folder with --out") from error
