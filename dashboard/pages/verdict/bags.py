"""How many bags: sliders for bags, readings and the true mean of a lot, and the curve of the chance to pass."""

from __future__ import annotations

import math

from dash import dcc, html, no_update

from dashboard.charts.chance_curve import chance_curve
from dashboard.components.html_parts import graph, legend, stream_link, table
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import amount, characteristic, counted
from dashboard.text.urls import BAGS, bags_address
from dashboard.text.verdict import bags_text
from ingest.common.errors import CallError
from ingest.documents.verdict.bags import BagsDocument
from ingest.verdict.bags import MOST_BAGS, MOST_READINGS, Question, answer

__all__ = ["ANSWER", "SLIDERS", "layout", "moved"]

SLIDERS = ("bags-count", "bags-readings", "bags-level")
ANSWER = "bags-answer"
LARGEST_SLIDER = 36
KEY = (("━", "accent", "bags chosen"), ("┄", "grey", "bags today"), ("┃", "limit", "specification limit"))
RISKS = (
    ("good", "good: bags beyond, %", 0.01),
    ("good_risk", "risk for the good lot, %", 0.05),
    ("bad", "bad: bags beyond, %", 0.10),
    ("bad_risk", "risk for the bad lot, %", 0.10),
)


def layout(
    lab_reader: LabReader, supplier: str = "", product: str = "", characteristic: str = "", **query: str
) -> html.Div:
    """The page; without a stream, the streams to choose from."""
    if not supplier:
        return _choice(lab_reader)
    names = {"supplier": supplier, "product": product, "characteristic": characteristic}
    with lab_reader.reading() as connection:
        scatter = lab_reader.scatter(connection, **names)
    asked = Question(
        bags=_whole(query.get("bags")),
        readings=_whole(query.get("readings")),
        level=_number(query.get("level")),
        second=_whole(query.get("second")),
        **{name: _share(query.get(name), usual) for name, _, usual in RISKS},
    )
    result = answer(scatter, asked)
    return html.Div(
        [
            html.P([stream_link(names), " · from the variation of its lots"], className="quiet"),
            html.Div(
                [
                    html.Form(
                        [
                            _slider(
                                "Bags to test",
                                SLIDERS[0],
                                1,
                                LARGEST_SLIDER,
                                1,
                                result["bags"],
                                ("1", str(LARGEST_SLIDER)),
                            ),
                            _slider(
                                "Readings a bag",
                                SLIDERS[1],
                                1,
                                MOST_READINGS,
                                1,
                                result["readings"],
                                ("1", str(MOST_READINGS)),
                            ),
                            _level_slider(result),
                            html.P(bags_text.scatter(result), className="quiet"),
                            html.P(bags_text.discharges(result), className="quiet"),
                        ],
                        className="sheet sliders",
                    ),
                    html.Div(_answer(result), id=ANSWER, **{"aria-live": "polite"}),
                ],
                className="beside",
            ),
            html.H2("Two risks"),
            html.P(bags_text.plan_sentence(result)),
            _risk_form(names, result),
            html.H2("The next lot"),
            html.P(bags_text.next_lot(result)),
            dcc.Store(id="bags-stream", data=names),
        ]
    )


def moved(lab_reader: LabReader, values: tuple[object, object, object], names: object) -> object:
    """The answer after a slider moved; what a browser sends is checked."""
    count, readings, level = (_number(None if value is None else str(value)) for value in values)
    match names:
        case {"supplier": str(supplier), "product": str(product), "characteristic": str(name)} if count and readings:
            with lab_reader.reading() as connection:
                scatter = lab_reader.scatter(connection, supplier, product, name)
            return _answer(answer(scatter, Question(bags=int(count), readings=int(readings), level=level)))
        case _:
            # A slider that has no value yet.
            return no_update


