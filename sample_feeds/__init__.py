"""An invented lab with its feeds, for the demo: README.md describes the scenario, `generate` writes the files."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path

__all__ = ["LAST_TEST", "MARK", "copy_to"]

# The file that marks a lab folder as a demo: the README with the dates of this copy.
MARK = "INVENTED.md"
# The last reading of the feeds as they are stored.
LAST_TEST = datetime(2026, 11, 20, 10, 1, tzinfo=UTC)

WEEK = timedelta(weeks=1)
FEEDS = ("calibrations", "climate", "loads", "stock", "tests", "waveforms")
# Dates in the plain files, and in the export of the evening bench.
DATES = re.compile(rb"\b(\d{4})-(\d\d)-(\d\d)|\b(\d\d)\.(\d\d)\.(\d{4})\b")
IN_NAME = re.compile(r"\d{4}-\d\d-\d\d")
# The oldest day of the feeds, on which a reference was made; an older one is that of an edition of a standard and stays.
FIRST_DAY = date(2024, 1, 1)
# Exports are made on the evening of the day in their name.
EXPORT_HOUR = 18


def copy_to(folder: Path, until: datetime) -> Path:
    """Make a lab folder whose last test lies within the seven days before `until`.

    All dates move by one whole number of weeks, so that days of the week, pauses and conditioning stay as they are.
    File times follow the dates, so that the drops are taken in the order of the calendar.

    Parameters
    ----------
    folder : Path
        The folder to fill; created if missing.
    until : datetime
        The moment by which everything has happened, aware.

    Returns
    -------
    Path
        `folder`.
    """
    shift = (until - LAST_TEST) // WEEK * WEEK
    moved = _mover(shift)
    home = files(__name__)
    for feed in FEEDS:
        target = folder / "drops" / feed
        target.mkdir(parents=True, exist_ok=True)
        for item in home.joinpath(feed).iterdir():
            if item.name.endswith(".csv"):
                _write(target, item.name, moved(item.read_bytes()), shift, until)
    (folder / "studies").mkdir(exist_ok=True)
    for item in home.joinpath("studies").iterdir():
        if item.name.endswith(".csv"):
            (folder / "studies" / item.name).write_bytes(moved(item.read_bytes()))
    (folder / "lab.toml").write_bytes(moved(home.joinpath("lab.toml").read_bytes()))
    (folder / MARK).write_bytes(moved(home.joinpath("README.md").read_bytes()))
    return folder


def _write(target: Path, name: str, data: bytes, shift: timedelta, until: datetime) -> None:
    # Every feed carries the day of its last row.
    last_day = IN_NAME.search(name)
    assert last_day is not None
    day = date.fromisoformat(last_day[0]) + shift
    path = target / name.replace(last_day[0], day.isoformat())
    path.write_bytes(data)
    exported = datetime(day.year, day.month, day.day, EXPORT_HOUR, tzinfo=UTC)
    seconds = min(exported, until).timestamp()
    os.utime(path, (seconds, seconds))


def _mover(shift: timedelta) -> Callable[[bytes], bytes]:
    """A function that moves every date in a text; each distinct date is computed once."""
    moved: dict[bytes, bytes] = {}

    def move(match: re.Match[bytes]) -> bytes:
        text = match[0]
        if text not in moved:
            moved[text] = _moved(match, shift)
        return moved[text]

    return lambda text: DATES.sub(move, text)


def _moved(match: re.Match[bytes], shift: timedelta) -> bytes:
    year, month, day, day_first, month_second, year_last = match.groups()
    if year is not None:
        named = date(int(year), int(month), int(day))
        return (named + (shift if named >= FIRST_DAY else timedelta())).isoformat().encode()
    return f"{date(int(year_last), int(month_second), int(day_first)) + shift:%d.%m.%Y}".encode()
