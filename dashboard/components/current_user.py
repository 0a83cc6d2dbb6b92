"""Who asks for a page, as far as the pages need to know; set once a request by the gate in `dashboard/login.py`."""

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


# Where no users are declared, whoever sits at this computer writes a name into each form.
NO_LOGIN = CurrentUser(None, "", may_enter=True)
NOBODY = CurrentUser(None, "", may_enter=False)


def current_user() -> CurrentUser:
    """Who asks now: nobody until the gate has said who it is."""
    if not has_request_context():
        return NO_LOGIN
    found: CurrentUser = g.get("asker", NOBODY)
    return found
