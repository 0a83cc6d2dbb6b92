"""Typesetting of quantities: a number stays on one line with its unit, and a day with its month.

Stored sentences, files and the terminal keep plain spaces, as people search them and programs cut them. The pages and papers
pass what they show through here as the last step.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from ingest.common.number_format import PRINTED_UNITS
from ingest.common.units import ENERGY, RESISTANCE

__all__ = ["NO_BREAK_SPACE", "unbroken", "unbroken_data"]

NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"
# Further units that sentences give after a number.
OTHER_UNITS = ("%", "RH", "h", "V", "kV", "ms", "ns", "s", "mm", "g", "nC", "A", "mA", "°C", "°F")
_units = sorted(
    {*ENERGY.units, *RESISTANCE.units, *PRINTED_UNITS, *PRINTED_UNITS.values(), *OTHER_UNITS}, key=len, reverse=True
)
_months = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
INSIDE_A_QUANTITY = re.compile(
    rf"(?<=[0-9⁰¹²³⁴⁵⁶⁷⁸⁹]) (?=(?:{'|'.join(map(re.escape, _units))})(?![\w⁰-⁹]))"
    rf"|(?<=%) (?=RH\b)|(?<=\d) (?=(?:{_months})\b)|(?<=[<>×±]) (?=\d)|(?<=&[gl]t;) (?=\d)|(?<=\d) (?=[×±] \d)"
)


def unbroken(text: str) -> str:
    """The text with no-break spaces inside its quantities and days: "14.2 nJ", "3.16 × 10⁹ Ω", "12 % RH", "3 Aug"."""
    return INSIDE_A_QUANTITY.sub(NO_BREAK_SPACE, text)


def unbroken_data(data: object) -> object:
    """The same for every text in lists and mappings; a picture in SVG stays as it is."""
    if isinstance(data, str):
        return data if data.startswith("<svg") else unbroken(data)
    if isinstance(data, Mapping):
        return {key: unbroken_data(value) for key, value in data.items()}
    if isinstance(data, Sequence):
        return [unbroken_data(value) for value in data]
    return data
