"""Instruments in words: their state, their drift, and what one that was found off has touched."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from dashboard.text.bench.advice import Advice, Urgency, most_urgent
from dashboard.text.formatting import counted, day, in_unit, listed, signed
from dashboard.text.urls import INSTRUMENTS
from ingest.common.text import capitalised
from ingest.documents.bench.instrument import CheckRow, FoundOff, Instrument, InstrumentState, OverdueInstrument
from ingest.documents.lot import SessionBench

__all__ = [
    "OUTCOMES", "STATES", "SUPPOSITIONS", "advice", "check_reading", "check_words", "found_off_line", "headline", "instrument_line", "levels",
    "next_step", "overdue_line", "short_state", "since_last_good", "tested_on", "turns", "wide_check_line",
]  # fmt: skip

STATES: dict[InstrumentState, str] = {
    "checked": "in date and checked",
    "unchecked": "not checked",
    "overdue": "past its calibration date",
    "failed": "failed its set-up check",
}
OUTCOMES = {
    "passed": "passed",
    "failed": "failed",
    "open": "not decided: its scatter allows either result",
}
NOTHING = "Nothing to do."
SUPPOSITIONS = ("step after the last good evidence", "straight drift", "step at the calibration before")


def headline(documents: Sequence[Instrument]) -> str:
    """The instruments that nobody should test on, or that all are in order."""
    wrong = [one for one in documents if one["state"] in ("failed", "overdue")]
    if wrong:
        return " ".join(f"{one['name']} {'is ' * (one['state'] == 'overdue')}{STATES[one['state']]}." for one in wrong)
    if not documents:
        return "No instrument is named in the tests yet."
    checked = [one for one in documents if one["state"] == "checked"]
    whole = [one for one in checked if _state(one) == STATES["checked"]]
    count = counted(len(whole), "instrument") if whole else "No instrument"
    rest = [f"{capitalised(one['name'])} is {_state(one)}." for one in checked if one not in whole]
    return " ".join([f"{count} of {len(documents)} in date and checked.", *rest])


def next_step(documents: Sequence[Instrument]) -> str:
    """What to do first."""
    first = most_urgent(advice(documents))
    return NOTHING if first is None else first.text


def advice(documents: Sequence[Instrument]) -> list[Advice]:
    """What the instruments ask for."""
    asks = []

    def add(urgency: Urgency, text: str) -> None:
        asks.append(Advice(urgency, text, INSTRUMENTS))

    wrong = [one["name"] for one in documents if one["state"] in ("failed", "overdue")]
    if failed := [one["name"] for one in documents if one["state"] == "failed"]:
        add(Urgency.STOP, _do_not_test_on(failed, "is calibrated or passes its check"))
    # A check that passes shows nothing of a calibration that is overdue.
    if line := overdue_line(
        [
            {"name": one["name"], "due_on": one["due_on"]}
            for one in documents
            if one["state"] == "overdue" and one["due_on"]
        ]
    ):
        add(Urgency.STOP, line)
    for one in documents:
        if one["name"] not in wrong and _is_unsettled(one):
            last = one["checks"][0]
            which = f"the one of {day(last['at'])} {check_reading(last)}"
            if last["outcome"] == "failed":
                add(
                    Urgency.STOP,
                    f"Do not test on {one['name']} until it passes its set-up check: {which} and failed.",
                )
            else:
                add(
                    Urgency.DECIDE,
                    f"Repeat the set-up check of {one['name']} with more specimens before the next test: {which}, and its scatter does not decide it.",
                )
    if off := [one["name"] for one in documents if one["capture_days"]]:
        add(
            Urgency.DECIDE,
            f"Check the set-up of {', '.join(off)}: recorded energies differ from those of the captures (below).",
        )
    if touched := [
        one["name"] for one in documents if any(lot["changes"] for sheet in one["found_off"] for lot in sheet["lots"])
    ]:
        add(Urgency.DECIDE, f"Decide about the lots whose verdict {', '.join(touched)} may have changed (below).")
    for one in documents:
        if one["state"] == "unchecked" and not _is_unsettled(one):
            add(
                Urgency.RECORD,
                f"Run the set-up check of {one['name']} before the next test."
                if one["calibrations"]
                else f"Record the calibration of {one['name']}, or run its set-up check before the next test.",
            )
    if sheets := [one["name"] for one in documents if one["found_off"] and one["name"] not in touched]:
        add(
            Urgency.TIDY,
            f"No verdict would change, but read the sheet of {', '.join(sheets)}: it was found out of tolerance (below).",
        )
    return asks


def overdue_line(overdue: Sequence[OverdueInstrument]) -> str:
    """What to do about the instruments whose calibration is past its due date; empty where there are none."""
    names = [f"{one['name']} (calibration due {day(one['due_on'])})" for one in overdue]
    return _do_not_test_on(names, "is calibrated") if names else ""


def _do_not_test_on(names: Sequence[str], until: str) -> str:
    it = "it" if len(names) == 1 else "each"
    return f"Do not test on {listed(names)} until {it} {until}; an authorised person decides about the tests since."


def _is_unsettled(one: Instrument) -> bool:
    """Whether the last set-up check did not pass, and no calibration came after it."""
    if not one["checks"] or one["checks"][0]["outcome"] == "passed":
        return False
    checked = datetime.fromisoformat(one["checks"][0]["at"])
    return not any(datetime.fromisoformat(row["done_at"]) > checked for row in one["calibrations"])


def check_reading(check: CheckRow) -> str:
    """What a set-up check read against its expected value."""
    off, low, high = check["deviation_percent"], check["low_percent"], check["high_percent"]
    if off is None or low is None or high is None:
        return "has readings beyond the range of the meter"
    way = "high" if off > 0 else "low"
    interval = f"95 %: {signed(low, '.1f')} to {signed(high, '.1f')} %"
    return f"read {abs(off):.1f} % {way} ({interval}; tolerance {check['tolerance_percent']:g} %)"


def check_words(check: CheckRow) -> str:
    """The outcome of a set-up check."""
    if check["again"]:
        return "failed: outside its tolerance on one side, as the check before"
    return OUTCOMES[check["outcome"]]


def since_last_good(checks: Sequence[CheckRow]) -> list[CheckRow]:
    """The checks from the latest back to the last one that passed; `checks` has the latest first."""
    last_good = next((place for place, one in enumerate(checks) if one["outcome"] == "passed"), len(checks))
    return list(checks[: last_good + 1])


def instrument_line(one: Instrument) -> str:
    """State, due date and drift in one or two sentences."""
    parts = [_state(one)]
    if one["due_on"]:
        parts.append(f"next calibration due {day(one['due_on'])}")
    if one["drift_percent_year"] is not None:
        longest = f"; within tolerance for about {one['longest_days']:.0f} days" if one["longest_days"] else ""
        parts.append(f"drift {signed(one['drift_percent_year'], '.1f')} % a year{longest}")
    if one["gates"]:
        parts.append("its tests do not count while it is overdue or failed")
    return f"{one['name']}: {'; '.join(parts)}."


def wide_check_line(one: Instrument) -> str:
    """The warning of a set-up check that is too wide for its instrument; empty where it is not."""
    if one["wide_check_percent"] is None:
        return ""
    return (
        f"A passed set-up check does not show {one['name']} inside its tolerance of {one['tolerance_percent']:g} %: the check allows "
        f"{one['wide_check_percent']:g} %. Narrow tolerance_percent of its [[check_standard]] in lab.toml."
    )


def _state(one: Instrument) -> str:
    """The state of an instrument; where the lab keeps no record of one kind for it, only the other is claimed."""
    if one["state"] == "checked" and not one["checks"]:
        return "in date, with no set-up check on record"
    if one["state"] == "checked" and not one["calibrations"]:
        return "checked, with no calibration on record"
    return STATES[one["state"]]


def short_state(one: Instrument) -> str:
    """The state of an instrument in a word or two; "checked" is not claimed of one without a set-up check."""
    return "in date" if one["state"] == "checked" and not one["checks"] else str(one["state"])


def tested_on(bench: SessionBench) -> str:
    """The instruments of a test with their state that day, of several the worst; empty where the test names none."""
    return f"{listed(bench['instruments'])} ({STATES[bench['state']]})" if bench["instruments"] else ""


def found_off_line(sheet: FoundOff) -> str:
    """What a calibration found, since when the instrument may have been wrong, and how many verdicts would change."""
    size = abs(sheet["deviation_percent"])
    way = "high" if sheet["deviation_percent"] > 0 else "low"
    marked = sum(_moment(lot["tested_at"]) > _moment(sheet["good_at"]) for lot in sheet["lots"])
    always = sum(lot["changes"] == len(SUPPOSITIONS) for lot in sheet["lots"])
    some = sum(0 < lot["changes"] < len(SUPPOSITIONS) for lot in sheet["lots"])
    return (
        f"Found {size:g} % {way} on {day(sheet['found_at'])} (tolerance {sheet['tolerance_percent']:g} %). Last good evidence: "
        f"{sheet['good_by']} of {day(sheet['good_at'])}. Of {counted(len(sheet['lots']), 'test')} since the calibration of "
        f"{day(sheet['calibrated_at'])}, {marked} of them after the last good evidence, the verdict of {always} would change under every supposition and of {some} under some. "
        "No reading was corrected."
    )


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


def turns(changes: int) -> str:
    """How many suppositions change a verdict."""
    if changes == len(SUPPOSITIONS):
        return "changes under all"
    return f"changes under {changes} of {len(SUPPOSITIONS)}" if changes else "stands"


def levels(sheet: FoundOff, place: int) -> list[str]:
    """The level of a lot as read and under each supposition, with the unit."""
    lot = sheet["lots"][place]
    return [in_unit(lot, lot[name]) for name in ("level", "after_check", "straight", "at_calibration")]
