"""The words of a notice to a supplier. They are neutral: the notice states what was measured, and asks."""

from __future__ import annotations

from dashboard.text.formatting import (
    amount,
    change,
    characteristic,
    counted,
    day,
    difference,
    interval,
    percent,
    room_to_limit,
)
from ingest.common.number_format import SPOKEN_UNITS
from ingest.documents.notice import NoticeDocument
from ingest.quarter.notice_lots import LOT_BY_LOT
from ingest.quarter.notices import ANSWER_DAYS
from spc.vocabulary.enums import Kind, Scale

__all__ = [
    "AGREEMENT",
    "REQUESTS",
    "RESTRICTIONS",
    "changed",
    "headline",
    "legend",
    "lot_rows",
    "measured",
    "title",
    "validity",
]

HEADLINES = {
    Kind.LIMIT: "a lot failed the limit",
    Kind.POINT: "a lot lies outside its normal range",
    Kind.PATTERN: "lots follow a pattern that chance seldom makes",
    Kind.DRIFT: "the level has shifted",
    Kind.SPREAD: "the variation is above normal",
    Kind.FORECAST: "a failing lot is likely",
}
REQUESTS = (
    "Please segregate remaining stock of these lots, and of material made with them, until we have spoken.",
    "Tell us whether anything changed around the date above: film, coating or additive, process, storage or age.",
    "Tell us the cause, as far as you know it, and your corrective action.",
    "Name the first lot made after the action. We will test it and the lots that follow in the same way, and send you the "
    "results.",
    f"Please answer within {ANSWER_DAYS} days of receiving this notice.",
)
AGREEMENT = "These requests are common practice. Existing agreements take precedence."
RESTRICTIONS = (
    "This notice does not reject, return or release any lot. The people whom our procedure authorises decide, by the text of "
    "the standard and the edition they work to.",
    "It is not a certificate. The limit is the one that our laboratory works to; please read your own copy of its document.",
    "It states that something changed, not why. Results apply to the humidity, face and bag size tested, to the bags tested, "
    "and to their age on the day of the test.",
    "It contains no data of other suppliers. As of the date below, no finding about our own bench explains the results.",
    "It does not clear packaging for explosive devices or flammables. Anyone repeating the discharge test works with a 1 kV "
    "source: only authorised people may do it, by the maker's manual and the site's electrical rules.",
)


def title(notice: NoticeDocument) -> str:
    """Product and characteristic."""
    return f"{notice['product']}, {characteristic(notice['characteristic'])}"


def headline(notice: NoticeDocument) -> str:
    """The subject of the notice in a sentence."""
    return f"{title(notice)}: {HEADLINES[Kind(notice['kind'])]}."


def legend(notice: NoticeDocument) -> str:
    """How to read the chart."""
    text = (
        "Filled marks are the lots of this notice, open marks other lots of the product; a diamond failed the limit. The dotted "
        "line is the level before."
    )
    if not notice["evidence"]["since_at"]:
        return text
    return f"{text} The vertical line is the estimated start" + (
        ", the band its interval." if notice["evidence"]["since_low_at"] else "."
    )


def measured(notice: NoticeDocument) -> list[tuple[str, str]]:
    """The method, as pairs of a name and its words."""
    needed, lots = notice["conditioning"], notice["lots"]
    geometric = ", geometric" if notice["scale"] == Scale.LOG else ""
    document = f" ({notice['limit_document']})" if notice["limit_document"] else ""
    guard = f"; {notice['guard_percent']:g} % guard band for measurement uncertainty" if notice["guard_percent"] else ""
    bags, readings = _range([lot["bags"] for lot in lots], "bag"), _range([lot["n"] for lot in lots], "reading")
    unit = SPOKEN_UNITS.get(notice["unit"], notice["unit"])
    return [
        ("characteristic", f"{characteristic(notice['characteristic'])}, in {unit}"),
        (
            "conditioning",
            "no conditioning required"
            if needed is None
            else f"{needed['humidity_percent']:g} ± {needed['humidity_tolerance']:g} % RH, {needed['temperature_c']:g} ± "
            f"{needed['temperature_tolerance_c']:g} °C, {needed['hours']:g} h without a break up to the test",
        ),
        ("tests of a lot", f"{bags}, {readings}"),
        ("lot mean", f"mean of the bag means{geometric}"),
        ("limit", f"{room_to_limit(notice)}{document}{guard}"),
        ("judged by", f"lot mean{geometric}" if notice["judged_by"] == "mean" else "worst reading of the lot"),
    ]


