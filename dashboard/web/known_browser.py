"""A signed cookie that lists the users who have logged in with a browser before.

Failed logins slow down further attempts with the same name, so a stranger who guesses makes the user wait too. Attempts from
a browser in which the user has logged in before are counted separately. Source: OWASP, "Slow Down Online Guessing Attacks
with Device Cookies". The cookie gives no access: it is of no use without a password.
"""

from __future__ import annotations

import secrets
from datetime import timedelta

from flask import Flask, request
from itsdangerous import BadData, URLSafeTimedSerializer
from werkzeug.wrappers import Response

__all__ = ["known_browser", "remember_browser"]

KEPT = timedelta(days=180)
# A few people share a bench; more names would make the cookie too long for a header.
MOST_NAMES = 8


def known_browser(server: Flask, name: str) -> str | None:
    """The mark of the browser if this user has logged in with it before, else None."""
    browser, names = _noted(server)
    return browser if name in names else None


def remember_browser(server: Flask, answer: Response, name: str, path: str) -> None:
    """Note in the browser that this user has logged in with it; the cookie is sent to `path` only."""
    browser, names = _noted(server)
    kept = [*(one for one in names if one != name), name][-MOST_NAMES:]
    answer.set_cookie(
        _cookie(server),
        _serializer(server).dumps([browser, kept]),
        max_age=KEPT,
        path=path,
        secure=server.session_interface.get_cookie_secure(server),
        httponly=True,
        samesite="Lax",
    )


def _noted(server: Flask) -> tuple[str, list[str]]:
    """The mark of the browser and the names in its cookie; a new mark and no name without a valid cookie."""
    if server.secret_key is not None:
        try:
            browser, names = _serializer(server).loads(
                request.cookies.get(_cookie(server), ""), max_age=int(KEPT.total_seconds())
            )
        except BadData:
            pass
        else:
            return browser, names
    return secrets.token_hex(16), []


def _cookie(server: Flask) -> str:
    return f"{server.config['SESSION_COOKIE_NAME']}-browser"


def _serializer(server: Flask) -> URLSafeTimedSerializer:
    # The salt separates these signatures from those of the sessions.
    return URLSafeTimedSerializer(str(server.secret_key), salt="known browser")
