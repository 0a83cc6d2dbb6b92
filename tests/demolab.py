"""The demo lab after its first round, made once a test session; a test that writes takes a copy."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import sample_feeds
from ingest import rounds
from ingest.lab import load

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@cache
def demo_lab(session_folder: Path) -> Path:
    """The lab folder, below the temporary folder of the session."""
    folder = session_folder / "demo-lab"
    folder.mkdir()
    sample_feeds.copy_to(folder, NOW)
    rounds.run(load(folder), NOW)
    return folder


def copy_of(lab: Path, to: Path) -> Path:
    """A lab of one's own to write in."""
    return Path(shutil.copytree(lab, to))
