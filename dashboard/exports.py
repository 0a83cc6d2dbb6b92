"""Scorecards as files: the same figures in every form, written whole or not at all."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable, Sequence
from datetime import datetime
from html import escape
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from dashboard import scorecard
from dashboard.sentences import amount, characteristic, counted, day, room_to_limit
from ingest.errors import CallError, StoreError
from ingest.lab import Lab

__all__ = ["FORMS", "documents", "write"]

Document = dict[str, Any]


def documents(connection: Connection, lab: Lab, quarter: str, supplier: str | None) -> list[Document]:
    """The scorecards of a quarter, of one supplier or of all that had tests."""
    return scorecard.documents(connection, lab, quarter, supplier)


def write(cards: list[Document], formats: str, folder: Path) -> list[Path]:
    """Write each card in each form; the paths written. CallError for an unknown form, before anything is written."""
    chosen = _chosen(formats)
    written = []
    for card in cards:
        for form in chosen:
            path = folder / f"scorecard-{card['quarter']}-{card['file_name']}.{form}"
            _write(path, FORMS[form](card))
            written.append(path)
    return written


def _chosen(formats: str) -> list[str]:
    chosen = [part.strip().lower() for part in formats.split(",") if part.strip()]
    unknown = [form for form in chosen if form not in FORMS]
    if unknown or not chosen:
        raise CallError(f'scorecard: expected forms out of {", ".join(FORMS)}, got "{formats}"; nothing was written')
    return chosen


def _write(path: Path, data: bytes) -> None:
    draft = path.with_name(f".{path.name}.draft")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        draft.write_bytes(data)
        draft.replace(path)
    except OSError as error:
        raise StoreError(f"{path}: can't be written ({error.strerror}); name another folder with --out") from error


CSV_COLUMNS = (
    "supplier", "product", "characteristic", "quarter", "unit", "lots", "readings", "pass", "fail", "undecided", "invalid",
    "unlimited", "set_aside", "level", "level_low", "level_high", "earlier_level", "change", "change_low", "change_high",
    "change_in", "direction", "limit_lower", "limit_upper", "lot_spread", "bag_spread", "reading_spread",
)  # fmt: skip


def as_csv(card: Document) -> bytes:
    """A row a stream."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for row in card["streams"]:
        values = {**row, "quarter": card["quarter"]}
        writer.writerow([_cell(values[name]) for name in CSV_COLUMNS])
    return out.getvalue().encode()


def _cell(value: object) -> object:
    """A text that a spreadsheet would take for a formula is led by an apostrophe; numbers are left as they are."""
    if value is None:
        return ""
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return f"'{value}"
    return value


STYLE = """body{font:15px/1.5 system-ui,sans-serif;color:#1d2730;max-width:62rem;margin:2rem auto;padding:0 1rem}
h1{font-size:1.5rem}table{border-collapse:collapse;width:100%}th,td{padding:.4rem .6rem;border-bottom:1px solid #dcd9d0;text-align:left}
th{font-size:.8rem;color:#566472}td.n{text-align:right;white-space:nowrap}small{color:#566472}.scroll{overflow-x:auto}
@media print{body{margin:0;max-width:none}}"""

NOTE = (
    "Invalid tests and what a bench finding explains count against nobody. lotdrift marks lots and releases none: decisions "
    "are for the people your procedure authorises, by the text of the standard."
)


def as_html(card: Document) -> bytes:
    """One self-contained page."""
    rows = "".join(_html_row(row) for row in card["streams"])
    alerts = "".join(
        f"<li>{escape(day(alert['raised_at']))}: {escape(alert['message'])}</li>" for alert in card["alerts"]
    )
    heads = "".join(f"<th scope=col>{head}</th>" for head in HTML_HEADS)
    title = escape(f"{card['supplier']}, {card['quarter']}")
    page = (
        f"<!doctype html><html lang=en><head><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>{title}</title><style>{STYLE}</style></head><body><h1>{title}</h1>"
        f"<p>{escape(card['lab'])}. {_summary(card)}</p>"
        f"<div class=scroll><table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
        f"<h2>What stood out</h2>{f'<ul>{alerts}</ul>' if alerts else '<p>Nothing.</p>'}<p><small>{NOTE}</small></p></body></html>"
    )
    return page.encode()


def _summary(card: Document) -> str:
    counts = card["counts"]
    return (
        f"{counted(counts['lots'], 'tested lot')} in {counted(len(card['streams']), 'stream')}: {counts['pass']} inside, "
        f"{counts['fail']} outside a limit, {counts['undecided']} undecided, {counts['invalid']} without a valid test."
    )


