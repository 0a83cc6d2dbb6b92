"""The sentence of an alert: what moved, how much, since when, and which limit it concerns."""

from __future__ import annotations

from ingest.common.instants import from_microseconds
from ingest.common.number_format import amount, way
from ingest.common.streams import Stream
from ingest.common.text import printable
from ingest.documents.alert import StoredBenchEvidence, StoredStreamEvidence
from spc.vocabulary.unit_error import ErrorCause, ErrorExtent, UnitError

__all__ = ["bench_message", "message", "slip", "suspect_named"]


def message(stream: Stream, evidence: StoredStreamEvidence) -> str:
    """One sentence for one alert."""
    where = f"{stream.supplier} {stream.product}, {stream.characteristic.replace('_', ' ')}"
    away = "; this is away from the limit" if evidence["away_from_limit"] else ""
    doubt = f". {evidence['may_be_a_slip']}" if evidence["may_be_a_slip"] else ""
    return printable(f"{where}: {SENTENCES[evidence['what']](evidence)}{away}{doubt}")


def bench_message(evidence: StoredBenchEvidence) -> str:
    """One sentence for a shared shift: the candidate source, its shift, since when, and the evidence."""
    until = evidence["off_until_us"]
    since = f"since about {_day(evidence['off_from_us'])}"
    span = since if until is None else f"from about {_day(evidence['off_from_us'])} to {_day(until)}"
    verb = "reads" if until is None else "read"
    named = suspect_named(evidence["suspect_kind"], evidence["suspect"], evidence["quantity"])
    return printable(f"{named} {verb} {_shifts(evidence)} {span}: {_reasons(evidence)}")


def suspect_named(kind: str, suspect: str, quantity: str | None) -> str:
    """The candidate source of a shift, as the subject of a sentence."""
    return printable(SUSPECT[kind].format(suspect=suspect, quantity=quantity))


PLAIN_HUMIDITY = 0.3
"""Smallest difference in humidity (% RH) for which the sentence states its effect on resistance."""

SUSPECT = {
    "instrument": "{suspect}",
    "chamber": "what comes from chamber {suspect}",
    "chamber and quantity": "{quantity} of what comes from chamber {suspect}",
    "load": "what came with load {suspect}",
    "quantity": "every {suspect}",
}


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
    humidity = evidence["humidity"]
    if humidity and humidity["before"] is not None and humidity["during"] is not None:
        off, other = humidity["during"], humidity["before"]
        if evidence["returned"]:
            off, other = other, off
        weeks = "since" if evidence["returned"] else "in the weeks before"
        conditioned = f"conditioned at {off:.1f} % RH, {other:.1f} % {weeks}"
        parts.append(conditioned + _humidity_alone(off - other, evidence))
    return ", ".join(parts) or "the check standard moved"


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
    """What is off about a marked session, as a question to whoever wrote it."""
    what = "the whole test reads" if mark.extent == ErrorExtent.ALL else "some readings are"
    if mark.cause == ErrorCause.LOGARITHM:
        return f"It may be a slip: {what} like logarithms among values; look at the file"
    times = f"{10 ** abs(mark.power):,}"
    off = f"{times} times the usual" if mark.power > 0 else f"a {times}th of the usual"
    return f"It may be a slip: {what} about {off}, as if another unit was meant; look at the file"


def _limit(evidence: StoredStreamEvidence) -> str:
    if evidence["form"] == "undecided":
        return _undecided(evidence)
    unit, over = evidence["unit"], evidence["direction"] > 0
    edge = evidence["limit_upper"] if over else evidence["limit_lower"]
    judged = (
        "a lot with readings out of range"
        if evidence["judged"] is None
        else f"a lot at {amount(evidence['judged'], unit)}"
    )
    first = f"{judged}, {'not under' if over else 'below'} the limit of {amount(edge, unit)}"
    return first + (
        f"; {evidence['lots']} lots so, the latest {evidence['latest_lot']}" if evidence["lots"] > 1 else ""
    )


def _undecided(evidence: StoredStreamEvidence) -> str:
    unit, edges = evidence["unit"], (evidence["limit_lower"], evidence["limit_upper"])
    limit = " and ".join(amount(edge, unit) for edge in edges if edge is not None)
    why = (
        "readings beyond the range of the meter leave it open"
        if evidence["judged"] is None
        else f"{amount(evidence['judged'], unit)} is within the guard band"
    )
    more = f"; {evidence['lots']} lots so, the latest {evidence['latest_lot']}" if evidence["lots"] > 1 else ""
    return f"a lot undecided against the limit of {limit}: {why}{more}"


def _point(evidence: StoredStreamEvidence) -> str:
    return f"one lot at {amount(evidence['level'], evidence['unit'], evidence['level_bound'])}, usual is {amount(evidence['usual'], evidence['unit'])}"


def _drift(evidence: StoredStreamEvidence) -> str:
    change = evidence["change_percent_per_month"]
    going, unit = way(evidence["direction"], change), evidence["unit"]
    since = "" if evidence["since_us"] is None else f" since about {_day(evidence['since_us'])}"
    pace = f", {change:+.1f} % a month" if change is not None and going in ("rising", "falling", "moving") else ""
    return f"{going}{since}{pace}; lot mean {amount(evidence['latest_level'], unit, evidence['latest_bound'])}, usual was {amount(evidence['usual'], unit)}"


def _spread(evidence: StoredStreamEvidence) -> str:
    between = "readings on a bag" if evidence["form"] == "reading_spread" else "bags"
    return f"{between} scatter more than usual (level {amount(evidence['level'], evidence['unit'], evidence['level_bound'])})"


def _pattern(evidence: StoredStreamEvidence) -> str:
    return f"{evidence['form'].replace('_', ' ')} (level {amount(evidence['latest_level'], evidence['unit'], evidence['latest_bound'])})"


def _forecast(evidence: StoredStreamEvidence) -> str:
    chance, now = (
        evidence["breach_probability"],
        amount(evidence["latest_level"], evidence["unit"], evidence["latest_bound"]),
    )
    if chance is None:
        return f"a breach was likely within the horizon; then {now}"
    return f"{100 * chance:.0f} % chance of a breach within the horizon; lot mean {now}"


def _day(microseconds: int) -> str:
    moment = from_microseconds(microseconds)
    return f"{moment.day} {moment:%b %Y}"


SENTENCES = {
    "limit": _limit,
    "point": _point,
    "drift": _drift,
    "spread": _spread,
    "pattern": _pattern,
    "forecast": _forecast,
}
