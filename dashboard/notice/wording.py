"""The words of a notice to a supplier. They are neutral: the notice states what was measured, and asks."""

from __future__ import annotations

from dashboard.text.bench.bench_mark_text import BENCH_OFF, as_read_and_without, faults, tested_while
from dashboard.text.formatting import (
    NO_LONGER_LIKELY,
    amount,
    amounts,
    chance_text,
    change,
    characteristic,
    counted,
    day,
    difference,
    digits_of,
    in_unit,
    interval,
    required_humidity,
    room_to_limit,
)
from dashboard.text.verdict.verdict_text import bags_text, level_text
from ingest.common.number_format import printed_unit, shown_difference
from ingest.common.text import capitalised
from ingest.documents.notice import NoticeDocument, NoticeLot
from ingest.quarter.notice_lots import LOT_BY_LOT
from ingest.quarter.notices import ANSWER_DAYS
from spc.vocabulary.enums import Kind, Scale

__all__ = [
    "AGREEMENT",
    "answer",
    "bench",
    "changed",
    "headline",
    "legend",
    "lot_rows",
    "measured",
    "requests",
    "restrictions",
    "retests",
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
UNDECIDED = "a lot is undecided against the limit"
REQUESTS = (
    "Please segregate remaining stock of these lots, and of material made with them, until we have spoken.",
    "Tell us whether anything changed around the date above: film, coating or additive, process, storage or age.",
    "Tell us the cause, as far as you know it, and your corrective action.",
    "Name the first lot made after the action. We will test it and the lots that follow in the same way, and send you the "
    "results.",
    f"Please answer within {ANSWER_DAYS} days of receiving this notice.",
)
# Lots that are no reason for the notice: more names than these are read on the chart.
OTHERS_NAMED = 4
AGREEMENT = "These requests are common practice. Existing agreements take precedence."
RESTRICTIONS = (
    "This notice does not reject, return or release any lot. The people whom our procedure authorises decide, by the text of "
    "the standard and the edition they work to.",
    "It is not a certificate. The limit is the one that our laboratory works to; please read your own copy of its document.",
    "It states that something changed, not why. Results apply to the humidity, face and bag size tested, to the bags tested, "
    "and to their age on the day of the test.",
    "It contains no data of other suppliers.",
    "It does not clear packaging for explosive devices or flammables. Anyone repeating the discharge test works with a 1 kV "
    "source: only authorised people may do it, by the maker's manual and the site's electrical rules.",
)


IMPROVED = "The level moved away from the limit. We ask for no answer; this notice is for your information."


def answer(notice: NoticeDocument) -> str:
    """Whether and when an answer is asked for."""
    if not notice["asks_for_answer"]:
        return IMPROVED
    return f"Please answer within {ANSWER_DAYS} days of receipt: see “What we ask”."


def requests(notice: NoticeDocument) -> tuple[str, ...]:
    """What the supplier is asked; nothing where the level moved away from the limit."""
    return REQUESTS if notice["asks_for_answer"] else ()


def restrictions(notice: NoticeDocument) -> tuple[str, ...]:
    """The limits of the notice, with what is known of our own bench."""
    marked = [test["bench_findings"] for test in (*notice["lots"], *notice["retests"]) if test["bench_findings"]]
    certain = any(tested_while(marks) == BENCH_OFF for marks in marked)
    bench = (
        f"Findings about our own bench cover some of these tests: see “Our bench”. They {'explain' if certain else 'may explain'} "
        "part of the values, not the statement of this notice."
        if marked
        else "As of the date below, no finding about our own bench covers the tests listed."
    )
    return (*RESTRICTIONS, bench)


def bench(notice: NoticeDocument) -> list[str]:
    """The findings about our own bench in whose weeks tests of this notice were made, also those that are closed."""
    tests = [
        (f"lot {test['lot']} {as_read_and_without(read, test['bench_findings'], notice)}", test["bench_findings"])
        for test in (*notice["lots"], *notice["retests"])
        if test["bench_findings"] and (read := level_text(test["level"], test["level_range"], notice))
    ]
    return [f"{capitalised(str(fault))}: {'; '.join(fault.tests)}." for fault in faults(tests)]


def retests(notice: NoticeDocument) -> list[str]:
    """The other tests of these lots, a sentence each."""
    sentences = []
    for test in notice["retests"]:
        counts = f"{counted(test['bags'], 'bag')}, {counted(test['n'], 'reading')}"
        result = test["verdict"] if test["state"] == "valid" else f"not valid, {test['state']}"
        if bags := bags_text(test["bag_count"], notice):
            result += f", {bags}"
        sentences.append(
            f"Lot {test['lot']}, {day(test['tested_at'])}: {level_text(test['level'], test['level_range'], notice)} ({counts}); {result}."
        )
    return sentences


def _basis(notice: NoticeDocument) -> tuple[str, str] | None:
    """The lots together on which the statement rests; no single lot of a run need look unusual."""
    found = notice["basis"]
    if found is None or found["value"] is None:
        return None
    lots, before = counted(found["lots"], "lot"), counted(found["lots_before"], "lot")
    if found["of"] == "level":
        rest = (
            ""
            if found["value_before"] is None
            else f"; {in_unit(notice, found['value_before'])} over the {before} before"
        )
        return "lots together", f"mean {in_unit(notice, found['value'])} over {lots}{rest}"
    within = "readings on a bag" if found["of"] == "reading_spread" else "bags"
    value, earlier = (
        "–" if one is None else f"{100 * one:.1f} %" if notice["scale"] == Scale.LOG else in_unit(notice, one)
        for one in (found["value"], found["value_before"])
    )
    text = f"standard deviation between {within} {value} over {lots} ({counted(found['bags'], 'bag')})"
    return "lots together", f"{text}; {earlier} over the {before} before. The statement is about these lots together."


def title(notice: NoticeDocument) -> str:
    """Product and characteristic."""
    return f"{notice['product']}, {characteristic(notice['characteristic'])}"


def headline(notice: NoticeDocument) -> str:
    """The subject of the notice in a sentence."""
    chance = notice["evidence"]["breach_probability"]
    if notice["evidence"]["form"] == "undecided":
        what = UNDECIDED
    elif notice["kind"] == Kind.FORECAST and (chance is None or chance < notice["likely"]):
        what = f"{NO_LONGER_LIKELY} on {day(notice['raised_at'])}"
    else:
        what = HEADLINES[Kind(notice["kind"])]
    return f"{title(notice)}: {what}."


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
    unit = printed_unit(notice["unit"])
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
    digits = digits_of(notice)
    usual, now = amounts([before, latest], unit, digits)
    rows = [("since", _since(notice))]
    if before is not None:
        rows.append(("level before", f"{usual}, from {counted(notice['from_lots'], 'lot')}"))
    if latest is not None:
        rows.append(
            (
                "lot of this notice" if notice["kind"] in LOT_BY_LOT else "latest lot",
                f"{amount(latest, unit, evidence['latest_bound'], digits) if evidence['latest_bound'] else now}, lot {evidence['latest_lot']}",
            )
        )
    if notice["level_now"] is not None and notice["kind"] not in LOT_BY_LOT:
        rows.append(("level now", amount(notice["level_now"], unit, notice["level_now_bound"], digits)))
    together = _basis(notice)
    if together is not None:
        rows.append(together)
    if notice["kind"] == Kind.SPREAD:
        rows.append(("newest lots", _variation(notice)))
    elif before is not None and latest is not None and not evidence["latest_bound"]:
        moved = difference(shown_difference(latest, before, digits), notice["difference_percent"], unit)
        rows.append(("difference", f"{moved}, from the level before to lot {evidence['latest_lot']}"))
    if notice["kind"] in LOT_BY_LOT:
        return rows
    if evidence["change_percent_per_month"] is not None:
        rows.append(("rate now", f"{change(evidence['change_percent_per_month'], digits_of(notice))} a month"))
    if evidence["breach_probability"] is not None:
        chance = chance_text(evidence["breach_probability"])
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
        return f"{100 * value:.0f} %" if notice["scale"] == Scale.LOG else in_unit(notice, value)

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
    outside = any(lot["outside_control_limits"] for lot in notice["lots"])
    text = "† The level is outside our control limits. " if outside else ""
    text += "The chamber log documents the conditioning of every lot listed"
    if spans is not None:
        low, high = spans["humidity_min"], spans["humidity_max"]
        text += f": at least {spans['hours']:.1f} h without a break up to the test; {required_humidity(low, high)}, as in the table"
    if left_out:
        verb = "is" if left_out == 1 else "are"
        text += (
            f". {counted(left_out, 'lot')} of that time {verb} left out, as the log does not document the conditioning"
        )
    if notice["retests"]:
        text += ". Other tests of these lots are listed below; the first valid test of a lot counts"
    if notice["others"]:
        return f"{text}. {_others(notice)}"
    complete = not left_out and not notice["retests"]
    return f"{text}. No test of this product and characteristic in that time was left out." if complete else f"{text}."


def _others(notice: NoticeDocument) -> str:
    """The other valid lots tested since the first lot of the notice: their number, and the newest by name."""
    lots = notice["others"]
    named = "; ".join(
        f"lot {lot['lot']}, {day(lot['tested_at'])}, {level_text(lot['level'], lot['level_range'], notice)}, {lot['verdict']}"
        for lot in lots[-OTHERS_NAMED:]
    )
    verb = "is" if len(lots) == 1 else "are"
    newest = f", the newest {OTHERS_NAMED} of them" if len(lots) > OTHERS_NAMED else ""
    return f"{counted(len(lots), 'other valid lot')} tested since the first one listed {verb} not a reason for this notice{newest}: {named}."


def _result(lot: NoticeLot, notice: NoticeDocument) -> str:
    """The verdict on a lot with the facts beside it; a dagger stands for what the note under the table says."""
    parts = [str(lot["verdict"]), bags_text(lot["bag_count"], notice)]
    return "; ".join(part for part in parts if part) + (" †" if lot["outside_control_limits"] else "")


def lot_rows(notice: NoticeDocument) -> list[list[str]]:
    """A row a lot: lot, day, bags, readings, mean, worst reading, hours, humidity, result."""
    rows = []
    for lot in notice["lots"]:
        low, high = lot["humidity_min"], lot["humidity_max"]
        humidity = "–" if low is None or high is None else f"{low:.1f} to {high:.1f} %"
        hours = "–" if lot["hours"] is None else f"{lot['hours']:.1f} h"
        level, worst = (
            level_text(lot["level"], lot["level_range"], notice),
            in_unit(notice, lot["worst"], lot["worst_bound"]),
        )
        level += "*" if lot["bench_findings"] else ""
        tested, counts = day(lot["tested_at"]), (str(lot["bags"]), str(lot["n"]))
        rows.append([lot["lot"], tested, *counts, level, worst, hours, humidity, _result(lot, notice)])
    return rows
