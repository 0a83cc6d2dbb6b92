"""Names of files that are handed out: they hold letters, digits and hyphens, so no name leads out of a folder or breaks a header."""

from __future__ import annotations

import unicodedata
from hashlib import sha256

__all__ = ["MOST_CHARACTERS", "attachment", "distinguishing_mark", "plain_name"]

MOST_CHARACTERS = 60


def plain_name(name: str) -> str:
    """The ASCII letters and digits of a name, letters without their accents, with a hyphen for what lies between; may be empty."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    spelt = "".join(c if c.isascii() and c.isalnum() else "-" for c in bare)
    return "-".join(part for part in spelt.split("-") if part)


def distinguishing_mark(name: str) -> str:
    """Eight characters that tell apart names which are alike once they are plain."""
    return sha256(name.encode()).hexdigest()[:8]


def attachment(file_name: str) -> dict[str, str]:
    """The header by which a browser saves an answer as a file."""
    return {"Content-Disposition": f'attachment; filename="{file_name}"'}
