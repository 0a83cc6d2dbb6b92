"""Scorecards as files: the same figures in every form, written whole or not at all."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from html import escape
from pathlib import Path
from typing import Any

from sqlalchemy import Connection

from dashboard import scorecard
from dashboard.sentences import amount, characteristic, counted, day, percent, room_to_limit
from ingest.errors import CallError, StoreError
from ingest.lab import Lab

__all__ = ["FORMS", "documents", "write"]

Document = dict[str, Any]


def documents(connection: Connection, lab: Lab, quarter: str, supplier: str | None) -> list[Document]:
    """The scorecards of a quarter, of one supplier or of all that had tests."""
    names = [supplier] if supplier is not None else scorecard.suppliers_in(connection, lab, quarter)
    return [scorecard.document(connection, lab, name, quarter) for name in names]


def write(cards: list[Document], formats: str, folder: Path) -> list[Path]:
    """Write each card in each form; the paths written. CallError for an unknown form, before anything is written."""
    chosen = _chosen(formats)
    written = []
    for card in cards:
        for form in chosen:
            path = folder / f"scorecard-{card['quarter']}-{_file_name(card['supplier'])}.{form}"
            _write(path, FORMS[form](card))
            written.append(path)
    return written


def _chosen(formats: str) -> list[str]:
    chosen = [part.strip().lower() for part in formats.split(",") if part.strip()]
    unknown = [form for form in chosen if form not in FORMS]
    if unknown or not chosen:
        raise CallError(f'scorecard: expected forms out of {", ".join(FORMS)}, got "{formats}"; nothing was written')
    return chosen


def _file_name(supplier: str) -> str:
    """Letters and digits of a name; no path leads out of the folder."""
    return "".join(c if c.isalnum() else "-" for c in supplier).strip("-") or "supplier"


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
    "unlimited", "level", "limit_lower", "limit_upper", "change_percent_per_month", "breach_probability", "ppk", "ppk_lower",
    "alerts", "explained_by_bench", "state",
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
    alerts = "".join(f"<li>{escape(day(alert['raised_at']))}: {escape(alert['message'])}</li>" for alert in card["alerts"])
    heads = "".join(f"<th scope=col>{head}</th>" for head in HTML_HEADS)
    title = escape(f"{card['supplier']}, {card['quarter']}")
    lots = sum(row["lots"] for row in card["streams"])
    page = (
        f"<!doctype html><html lang=en><head><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>{title}</title><style>{STYLE}</style></head><body><h1>{title}</h1>"
        f"<p>{escape(card['lab'])}. {counted(lots, 'tested lot')} in {counted(len(card['streams']), 'stream')}.</p>"
        f"<div class=scroll><table><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>"
        f"<h2>What stood out</h2>{f'<ul>{alerts}</ul>' if alerts else '<p>Nothing.</p>'}<p><small>{NOTE}</small></p></body></html>"
    )
    return page.encode()


HTML_HEADS = ("stream", "lots", "pass", "fail", "undecided", "not valid", "level", "limit", "change a month", "breach chance", "Ppk")


def _html_row(row: Document) -> str:
    change = row["change_percent_per_month"]
    ppk = "withheld" if row["ppk"] is None else f"{row['ppk']:.2f} (≥ {row['ppk_lower']:.2f})"
    numbers = [
        *[str(row[name]) for name in ("lots", "pass", "fail", "undecided", "invalid")],
        amount(row["level"], row["unit"]),
        room_to_limit(row),
        "–" if change is None else f"{change:+.1f} %",
        percent(row["breach_probability"]),
        ppk,
    ]
    cells = "".join(f"<td class=n>{escape(number)}</td>" for number in numbers)
    return f"<tr><td>{escape(row['product'])}<br><small>{escape(characteristic(row['characteristic']))}</small></td>{cells}</tr>"


FORMS: dict[str, Callable[[Document], bytes]] = {"html": as_html, "csv": as_csv}
