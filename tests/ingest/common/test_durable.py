"""Files that others find are on the disk before anything is noted of them."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pytest
from support.alarms import Alarms

from dashboard.scorecard import export
from ingest.alerts import delivery_queue
from ingest.common import durable

Steps = list[tuple[str, str]]


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> Steps:
    """What is brought to the disk and what is moved, in order; the real calls are made."""
    seen: Steps = []
    real_fsync, real_replace = os.fsync, Path.replace

    def fsync(number: int) -> None:
        path = Path(f"/proc/self/fd/{number}").resolve()
        # A file that is still empty would be brought to the disk in vain.
        seen.append(("synced", "a draft" if path.suffix == ".draft" and path.stat().st_size else path.name))
        real_fsync(number)

    def replace(self: Path, target: Path) -> Path:
        seen.append(("moved", target.name))
        return real_replace(self, target)

    monkeypatch.setattr(os, "fsync", fsync)
    monkeypatch.setattr(Path, "replace", replace)
    return seen


def test_a_mail_is_on_the_disk_before_it_is_noted_as_sent(
    tmp_path: Path, steps: Steps, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = delivery_queue.mark_sent

    def mark_sent(*args: Any) -> None:
        steps.append(("noted", "as sent"))
        real(*args)

    monkeypatch.setattr(delivery_queue, "mark_sent", mark_sent)
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")
    steps.clear()

    assert alarms.deliver() == []

    assert steps == [
        ("synced", tmp_path.name),  # the name of the folder outbox
        ("synced", "a draft"),
        ("moved", "one.eml"),
        ("synced", "outbox"),
        ("noted", "as sent"),
    ]
    assert list(alarms.outbox()) == ["one.eml"]


def test_an_export_is_on_the_disk_before_it_is_named(tmp_path: Path, steps: Steps) -> None:
    path = tmp_path / "exports" / "deep" / "card.html"

    export.write_file(path, b"figures")

    assert steps == [
        ("synced", "exports"),
        ("synced", tmp_path.name),
        ("synced", "a draft"),
        ("moved", "card.html"),
        ("synced", "deep"),
    ]
    assert path.read_bytes() == b"figures"


def test_what_fails_half_way_leaves_the_old_file_and_no_draft(tmp_path: Path) -> None:
    path = tmp_path / "card.html"
    path.write_bytes(b"old")

    def fill(out: Any) -> None:
        out.write(b"half of the ne")
        raise OSError(28, "No space left on device")

    with pytest.raises(OSError, match="No space left"):
        durable.write_whole(path, fill)

    assert {one.name: one.read_bytes() for one in tmp_path.iterdir()} == {"card.html": b"old"}


def test_a_file_has_the_rights_that_the_account_leaves_to_new_files(tmp_path: Path) -> None:
    usual = os.umask(0o027)
    try:
        durable.write_whole(tmp_path / "card.html", lambda out: out.write(b"figures"))
    finally:
        os.umask(usual)

    assert (tmp_path / "card.html").stat().st_mode & 0o777 == 0o640
