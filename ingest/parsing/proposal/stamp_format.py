"""Derive the format of date and time from the cells of a column, and name the doubt that they leave."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["StampFormat", "day_format", "holds_days", "holds_stamps", "holds_times", "stamp_format"]

ISO = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
DAY = re.compile(r"([0-9]{1,4})([./-])([0-9]{1,2})\2([0-9]{1,4})")
# So many cells show the format; all of them show the order of day and month.
SAMPLE = 200
TIME = re.compile(r"([0-9]{1,2}):([0-9]{2})(:[0-9]{2})?([.,][0-9]{1,6})?(\s*[AaPp]\.?[Mm]\.?)?")

STAMP = re.compile(rf"(?:{ISO.pattern}|{DAY.pattern})(?:[T\s]|,\s*){TIME.pattern}(?:Z|[+-][0-9]{{2}}:?[0-9]{{2}})?")


@dataclass(frozen=True, slots=True)
class StampFormat:
    """A strptime format, None for ISO 8601 or an unknown one, and what is uncertain about it ("" for nothing).

    `other` is the format in the other order of day and month, where the cells leave the order open.
    """

    form: str | None
    doubt: str = ""
    other: str | None = None


def holds_days(cells: Sequence[str]) -> bool:
    """Whether all cells are days without a time."""
    return bool(cells) and all(DAY.fullmatch(cell) for cell in cells)


def holds_times(cells: Sequence[str]) -> bool:
    """Whether all cells are times of day without a day."""
    return bool(cells) and all(TIME.fullmatch(cell) for cell in cells)


def holds_stamps(cells: Sequence[str]) -> bool:
    """Whether all cells are days with a time of day."""
    return bool(cells) and all(STAMP.fullmatch(cell) for cell in cells)


def day_format(cells: Sequence[str]) -> StampFormat:
    """Return the format of days; `cells` are distinct filled cells."""
    if not cells:
        return StampFormat(
            None, "no day is filled in, so its format is not known; declare time_format if it is not ISO 8601"
        )
    sample = cells[:SAMPLE]
    if not holds_days(sample):
        # An export may write a day as midnight.
        return stamp_format(cells)
    days = [day for cell in sample if (day := DAY.fullmatch(cell)) is not None]
    if any(day[2] != days[0][2] for day in days):
        return StampFormat(None, f'the days, such as "{cells[0]}", are in no known format; declare time_format')
    if all(ISO.fullmatch(cell) for cell in sample):
        return StampFormat(None)
    return _day_form(days, cells)


def stamp_format(cells: Sequence[str]) -> StampFormat:
    """Return the format of stamps; `cells` are distinct filled cells, a day and its time of day joined by a blank."""
    if not cells:
        return StampFormat(
            None, "no time is filled in, so its format is not known; declare time_format if it is not ISO 8601"
        )
    sample = cells[:SAMPLE]
    if all(ISO.match(cell) for cell in sample):
        return StampFormat(None)
    days = [DAY.match(cell) for cell in sample]
    first = days[0]
    if first is None or any(day is None or day[2] != first[2] for day in days):
        return StampFormat(None, f'the times, such as "{cells[0]}", are in no known format; declare time_format')
    day = _day_form([one for one in days if one is not None], cells)
    rest = [cell[match.end() :] for cell, match in zip(sample, days, strict=True) if match is not None]
    time = _time_form(rest)
    if time is None:
        return StampFormat(
            None, f'"{cells[0]}" has no time of day that can be read; declare time_column or time_format'
        )
    return StampFormat(f"{day.form}{time}", day.doubt, day.other and day.other + time)


def _day_form(days: Sequence[re.Match[str]], cells: Sequence[str]) -> StampFormat:
    mark = days[0][2]
    if all(len(day[1]) == 4 for day in days):
        return StampFormat(mark.join(("%Y", "%m", "%d")))
    year = "%Y" if len(days[0][4]) == 4 else "%y"
    day_first, month_first = mark.join(("%d", "%m", year)), mark.join(("%m", "%d", year))
    every = [day for cell in cells if (day := DAY.match(cell)) is not None]
    # A slip in a few rows must not refuse the others.
    only_day_first, only_month_first = (sum(int(day[part]) > 12 for day in every) for part in (1, 3))
    if only_day_first or only_month_first:
        return StampFormat(day_first if only_day_first >= only_month_first else month_first)
    # With dots the day comes first wherever they are used (common practice); other marks leave it open.
    if mark == ".":
        return StampFormat(day_first)
    doubt = (
        f'"{days[0][0]}" could be day or month first; day first is proposed, for the other order declare time_format with '
        f'"{month_first}"'
    )
    return StampFormat(day_first, doubt, month_first)


def _time_form(rests: Sequence[str]) -> str | None:
    lead = re.match(r"[\sT,]*", rests[0])
    assert lead is not None
    match = TIME.fullmatch(rests[0][lead.end() :])
    if match is None or any(TIME.fullmatch(rest.lstrip(" T,")) is None for rest in rests):
        return None
    hour = "%I" if match[5] else "%H"
    blank = " " if match[5] and match[5][0].isspace() else ""
    return (
        lead[0] + hour + ":%M" + (":%S" if match[3] else "") + (f"{match[4][0]}%f" if match[4] else "")
        + (f"{blank}%p" if match[5] else "")
    )  # fmt: skip
