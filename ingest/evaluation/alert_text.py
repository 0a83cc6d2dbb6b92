"""The sentence of an alert: what moved, how much, since when, and which limit it concerns."""

from __future__ import annotations

from datetime import tzinfo

from ingest.common.instants import from_microseconds, printed_day
from ingest.common.number_format import amounts, chance_text, digits_of, in_unit, percent_change, way
from ingest.common.streams import Stream
from ingest.common.text import capitalised, printable
from ingest.documents.alert import LogDeparture, ShownBy, StoredBenchEvidence, StoredStreamEvidence
from spc.vocabulary.enums import WANDER, Kind
from spc.vocabulary.unit_error import ErrorCause, ErrorExtent, UnitError

__all__ = [
    "NOT_SHOWN",
    "bench_message",
    "dated_lots",
    "message",
    "off_span",
    "outside_text",
    "place_named",
    "slip",
    "suspect_named",
]


# Their figures go on changing while the alert is open, so the sentence names the day of its figures.
DATED = (Kind.DRIFT, Kind.FORECAST, Kind.SPREAD)


def message(stream: Stream, evidence: StoredStreamEvidence, zone: tzinfo) -> str:
    """One sentence for one alert, with the figures of the day on which its evidence was complete."""
    where = f"{stream.supplier} {stream.product}, {stream.characteristic.replace('_', ' ')}"
    away = "; the level moves away from the limit" if evidence["away_from_limit"] else ""
    doubt = f". {evidence['may_be_a_slip']}" if evidence["may_be_a_slip"] else ""
    day = f" (as of {_day(evidence['latest_tested_us'], zone)})" if evidence["what"] in DATED else ""
    said = _drift(evidence, zone) if evidence["what"] == Kind.DRIFT else SENTENCES[evidence["what"]](evidence)
    return printable(f"{where}: {said}{day}{away}{doubt}")


def bench_message(evidence: StoredBenchEvidence, zone: tzinfo) -> str:
    """One sentence for a shared shift: the candidate source, its shift, since when, and the evidence."""
    until = evidence["off_until_us"]
    first, last = _day(evidence["off_from_us"], zone), None if until is None else _day(until, zone)
    withdrawn = last is not None and evidence.get("closed_because") == NOT_SHOWN
    span = f"from about {first} to {last}, withdrawn because {NOT_SHOWN}" if withdrawn else off_span(None, first, last)
    verb = SUSPECT[evidence["suspect_kind"]][1] if until is None else "read"
    named = suspect_named(evidence["suspect_kind"], evidence["suspect"], evidence["quantity"])
    text = f"{named} {verb} {_shifts(evidence)} {span}: {_reasons(evidence)}"
    return printable(capitalised(text))


def off_span(shown_by: ShownBy | None, first: str | None, last: str | None) -> str:
    """When a source was off, in the words of every surface; `first` and `last` are days, None where there is none.

    The lots show about when a shift began. A calibration shows what it found and not since when: `first` is then the day of the
    last good evidence. A sensor is not known to be right from its last good check on.
    """
    if shown_by == "calibration":
        return f"at its calibration of {last}; since when is not known, not before {first}"
    if first is None:
        return f"{f'until {last}, ' if last else ''}without an earlier check"
    about = "about " if shown_by is None else ""
    return f"since {about}{first}" if last is None else f"from {about}{first}, normal again from {last}"


def suspect_named(kind: str, suspect: str, quantity: str | None) -> str:
    """The candidate source of a shift, as the subject of a sentence."""
    place = place_named(kind.partition(" ")[0], suspect)
    return printable(SUSPECT[kind][0].format(suspect=suspect, place=place, quantity=quantity))


def dated_lots(passed: int, due: int, when: str) -> str:
    """The lots in stock past their date, and those whose date comes by a day or in the weeks from a day; empty where there is none."""
    parts = [f"{passed:,} lot{'' if passed == 1 else 's'} past the date"] if passed else []
    if due:
        more = "more" if passed else f"lot{'' if due == 1 else 's'} with a date"
        parts.append(f"{due:,} {more} {when}")
    return " and ".join(parts)


def outside_text(outside: int | None, bags: int | None) -> str:
    """The bags of a test outside its limit, of all: "4 of 6 bags outside"; empty where all are inside."""
    return f"{outside} of {bags} bag{'' if bags == 1 else 's'} outside" if outside else ""


def place_named(kind: str, name: str) -> str:
    """A chamber or load with its noun, which its name may hold already: "chamber A", "Chamber 2"."""
    return name if name.casefold().startswith(kind) else f"{kind} {name}"


