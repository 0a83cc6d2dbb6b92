"""New alerts as mail files: one a message, left in the lab's `outbox/` for a mail program or a person to send.

The name of a file depends only on its alert, so a round that is done again after a kill leaves the same file and no
second one. A storm becomes one message that counts.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from email.message import EmailMessage
from email.policy import SMTP
from pathlib import Path
from typing import Any

from dashboard.sentences import CAUTIONS, counted, day

__all__ = ["leave_mails"]

Document = dict[str, Any]

# More new alerts than this in one round are told in one message.
STORM = 5
MAILED_GRADES = ("act", "look")


def leave_mails(outbox: Path, raised: Sequence[Document], lab_name: str) -> list[Path]:
    """Write the mails of one round; only alerts that are open and of grade act or look are worth one."""
    told = [alert for alert in raised if alert["grade"] in MAILED_GRADES and alert["state"] == "open"]
    if not told:
        return []
    outbox.mkdir(parents=True, exist_ok=True)
    if len(told) > STORM:
        name = hashlib.sha256("".join(sorted(alert["id"] for alert in told)).encode()).hexdigest()[:12]
        return [_write(outbox, name, f"{counted(len(told), 'new alert')}", told, lab_name)]
    return [_write(outbox, alert["id"], alert["message"], [alert], lab_name) for alert in told]


def _write(outbox: Path, name: str, subject: str, alerts: Sequence[Document], lab_name: str) -> Path:
    message = EmailMessage(policy=SMTP)
    # Names come from files; the alert's sentence holds no control characters, and the library folds the line.
    message["Subject"] = f"[lotdrift] {subject}"[:180]
    message["Message-ID"] = f"<{name}@lotdrift.invalid>"
    lines = [f"{alert['grade']}: {alert['message']} ({day(alert['raised_at'])})" for alert in alerts]
    message.set_content("\n\n".join(["\n".join(lines), f"{lab_name}. See it with: lotdrift serve", CAUTIONS]) + "\n")
    path = outbox / f"{name}.eml"
    draft = path.with_suffix(".draft")
    draft.write_bytes(message.as_bytes())
    draft.replace(path)
    return path
