"""Instruments in words: their state, their drift, and what one that was found off has touched."""

from __future__ import annotations

from collections.abc import Sequence

from dashboard.text.formatting import counted, day, in_unit
from ingest.documents.bench.instrument import FoundOff, Instrument, InstrumentState

__all__ = ["STATES", "SUPPOSITIONS", "found_off_line", "headline", "instrument_line", "levels", "next_step", "turns"]

STATES: dict[InstrumentState, str] = {
    "checked": "in date and checked",
    "unchecked": "not checked",
    "overdue": "past its calibration date",
    "failed": "failed its set-up check",
}
SUPPOSITIONS = ("step after the last good evidence", "straight drift", "step at the calibration before")


def headline(documents: Sequence[Instrument]) -> str:
    """The instruments that nobody should test on, or that all are in order."""
    wrong = [one for one in documents if one["state"] in ("failed", "overdue")]
    if wrong:
        return " ".join(f"{one['name']} {STATES[one['state']]}." for one in wrong)
    if not documents:
        return "No instrument is named in the tests yet."
    checked = [one for one in documents if one["state"] == "checked"]
    return f"{counted(len(checked), 'instrument')} of {len(documents)} in date and checked."


def next_step(documents: Sequence[Instrument]) -> str:
    """What to do first."""
    wrong = [one["name"] for one in documents if one["state"] in ("failed", "overdue")]
    if wrong:
        return f"Do not test on {', '.join(wrong)} until it is calibrated or passes its check; an authorised person decides about the tests since."
    touched = [one for one in documents if any(lot["changes"] for sheet in one["found_off"] for lot in sheet["lots"])]
    if touched:
        return (
            f"Decide about the lots that {', '.join(one['name'] for one in touched)} may have judged wrongly (below)."
        )
    unchecked = [one["name"] for one in documents if one["state"] == "unchecked"]
    if unchecked:
        return f"Record the calibration of {', '.join(unchecked)}, or run its set-up check before the next test."
    return "Nothing to do."


def instrument_line(one: Instrument) -> str:
    """State, due date and drift in one or two sentences."""
    parts = [STATES[one["state"]]]
    if one["due_on"]:
        parts.append(f"next calibration due {day(one['due_on'])}")
    if one["drift_percent_year"] is not None:
        longest = f"; within tolerance for about {one['longest_days']:.0f} days" if one["longest_days"] else ""
        parts.append(f"drift {one['drift_percent_year']:+.1f} % a year{longest}".replace("-", "\N{MINUS SIGN}"))
    if one["gates"]:
        parts.append("its tests do not count while it is overdue or failed")
    return f"{one['name']}: {'; '.join(parts)}."


def found_off_line(sheet: FoundOff) -> str:
    """What a calibration found, since when the instrument may have been wrong, and how many verdicts would change."""
    size = abs(sheet["deviation_percent"])
    way = "high" if sheet["deviation_percent"] > 0 else "low"
    always = sum(lot["changes"] == len(SUPPOSITIONS) for lot in sheet["lots"])
    some = sum(0 < lot["changes"] < len(SUPPOSITIONS) for lot in sheet["lots"])
    return (
        f"Found {size:g} % {way} on {day(sheet['found_at'])} (tolerance {sheet['tolerance_percent']:g} %). Last good evidence: "
        f"{sheet['good_by']} of {day(sheet['good_at'])}. Of {counted(len(sheet['lots']), 'test')} since the calibration of "
        f"{day(sheet['calibrated_at'])}, the verdict of {always} would change under every supposition and of {some} under some. "
        "No reading was corrected."
    )


def turns(changes: int) -> str:
    """How many suppositions change a verdict."""
    if changes == len(SUPPOSITIONS):
        return "changes under all"
    return f"changes under {changes} of {len(SUPPOSITIONS)}" if changes else "stands"


def levels(sheet: FoundOff, place: int) -> list[str]:
    """The level of a lot as read and under each supposition, with the unit."""
    lot = sheet["lots"][place]
    return [in_unit(lot, lot[name]) for name in ("level", "after_check", "straight", "at_calibration")]
