"""The words of a notice to a supplier. Neutral: it says what was measured, and asks."""

from __future__ import annotations

from typing import Any

from dashboard.notice.notice import LOT_BY_LOT
from dashboard.text.formatting import amount, change, characteristic, counted, day, percent, room_to_limit
from ingest.common.number_format import SPOKEN_UNITS
from ingest.quarter.notices import ANSWER_DAYS
from spc.vocabulary.enums import Kind, Scale

__all__ = ["ASKED", "NOT_SAID", "WRITTEN", "headline", "legend", "lot_rows", "measured", "moved", "title", "validity"]

Document = Any

HEADLINES = {
    Kind.LIMIT: "a lot is outside the limit",
    Kind.POINT: "a lot is out of the usual",
    Kind.PATTERN: "lots follow a pattern that chance seldom makes",
    Kind.DRIFT: "the level has moved",
    Kind.SPREAD: "the scatter is wider than usual",
    Kind.FORECAST: "a lot outside the limit is likely to come",
}
ASKED = (
    "Keep apart what you still hold of the lots listed and of material made with them, until we have talked.",
    "Tell us whether anything changed about the time named above: film, coating or additive, making, storage or age.",
    "Tell us the cause, as far as you know it, and what you do about it.",
    "Name the first lot made after that. We test it and the next ones in the same way, and tell you what they show.",
    f"Please answer within {ANSWER_DAYS} days of receiving this notice.",
)
WRITTEN = "Common practice; what is agreed between us goes first."
NOT_SAID = (
    "It rejects, returns and releases no lot: that is for the people our procedure authorises, by the text of the standard "
    "and the edition they work to.",
    "It certifies nothing. The limit is the one that our laboratory works to; read your own copy of its document.",
    "It says that something moved, not why. Results hold for the humidity, face and bag size that were tested, for the "
    "bags named, and for their age on the day.",
    "It holds no data of anybody else. No finding about our own bench explains what is shown, as of the day below.",
    "It clears nothing for explosive devices or flammables. Who repeats a discharge test works with a 1 kV source: by the "
    "maker's manual, the site's electrical rules and authorised people only.",
)


def title(notice: Document) -> str:
    """Product and characteristic."""
    return f"{notice['product']}, {characteristic(notice['characteristic'])}"


def headline(notice: Document) -> str:
    """What the notice is about, in a sentence."""
    said = HEADLINES[Kind(notice["kind"])]
    return f"{title(notice)}: {said}."


def legend(notice: Document) -> str:
    """How to read the picture."""
    said = (
        "A filled mark is a lot that this notice is about, an open one a lot before or beside it; a diamond is outside the "
        "limit. The dotted line is the usual level."
    )
    if not notice["evidence"]["since_at"]:
        return said
    band = ", the band how early or late that may have been" if notice["evidence"]["since_low_at"] else ""
    return f"{said} The vertical line is the estimated start{band}."


def measured(notice: Document) -> list[tuple[str, str]]:
    """What was measured and how, as pairs of a name and its words."""
    needed, lots = notice["conditioning"], notice["lots"]
    mean = "mean of the lot" + (", geometric" if notice["scale"] == Scale.LOG else "")
    climate = (
        f"{needed['humidity_percent']:g} ± {needed['humidity_tolerance']:g} % RH, {needed['temperature_c']:g} ± "
        f"{needed['temperature_tolerance_c']:g} °C, {needed['hours']:g} h unbroken up to the test"
    )
    limit = room_to_limit(notice) + (f" ({notice['limit_document']})" if notice["limit_document"] else "")
    guard = f"; {notice['guard_percent']:g} % kept clear for measurement uncertainty" if notice["guard_percent"] else ""
    return [
        ("characteristic", f"{characteristic(notice['characteristic'])}, in {_spoken(notice['unit'])}"),
        ("conditioning", climate),
        (
            "a lot",
            f"{_between([lot['bags'] for lot in lots], 'bag')}, {_between([lot['n'] for lot in lots], 'reading')}",
        ),
        ("level", f"mean of the bag means{', geometric' if notice['scale'] == Scale.LOG else ''}"),
        ("limit", f"{limit}{guard}"),
        ("held against it", mean if notice["judged_by"] == "mean" else "the worst reading of the lot"),
    ]


def _spoken(unit: str) -> str:
    return SPOKEN_UNITS.get(unit, unit)


