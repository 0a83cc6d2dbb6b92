"""Numbers, times and results in words, for screens, mails and papers."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Literal, NotRequired, TypedDict, cast

from ingest.common.number_format import (
    LEAST_CHANCE,
    Measured,
    amount,
    amounts,
    chance_text,
    digits_of,
    in_unit,
    percent_change,
    signed,
    way,
)
from ingest.common.text import counted_lines
from ingest.documents.alert import Alert, AlertNow, AlertReason, BenchShift, Evidence, ShownBy
from ingest.documents.rounds import CheckedFile, RoundDocument, RoundFile
from ingest.documents.stream import BoardRow, Forecast, PatternPrice, StreamDocument, WeeksToLimit
from ingest.evaluation.alert_text import outside_text
from spc.vocabulary.enums import Kind

__all__ = [
    "CAUTIONS",
    "LEAST_CHANCE",
    "NO_LONGER_LIKELY",
    "SHORT_WORDS",
    "age",
    "amount",
    "amounts",
    "chance_text",
    "change",
    "characteristic",
    "complaints",
    "counted",
    "day",
    "difference",
    "digits_of",
    "evidence",
    "false_mark_text",
    "futures",
    "happenings",
    "humidity",
    "in_unit",
    "interval",
    "limits_of",
    "listed",
    "moment",
    "now_text",
    "percent",
    "present_text",
    "required_humidity",
    "room_to_limit",
    "round_text",
    "shortly",
    "shown",
    "signed",
    "stream_level",
    "wander",
    "weekday",
    "weeks",
]

CAUTIONS = (
    "lotdrift marks lots and does not release them. Decisions to hold, label, segregate or release belong to the people whom "
    "your procedure authorises, by the text of the standard and the edition you work to. A pass at this humidity and bag size "
    "does not apply to others, and no result here clears packaging for explosive devices or flammables. The shielding bench "
    "works with 1 kV: follow the maker's manual and local electrical rules."
)


class Limited(TypedDict):
    """Any document with specification limits."""

    unit: str
    digits: NotRequired[int]
    limit_lower: float | None
    limit_upper: float | None


class ShownEvidence(TypedDict, total=False):
    """The parts of an alert's evidence that people read; each kind of alert has some of them."""

    what: Kind
    form: str
    direction: int
    unit: str
    digits: int
    lots: int | list[str]
    latest_lot: str
    latest_tested_at: str
    usual: float | None
    level: float | None
    latest_level: float | None
    level_bound: int
    latest_bound: int
    bags_outside: int
    bags: int
    limit_lower: float | None
    limit_upper: float | None
    change_percent_per_month: float | None
    breach_probability: float | None
    since_at: str | None
    since_low_at: str | None
    since_high_at: str | None
    shifts: list[BenchShift]
    shown_by: ShownBy
    streams: list[str]
    apart: list[str]
    alternatives: list[str]
    rivals: list[str]
    closed_because: str | None


def shown(evidence: Evidence) -> ShownEvidence:
    """The evidence of an alert of any kind."""
    return cast(ShownEvidence, evidence)


def percent(share: float | None) -> str:
    """A share in whole percent; a small one is never 0 % and a large one never 100 %."""
    if share is None:
        return "–"
    if 0 < share < 0.01:
        return "under 1 %"
    if 0.99 < share < 1:
        return "over 99 %"
    return f"{100 * share:.0f} %"


def weeks(span: WeeksToLimit | None) -> str:
    """When the limit is likely to be reached: "likely 9 to 21 weeks after the last test; 50 % within 13", or "not expected"."""
    if span is None or span["p50"] is None:
        return "not expected"
    if span["p50"] == 0:
        return "limit passed"
    low, middle = span["p10"] or 0, span["p50"]
    likely = (
        f"{counted(round(low), 'week')} or more" if span["p90"] is None else f"{low:.0f} to {span['p90']:.0f} weeks"
    )
    return f"likely {likely} after the last test; 50 % within {middle:.0f}"


