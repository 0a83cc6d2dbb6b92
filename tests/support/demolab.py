"""The demo lab after its first round, made once a test session; a test that writes takes a copy."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import sample_feeds
from ingest.config.lab import load
from ingest.rounds import rounds

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@cache
def demo_lab(session_folder: Path, store: str | None = None) -> Path:
    """The lab folder, below the temporary folder of the session; its store is a file where no server is named."""
    folder = session_folder / ("demo-lab" if store is None else "demo-lab-on-a-server")
    folder.mkdir()
    sample_feeds.copy_to(folder, NOW)
    if store is not None:
        declared = folder / "lab.toml"
        text = declared.read_text(encoding="utf-8")
        declared.write_text(text.replace("[lab]\n", f'[lab]\nstore = "{store}"\n', 1), encoding="utf-8")
    rounds.run(load(folder), NOW)
    return folder


def copy_of(lab: Path, to: Path) -> Path:
    """A lab of one's own to write in."""
    return Path(shutil.copytree(lab, to))
