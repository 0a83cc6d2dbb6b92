"""People for the tests of logins: accounts in a lab, clients that are logged in, and a clock that is set by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from ingest.audit import accounts, passwords
from ingest.store.store import open_store

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
PASSWORD = "a bag in a bag"
HERE = {"Host": "127.0.0.1"}
PAGE = {"Host": "127.0.0.1", "Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-origin"}


class Watch:
    """A clock that stands until it is moved on, or set to another moment while the steady time goes on."""

    def __init__(self) -> None:
        self.now = NOW
        self.passed = timedelta()

    def __call__(self) -> datetime:
        return self.now

    def move(self, **by: float) -> None:
        """Let time pass."""
        self.now += timedelta(**by)
        self.passed += timedelta(**by)

    def set_back(self, **by: float) -> None:
        """Set the clock back, as a time service does with one that was ahead."""
        self.now -= timedelta(**by)

    def steady(self) -> timedelta:
        """The time that is never set back."""
        return self.passed


def declare(folder: Path, *people: tuple[str, str]) -> None:
    """Add accounts, (name, role), all with the same password."""
    kept = passwords.hashed(PASSWORD)
    with open_store(folder).writing() as connection:
        for name, role in people:
            accounts.add_account(connection, name, accounts.Role(role), kept, "bench", NOW)


def session_of(client: Any) -> str:
    """The cookie of a client's session."""
    return str(client.get_cookie(cookie_name(client.application), domain="127.0.0.1").value)


def resume(client: Any, session: str) -> None:
    """Give a client the cookie of a session."""
    client.set_cookie(cookie_name(client.application), session, domain="127.0.0.1")


def cookie_name(server: Any) -> str:
    """What the cookie of a session is called."""
    return str(server.config["SESSION_COOKIE_NAME"])


def log_in(client: Any, name: str, password: str = PASSWORD, **more: str) -> Any:
    """The answer to the login form."""
    return client.post("/login", data={"name": name, "password": password, **more}, headers=PAGE)