def _answer(result: BagsDocument) -> list[object]:
    unit = result["unit"]
    rows = [
        [
            f"{one['bags']} (chosen)" if one["bags"] == result["bags"] else str(one["bags"]),
            amount(one["passes"], unit),
            amount(one["stopped"], unit),
        ]
        for one in result["numbers"]
    ]
    heads = ("bags", "99 of 100 pass up to", "99 of 100 do not from")
    return [
        html.H1(bags_text.headline(result)),
        html.P(bags_text.advice(result), className="lead"),
        graph(
            chance_curve(result),
            "bags-figure",
            f"Chance to pass by the true mean of the lot. {bags_text.headline(result)}",
        ),
        legend(*KEY),
        html.P(bags_text.proof(result)),
        html.P(bags_text.two_loads(result)),
        table(heads, rows, "Bags in numbers", heads),
    ]


def _slider(
    label: str, name: str, low: float, high: float, step: float, value: float, ends: tuple[str, str]
) -> html.Div:
    """A native slider: its label names it, and it works by keyboard and finger."""
    return html.Div(
        [
            html.Label([label, dcc.Input(id=name, type="range", min=low, max=high, step=step, value=value)]),
            html.Div([html.Span(end) for end in ends], className="ends quiet"),
        ],
        className="slider",
    )


def _level_slider(result: BagsDocument) -> html.Div:
    ends = [result["curve"][0]["level"], result["curve"][-1]["level"]]
    step = 10.0 ** math.floor(math.log10((ends[1] - ends[0]) / 50))
    low, high, value = (round(one / step) * step for one in (*ends, result["level"]))
    shown = (amount(low, result["unit"]), amount(high, result["unit"]))
    return _slider("True mean of the lot", SLIDERS[2], low, high, step, min(max(value, low), high), shown)


def _risk_form(names: dict[str, str], result: BagsDocument) -> html.Form:
    """The two risks as entries; the page answers under an address that can be kept."""
    values = dict(result["plan"])
    hidden = {**names, "bags": str(result["bags"]), "readings": str(result["readings"])}
    return html.Form(
        [
            *[dcc.Input(type="hidden", name=name, value=value) for name, value in hidden.items()],
            *[
                html.Label(
                    [
                        label,
                        dcc.Input(
                            name=name, type="text", value=f"{100 * float(str(values[name])):g}", inputMode="decimal"
                        ),
                    ]
                )
                for name, label, _ in RISKS
            ],
            html.Button("Show the plan", type="submit"),
        ],
        method="get",
        action=BAGS,
        className="choose",
    )


def _choice(lab_reader: LabReader) -> html.Div:
    with lab_reader.reading() as connection:
        rows = [
            row
            for row in lab_reader.board(connection)
            if row["limit_upper"] is not None or row["limit_lower"] is not None
        ]
    links = [
        html.Li(
            dcc.Link(
                f"{row['supplier']} {row['product']}, {characteristic(row['characteristic'])}",
                href=bags_address(row["supplier"], row["product"], row["characteristic"]),
            )
        )
        for row in sorted(rows, key=lambda one: (one["supplier"], one["product"], one["characteristic"]))
    ]
    return html.Div(
        [
            html.H1("How many bags?"),
            html.P(
                f"{counted(len(links), 'stream')} with a specification limit. Choose one: the answer depends on how its bags and "
                "the bench vary.",
                className="lead",
            ),
            html.Ul(links, className="choices"),
        ]
    )


def _whole(text: str | None) -> int | None:
    number = _number(text)
    return None if number is None else min(max(round(number), 0), MOST_BAGS + 1)


def _number(text: str | None) -> float | None:
    if not text:
        return None
    try:
        number = float(text.replace(",", "."))
    except ValueError as error:
        raise CallError(f"bags: {text!r} is no number") from error
    if not math.isfinite(number):
        raise CallError(f"bags: {text!r} is no number that can be used")
    return number


def _share(text: str | None, usual: float) -> float:
    number = _number(text)
    return usual if number is None else number / 100