def futures(forecast: Forecast | None, stream: Measured) -> str:
    """How many futures have a failing lot, and where the coming lots will lie; empty without a forecast."""
    if forecast is None or forecast.get("lots_low") is None:
        return ""
    lie = f"8 of 10 coming lots lie between {in_unit(stream, forecast['lots_low'])} and {in_unit(stream, forecast['lots_high'])} at the end of that time."
    if forecast["outliers"]:
        lie += f" Outliers are left out: {listed(forecast['outliers'])}."
    if forecast["futures_with_breach"] is None:
        return f" {lie}"
    count, share = str(forecast["futures_with_breach"]), forecast["breach_probability"] or 0.0
    # As with a chance: a small count is never none, and a large one never all.
    if share < LEAST_CHANCE:
        count = "Fewer than 1"
    elif share > 1 - LEAST_CHANCE:
        count = "More than 99"
    return f" {count} of {forecast['futures']} simulated futures have a failing lot; {lie}"


def difference(value: float, in_percent: float | None, unit: str) -> str:
    """A difference in the unit and in percent: +6.82 nJ (+72 %)."""
    absolute = f"{'−' if value < 0 else '+'}{amount(abs(value), unit)}"
    if in_percent is None:
        return absolute
    return f"{absolute} ({signed(in_percent, '.0f' if abs(in_percent) >= 1 or in_percent == 0 else '.1g')} %)"


def interval(low: str | None, high: str | None) -> str:
    """The interval of an estimated start, " (between 1 Mar 2026 and 1 May 2026)"; empty where there is none."""
    return f" (between {day(low)} and {day(high)})" if low and high else ""


def stream_level(row: AlertNow | BoardRow) -> str:
    """The level of a stream as it stands, with its sign where its lots show only one end: 14.2 nJ, > 21.0 nJ."""
    return in_unit(row, row["level"], row.get("level_bound", 0))


def room_to_limit(row: Limited) -> str:
    """The specification limits: "under 20.0 nJ", "10⁴ Ω to under 10¹¹ Ω", "at least 10⁴ Ω" or "no limit"."""
    unit, digits = row["unit"], row.get("digits", 3)
    lower, upper = (amount(row[side], unit, digits=digits) for side in ("limit_lower", "limit_upper"))
    if row["limit_lower"] is None:
        return "no limit" if row["limit_upper"] is None else f"under {upper}"
    return f"at least {lower}" if row["limit_upper"] is None else f"{lower} to under {upper}"


def change(percent_a_month: float | None, digits: int) -> str:
    """The change a month of values with so many digits; a change that rounds to zero has no sign."""
    return "–" if percent_a_month is None else f"{percent_change(percent_a_month, digits)} %"


def characteristic(name: str) -> str:
    """A characteristic's name as it is read aloud."""
    return name.replace("_", " ")


def day(stamp: str | None) -> str:
    """The date of an ISO 8601 time: 3 Aug 2026."""
    if stamp is None:
        return "–"
    moment = datetime.fromisoformat(stamp)
    return f"{moment.day} {moment:%b %Y}"


def weekday(stamp: str | None) -> str:
    """The date of an ISO 8601 time with its day of the week: Mon 3 Aug 2026."""
    return "–" if stamp is None else f"{datetime.fromisoformat(stamp):%a} {day(stamp)}"


def moment(stamp: str | None) -> str:
    """Date and time of day of an ISO 8601 time: 3 Aug 2026, 09:40."""
    return "–" if stamp is None else f"{day(stamp)}, {datetime.fromisoformat(stamp):%H:%M}"