HTML_HEADS = ("stream", "lots", "pass", "fail", "undecided", "not valid", "level", "against last quarter", "limit")


def _html_row(row: Document) -> str:
    cells = "".join(f"<td class=n>{escape(cell)}</td>" for cell in _told(row)[1:])
    name = f"{escape(row['product'])}<br><small>{escape(characteristic(row['characteristic']))}</small>"
    return f"<tr><td>{name}</td>{cells}</tr>"


def _told(row: Document) -> list[str]:
    """One stream as the cells under `HTML_HEADS`."""
    change = row["change"]
    moved = "–" if change is None else f"{change:+.1f} {row['change_in']}, {str(row['direction']).replace('_', ' ')}"
    return [
        f"{row['product']}, {characteristic(row['characteristic'])}",
        *[str(row[name]) for name in ("lots", "pass", "fail", "undecided", "invalid")],
        amount(row["level"], row["unit"]),
        moved,
        room_to_limit(row),
    ]


PAGE = """
#let card = json(bytes(sys.inputs.card))
#set document(title: card.title, author: card.lab, date: none)
#set page(paper: "a4", flipped: true, margin: 18mm, footer: text(size: 8pt, fill: luma(90), card.note))
#set text(size: 10pt, font: "Libertinus Serif")
= #card.title
#card.lab. #card.summary
#v(4mm)
#table(columns: card.heads.len(), stroke: none, inset: 5pt, fill: (_, row) => if row == 0 { luma(235) },
  ..card.heads.map(head => text(size: 8pt, strong(head))), ..card.rows.flatten().map(cell => text(size: 9pt, cell)))
#v(4mm)
== What stood out
#if card.alerts.len() == 0 [Nothing.] else { list(..card.alerts.map(line => text(line))) }
"""


def as_pdf(card: Document) -> bytes:
    """One page on paper, set without a browser or system fonts; names travel as data and are never markup."""
    import typst

    said = {
        "title": f"{card['supplier']}, {card['quarter']}",
        "lab": card["lab"],
        "summary": _summary(card),
        "note": NOTE,
        "heads": list(HTML_HEADS),
        "rows": [_told(row) for row in card["streams"]],
        "alerts": [f"{day(alert['raised_at'])}: {alert['message']}" for alert in card["alerts"]],
    }
    return bytes(
        typst.compile(
            PAGE.encode(),
            sys_inputs={"card": json.dumps(said)},
            ignore_system_fonts=True,
            timestamp=datetime.fromisoformat(card["drawn_up_at"]).replace(microsecond=0),
        )
    )


def as_xlsx(card: Document) -> bytes:
    """A workbook: the streams with real numbers, and every lot of the quarter."""
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.set_properties(
            {
                "title": f"Scorecard {card['quarter']}",
                "created": datetime.fromisoformat(card["drawn_up_at"]).replace(tzinfo=None),
            }
        )
        _sheet(book, "streams", CSV_COLUMNS, [{**row, "quarter": card["quarter"]} for row in card["streams"]])
        lots = [
            {**{name: row[name] for name in LOT_NAMES}, **{key: lot[key] for key in LOT_COLUMNS[len(LOT_NAMES) :]}}
            for row in card["streams"]
            for lot in row["lot_list"]
        ]
        _sheet(book, "lots", LOT_COLUMNS, lots)
    return out.getvalue()


LOT_NAMES = ("product", "characteristic", "unit")
LOT_COLUMNS = (*LOT_NAMES, "lot", "tested_at", "level", "verdict")


def _sheet(book: Any, name: str, columns: Sequence[str], rows: Sequence[Document]) -> None:
    sheet = book.add_worksheet(name)
    sheet.freeze_panes(1, 0)
    for column, head in enumerate(columns):
        sheet.write_string(0, column, head)
    for line, row in enumerate(rows, start=1):
        for column, key in enumerate(columns):
            value = row[key]
            if isinstance(value, int | float) and not isinstance(value, bool):
                sheet.write_number(line, column, value)
            elif value is not None:
                # As text: a plain write would make a formula of a name that begins with "=".
                sheet.write_string(line, column, str(value))


FORMS: dict[str, Callable[[Document], bytes]] = {"pdf": as_pdf, "xlsx": as_xlsx, "html": as_html, "csv": as_csv}
