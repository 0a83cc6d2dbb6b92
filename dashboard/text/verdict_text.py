"""The output of the commands about verdicts, for people."""

from __future__ import annotations

from dashboard.text import bags_text
from dashboard.text.formatting import amount
from dashboard.text.terminal_text import table
from ingest.common.text import printable
from ingest.documents.bags import BagsDocument

__all__ = ["bags"]


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
