"""Alert mails in the outbox: who gets one, when many become one, and that names stay text."""

from __future__ import annotations

from email import message_from_bytes
from email.policy import default
from pathlib import Path
from typing import Any

from dashboard.notify import STORM, leave_mails


def alert(number: int, **other: Any) -> dict[str, Any]:
    about = {"id": f"a{number}", "grade": "act", "state": "open", "raised_at": "2026-08-21T08:40:00+00:00"}
    return {**about, "message": f"Alder Film MB-{number}, shielding energy: rising", **other}


def test_each_new_alert_is_one_mail_with_what_moved_and_the_caution(tmp_path: Path) -> None:
    (path,) = leave_mails(tmp_path / "outbox", [alert(1)], "Bench")

    mail = message_from_bytes(path.read_bytes(), policy=default)
    assert mail["Subject"] == "[lotdrift] Alder Film MB-1, shielding energy: rising"
    body = mail.get_content()
    assert body.startswith("act: Alder Film MB-1, shielding energy: rising (21 Aug 2026)")
    assert "it releases none" in body


def test_notes_and_what_is_settled_are_not_mailed(tmp_path: Path) -> None:
    quiet = [alert(1, grade="note"), alert(2, state="closed"), alert(3, state="acknowledged")]

    assert leave_mails(tmp_path / "outbox", quiet, "Bench") == []
    assert not (tmp_path / "outbox").exists()


def test_a_storm_is_one_mail_that_counts(tmp_path: Path) -> None:
    (path,) = leave_mails(tmp_path / "outbox", [alert(number) for number in range(STORM + 1)], "Bench")

    mail = message_from_bytes(path.read_bytes(), policy=default)
    assert mail["Subject"] == f"[lotdrift] {STORM + 1} new alerts"
    assert mail.get_content().count("Alder Film") == STORM + 1


def test_the_same_round_again_leaves_no_second_mail(tmp_path: Path) -> None:
    first = leave_mails(tmp_path / "outbox", [alert(1), alert(2)], "Bench")
    again = leave_mails(tmp_path / "outbox", [alert(1), alert(2)], "Bench")

    assert first == again
    assert sorted(path.name for path in (tmp_path / "outbox").iterdir()) == ["a1.eml", "a2.eml"]
