"""A signed cookie that says who has logged in with a browser before.

Guesses at a password are slowed down by name, and whoever guesses at the name of another makes its owner wait too. Attempts
from a browser in which the owner was before are counted apart. The idea: OWASP, "Slow Down Online Guessing Attacks with
Device Cookies". The cookie opens nothing: it comes with a password or is of no use.
"""

from __future__ import annotations

import secrets
from datetime import timedelta

from flask import Flask, request
from itsdangerous import BadData, URLSafeTimedSerializer
from werkzeug.wrappers import Response

__all__ = ["known_browser", "remember_browser"]

KEPT = timedelta(days=180)
# A bench is shared by a few people; more would make the cookie too long for a header.
MOST_NAMES = 8


def known_browser(server: Flask, name: str) -> str | None:
    """The browser's own mark, where this name logged in with it before."""
    browser, names = _noted(server)
    return browser if name in names else None


def remember_browser(server: Flask, answer: Response, name: str, path: str) -> None:
    """Note in the browser that this name logged in with it; the cookie travels to `path` only."""
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
    """The browser's mark and the names in its cookie; a new mark and no name where there is no cookie of ours."""
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
    # The salt keeps the signatures apart from those of the sessions.
    return URLSafeTimedSerializer(str(server.secret_key), salt="known browser")
