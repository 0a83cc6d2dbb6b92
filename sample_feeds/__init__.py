"""An invented lab with its feeds, for the demo: README.md tells the scenario, `generate` draws the files."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from importlib.resources import files
from pathlib import Path

__all__ = ["LAST_TEST", "MARK", "copy_to"]

# The file by which a lab folder is known to be a demo: the story book, with the dates of this copy.
MARK = "INVENTED.md"
# The last reading of the feeds as they are stored.
LAST_TEST = datetime(2026, 11, 20, 10, 1, tzinfo=UTC)

WEEK = timedelta(weeks=1)
FEEDS = ("climate", "tests")
# Dates as the plain files write them, and as the export of the evening bench does.
DATES = re.compile(rb"\b(\d{4})-(\d\d)-(\d\d)|\b(\d\d)\.(\d\d)\.(\d{4})\b")
IN_NAME = re.compile(r"\d{4}-\d\d-\d\d")
# Exports are made on the evening of the day in their name.
EXPORT_HOUR = 18


def copy_to(folder: Path, until: datetime) -> Path:
    """Make a lab folder whose last test lies within the seven days before `until`.

    All dates move by one whole number of weeks, so that days of the week, pauses and conditioning stay as they are.
    File times follow the dates, so that the drops are taken in the order of the calendar.

    Parameters
    ----------
    folder : Path
        The folder to fill; it is made where it is not there.
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
    (folder / "lab.toml").write_bytes(home.joinpath("lab.toml").read_bytes())
    (folder / MARK).write_bytes(moved(home.joinpath("README.md").read_bytes()))
    return folder


def _write(target: Path, name: str, data: bytes, shift: timedelta, until: datetime) -> None:
    found = IN_NAME.search(name)
    assert found is not None  # every feed carries the day to which it reaches
    day = date.fromisoformat(found[0]) + shift
    path = target / name.replace(found[0], day.isoformat())
    path.write_bytes(data)
    exported = datetime(day.year, day.month, day.day, EXPORT_HOUR, tzinfo=UTC)
    seconds = min(exported, until).timestamp()
    os.utime(path, (seconds, seconds))


def _mover(shift: timedelta) -> Callable[[bytes], bytes]:
    """A function that moves every date in a text; each distinct date is worked out once."""
    known: dict[bytes, bytes] = {}

    def move(found: re.Match[bytes]) -> bytes:
        text = found[0]
        if text not in known:
            known[text] = _moved(found, shift)
        return known[text]

    return lambda text: DATES.sub(move, text)


def _moved(found: re.Match[bytes], shift: timedelta) -> bytes:
    year, month, day, day_first, month_second, year_last = found.groups()
    if year is not None:
        return (date(int(year), int(month), int(day)) + shift).isoformat().encode()
    return f"{date(int(year_last), int(month_second), int(day_first)) + shift:%d.%m.%Y}".encode()
