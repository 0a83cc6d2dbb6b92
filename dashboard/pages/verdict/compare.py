"""Compare products or suppliers: which is better, which is no worse, what is not shown, and what would decide it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import date

from dash import dcc, html

from dashboard.charts.comparison_chart import comparison_chart
from dashboard.charts.sparkline import as_image_address
from dashboard.components.html_parts import lot_link, mark, stream_link, table
from dashboard.queries.lab_reader import LabReader
from dashboard.text.formatting import amount, characteristic
from dashboard.text.urls import COMPARE, COMPARISON_FILE, compare_address
from dashboard.text.verdict import comparison_text
from ingest.common.errors import CallError
from ingest.common.text import capitalised
from ingest.documents.verdict.comparison import Answer, Comparison
from ingest.verdict.comparison import Request, compare

__all__ = ["layout", "request_of"]

# The shapes of the pages: away from the limit, towards it, beside it; dots and a broken bar where lots are missing.
ANSWER_MARKS: dict[Answer, str] = {
    "better": "better", "worse": "nearer", "alike": "level", "no worse": "level", "different": "undecided",
    "not shown": "learning", "no answer": "silent",
}  # fmt: skip
CANDIDATES = ("c1", "c2", "c3", "c4", "c5", "c6")


def layout(lab_reader: LabReader, **query: str) -> html.Div:
    """The page; without candidates, the form alone."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        board = lab_reader.board(connection)
        names = sorted({row["characteristic"] for row in board if not row["check_standard"]})
        asked = query.get("characteristic") or (names[0] if names else "")
        result = compare(connection, lab, request_of({**query, "characteristic": asked})) if query.get("c1") else None
    films = sorted(
        {
            (row["supplier"], row["product"])
            for row in board
            if row["characteristic"] == asked and not row["check_standard"]
        }
    )
    form = _form(names, films, {**query, "characteristic": asked})
    if result is None:
        return html.Div(
            [
                html.H1("Which bag is better?"),
                html.P(
                    "Choose a characteristic and two or more candidates. Lots are compared, not readings; lots of the same "
                    "chamber load are compared with each other.",
                    className="lead",
                ),
                form,
            ]
        )
    return html.Div([*_answer(result, query), html.H2("Another comparison"), form])


def request_of(query: Mapping[str, str]) -> Request:
    """The comparison that an address asks for; CallError where it can't be read."""
    return Request(
        query.get("characteristic", ""),
        tuple(dict.fromkeys(_candidate(query[key]) for key in CANDIDATES if query.get(key))),
        _day(query.get("since")),
        _day(query.get("until")),
        _day(query.get("split")),
        _percent(query.get("margin")),
        _candidate(query["c1"]) if query.get("in_use") and query.get("c1") else None,
    )


def _candidate(text: str) -> tuple[str, str]:
    try:
        match json.loads(text):
            case [str(supplier), str(product)]:
                return supplier, product
    except ValueError:
        pass
    raise CallError("compare: a candidate in the address is no supplier and product; choose the candidates again")


def _day(text: str | None) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError as error:
        raise CallError(f"compare: {text!r} is no day; write it as 2026-03-18") from error


def _percent(text: str | None) -> float | None:
    if not text:
        return None
    try:
        number = float(text.replace(",", "."))
    except ValueError as error:
        raise CallError(f"compare: {text!r} is no percentage") from error
    return number if math.isfinite(number) else -1.0


