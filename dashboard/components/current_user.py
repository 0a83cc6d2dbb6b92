"""The user of the present request, as far as the pages need to know; the gate in `dashboard/web/login.py` sets it."""

from __future__ import annotations

from dataclasses import dataclass

from flask import g, has_request_context

__all__ = ["NOBODY", "NO_LOGIN", "CurrentUser", "current_user"]


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
