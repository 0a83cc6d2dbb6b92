"""How a product ages: its lots against age, the shelf life of the film with its rule, and what would give a better date."""

from __future__ import annotations

from dash import html

from dashboard.charts import ageing_figure
from dashboard.components.html_parts import facts, graph, legend, link, stream_link, supplier_link
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import characteristic, counted, in_unit
from dashboard.text.stock_text import WORDS, bench_sentence, change_sentence, life_sentence
from dashboard.text.urls import STOCK
from ingest.documents.stock import FilmAge
from ingest.stock.shelf_list import ageing_document

__all__ = ["layout"]


def layout(lab_reader: LabReader, product: str = "", characteristic: str = "", **_other: str) -> html.Div:
    """The films of a product, one a supplier."""
    with lab_reader.reading() as connection:
        document = ageing_document(connection, lab_reader.lab, product, characteristic)
    films = document["films"]
    return html.Div(
        [
            html.H1(
                _headline(films[0])
                if len(films) == 1
                else f"{product}: {counted(len(films), 'supplier')} of this film."
            ),
            html.P(
                [_advice(films[0]) if len(films) == 1 else "Read each film by itself.", " ", link("Stock", STOCK)],
                className="lead",
            ),
            html.P(document["caution"], className="caution"),
            *[_film(film, number) for number, film in enumerate(films)],
        ]
    )


def _headline(film: FilmAge) -> str:
    name = f"{film['product']}, {characteristic(film['characteristic'])}"
    return {
        "dated": f"{name} ages: {change_sentence(film).split(' (')[0]}.",
        "too_few": f"{name}: too few lots tested again for a date.",
        "no_change_shown": f"{name}: no change with age shown in {counted(film['lots'], 'lot')}.",
        "falls": f"{name} moves away from its limit with age.",
        "unlimited": f"{name}: no specification limit, so no date.",
    }[film["word"]]


def _advice(film: FilmAge) -> str:
    return film["missing"][0] if film["missing"] else "Go on testing lots of every age a second time."


def _film(film: FilmAge, number: int) -> html.Section:
    mean = film["mean_line"]
    items = [
        ("Change", change_sentence(film), ""),
        (
            "Shelf life of the film",
            life_sentence(film),
            "a bound on the lots" if film["life_months"] is not None else WORDS[film["life_word"]],
        ),
    ]
    if film["life_expected_months"] is not None:
        items.append(
            (
                "Mean of the lots meets the limit",
                f"after {film['life_expected_months']:.1f} months",
                "half of the lots are over it earlier",
            )
        )
    if mean is not None and mean["months"] is not None and film["word"] == "dated":
        items.append(
            (
                "Mean line",
                f"{mean['months']:.1f} months",
                f"{mean['model']}, the published rule for stability studies; no promise about a lot",
            )
        )
    if film["keep_months"] is not None:
        items.append(("Supplier's claim", f"{film['keep_months']:g} months", "declared in lab.toml"))
    if film["limit"] is not None:
        items.append(("Specification limit", in_unit(film, film["limit"]), "clear of the guard band"))
    missing = (
        [html.H2("For a better date"), html.Ul([html.Li(text) for text in film["missing"]])] if film["missing"] else []
    )
    return html.Section(
        [
            html.H2([supplier_link(film["supplier"]), " · ", stream_link(film, "control chart")]),
            graph(
                ageing_figure.film(film),
                f"ageing-{number}",
                f"Level against age of {film['supplier']} {film['product']}. {change_sentence(film)}",
            ),
            legend(
                ("●", "accent", "test that counts"), ("─", "accent", "lot tested more than once"), ("□", "warm", "test that does not count"),
                ("━", "grey", "mean of the lots"), ("╌╌", "edge", "bound on the lots"), ("━", "limit", "specification limit"),
            ),
            facts(items),
            html.P(bench_sentence(film)),
            *missing,
        ],
        className="sheet",
    )  # fmt: skip