def age(stamp: str | None, looked_at: str | None) -> str:
    """The time from a moment to the last round: today, 6 days, 9 weeks."""
    if stamp is None or looked_at is None:
        return "–"
    days = (datetime.fromisoformat(looked_at).date() - datetime.fromisoformat(stamp).date()).days
    if days <= 0:
        return "today"
    return counted(days, "day") if days < 21 else counted(days // 7, "week")


def listed(names: Sequence[str], most: int = 6) -> str:
    """Names in a sentence: A, B and C; beyond `most`, the rest is a count."""
    if len(names) > most:
        names = [*names[: most - 1], f"{len(names) - most + 1} more"]
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


SHORT_WORDS = {
    "limit": "a lot failed the limit",
    "point": "outlier",
    "pattern": "run pattern",
    "spread": "variation above normal",
    "forecast": "a failing lot is likely",
}


NEAR_DATE = "lots in stock near their date"
NO_LONGER_LIKELY = "a failing lot was likely"


# Alerts of one stream are named in this order, the most telling first; "stock" and "undecided" are forms of other kinds.
TELLING = ("limit", "forecast", "drift", "undecided", "point", "spread", "pattern", "no longer", "stock")
MOST_NAMED = 3


def happenings(alerts: Sequence[AlertReason | Alert], likely: float) -> str:
    """The open alerts of one stream in a few words: the most telling three, and how many more.

    `likely` is the chance of a failing lot from which a forecast raises an alert.
    """
    telling: dict[str, int] = {}
    for alert in alerts:
        facts = shown(alert["evidence"])
        what, form = str(facts.get("what", alert["kind"])), facts.get("form", "")
        order = form if form in ("undecided", "stock") else what
        if order == "forecast" and not _is_likely(facts, likely):
            order = "no longer"
        words = shortly(alert["kind"], alert["evidence"], likely)
        if alert["evidence"].get("explained_by"):
            words += ", attributed to the bench"
        telling[words] = TELLING.index(order) if order in TELLING else len(TELLING)
    named = sorted(telling, key=telling.__getitem__)
    more = [f"{len(named) - MOST_NAMED} more"] if len(named) > MOST_NAMED else []
    return "; ".join([*named[:MOST_NAMED], *more])


def _is_likely(facts: ShownEvidence, likely: float) -> bool:
    """Whether a failing lot is still as likely as for a new alert; the evidence of an alert holds the present chance."""
    chance = facts.get("breach_probability")
    return chance is not None and chance >= likely


def shortly(kind: str, evidence: Evidence, likely: float) -> str:
    """An alert in a few words, for a row of the board: "rising since about 17 Apr 2026"."""
    facts = shown(evidence)
    what = facts.get("what", kind)
    if facts.get("form") == "undecided":
        outside = outside_text(facts.get("bags_outside"), facts.get("bags"))
        return f"a lot is undecided, {outside}" if outside else "a lot is undecided"
    if facts.get("form") == "stock":
        return NEAR_DATE
    if what == Kind.FORECAST and not _is_likely(facts, likely):
        chance = facts.get("breach_probability")
        return NO_LONGER_LIKELY + ("" if chance is None else f", now {chance_text(chance)} chance")
    if what != Kind.DRIFT:
        return SHORT_WORDS.get(what, kind)
    going = way(facts.get("direction", 0), facts.get("change_percent_per_month"), facts.get("digits", 3))
    since = facts.get("since_at")
    return going if since is None else f"{going} since about {day(since)}"


def evidence(alert: Alert) -> list[str]:
    """The evidence of an alert as short facts."""
    parts = shown(alert["evidence"])
    unit, lots, limits = parts.get("unit", ""), parts.get("lots"), limits_of(parts)
    facts = []
    if since := parts.get("since_at"):
        about = interval(parts.get("since_low_at"), parts.get("since_high_at"))
        facts.append(f"began {'about ' if about else ''}{day(since)}{about}")
    # A finding by a record of the bench says all in its sentence.
    facts += _shared_shift(parts) if parts.get("shifts") and "shown_by" not in parts else []
    usual, latest = parts.get("usual"), parts.get("latest_level")
    normal, last = amounts([usual, latest], unit, parts.get("digits", 3))
    if usual is not None:
        facts.append(f"normal {normal}")
    if latest is not None:
        bound = parts.get("latest_bound", 0)
        value = amount(latest, unit, bound, parts.get("digits", 3)) if bound else last
        facts.append(f"last lot of it {parts['latest_lot']}, {value}")
    if limits is not None and limits != "no limit":
        facts.append(f"limit {limits}")
    # Where the present figures lead, they are not repeated among the facts.
    if (now := alert["now"]) is not None and not present_text(alert):
        facts.append(now_text(now))
    if isinstance(lots, list):
        facts.append(f"lots {listed(lots)}")
    if because := parts.get("closed_because"):
        facts.append(f"closed automatically: {because}")
    return facts


def present_text(alert: Alert) -> str:
    """The present figures of an open alert whose sentence is of an earlier day, the figure of its kind first; else empty.

    A forecast, a drift and a variation go on changing while the alert is open; its sentence keeps the figures of its day.
    """
    now, facts = alert["now"], shown(alert["evidence"])
    if now is None or alert["state"] == "closed" or facts.get("what") not in (Kind.FORECAST, Kind.DRIFT):
        return ""
    if now["last_lot"] is None or now["last_lot"] == alert["lot"]:
        return ""
    chance = f"{chance_text(now['breach_probability'])} chance of a failing lot within the horizon"
    level = f"level {stream_level(now)}"
    if now["change_percent_per_month"] is not None:
        level += f", {change(now['change_percent_per_month'], digits_of(now))} a month"
    if now["breach_probability"] is None:
        parts = [level]
    else:
        parts = [chance, level] if facts["what"] == Kind.FORECAST else [level, chance]
    return f"Now {'; '.join(parts)} (last lot {now['last_lot']})"


def now_text(now: AlertNow | BoardRow) -> str:
    """The present figures of an alert's stream, labelled: "now: level 16.7 nJ, last lot BF04286, +6.5 % a month"."""
    text = f"now: level {stream_level(now)}, last lot {now['last_lot'] or '–'}"
    if now["change_percent_per_month"] is not None:
        text += f", {change(now['change_percent_per_month'], digits_of(now))} a month"
    if now["breach_probability"] is not None:
        text += f", chance of a failing lot {chance_text(now['breach_probability'])}"
    return text


def limits_of(parts: ShownEvidence) -> str | None:
    """The specification limits in the evidence; None for a kind of alert without a stream."""
    if "limit_upper" not in parts:
        return None
    return room_to_limit(
        {
            "unit": parts["unit"],
            "digits": parts.get("digits", 3),
            "limit_lower": parts["limit_lower"],
            "limit_upper": parts["limit_upper"],
        }
    )


def _shared_shift(parts: ShownEvidence) -> list[str]:
    """The evidence of a shift common to several suppliers: its intervals, the streams, and other possible sources."""
    facts = [
        f"{shift['quantity']} between {_two_digits(shift['low'])} and {_two_digits(shift['high'])} {shift['unit']}"
        + ("" if shift["check_standards"] is None else f", check standard {_two_digits(shift['check_standards'])}")
        for shift in parts["shifts"]
        if shift["low"] is not None
    ]
    facts.append(f"lots of {counted(len(parts['streams']), 'stream')} were measured with it")
    if parts["apart"]:
        facts.append(f"also moved on their own: {listed(parts['apart'])}")
    if parts["alternatives"]:
        facts.append(f"cannot be told apart from: {listed(parts['alternatives'])}")
    if parts.get("rivals"):  # An upgraded store has them from its next round on
        facts.append(f"nearly as likely: {listed(parts['rivals'])}")
    return facts


def wander(document: StreamDocument) -> str:
    """What follows for limits and capability where the level wanders; empty where it does not."""
    moves = document.get("wander")
    if not moves:
        return ""
    return (
        f"The process wanders: since {day(moves['since_at'])} its level has moved away and come back {moves['moves']} times, "
        "so it has no lasting place. Control limits do not describe the next lot, and no capability is given. Look for "
        "a cause that comes and goes. Failing lots and forecasts still raise alerts; further moves of the level do not."
    )


def humidity(document: StreamDocument) -> str:
    """The effect of humidity within its tolerance on a stream, and the last lot adjusted to the declared humidity."""
    effect = document["humidity"]
    if not effect:
        return "The effect of humidity is not known: too few lots, or too little variation of humidity."
    size, low, high = effect["slope"], effect["slope_low"], effect["slope_high"]
    unit, lots = effect["slope_unit"], counted(effect["lots"], "lot")
    ends = f"{_two_digits(low)} to {_two_digits(high)}"
    if not effect["known"]:
        return f"Cannot tell whether humidity within tolerance has an effect: {lots} leave it open."
    if not effect["matters"]:
        return f"No effect of humidity within tolerance found in {lots}: {ends} {unit} per 1 % RH."
    text = f"{_two_digits(size)} {unit} per 1 % RH ({ends}), from {lots}."
    last = next((point for point in reversed(document["points"]) if point["adjusted_level"] is not None), None)
    if last is None:
        return text
    adjusted = in_unit(document, last["adjusted_level"])
    return (
        f"{text} Adjusted to {effect['adjusted_to']:g} % RH, the last lot would read {adjusted}: for information only; the "
        "measured value is the record."
    )


def _two_digits(value: float | None) -> str:
    """A signed number with two significant digits and no power of ten."""
    if value is None:
        return "–"
    return signed(value, ".0f" if abs(value) >= 10 else ".2g")


def required_humidity(low: float, high: float) -> str:
    """The range of humidity that a test is judged by, with the hours for which it holds: fewer than the log may have."""
    return f"{low:.1f} to {high:.1f} % RH in the required hours up to the test"


def counted(number: int, one: str, many: str | None = None) -> str:
    """A count with its noun: 1 lot, 3 lots."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def false_mark_text(price: PatternPrice, alerts_a_year: float) -> str:
    """How often the chart flags a stable stream by chance, and what raises an alert instead."""
    weeks = price["weeks_a_false_mark"]
    span = "" if weeks is None else f"{weeks:.0f} weeks" if weeks < 104 else f"{weeks / 52.18:.1f} years"
    pace = f", here about every {span}" if span else ""
    names = ", ".join(name.replace("_", " ") for name in price["patterns"])
    return (
        f"The chart flags {counted(len(price['patterns']), 'pattern')}: {names}. A stable stream is flagged by chance about "
        f"every {price['lots_a_false_mark']:.0f} lots{pace}. A flag alone raises no alert: alerts come from the alarm rule, "
        f"which allows {alerts_a_year:g} false alarms a year for each stream."
    )


def complaints(files: Sequence[RoundFile | CheckedFile], key: Literal["reason", "note"]) -> list[tuple[str, str]]:
    """The name of each file with a reason or a note, and that text without the name."""
    return [(file["name"], text.removeprefix(f"{file['name']}: ")) for file in files if (text := file[key])]


def round_text(document: RoundDocument, problems: list[str]) -> str:
    """The result of a round."""
    files = document["files"]
    unread = ["Left in the drop folders:", *[f"  {line}" for line in document["unread"]]] if document["unread"] else []
    if not files and not problems and not document["evaluated"]:
        return "\n".join(["Nothing new in the drop folders.", *unread])
    read = [file for file in files if file["state"] != "refused"]
    refused, raised = sum(file["refused"] for file in files), document["raised"]
    sentences = []
    if read:
        duplicate, corrected = sum(file["duplicate"] for file in read), sum(file["corrected"] for file in read)
        seen = sum(file["state"] == "seen" for file in read)
        parts = [f"{counted(sum(file['stored'] for file in read), 'row')} stored"]
        parts += [f"{counted(duplicate, 'row')} known already"] if duplicate else []
        parts += [f"{counted(corrected, 'row')} corrected"] if corrected else []
        parts += [f"{counted(seen, 'file')} read before"] if seen else []
        sentences.append(f"{counted(len(read), 'file')} read: {', '.join(parts)}.")
    if refused:
        sentences.append(f"{counted(refused, 'row')} refused: see the reports in refused/, with the original cells.")
    if len(files) > len(read):
        sentences.append(f"{counted(len(files) - len(read), 'file')} refused:")
    sentences += [f"  {line}" for line in counted_lines(complaints(files, "reason"))]
    omitted = sum(file["omitted"] for file in files)
    if omitted:
        sentences.append(f"{counted(omitted, 'cell')} left out that can't be read; the readings are stored.")
    sentences += [f"  {line}" for line in counted_lines(complaints(files, "note"))]
    sentences += unread
    if document["evaluated"]:
        sentences.append(f"{counted(document['evaluated'], 'stream')} evaluated.")
    if document["to_look_at"]:
        sentences.append(f"{counted(document['to_look_at'], 'test')} with suspect values: see the bench page.")
    sentences.append(f"{counted(len(raised), 'new alert')}." if raised else "No new alert.")
    sentences += [f"  {alert['grade']}: {alert['message']}" for alert in raised[:10]]
    if len(raised) > 10:
        sentences.append(f"  and {len(raised) - 10} more: lotdrift alerts")
    return "\n".join(sentences)
