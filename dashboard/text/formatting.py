"""Numbers, times and results in words, as they stand on screens, in mails and on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from ingest.common.number_format import amount, way

__all__ = [
    "CAUTIONS",
    "age",
    "amount",
    "change",
    "characteristic",
    "counted",
    "day",
    "evidence",
    "false_mark_text",
    "humidity",
    "listed",
    "moment",
    "percent",
    "room_to_limit",
    "round_text",
    "shortly",
    "weeks",
]

CAUTIONS = (
    "lotdrift marks lots; it releases none. Hold, label, segregate and release are for the people your procedure "
    "authorises, by the text of the standard and the edition you work to. A pass at this humidity and bag size says nothing "
    "of others, and no result here clears packaging for explosive devices or flammables. The shielding bench works with "
    "1 kV: follow the maker's manual and local electrical rules."
)


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
    """Weeks to the limit as a range: "9 to 21 weeks, even odds by 13"; "no date" where the model sees none."""
    if span is None or span["p50"] is None:
        return "no date"
    if span["p50"] == 0:
        return "limit passed"
    low, middle = span["p10"], span["p50"]
    if span["p90"] is None:
        return f"from {low or 0:.0f} weeks on, even odds by {middle:.0f}"
    return f"{low or 0:.0f} to {span['p90']:.0f} weeks, even odds by {middle:.0f}"


def room_to_limit(row: dict[str, Any]) -> str:
    """Which limits apply: "under 20.0 nJ", "10⁴ Ω to under 10¹¹ Ω", "at least 10⁴ Ω" or "no limit"."""
    unit = row["unit"]
    lower, upper = row["limit_lower"], row["limit_upper"]
    if lower is None:
        return "no limit" if upper is None else f"under {amount(upper, unit)}"
    return (
        f"at least {amount(lower, unit)}" if upper is None else f"{amount(lower, unit)} to under {amount(upper, unit)}"
    )


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


def moment(stamp: str | None) -> str:
    """Date and time of day of an ISO 8601 time: 3 Aug 2026, 09:40."""
    return "–" if stamp is None else f"{day(stamp)}, {datetime.fromisoformat(stamp):%H:%M}"


def age(stamp: str | None, looked_at: str | None) -> str:
    """How long before the last round something was: today, 6 days, 9 weeks."""
    if stamp is None or looked_at is None:
        return "–"
    days = (datetime.fromisoformat(looked_at).date() - datetime.fromisoformat(stamp).date()).days
    if days <= 0:
        return "today"
    return counted(days, "day") if days < 21 else counted(days // 7, "week")


def listed(names: Sequence[str], most: int = 6) -> str:
    """Names as a person lists them: A, B and C; past `most`, the rest as a number."""
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def shortly(kind: str, found: dict[str, Any]) -> str:
    """An alert in a few words, for a row of the board: "rising since about 17 Apr 2026"."""
    if found.get("what", kind) == "drift":
        going = way(found["direction"], found["change_percent_per_month"])
        return going if found["since_at"] is None else f"{going} since about {day(found['since_at'])}"
    return SHORT_WORDS.get(found.get("what", kind), kind)


SHORT_WORDS = {
    "limit": "a lot breached its limit",
    "point": "a lot far from the usual",
    "pattern": "a run pattern",
    "spread": "bags or readings scatter more than usual",
    "forecast": "a breach is likely",
}


def evidence(alert: dict[str, Any]) -> list[str]:
    """What an alert rests on, as short facts."""
    found = alert["evidence"]
    unit = found.get("unit", "")
    said = [_began(found)] if found.get("since_at") else []
    said += _shared(found) if found.get("shifts") else []
    if found.get("usual") is not None:
        said.append(f"usual {amount(found['usual'], unit)}")
    if found.get("latest_level") is not None:
        said.append(f"latest {amount(found['latest_level'], unit)} (lot {found['latest_lot']})")
    if found.get("limit_upper") is not None or found.get("limit_lower") is not None:
        said.append(f"limit {room_to_limit(found)}")
    if found.get("breach_probability") is not None:
        said.append(f"chance of a breaching lot {percent(found['breach_probability'])}")
    if isinstance(found.get("lots"), list):
        said.append(f"lots {listed(found['lots'])}")
    if found.get("closed_because"):
        said.append(f"closed by itself: {found['closed_because']}")
    return said


def _shared(found: dict[str, Any]) -> list[str]:
    """What a shift in common rests on: its interval, each witness, and what else it could be."""
    said = [
        f"{shift['quantity']} between {shift['low']:+.2g} and {shift['high']:+.2g} {shift['unit']}"
        + ("" if shift["check_standards"] is None else f", check standard alone {shift['check_standards']:+.2g}")
        for shift in found["shifts"]
        if shift["low"] is not None
    ]
    said.append(f"lots of {counted(len(found['streams']), 'stream')} made on it")
    if found["apart"]:
        said.append(f"moved by itself as well: {listed(found['apart'])}")
    if found["alternatives"]:
        said.append(f"the same lots came from {listed(found['alternatives'])}")
    if found.get("rivals"):  # an upgraded store has them from its next round on
        said.append(f"nearly as likely: {listed(found['rivals'])}")
    return said


def _began(found: dict[str, Any]) -> str:
    """The estimated start, with its interval where there is one."""
    if found.get("since_low_at") and found.get("since_high_at"):
        between = f" (between {day(found['since_low_at'])} and {day(found['since_high_at'])})"
        return f"began about {day(found['since_at'])}{between}"
    return f"began {day(found['since_at'])}"


def humidity(document: Mapping[str, Any]) -> str:
    """What humidity inside its tolerance does to a stream, and what the last lot would read at the declared one."""
    found = document.get("humidity")
    if not found:
        return "What humidity does to it is not known: too few lots, or it hardly varied."
    size, low, high = (found[key] for key in ("slope", "slope_low", "slope_high"))
    unit = found["slope_unit"]
    if not found["matters"]:
        return (
            f"Humidity inside its tolerance makes no difference that {counted(found['lots'], 'lot')} show: "
            f"{low:+.2g} to {high:+.2g} {unit} for one % RH more."
        )
    way, ends = ("more", (low, high)) if size > 0 else ("less", (-high, -low))
    said = (
        f"One % RH more goes with {abs(size):.2g} {unit} ({ends[0]:.2g} to {ends[1]:.2g}) {way}, from "
        f"{counted(found['lots'], 'lot')} of this product."
    )
    last = next((point for point in reversed(document["points"]) if point["adjusted_level"] is not None), None)
    if last is None:
        return said
    return (
        f"{said} Adjusted to {found['adjusted_to']:g} % RH the last lot would read "
        f"{amount(last['adjusted_level'], document['unit'])}: a second look, never the record."
    )


def counted(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun: 1 lot, 3 lots."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def false_mark_text(price: dict[str, Any], alerts_a_year: float) -> str:
    """What the patterns on the chart cost a stream that holds still, and what raises an alert instead."""
    weeks = price["weeks_a_false_mark"]
    pace = "" if weeks is None else f", here about once in {_span(weeks)}"
    return (
        f"The chart marks {counted(len(price['patterns']), 'pattern')}: "
        f"{', '.join(name.replace('_', ' ') for name in price['patterns'])}. A stream that holds still gets such a mark by "
        f"chance about once in {price['lots_a_false_mark']:.0f} lots{pace}. A mark alone raises no alert: alerts come from "
        f"the detector, which is set to {alerts_a_year:g} false ones a year for each stream."
    )


def _span(weeks: float) -> str:
    return f"{weeks:.0f} weeks" if weeks < 104 else f"{weeks / 52.18:.1f} years"


def round_text(document: Mapping[str, Any], problems: list[str]) -> str:
    """What a round did, as a person would say it."""
    files = document["files"]
    if not files and not problems and not document["evaluated"]:
        return "Nothing new in the drop folders."
    taken = [file for file in files if file["state"] != "refused"]
    sentences = [_told_intake(taken)] if taken else []
    refused = sum(file["refused"] for file in files)
    if refused:
        sentences.append(
            f"{counted(refused, 'row')} refused: see the reports in refused/, with the cells as they came."
        )
    if len(files) > len(taken):
        sentences.append(f"{counted(len(files) - len(taken), 'file')} not taken in:")
    sentences += [f"  {file['reason']}" for file in files if file["reason"]]
    if document["evaluated"]:
        sentences.append(f"{counted(document['evaluated'], 'stream')} evaluated.")
    if document["to_look_at"]:
        sentences.append(f"{counted(document['to_look_at'], 'test')} with values to look at: see the bench page.")
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
