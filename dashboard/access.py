"""Who may ask, and what every answer carries.

A page of another site must not reach the dashboard through the reader's browser: requests with a foreign host, a foreign
origin or marked as cross-site are turned away, and every answer tells the browser to load nothing from elsewhere.
"""

from __future__ import annotations

from urllib.parse import urlsplit

from flask import Flask, Response, request

__all__ = ["LARGEST_BODY", "guard"]

LARGEST_BODY = 1_000_000
CALLBACK_PATH = "_dash-update-component"
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def guard(server: Flask, bound_to: str, script_hashes: list[str]) -> None:
    """Turn away requests from elsewhere and set the security headers of every answer.

    Parameters
    ----------
    server : Flask
        The server behind the dashboard.
    bound_to : str
        The address it is bound to; its name and the loopback names are the only hosts that are answered.
    script_hashes : list of str
        Hashes of the inline scripts that the pages hold.
    """
    hosts = LOOPBACK | {bound_to.strip("[]").lower()}
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY
    policy = _policy(script_hashes)

    @server.before_request
    def turn_away() -> tuple[str, int] | None:
        if _name(f"//{request.host}") not in hosts:
            return "This address is not served here.\n", 400
        if _from_elsewhere():
            return "Requests from other sites are not answered.\n", 403
        if request.content_length is not None and request.content_length > LARGEST_BODY:
            return "The request is too large.\n", 413
        if request.method == "POST" and request.path.endswith(CALLBACK_PATH) and not _is_callback():
            return "The request is malformed.\n", 400
        return None

    @server.after_request
    def protect(response: Response) -> Response:
        response.headers.update(HEADERS)
        response.headers["Content-Security-Policy"] = policy
        return response


def _from_elsewhere() -> bool:
    """Whether the reader's browser says that another site asked; following a link to us is no such request."""
    if request.headers.get("Sec-Fetch-Site") == "cross-site":
        return request.method != "GET" or request.headers.get("Sec-Fetch-Mode") != "navigate"
    origin = request.headers.get("Origin")
    return origin is not None and urlsplit(origin).netloc != request.host


def _is_callback() -> bool:
    """Whether the body has the shape of a callback; the dashboard's library would fail on any other."""
    body = request.get_json(silent=True)
    return isinstance(body, dict) and isinstance(body.get("output"), str) and isinstance(body.get("inputs"), list)


def _name(address: str) -> str:
    try:
        return (urlsplit(address).hostname or "").lower()
    except ValueError:
        return ""


def _policy(script_hashes: list[str]) -> str:
    scripts = " ".join(["'self'", *script_hashes])
    return (
        f"default-src 'self'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "font-src 'self' data:; frame-ancestors 'none'; base-uri 'self'; form-action 'self'; object-src 'none'"
    )
