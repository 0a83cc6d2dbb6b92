"""Passwords: what may be one, and their hashes.

Hashes are argon2id with the parameters of RFC 9106, section 4, second recommended option (the library's own default).
"""

from __future__ import annotations

import unicodedata
from functools import cache
from threading import Lock
from typing import TYPE_CHECKING

from ingest.common.errors import CallError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

__all__ = ["SHORTEST", "checked", "hashed", "is_right"]

SHORTEST = 12
LONGEST = 200
# One hash takes 64 MiB: a crowd of logins waits its turn instead of filling the memory.
_one_at_a_time = Lock()


def checked(password: str) -> str:
    """The password as it is hashed; CallError, which never repeats it, where it can't be one.

    Length alone is asked for, and one character may be typed in several ways: NIST SP 800-63B, section 5.1.1.2 (from
    memory; its own minimum is lower than ours).
    """
    plain = unicodedata.normalize("NFKC", password)
    if not all(c.isprintable() for c in plain):
        raise CallError("password: holds a character that is not printable; leave it out")
    if not SHORTEST <= len(plain) <= LONGEST:
        raise CallError(f"password: has {len(plain)} characters; choose one of {SHORTEST} to {LONGEST}")
    return plain


def hashed(password: str) -> str:
    """The hash to keep of a password that may be one."""
    return _hasher().hash(checked(password))


def is_right(kept: str | None, password: str) -> bool:
    """Whether `password` is the one whose hash was kept; without a kept hash the answer is no, after the same work."""
    from argon2.exceptions import InvalidHashError, VerificationError

    nobodys = _nobodys()
    try:
        plain = checked(password)
        with _one_at_a_time:
            _hasher().verify(kept or nobodys, plain)
    except (CallError, InvalidHashError, VerificationError):
        return False
    return kept is not None


@cache
def _hasher() -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _nobodys() -> str:
    """A hash to work on where the name is unknown, so that the time of an answer does not show which names exist."""
    return _hasher().hash("nobody's password")