def _between(counts: list[int], noun: str) -> str:
    """A range of counts with its noun: 6 bags, 3 to 6 bags."""
    if not counts:
        return f"no {noun}"
    low, high = min(counts), max(counts)
    return counted(low, noun) if low == high else f"{low} to {high} {noun}s"


def moved(notice: Document) -> list[tuple[str, str]]:
    """What moved, since when, and how much."""
    found, unit = notice["evidence"], notice["unit"]
    usual, latest = found["usual"], found["latest_level"]
    rows = [("since", _since(notice))]
    if usual is not None:
        rows.append(("usual level", f"{amount(usual, unit)}, from {counted(notice['from_lots'], 'lot')}"))
    if latest is not None:
        rows.append(("latest level", f"{amount(latest, unit)}, lot {found['latest_lot']}"))
    if notice["kind"] == Kind.SPREAD:
        rows.append(("scatter", _scatter(notice)))
    elif usual is not None and latest is not None:
        rows.append(("difference", _difference(usual, latest, unit)))
    if notice["kind"] in LOT_BY_LOT:
        return rows
    if found["change_percent_per_month"] is not None:
        rows.append(("pace now", f"{change(found['change_percent_per_month'])} a month"))
    if found["breach_probability"] is not None:
        rows.append(
            ("outlook", f"chance of a lot outside the limit {percent(found['breach_probability'])}, if it goes on so")
        )
    return rows


def _since(notice: Document) -> str:
    found = notice["evidence"]
    if not found["since_at"]:
        return f"{day(notice['raised_at'])}, lot {notice['lot']}"
    interval = ""
    if found["since_low_at"] and found["since_high_at"]:
        interval = f" (between {day(found['since_low_at'])} and {day(found['since_high_at'])}, as estimated)"
    return (
        f"about {day(found['since_at'])}{interval}; evidence complete {day(notice['raised_at'])}, lot {notice['lot']}"
    )


def _difference(usual: float, latest: float, unit: str) -> str:
    sign = "+" if latest >= usual else "−"
    relative = 100.0 * (latest / usual - 1.0)
    return f"{sign}{amount(abs(latest - usual), unit)} ({f'{relative:+.0f}'.replace('-', '−')} %)"


def _scatter(notice: Document) -> str:
    """The scatter of the lots concerned against the bound of what is usual."""
    name = str(notice["evidence"]["form"])
    of = "readings on a bag" if name == "reading_spread" else "bags"
    is_log = notice["scale"] == Scale.LOG

    def told(sd: float | None) -> str:
        if sd is None:
            return "–"
        return f"{100 * sd:.0f} %" if is_log else amount(sd, notice["unit"])

    lots = [
        f"lot {lot['lot']} {told(lot[name])} (usual up to {told(lot[f'{name}_upper'])})" for lot in notice["lots"][-4:]
    ]
    return f"standard deviation of {of}: {', '.join(lots)}"


def validity(notice: Document) -> str:
    """That the tests were valid, and what was left out."""
    lots = notice["lots"]
    low = min((lot["humidity_min"] for lot in lots if lot["humidity_min"] is not None), default=None)
    high = max((lot["humidity_max"] for lot in lots if lot["humidity_max"] is not None), default=None)
    hours = min((lot["hours"] for lot in lots if lot["hours"] is not None), default=None)
    said = "The chamber log shows the conditioning of every lot listed"
    if low is not None and high is not None and hours is not None:
        said += f": at least {hours:.1f} h unbroken, {low:.1f} to {high:.1f} % RH"
    left = notice["left_out"]
    if not left:
        return f"{said}. No test of this stream in that time was left out."
    return f"{said}. {counted(left, 'lot')} of that time whose log does not show it {'is' if left == 1 else 'are'} left out."


def lot_rows(notice: Document) -> list[list[str]]:
    """A row a lot: lot, day, bags, readings, level, worst reading, hours, humidity, how it stands."""
    unit = notice["unit"]
    return [
        [
            lot["lot"],
            day(lot["tested_at"]),
            str(lot["bags"]),
            str(lot["n"]),
            amount(lot["shown"], unit, lot["bound"]),
            amount(lot["worst"], unit),
            "–" if lot["hours"] is None else f"{lot['hours']:.1f} h",
            _humidity(lot),
            lot["verdict"],
        ]
        for lot in notice["lots"]
    ]


def _humidity(lot: Document) -> str:
    low, high = lot["humidity_min"], lot["humidity_max"]
    return "–" if low is None or high is None else f"{low:.1f} to {high:.1f} %"
