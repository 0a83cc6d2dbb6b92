"""Captures beside their recorded figures, in words."""

from __future__ import annotations

from dashboard.text.bench.waveform_text import MARKS
from dashboard.text.formatting import amount, characteristic, counted, day, listed
from ingest.documents.bench.capture import CaptureDay, SessionCapture, SessionCaptures
from ingest.documents.lot import Session

__all__ = ["capture_remarks", "day_sentence", "findings", "is_serious", "name_of", "times"]


def is_serious(captures: SessionCaptures) -> bool:
    """Whether the captures cast doubt on the recorded figures."""
    lost = any(_is_lost(one) for one in captures["captures"])
    return (
        lost
        or captures["is_another_verdict"]
        or (captures["agreement"] is not None and captures["agreement"]["is_off"])
    )


def findings(session: Session) -> list[str]:
    """What the captures of a session say of its recorded figures and what to do, the gravest first."""
    captures = session["captures"]
    assert captures is not None
    name, unit, every = characteristic(session["characteristic"]), session["unit"], captures["captures"]
    lines = []
    lost = [one for one in every if _is_lost(one)]
    if lost:
        lowest = min(one["recorded"] for one in lost)
        lines.append(
            f"No discharge in {'the capture' if len(lost) == 1 else 'the captures'} of {listed([name_of(one) for one in lost])}, beside a "
            f"recorded {amount(lowest, unit)}: a missed trigger or a loose lead looks like an excellent bag. "
            f"{'This is' if len(lost) == 1 else 'These are'} no result; test again."
        )
    if captures["is_another_verdict"]:
        lines.append(
            f"By the captures {name} would be {amount(captures['recomputed'], unit)}, not {amount(session['judged'], unit)}: the verdict would be "
            f"{captures['verdict']}, not {session['verdict']}. Find out which of the two is wrong before anybody uses this lot."
        )
    if captures["agreement"] is not None and captures["agreement"]["is_off"]:
        lines.append(day_sentence(captures["agreement"]))
    far = [one for one in every if one["is_far"]]
    if far:
        lines.append(
            f"{listed([name_of(one) for one in far])}: far from the other discharges of the day. Look for a wrong file, a clipped record or a "
            "missed trigger."
        )
    if not lines and captures["agreement"] is not None:
        lines.append(
            f"Recorded and recomputed energies agree: {times(captures['agreement']['ratio'])} times (± {100 * captures['agreement']['uncertainty']:.0f} %). "
            "Nothing to do."
        )
    if not lines:
        lines.append("No recorded figure can be compared with its capture: one of the two is a bound.")
    count = f"{counted(len(every), 'capture')} of {counted(captures['readings'], 'reading')}"
    return [*lines, f"{count}. The recorded figures stay the record."]


def day_sentence(one: CaptureDay) -> str:
    """A day on which the recorded energies differ from the captures by a factor, what fits, and what to do."""
    causes = f" Set-up errors that fit: {'; '.join(one['causes'])}." if one["causes"] else ""
    return (
        f"{day(one['day'])}: recorded energies are {times(one['ratio'])} times those of {counted(one['captures'], 'capture')} "
        f"(± {100 * one['uncertainty']:.0f} %).{causes} Check the set-up of tester and capture before anybody relies on the tests of that day."
    )


def times(ratio: float) -> str:
    """A ratio with two digits behind the point, or three digits where it is far from 1."""
    return f"{ratio:.2f}" if 0.1 <= ratio < 10 else f"{ratio:.3g}"


def name_of(one: SessionCapture) -> str:
    """The bag and the reading of a capture."""
    return f"bag {one['specimen']} reading {one['reading']}"


def capture_remarks(one: SessionCapture) -> str:
    """The marks of a capture in words."""
    return "; ".join(
        [*(MARKS[mark] for mark in one["marks"]), *(["far from the others of the day"] if one["is_far"] else [])]
    )


def _is_lost(one: SessionCapture) -> bool:
    return "no_discharge" in one["marks"]