def _range(counts: list[int], noun: str) -> str:
    """A range of counts with its noun: 6 bags, 3 to 6 bags."""
    low, high = min(counts, default=0), max(counts, default=0)
    return counted(low, noun) if low == high else f"{low} to {high} {noun}s"


def changed(notice: NoticeDocument) -> list[tuple[str, str]]:
    """What changed, since when, and by how much."""
    evidence, unit = notice["evidence"], notice["unit"]
    before, latest = evidence["usual"], evidence["latest_level"]
    rows = [("since", _since(notice))]
    if before is not None:
        rows.append(("level before", f"{amount(before, unit)}, from {counted(notice['from_lots'], 'lot')}"))
    if latest is not None:
        rows.append(("latest level", f"{amount(latest, unit)}, lot {evidence['latest_lot']}"))
    if notice["kind"] == Kind.SPREAD:
        rows.append(("variation", _variation(notice)))
    elif notice["difference"] is not None:
        rows.append(("difference", difference(notice["difference"], notice["difference_percent"], unit)))
    if notice["kind"] in LOT_BY_LOT:
        return rows
    if evidence["change_percent_per_month"] is not None:
        rows.append(("rate now", f"{change(evidence['change_percent_per_month'])} a month"))
    if evidence["breach_probability"] is not None:
        chance = percent(evidence["breach_probability"])
        rows.append(("forecast", f"chance of a failing lot {chance}, if the trend continues"))
    return rows


def _since(notice: NoticeDocument) -> str:
    evidence, detected = notice["evidence"], f"{day(notice['raised_at'])}, lot {notice['lot']}"
    if not evidence["since_at"]:
        return detected
    between = interval(evidence["since_low_at"], evidence["since_high_at"])
    return f"about {day(evidence['since_at'])}{between}; detected {detected}"


def _variation(notice: NoticeDocument) -> str:
    """The standard deviation of the newest lots concerned, each with its control limit."""

    def deviation(value: float | None) -> str:
        if value is None:
            return "–"
        return f"{100 * value:.0f} %" if notice["scale"] == Scale.LOG else amount(value, notice["unit"])

    within = notice["evidence"]["form"] == "reading_spread"
    lots = []
    for lot in notice["lots"][-4:]:
        value, limit = (
            (lot["reading_spread"], lot["reading_spread_upper"])
            if within
            else (lot["bag_spread"], lot["bag_spread_upper"])
        )
        lots.append(f"lot {lot['lot']} {deviation(value)} (control limit {deviation(limit)})")
    return f"standard deviation between {'readings on a bag' if within else 'bags'}: {', '.join(lots)}"


def validity(notice: NoticeDocument) -> str:
    """The conditioning of the lots listed, and the number of tests left out."""
    if notice["conditioning"] is None:
        return "No conditioning is required for this characteristic, so no test was left out for it."
    spans, left_out = notice["conditioning_shown"], notice["left_out"]
    text = "The chamber log documents the conditioning of every lot listed"
    if spans is not None:
        low, high = spans["humidity_min"], spans["humidity_max"]
        text += f": at least {spans['hours']:.1f} h without a break, {low:.1f} to {high:.1f} % RH"
    if not left_out:
        return f"{text}. No test of this product and characteristic in that time was left out."
    verb = "is" if left_out == 1 else "are"
    return f"{text}. {counted(left_out, 'lot')} of that time {verb} left out, as the log does not document the conditioning."


def lot_rows(notice: NoticeDocument) -> list[list[str]]:
    """A row a lot: lot, day, bags, readings, mean, worst reading, hours, humidity, result."""
    unit = notice["unit"]
    rows = []
    for lot in notice["lots"]:
        low, high = lot["humidity_min"], lot["humidity_max"]
        humidity = "–" if low is None or high is None else f"{low:.1f} to {high:.1f} %"
        hours = "–" if lot["hours"] is None else f"{lot['hours']:.1f} h"
        level, worst = amount(lot["shown"], unit, lot["bound"]), amount(lot["worst"], unit)
        tested, counts = day(lot["tested_at"]), (str(lot["bags"]), str(lot["n"]))
        rows.append([lot["lot"], tested, *counts, level, worst, hours, humidity, lot["verdict"]])
    return rows