NOT_SHOWN = "the lots since then do not show it"
"""Why a finding about the bench was withdrawn."""

PLAIN_HUMIDITY = 0.3
"""Smallest difference in humidity (% RH) for which the sentence states its effect on resistance."""

SUSPECT = {
    "instrument": ("{suspect}", "reads"),
    "chamber": ("lots conditioned in {place}", "read"),
    "chamber and quantity": ("{quantity} of lots conditioned in {place}", "reads"),
    "load": ("lots of {place}", "read"),
    "quantity": ("{suspect} on every instrument", "reads"),
}
"""The candidate source as the subject of a sentence, and its verb."""


def _shifts(evidence: StoredBenchEvidence) -> str:
    sizes = [(shift["quantity"], shift["unit"], shift["size"]) for shift in evidence["shifts"]]
    estimated = [(quantity, unit, size) for quantity, unit, size in sizes if size is not None]
    return " and ".join(
        f"{'' if len(estimated) == 1 else quantity + ' '}{abs(size):.2g} {unit} {'high' if size > 0 else 'low'}"
        for quantity, unit, size in ((one, unit, _while_off(size, unit, evidence)) for one, unit, size in estimated)
    )


def _while_off(size: float, unit: str, evidence: StoredBenchEvidence) -> float:
    """The shift of the weeks that were off: where the finding is the return to normal, the shift seen from there."""
    if not evidence["returned"]:
        return size
    return 100.0 * (1.0 / (1.0 + size / 100.0) - 1.0) if unit == "%" else -size


def _reasons(evidence: StoredBenchEvidence) -> str:
    parts = []
    if evidence["check_score"] is not None:
        fits = evidence["check_score"] * evidence["direction"]
        parts.append("the check standard moved with it" if fits > 3 else "the check standard does not show it plainly")
    if evidence["suppliers"] > 1:
        parts.append(f"{evidence['agreeing']} of {evidence['suppliers']} suppliers moved the same way")
    if evidence.get("streams_on_source", 0) > evidence["suppliers"]:
        parts.append(f"with {evidence['streams_agreeing']} of {evidence['streams_on_source']} streams")
    humidity, departure = evidence["humidity"], evidence.get("log_departure")
    if departure is not None:
        # It holds the humidity of the tests before and during the shift.
        parts.append(_log(str(evidence.get("log")), departure))
    elif humidity and humidity["before"] is not None and humidity["during"] is not None:
        off, other = humidity["during"], humidity["before"]
        if evidence["returned"]:
            off, other = other, off
        weeks = "since" if evidence["returned"] else "in the weeks before"
        conditioned = f"conditioned at {off:.1f} % RH, {other:.1f} % {weeks}"
        parts.append(conditioned + _humidity_alone(off - other, evidence))
    return ", ".join(parts) or "the check standard moved"


def _log(log: str, departure: LogDeparture) -> str:
    """What the log of the chamber shows beside the departure of humidity that the films show."""
    films = f"the films show {round(departure['fitted'], 1) + 0.0:+.1f} ± {1.96 * departure['fitted_se']:.1f} % RH"
    logged = f"{round(departure['logged'], 1) + 0.0:+.1f} % RH"
    often = ""
    if departure["spans"]:
        share = 100 * departure["like"] / departure["spans"]
        often = f"; the log departs as much in {share:.0f} of 100 spans of {departure['days']} days"
    if log == "agrees":
        return f"the chamber log agrees with humidity as the cause ({logged}; {films}{often})"
    if log == "contradicts":
        return f"the chamber log contradicts humidity as the cause ({logged}; {films}{often})"
    if departure["sensor"] == "second":
        return f"the second sensor of the chamber is silent ({logged}; {films}), so humidity is unlikely"
    return f"the chamber log is silent ({logged}; {films}), which rules nothing out: its sensor may be the one that controls"


def _humidity_alone(change: float, evidence: StoredBenchEvidence) -> str:
    """Whether humidity can explain a shift of resistance: a film conducts better in damper air (common practice)."""
    shift = next((one for one in evidence["shifts"] if one["quantity"] == "resistance" and one["size"]), None)
    if shift is None or shift["size"] is None or abs(change) < PLAIN_HUMIDITY:
        return ""
    moved = _while_off(shift["size"], shift["unit"], evidence)
    air, does = ("damper", "lowers") if change > 0 else ("drier", "raises")
    if (moved > 0) == (change < 0):
        return f" ({air} air {does} resistance: humidity alone can do this)"
    return f" ({air} air {does} resistance, so humidity did not do this)"


