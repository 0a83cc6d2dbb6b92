"""What the commands print for a person: plain text, one fact a line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dashboard.text.formatting import (
    amount,
    characteristic,
    counted,
    day,
    humidity,
    moment,
    percent,
    room_to_limit,
    weeks,
)
from dashboard.text.limit_change_text import in_force
from ingest.common.text import printable

__all__ = ["alerts", "board", "check", "history", "lot", "preview", "replay", "stream", "users"]

if TYPE_CHECKING:
    from ingest.parsing.source_preview import Preview

Document = Any


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns wide enough for what stands in them; control characters from names are not printed."""
    lines = [[printable(cell) for cell in row] for row in [heads, *rows]]
    widths = [max(len(line[column]) for line in lines) for column in range(len(heads))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines
    )


def board(rows: list[Document]) -> str:
    """The weekly board."""
    if not rows:
        return "No stream yet: put CSV files into the drop folders and do a round with lotdrift run."
    heads = (
        "state",
        "supplier",
        "product",
        "characteristic",
        "level",
        "limit",
        "change a month",
        "breach",
        "to the limit",
        "last lot",
    )
    return table(heads, [_board_line(row) for row in rows])


def _board_line(row: Document) -> list[str]:
    change = row["change_percent_per_month"]
    return [
        row["state"],
        row["supplier"],
        row["product"],
        characteristic(row["characteristic"]),
        amount(row["level"], row["unit"]),
        room_to_limit(row),
        "–" if change is None else f"{change:+.1f} %",
        percent(row["breach_probability"]),
        weeks(row["weeks_to_limit"]),
        f"{row['last_lot'] or '–'}, {day(row['last_tested_at'])}",
    ]


def stream(document: Document) -> str:
    """One stream, the newest lot last."""
    limits, unit = document["limits"], document["unit"]
    head = (
        f"{document['supplier']} {document['product']}, {characteristic(document['characteristic'])}: usual level "
        f"{amount(limits['center'], unit)}, control limits {amount(limits['lower'], unit)} to {amount(limits['upper'], unit)} "
        f"from {counted(limits['from_lots'], 'lot')}."
    )
    rows = [
        [
            point["lot"],
            day(point["tested_at"]),
            amount(point["shown"], unit, point["bound"]),
            str(point["n"]),
            "look" if point["to_look_at"] else point["state"],
            ", ".join(name.replace("_", " ") for name in point["signals"]),
        ]
        for point in document["points"]
    ]
    bounds = f"Limit of the document: {in_force(document) or 'none declared'}."
    return (
        printable(f"{head} {humidity(document)}")
        + "\n"
        + printable(bounds)
        + "\n"
        + table(("lot", "tested", "level", "readings", "test", "stands out"), rows)
    )


def lot(document: Document) -> str:
    """One lot, session by session."""
    parts = [f"{document['supplier']} {document['product']}, lot {document['lot']}"]
    for session in document["sessions"]:
        conditioning = session["conditioning"]
        hours = "" if conditioning["hours"] is None else f", {conditioning['hours']:.1f} h"
        parts.append(
            f"\n{characteristic(session['characteristic'])}, {session['tested_at']}: {session['verdict']}; level "
            f"{amount(session['level'], session['unit'])}, worst {amount(session['worst'], session['unit'])} against "
            f"{room_to_limit(session)}; conditioning {conditioning['state']}{hours}"
        )
        if session["mark"]:
            parts.append(f"{session['mark']['told']} ({session['mark']['settled'] or 'nobody has settled it'}).")
        rows = [
            [
                str(r["specimen"]),
                str(r["reading"]),
                amount(r["value"], r["unit"], r["bound"]),
                r["file"],
                str(r["line"]),
                "look" if r["marked"] else "",
            ]
            for r in session["readings"]
        ]
        parts.append(table(("bag", "reading", "value", "file", "line", ""), rows))
    parts.append(alerts(document["alerts"]) if document["alerts"] else "No alert on this lot.")
    return "\n".join(printable(line) for part in parts for line in part.split("\n"))


def alerts(documents: list[Document]) -> str:
    """Alerts, the newest first."""
    if not documents:
        return "No open alert."
    return "\n".join(
        printable(
            f"{alert['grade']:<4} {alert['state']:<12} {day(alert['raised_at']):<11} {alert['message']}  [{alert['id']}]"
        )
        for alert in documents
    )


def replay(document: Document) -> str:
    """The board and the open alerts of a past day."""
    head = f"As of the end of {document['day']}, from what was tested by then:"
    return "\n\n".join([head, board(document["board"]), alerts(document["alerts"])])


def check(document: Document) -> str:
    """What a check found."""
    if not document["files"]:
        return "lab.toml is in order. No drop to read."
    rows = [
        [file["name"], file["kind"], file["state"], str(file["rows"]), str(file["refused"]), file["reason"] or ""]
        for file in document["files"]
    ]
    said = table(("file", "kind", "state", "rows", "refused", "why"), rows)
    refusals = [
        printable(f"{item['file']}, line {item['line']}, {item['reason']}") for item in document["refusals"][:20]
    ]
    more = len(document["refusals"]) - len(refusals)
    return "\n".join([said, *refusals, *([f"and {more} more"] if more else [])])


def preview(seen: Preview) -> str:
    """How one file would be read."""
    columns = [
        [column.cell, column.ours or "kept as a note", column.unit, ", ".join(column.examples)]
        for column in seen.columns
    ]
    said = [
        f"{seen.name}: {seen.kind}, {counted(seen.data_rows, 'data row')}, encoding {seen.encoding}, delimiter {seen.delimiter!r}",
        table(("column", "read as", "unit", "first cells"), columns),
        f"{counted(len(seen.refusals), 'row')} would be refused.",
        *[f"  line {refusal.line}: {refusal.reason}" for refusal in seen.refusals[:10]],
        "",
        "To read such files, put this into lab.toml:",
        seen.source,
    ]
    return "\n".join(printable(line) for part in said for line in part.split("\n"))


def history(entries: list[Document]) -> str:
    """What people entered."""
    if not entries:
        return "Nothing was entered so far."
    keys = ("who", "what", "about", "reason")
    return table(("when", *keys), [[moment(one["at"]), *(one[key] for key in keys)] for one in entries])


def users(documents: list[Document]) -> str:
    """Who may use the dashboard."""
    if not documents:
        return "No user is declared: on this computer everything works without a login."
    rows = [
        [
            one["name"],
            one["role"],
            day(one["made_at"]),
            f"closed {day(one['closed_at'])}" if one["closed_at"] else "open",
        ]
        for one in documents
    ]
    return table(("name", "role", "made", "state"), rows)
