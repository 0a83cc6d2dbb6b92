"""A round as commands and server do it: take in the drops, derive everything, then draw up the quarters that are over."""

from __future__ import annotations

from datetime import datetime

from ingest.common.progress import Progress, no_progress
from ingest.config.lab import Lab
from ingest.quarter import first_issue
from ingest.rounds import rounds
from ingest.store.store import open_store

__all__ = ["full_round"]


def full_round(lab: Lab, now: datetime, watch: Progress = no_progress) -> rounds.Round:
    """Do one round, then draw up the quarters that are over by now; it raises as `rounds.run` does."""
    done = rounds.run(lab, now, watch)
    first_issue.record_first_issue(open_store(lab.folder), lab)
    return done
