"""The shelf list as paper, CSV and XLSX."""

from __future__ import annotations

import io
from collections.abc import Sequence

from dashboard.paper.html_page import render_paper
from dashboard.text.csv_cells import csv_text
from dashboard.text.formatting import chance_text, characteristic, day
from dashboard.text.stock_text import advice, headline, keep_until, level, quantity, state
from ingest.documents.stock import ShelfLotDay, StockDocument

__all__ = ["COLUMNS", "as_csv", "as_html", "as_xlsx"]

COLUMNS = (
    "supplier", "product", "lot", "storage", "quantity", "unit", "counted_on", "opened_on", "made_on", "received_on", "age_months",
    "age_since", "characteristic", "last_level", "level_unit", "tested_on", "limit", "state", "keep_until", "expected_on",
    "chance_today", "chance_by", "by", "claimed_until", "why", "film_lots",
)  # fmt: skip
A4 = 9


def as_csv(document: StockDocument) -> str:
    """A row a lot; levels in the unit that the row names."""
    return csv_text(COLUMNS, (_cells(row, document) for row in document["rows"]))


def _cells(row: ShelfLotDay, document: StockDocument) -> Sequence[object]:
    return [
        row["supplier"], row["product"], row["lot"], ", ".join(row["storage"]), row["quantity"], row["unit"], row["counted_on"],
        row["opened_on"], row["made_on"], row["received_on"], row["age_months"], row["age_since"], row["characteristic"],
        row["level"], row["characteristic_unit"], row["tested_on"], row["limit"], state(row), row["keep_until"],
        row["expected_on"], row["chance_today"], row["chance_by"], document["by"], row["claimed_until"], row["why"],
        row["film_lots"],
    ]  # fmt: skip


def as_xlsx(document: StockDocument, lab: str) -> bytes:
    """One sheet; texts are written as texts, so that no name becomes a formula."""
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.set_properties({"title": f"Stock on {document['day']}", "author": lab})
        head = book.add_format({"bold": True, "text_wrap": True, "valign": "top", "bottom": 1})
        share = book.add_format({"num_format": "0.0%"})
        sheet = book.add_worksheet("stock")
        sheet.freeze_panes(1, 3)
        sheet.set_landscape()
        sheet.set_paper(A4)
        sheet.fit_to_pages(1, 0)
        sheet.repeat_rows(0)
        sheet.set_column(0, len(COLUMNS) - 1, 13)
        for column, name in enumerate(COLUMNS):
            sheet.write_string(0, column, name.replace("_", " "), head)
        for line, row in enumerate(document["rows"], start=1):
            for column, value in enumerate(_cells(row, document)):
                if isinstance(value, int | float):
                    sheet.write_number(line, column, value, share if COLUMNS[column].startswith("chance") else None)
                elif value is not None:
                    sheet.write_string(line, column, str(value))
        sheet.write_string(len(document["rows"]) + 2, 0, document["caution"])
    return out.getvalue()


def as_html(document: StockDocument, lab: str) -> str:
    """The list to print and take to the shelf: by storage, then by date, with a column to tick."""
    heads = ("storage", "lot", "product", "quantity", "keep until", "over today", "last test", "state", "seen")
    rows = [
        [
            ", ".join(row["storage"]) or "–", f"{row['supplier']} {row['lot']}",
            f"{row['product']}, {characteristic(row['characteristic'] or '–')}", quantity(row), keep_until(row),
            chance_text(row["chance_today"]), f"{level(row)}, {day(row['tested_on'])}",
            state(row) + (f", opened {day(row['opened_on'])}" if row["opened_on"] else ""), "☐",
        ]
        for row in sorted(document["rows"], key=lambda one: (", ".join(one["storage"]), one["keep_until"] or "9999"))
    ]  # fmt: skip
    return render_paper(
        "paper/shelf_list.html",
        title=f"Shelf list of {day(document['day'])}",
        headline=headline(document),
        advice=advice(document),
        caution=document["caution"],
        heads=heads,
        rows=rows,
        lab=lab,
        dark_too=True,
    )
