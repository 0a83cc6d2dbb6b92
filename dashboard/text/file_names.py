"""Names of files that are handed out: they hold letters, digits and hyphens, so no name leads out of a folder or breaks a header."""

from __future__ import annotations

import re
import unicodedata
from hashlib import sha256

__all__ = ["MOST_CHARACTERS", "attachment", "distinguishing_mark", "plain_name"]

MOST_CHARACTERS = 60
# Letters that Unicode does not take apart, and whose name does not give the letter they are written with.
SPELT = {"ß": "ss", "ẞ": "SS", "ð": "d", "Ð": "D", "þ": "th", "Þ": "Th", "ı": "i", "ŋ": "ng", "Ŋ": "Ng"}
# Such as LATIN SMALL LETTER O WITH STROKE, LATIN CAPITAL LETTER AE, LATIN SMALL LIGATURE OE.
LATIN_LETTER = re.compile(r"LATIN (SMALL|CAPITAL) (?:LETTER|LIGATURE) ([A-Z]{1,2})(?: WITH .*)?")


def plain_name(name: str) -> str:
    """The name in ASCII letters and digits, each letter beyond ASCII as the one it is written with, with a hyphen for what lies between.

    It is empty where no letter of the name can be written so.
    """
    bare = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    spelt = "".join(_spelt(c) for c in bare)
    return "-".join(part for part in spelt.split("-") if part)


def _spelt(letter: str) -> str:
    if letter.isascii():
        return letter if letter.isalnum() else "-"
    match = LATIN_LETTER.fullmatch(unicodedata.name(letter, ""))
    if letter in SPELT or match is None:
        return SPELT.get(letter, "-")
    return match[2].lower() if match[1] == "SMALL" else match[2]


def distinguishing_mark(name: str) -> str:
    """Eight characters that tell apart names which are alike once they are plain."""
    return sha256(name.encode()).hexdigest()[:8]


def attachment(file_name: str) -> dict[str, str]:
    """The header by which a browser saves an answer as a file."""
    return {"Content-Disposition": f'attachment; filename="{file_name}"'}
