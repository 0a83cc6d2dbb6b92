"""One stream: when and how fast did it move, and what stands behind that."""

from __future__ import annotations

from typing import Any

from dash import dcc, html

from dashboard import figures, views
from dashboard.desk import Desk
from dashboard.parts import alert_sheet, facts, graph, lot_link, supplier_link, word
from dashboard.sentences import amount, characteristic, counted, day, percent, weeks

__all__ = ["layout"]

Document = dict[str, Any]


def layout(desk: Desk, supplier: str = "", product: str = "", characteristic: str = "", **_other: str) -> html.Div:
    """The page of a stream."""
    with desk.reading() as connection:
        document = views.stream(connection, desk.lab, supplier, product, characteristic)
        alerts = views.alerts(connection, desk.lab, closed_too=True)
        (row,) = [row for row in views.board(connection, desk.lab) if _same(row, document)]
    own = [alert for alert in alerts if _same(alert, document)]
    return html.Div(
        [
            html.P([supplier_link(supplier), f" · {product}"], className="quiet"),
            html.H1([f"{product}, {_read(characteristic)} ", word(row["state"])]),
            html.P(_told(row, document)),
            html.Section(graph(figures.stream(document), "stream-figure"), className="sheet"),
            html.P("Choose a lot in the picture, or below, to see its readings.", className="quiet"),
            *[alert_sheet(alert) for alert in own],
            html.H2("What the limits and figures rest on"),
            facts(_facts(row, document)),
            html.Details([html.Summary("The figures as a table"), html.Div(_table(document), className="scroll")]),
            dcc.Location(id="stream-goes-to", refresh="callback-nav"),
            dcc.Store(id="stream-supplier", data=supplier),
        ]
    )


_read = characteristic


def _same(row: Document, document: Document) -> bool:
    return all(row[key] == document[key] for key in ("supplier", "product", "characteristic"))


def _told(row: Document, document: Document) -> str:
    """The stream in two sentences."""
    level, unit = amount(row["level"], row["unit"]), row["unit"]
    change = row["change_percent_per_month"]
    moving = "" if change is None else f", moving {change:+.1f} % a month"
    said = f"The level is {level}{moving}."
    limits = document["limits"]
    if limits["center"] is not None:
        said += f" Usual here is {amount(limits['center'], unit)}, from {counted(limits['from_lots'], 'lot')}."
    if row["breach_probability"] is not None:
        said += f" Chance of a breaching lot within the horizon: {percent(row['breach_probability'])}; {weeks(row['weeks_to_limit'])}."
    return said


def _facts(row: Document, document: Document) -> list[tuple[str, Any, str]]:
    unit, limits = document["unit"], document["limits"]
    frozen = f"frozen {day(limits['frozen_at'])}" if limits["frozen_at"] else "still learned"
    return [
        (
            "control limits",
            f"{amount(limits['lower'], unit)} to {amount(limits['upper'], unit)}",
            f"for a lot of usual size, from {counted(limits['from_lots'], 'lot')}, {frozen}",
        ),
        ("variation between lots", _spread(document, "lot"), "standard deviation of a lot level"),
        ("variation between bags", _spread(document, "bag"), "within a lot"),
        ("variation between readings", _spread(document, "reading"), "repeats on a bag"),
        ("Ppk", _ppk(row), _capability_why(document)),
        ("dependence between lots", document["dependence"]["told"] if document["dependence"] else "–", ""),
    ]


def _spread(document: Document, name: str) -> str:
    variance = document["components"][name]
    if variance is None:
        return "–"
    return f"{100 * variance**0.5:.1f} %" if document["scale"] == "log" else amount(variance**0.5, document["unit"])


def _ppk(row: Document) -> str:
    if row["ppk"] is None:
        return "withheld"
    return f"{row['ppk']:.2f} (at least {row['ppk_lower']:.2f})"


def _capability_why(document: Document) -> str:
    capability = document["capability"]
    return (
        capability["why"]
        if capability["ppk"] is None
        else "with its lower confidence bound; total variation lot, bag and reading"
    )


def _table(document: Document) -> html.Table:
    heads = ("lot", "tested", "level", "readings", "between bags", "between readings", "state", "stands out")
    return html.Table(
        [
            html.Thead(html.Tr([html.Th(head, scope="col") for head in heads])),
            html.Tbody([_line(point, document) for point in reversed(document["points"])]),
        ]
    )


def _line(point: Document, document: Document) -> html.Tr:
    cells = [
        lot_link(document["supplier"], point["lot"]),
        day(point["tested_at"]),
        amount(point["shown"], document["unit"], point["bound"]),
        str(point["n"]),
        _share(point["bag_spread"], document),
        _share(point["reading_spread"], document),
        point["state"],
        ", ".join(name.replace("_", " ") for name in point["signals"]),
    ]
    return html.Tr([html.Td(cell) for cell in cells])


def _share(spread: float | None, document: Document) -> str:
    if spread is None:
        return "–"
    return f"{100 * spread:.1f} %" if document["scale"] == "log" else amount(spread, document["unit"])
