"""The answers to a search: lots, products, suppliers, alerts, files and operators, each as a link."""

from __future__ import annotations

from dash import dcc, html

from dashboard.components.html_parts import lot_link
from dashboard.queries.find import MOST_ANSWERS, find
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import counted
from ingest.common.text import printable
from ingest.documents.find import FindAnswer, FindDocument

__all__ = ["layout"]

PLURALS = {
    "lot": "Lots",
    "product": "Products",
    "supplier": "Suppliers",
    "alert": "Alerts",
    "file": "Files",
    "operator": "Operators",
}
HINT = (
    "A part of the name is enough: of a lot, a product, a supplier, a file, an operator, or the identifier of an alert."
)


def layout(lab_reader: LabReader, text: str = "", **_other: str) -> html.Div:
    """The answers by kind."""
    with lab_reader.reading() as connection:
        document = find(connection, lab_reader.lab, text)
    by_kind: dict[str, list[FindAnswer]] = {}
    for answer in document["answers"]:
        by_kind.setdefault(answer["kind"], []).append(answer)
    parts: list[object] = [html.H1(headline(document)), html.P(_advice(document), className="lead")]
    for kind, answers in by_kind.items():
        parts += [html.H2(PLURALS[kind]), html.Ul([_item(answer) for answer in answers], className="answers")]
    return html.Div(parts)


def headline(document: FindDocument) -> str:
    """The number of answers."""
    written = printable(document["text"].strip())[:80]
    if not written:
        return "Nothing to look for yet."
    if document["more"]:
        return f'More than {MOST_ANSWERS} answers to "{written}".'
    if not document["answers"]:
        return f'Nothing found for "{written}".'
    return f'{counted(len(document["answers"]), "answer")} to "{written}".'


def _advice(document: FindDocument) -> str:
    if not document["text"].strip():
        return HINT
    if document["more"]:
        return f"The closest {MOST_ANSWERS} are below. Write more of the name, or the supplier beside it."
    return "Choose one." if document["answers"] else f"Check the spelling. {HINT}"


def _item(answer: FindAnswer) -> html.Li:
    lots: list[object] = []
    for lot in answer["lots"]:
        lots += [", ", lot_link(lot["supplier"], lot["lot"])]
    more = answer["lots_in_all"] - len(answer["lots"])
    return html.Li(
        [
            dcc.Link(answer["name"], href=answer["page"]),
            html.Span(f" {answer['detail']}", className="quiet") if answer["detail"] else None,
            html.Span([f"{counted(answer['lots_in_all'], 'lot')}: ", *lots[1:], f" and {more} more" if more else ""])
            if lots
            else None,
        ]
    )
