"""Numbers, times and results in words, as they stand on screens, in mails and on paper."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

__all__ = [
    "CAUTIONS",
    "amount",
    "change",
    "characteristic",
    "counted",
    "day",
    "percent",
    "room_to_limit",
    "told_round",
    "weeks",
]

SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
SPOKEN_UNITS = {"ohm": "Ω", "kohm": "kΩ", "Mohm": "MΩ", "Gohm": "GΩ", "Tohm": "TΩ", "uJ": "µJ"}


CAUTIONS = (
    "lotdrift marks lots; it releases none. Hold, label, segregate and release are for the people your procedure "
    "authorises, by the text of the standard and the edition you work to. A pass at this humidity and bag size says nothing "
    "of others, and no result here clears packaging for explosive devices or flammables. The shielding bench works with "
    "1 kV: follow the maker's manual and local electrical rules."
)


def amount(value: float | None, unit: str = "", bound: int = 0) -> str:
    """A value with three significant digits and its unit: 14.2 nJ, 3.16 × 10⁹ Ω, > 1.00 × 10¹² Ω, or a dash."""
    if value is None:
        return "–"
    sign = {-1: "< ", 0: "", 1: "> "}[bound]
    return f"{sign}{_digits(value)} {SPOKEN_UNITS.get(unit, unit)}".strip()


def _digits(value: float) -> str:
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        decimals = 2 if value == 0 else max(0, 2 - math.floor(math.log10(abs(value))))
        return f"{value:.{decimals}f}"
    mantissa, exponent = f"{value:.2e}".split("e")
    return f"{mantissa} × 10{str(int(exponent)).translate(SUPERSCRIPT)}"


def percent(share: float | None) -> str:
    """A chance in whole percent, honest at the ends."""
    if share is None:
        return "–"
    if 0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def weeks(span: dict[str, float | None] | None) -> str:
    """Weeks to the limit as a range: "9 to 21 weeks, most likely 13"; "no date" where the model sees none."""
    if span is None or span["p50"] is None:
        return "no date"
    if span["p50"] == 0:
        return "limit passed"
    low, middle = span["p10"], span["p50"]
    if span["p90"] is None:
        return f"{low or 0:.0f} weeks at the earliest, in the middle {middle:.0f}"
    return f"{low or 0:.0f} to {span['p90']:.0f} weeks, in the middle {middle:.0f}"


def room_to_limit(row: dict[str, Any]) -> str:
    """Which limits apply: "under 20.0 nJ", "at least 1.00 × 10⁴ Ω and under …", or "no limit"."""
    unit = row["unit"]
    lower, upper = row["limit_lower"], row["limit_upper"]
    parts = [f"at least {amount(lower, unit)}"] if lower is not None else []
    parts += [f"under {amount(upper, unit)}"] if upper is not None else []
    return " and ".join(parts) or "no limit"


def change(percent_a_month: float | None) -> str:
    """Change a month; what rounds to nothing has no sign."""
    if percent_a_month is None:
        return "–"
    return "0.0 %" if abs(percent_a_month) < 0.05 else f"{percent_a_month:+.1f} %"


def characteristic(name: str) -> str:
    """A characteristic's name as it is read aloud."""
    return name.replace("_", " ")


def day(stamp: str | None) -> str:
    """The date of an ISO 8601 time: 3 Aug 2026."""
    if stamp is None:
        return "–"
    moment = datetime.fromisoformat(stamp)
    return f"{moment.day} {moment:%b %Y}"


def counted(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun: 1 lot, 3 lots."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def told_round(document: dict[str, Any], problems: list[str]) -> str:
    """What a round did, as a person would say it."""
    files = document["files"]
    if not files and not problems and not document["evaluated"]:
        return "Nothing new in the drop folders."
    sentences = [_told_intake(files)] if files else []
    refused = sum(file["refused"] for file in files)
    if refused:
        sentences.append(f"{counted(refused, 'row')} refused: see the reports in refused/.")
    sentences += [f"{file['reason']}" for file in files if file["reason"]]
    if document["evaluated"]:
        sentences.append(f"{counted(document['evaluated'], 'stream')} evaluated.")
    raised = document["raised"]
    sentences.append(f"{counted(len(raised), 'new alert')}." if raised else "No new alert.")
    sentences += [f"  {alert['grade']}: {alert['message']}" for alert in raised[:10]]
    if len(raised) > 10:
        sentences.append(f"  and {len(raised) - 10} more: lotdrift alerts")
    return "\n".join(sentences)


def _told_intake(files: list[dict[str, Any]]) -> str:
    stored = sum(file["stored"] for file in files)
    seen = sum(file["state"] == "seen" for file in files)
    duplicate = sum(file["duplicate"] for file in files)
    corrected = sum(file["corrected"] for file in files)
    parts = [f"{counted(stored, 'row')} stored"]
    parts += [f"{counted(duplicate, 'row')} known already"] if duplicate else []
    parts += [f"{counted(corrected, 'row')} corrected"] if corrected else []
    parts += [f"{counted(seen, 'file')} seen before"] if seen else []
    return f"{counted(len(files), 'file')} taken in: {', '.join(parts)}."
