"""The output of the commands about verdicts, for people."""

from __future__ import annotations

from dashboard.text.formatting import amount
from dashboard.text.terminal_text import table
from dashboard.text.verdict import bags_text, comparison_text, what_if_text
from ingest.common.text import printable
from ingest.documents.verdict.bags import BagsDocument
from ingest.documents.verdict.comparison import Comparison
from ingest.documents.verdict.what_if import WhatIf

__all__ = ["bags", "compare", "whatif"]


def bags(result: BagsDocument) -> str:
    """How many bags."""
    unit = result["unit"]
    rows = [[str(one["bags"]), amount(one["passes"], unit), amount(one["stopped"], unit)] for one in result["numbers"]]
    lines = [
        bags_text.headline(result),
        bags_text.advice(result).removesuffix(" Move a slider to try other numbers."),
        bags_text.proof(result),
        bags_text.two_loads(result),
        bags_text.plan_sentence(result),
        bags_text.scatter(result),
        bags_text.discharges(result),
        bags_text.next_lot(result),
    ]
    return "\n".join([*map(printable, lines), table(("bags", "99 of 100 pass up to", "99 of 100 do not from"), rows)])


def compare(result: Comparison) -> str:
    """A comparison."""
    lines = [
        comparison_text.headline(result),
        *comparison_text.cautions(result),
        *comparison_text.differences(result),
        comparison_text.asked(result),
    ]
    rows = [
        [
            comparison_text.name(one, result["split_on"]),
            str(len(one["lots"])),
            comparison_text.level(result, one),
            comparison_text.change(result, one["room"]),
        ]
        for one in result["candidates"]
    ]
    return "\n".join([*map(printable, lines), table(("candidate", "lots", "level", "room to its limit"), rows)])


def whatif(result: WhatIf) -> str:
    """Another limit over the history."""
    lines = [what_if_text.headline(result), what_if_text.window(result), what_if_text.CAUTION]
    heads = (
        "supplier",
        "product",
        "lots",
        "would fail",
        "open",
        "fraction",
        f"chance of a failing lot, {result['horizon_weeks']:g} weeks",
    )
    rows = [
        [
            one["supplier"],
            one["product"],
            str(one["lots"]),
            str(one["failing"]),
            str(one["undecided"]),
            what_if_text.fraction(one),
            what_if_text.ahead(one),
        ]
        for one in result["streams"]
    ]
    return "\n".join([*map(printable, lines), table(heads, rows)])
