"""The user of the present request, as far as the pages need to know; the gate in `dashboard/web/login.py` sets it."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote, unquote

from flask import Response, g, has_request_context, request

__all__ = ["NOBODY", "NO_LOGIN", "CurrentUser", "current_user", "remember_name", "remembered_name"]

# The cookie with the name that a person wrote last, where no users are declared.
NAME_COOKIE = "lotdrift-name"
LONGEST_NAME = 80
REMEMBERED_SECONDS = 90 * 24 * 3600


@dataclass(frozen=True, slots=True)
class CurrentUser:
    """A person at a browser; `name` is None where no users are declared."""

    name: str | None
    role: str
    may_enter: bool


# Where no users are declared, a person writes a name into each form.
NO_LOGIN = CurrentUser(None, "", may_enter=True)
NOBODY = CurrentUser(None, "", may_enter=False)


def current_user() -> CurrentUser:
    """The user of this request; nobody until the gate has identified one."""
    if not has_request_context():
        return NO_LOGIN
    user: CurrentUser = g.get("user", NOBODY)
    return user


def remember_name(answer: Response, name: str) -> None:
    """Keep a person's name in the browser, so that the next form shows it."""
    answer.set_cookie(
        NAME_COOKIE, quote(name.strip()[:LONGEST_NAME]), max_age=REMEMBERED_SECONDS, httponly=True, samesite="Lax"
    )


def remembered_name() -> str:
    """The name that a person wrote last in this browser; empty where there is none."""
    if not has_request_context():
        return ""
    written = unquote(request.cookies.get(NAME_COOKIE, "")[: 12 * LONGEST_NAME], errors="replace")
    return "".join(letter for letter in written if letter.isprintable())[:LONGEST_NAME]