def _answer(result: Comparison, query: Mapping[str, str]) -> list[object]:
    title = comparison_text.headline(result)
    rows = [
        [
            stream_link(
                {**one, "characteristic": result["characteristic"]}, comparison_text.name(one, result["split_on"])
            ),
            str(len(one["lots"])),
            comparison_text.level(result, one),
            comparison_text.change(result, one["room"]),
            "not shown worse" if one["not_shown_worse"] else "shown worse than another",
        ]
        for one in result["candidates"]
    ]
    heads = ("candidate", "lots", "level", "room to its limit", "against the others")
    open_steps = [step for pair in result["pairs"] if (step := comparison_text.next_step(result, pair))]
    picture = comparison_chart(result, title)
    lead = open_steps[0] if open_steps else next(iter(comparison_text.differences(result)), "")
    # The first lines hold the only difference already.
    is_stated = len(result["pairs"]) == 1 and not open_steps
    return [
        html.P(capitalised(characteristic(result["characteristic"])), className="quiet"),
        html.H1(title),
        html.P(lead, className="lead") if lead else None,
        *[html.P(line, className="caution", role="note") for line in comparison_text.cautions(result)],
        html.Img(src=as_image_address(picture), alt=f"Lot levels side by side. {title}", className="wide-picture")
        if picture
        else None,
        None if is_stated else html.H2("Differences"),
        None
        if is_stated
        else html.Ul(
            [
                html.Li([_answer_word(pair["answer"]), " ", comparison_text.pair_sentence(result, pair)])
                for pair in result["pairs"]
            ]
        ),
        html.H2("Candidates"),
        table(heads, rows, "Candidates", ("lots", "level", "room to its limit")),
        html.P(comparison_text.asked(result), className="quiet"),
        html.P(
            html.A(
                "One-page paper (PDF)", href=compare_address(COMPARISON_FILE, query), download="", className="button"
            )
        ),
        html.Details([html.Summary("Every lot"), _lots(result)]),
    ]


def _answer_word(answer: Answer) -> html.Span:
    """The answer on a pair with its shape; it asks for nothing, so it has no colour."""
    return html.Span([mark(ANSWER_MARKS[answer]), answer.capitalize()], className="word")


def _lots(result: Comparison) -> html.Div:
    rows = [
        [
            comparison_text.name(one, result["split_on"]),
            lot_link(one["supplier"], lot["lot"]),
            lot["tested_at"][:10],
            amount(lot["level"], result["unit"]),
            lot["block"],
        ]
        for one in result["candidates"]
        for lot in one["lots"]
    ]
    return table(("candidate", "lot", "tested", "level", "load"), rows, "Lots compared", ("level",))


def _form(names: list[str], films: list[tuple[str, str]], query: Mapping[str, str]) -> html.Form:
    """The question as a form that works without a script."""
    options = [("", "–"), *[(json.dumps(film, ensure_ascii=False), " ".join(film)) for film in films]]
    # Written as the choices are: an address made by hand may hold blanks elsewhere.
    chosen = {
        key: json.dumps(_candidate(query[key]), ensure_ascii=False) if query.get(key) else "" for key in CANDIDATES
    }
    used = [key for key in CANDIDATES if chosen[key]]
    shown = CANDIDATES[: max(3, min(len(used) + 1, len(CANDIDATES)))]
    return html.Form(
        [
            _select(
                "characteristic",
                "characteristic",
                [(one, characteristic(one)) for one in names],
                query["characteristic"],
            ),
            *[_select(f"candidate {number}", key, options, chosen[key]) for number, key in enumerate(shown, start=1)],
            html.Label(
                [
                    "compare",
                    html.Select(
                        [
                            html.Option(words, value=value, selected=value == query.get("in_use", ""))
                            for value, words in (
                                ("", "every pair"),
                                ("1", "the first, which is in use, with each other one"),
                            )
                        ],
                        name="in_use",
                    ),
                ]
            ),
            html.Label(
                ["margin, %", dcc.Input(name="margin", type="text", value=query.get("margin", ""), inputMode="decimal")]
            ),
            html.Label(
                [
                    "first day",
                    dcc.Input(name="since", type="text", value=query.get("since", ""), placeholder="2026-01-01"),
                ]
            ),
            html.Button("Compare", type="submit"),
        ],
        method="get",
        action=COMPARE,
        className="choose",
    )


def _select(label: str, name: str, options: list[tuple[str, str]], value: str) -> html.Label:
    return html.Label(
        [
            label,
            html.Select([html.Option(text, value=key, selected=key == value) for key, text in options], name=name),
        ]
    )
