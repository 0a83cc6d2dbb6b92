"""The worrying facts beside a verdict: bags outside the limit, the worst bag, a level outside the control limits."""

from __future__ import annotations

from dashboard.text.formatting import counted, digits_of, in_unit, room_to_limit
from ingest.common.number_format import Measured
from ingest.documents.lot import LevelRange, Reading, Session
from ingest.documents.verdict.bag_count import BagCount
from ingest.evaluation.alert_text import outside_text

__all__ = ["bags_text", "is_reading_outside", "level_text", "verdict_text"]


def is_reading_outside(session: Session, reading: Reading) -> bool:
    """Whether a single reading is outside the limit, as written; its bag need not be: that goes by the mean of the bag."""
    lower, upper, value, bound = session["limit_lower"], session["limit_upper"], reading["value"], reading["bound"]
    over = upper is not None and value >= upper and bound >= 0
    return over or (lower is not None and value < lower and bound <= 0)


def level_text(level: float | None, span: LevelRange | None, stream: Measured) -> str:
    """A level, or the range that bounded readings leave open: "13.9 nJ or more", "9.10 nJ to 14.0 nJ"."""
    if span is None:
        return in_unit(stream, level)
    low, high = span["low"], span["high"]
    if low is None and high is None:
        return "open: readings beyond the range of the meter"
    if high is None:
        return f"{in_unit(stream, low)} or more"
    if low is None:
        return f"{in_unit(stream, high)} or less"
    return f"{in_unit(stream, low)} to {in_unit(stream, high)}"


def bags_text(count: BagCount | None, stream: Measured) -> str:
    """The bags outside the limit and the worst of them: "3 of 6 bags outside; worst bag 32.1 nJ"."""
    if count is None or not (count["outside"] or count["undecided"]):
        return ""
    parts = []
    if count["outside"]:
        parts.append(outside_text(count["outside"], count["bags"]))
    if count["undecided"]:
        parts.append(f"{count['undecided']} of {counted(count['bags'], 'bag')} undecided")
    parts.append(f"worst bag {in_unit(stream, count['worst'], count['worst_bound'])}")
    return ", ".join(parts)


def verdict_text(
    verdict: str,
    judged_by: str,
    count: BagCount | None,
    outside_control: bool,
    limits: tuple[float | None, float | None],
    stream: Measured,
) -> str:
    """A verdict with what a reader must know beside it: "pass on the mean; 3 of 6 bags outside the limit (under 20.0 nJ)"."""
    text = f"pass on the {judged_by}" if verdict == "pass" and judged_by == "mean" else verdict
    if bags := bags_text(count, stream):
        limit = room_to_limit(
            {"unit": stream["unit"], "digits": digits_of(stream), "limit_lower": limits[0], "limit_upper": limits[1]}
        )
        text += f"; {bags} (limit {limit})"
    return f"{text}; level outside the control limits" if outside_control else text
