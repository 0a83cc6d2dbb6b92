"""The demo lab after its first round, made once for all processes of a test run; a test that writes takes a copy."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from filelock import FileLock

import sample_feeds
from ingest.config.lab import load
from ingest.rounds import rounds

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


@cache
def demo_lab(session_folder: Path, store: str | None = None) -> Path:
    """The lab folder, below the temporary folder of the process; its store is a file where no server is named."""
    if store is None:
        return copy_of(_template(session_folder), session_folder / "demo-lab")
    folder = session_folder / "demo-lab-on-a-server"
    sample_feeds.copy_to(folder, NOW)
    declared = folder / "lab.toml"
    text = declared.read_text(encoding="utf-8")
    declared.write_text(text.replace("[lab]\n", f'[lab]\nstore = "{store}"\n', 1), encoding="utf-8")
    rounds.run(load(folder), NOW)
    return folder


def _template(session_folder: Path) -> Path:
    """A demo lab that nobody opens: the first process to ask makes it, the others wait and take copies."""
    # Each process of a parallel run has its temporary folder below the one of the run.
    run_folder = session_folder.parent if "PYTEST_XDIST_WORKER" in os.environ else session_folder
    template = run_folder / "demo-lab-template"
    with FileLock(run_folder / "demo-lab-template.lock"):
        if not template.exists():
            making = run_folder / "demo-lab-unfinished"
            sample_feeds.copy_to(making, NOW)
            rounds.run(load(making), NOW)
            making.rename(template)
    return template


def copy_of(lab: Path, to: Path) -> Path:
    """A lab of one's own to write in."""
    return Path(shutil.copytree(lab, to))
