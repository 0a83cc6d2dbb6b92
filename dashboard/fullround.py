"""A round as the commands and the server do it: drops, readings and alerts, then what the quarters that ended rest on."""

from __future__ import annotations

from datetime import datetime

from dashboard import firstdrawn
from ingest import rounds
from ingest.lab import Lab
from ingest.progress import Watch, unwatched
from ingest.store import open_store

__all__ = ["full_round"]


def full_round(lab: Lab, now: datetime, watch: Watch = unwatched) -> rounds.Round:
    """Do one round, then draw up the quarters that are over by now; it raises as `rounds.run` does."""
    done = rounds.run(lab, now, watch)
    firstdrawn.note(open_store(lab.folder), lab)
    return done