def slip(mark: UnitError) -> str:
    """Why the values of a marked session are suspect, and what to do."""
    what = "the whole test reads" if mark.extent == ErrorExtent.ALL else "some readings are"
    if mark.cause == ErrorCause.LOGARITHM:
        return f"Possible typing error: {what} like logarithms among values; check the file"
    times = f"{10 ** abs(mark.power):,}"
    off = f"{times} times the normal level" if mark.power > 0 else f"one {times}th of the normal level"
    return f"Possible unit error: {what} about {off}, as if in another unit; check the file"


def _limit(evidence: StoredStreamEvidence) -> str:
    if evidence["form"] == "undecided":
        return _undecided(evidence)
    over = evidence["direction"] > 0
    judged, edge = _compared(evidence, evidence["judged"], evidence["limit_upper" if over else "limit_lower"])
    value = "a lot with readings out of range" if evidence["judged"] is None else f"lot at {judged}"
    text = f"{value} fails the limit ({'under' if over else 'at least'} {edge})"
    return text + (f"; {evidence['lots']} lots so far, latest {evidence['latest_lot']}" if evidence["lots"] > 1 else "")


def _undecided(evidence: StoredStreamEvidence) -> str:
    edges = (evidence["limit_lower"], evidence["limit_upper"])
    limit = " to ".join(in_unit(evidence, edge) for edge in edges if edge is not None)
    why = (
        "readings beyond the range of the meter leave it open"
        if evidence["judged"] is None
        else f"{in_unit(evidence, evidence['judged'])} is within the guard band"
    )
    outside = outside_text(evidence.get("bags_outside"), evidence.get("bags"))
    bags = f"; {outside}" if outside else ""
    more = f"; {evidence['lots']} lots so far, latest {evidence['latest_lot']}" if evidence["lots"] > 1 else ""
    return f"a lot undecided against the limit{'s' if None not in edges else ' of'} {limit}: {why}{bags}{more}"


def _point(evidence: StoredStreamEvidence) -> str:
    level, center = _compared(evidence, evidence["level"], evidence["usual"])
    if evidence["level_bound"]:
        level = in_unit(evidence, evidence["level"], evidence["level_bound"])
    return f"outlier: lot mean {'out of range' if evidence['level'] is None else level}, centre line {center}"


def _drift(evidence: StoredStreamEvidence, zone: tzinfo) -> str:
    change, digits = evidence["change_percent_per_month"], digits_of(evidence)
    going = way(evidence["direction"], change, digits)
    since = "" if evidence["since_us"] is None else f" since about {_day(evidence['since_us'], zone)}"
    moving = change is not None and going in ("rising", "falling")
    # The trend that the forecast goes on with: in a move that may be a step it is far less than the move so far.
    pace = (
        f"; expected from here on {percent_change(change, digits)} % a month" if change is not None and moving else ""
    )
    level, center = _compared(evidence, evidence["latest_level"], evidence["usual"])
    if evidence["latest_bound"]:
        level = _latest(evidence)
    lasting = ": the level has no lasting place" if evidence["form"] == WANDER else ""
    return f"{going}{since}{lasting}; lot mean {level}, centre line {center}{pace}"


def _spread(evidence: StoredStreamEvidence) -> str:
    between = "variation between readings on a bag" if evidence["form"] == "reading_spread" else "bag-to-bag variation"
    return f"{between} above normal, lot mean {in_unit(evidence, evidence['level'], evidence['level_bound'])}"


def _pattern(evidence: StoredStreamEvidence) -> str:
    pattern = evidence["form"].replace("_", " ")
    return f"run pattern, {pattern} (lot mean {_latest(evidence)})"


def _forecast(evidence: StoredStreamEvidence) -> str:
    chance = evidence["breach_probability"]
    if chance is None:
        return f"a failing lot was likely within the horizon; lot mean then {_latest(evidence)}"
    return f"{chance_text(chance)} chance of a failing lot within the horizon; lot mean {_latest(evidence)}"


def _latest(evidence: StoredStreamEvidence) -> str:
    return in_unit(evidence, evidence["latest_level"], evidence["latest_bound"])


def _compared(evidence: StoredStreamEvidence, *values: float | None) -> list[str]:
    """Values of one sentence, with enough digits to show their difference."""
    return amounts(values, evidence["unit"], digits_of(evidence))


def _day(microseconds: int, zone: tzinfo) -> str:
    return printed_day(from_microseconds(microseconds).astimezone(zone))


SENTENCES = {
    "limit": _limit,
    "point": _point,
    "spread": _spread,
    "pattern": _pattern,
    "forecast": _forecast,
}
