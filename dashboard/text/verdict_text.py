"""The output of the commands about verdicts, for people."""

from __future__ import annotations

from dashboard.text import bags_text, comparison_text, what_if_text
from dashboard.text.formatting import amount
from dashboard.text.terminal_text import table
from ingest.common.text import printable
from ingest.documents.bags import BagsDocument
from ingest.documents.comparison import Comparison
from ingest.documents.what_if import WhatIf

__all__ = ["bags", "compare", "whatif"]


def bags(found: BagsDocument) -> str:
    """How many bags."""
    unit = found["unit"]
    rows = [[str(one["bags"]), amount(one["passes"], unit), amount(one["stopped"], unit)] for one in found["numbers"]]
    lines = [
        bags_text.headline(found),
        bags_text.advice(found).removesuffix(" Move a slider to try other numbers."),
        bags_text.proof(found),
        bags_text.two_loads(found),
        bags_text.plan_sentence(found),
        bags_text.scatter(found),
        bags_text.discharges(found),
        bags_text.next_lot(found),
    ]
    return "\n".join([*map(printable, lines), table(("bags", "99 of 100 pass up to", "99 of 100 do not from"), rows)])


def compare(found: Comparison) -> str:
    """A comparison."""
    steps = [
        f"{comparison_text.pair_sentence(found, pair)} {comparison_text.next_step(found, pair)}".rstrip()
        for pair in found["pairs"]
    ]
    lines = [
        comparison_text.headline(found),
        *comparison_text.cautions(found),
        *steps,
        comparison_text.asked(found),
    ]
    rows = [
        [
            comparison_text.name(one, found["split_on"]),
            str(len(one["lots"])),
            amount(one["level"], found["unit"]),
            comparison_text.change(found, one["room"]),
        ]
        for one in found["candidates"]
    ]
    return "\n".join([*map(printable, lines), table(("candidate", "lots", "level", "room to its limit"), rows)])


def whatif(found: WhatIf) -> str:
    """Another limit over the history."""
    lines = [what_if_text.headline(found), what_if_text.window(found), what_if_text.CAUTION]
    heads = ("supplier", "product", "lots", "would fail", "open", "fraction", "coming lots that fail")
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
        for one in found["streams"]
    ]
    return "\n".join([*map(printable, lines), table(heads, rows)])
