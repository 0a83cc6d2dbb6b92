"""Who asks for a page, as far as the pages need to know; set once a request by the gate in `dashboard/login.py`."""

from __future__ import annotations

from dataclasses import dataclass

from flask import g, has_request_context

__all__ = ["ANYBODY", "NOBODY", "Asker", "asker"]


@dataclass(frozen=True, slots=True)
class Asker:
    """A person at a browser; `name` is None where no users are declared."""

    name: str | None
    role: str
    may_enter: bool


# Where no users are declared, whoever sits at this computer writes a name into each form.
ANYBODY = Asker(None, "", may_enter=True)
NOBODY = Asker(None, "", may_enter=False)


def asker() -> Asker:
    """Who asks now: nobody until the gate has said who it is."""
    if not has_request_context():
        return ANYBODY
    found: Asker = g.get("asker", NOBODY)
    return found
