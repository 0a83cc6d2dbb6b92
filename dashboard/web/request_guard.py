"""The guard against requests from other sites, and the security headers of every answer.

A page of another site must not reach the dashboard through a user's browser: requests for another host, from another origin
or marked as cross-site are refused, and every answer tells the browser to load nothing from elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from ipaddress import ip_address
from typing import Any
from urllib.parse import urlsplit

from dash.exceptions import DependencyException
from flask import Flask, Response, request

__all__ = ["CALLBACK_PATH", "LARGEST_BODY", "READING_METHODS", "guard", "is_loopback", "stands_for_many"]

LARGEST_BODY = 1_000_000
CALLBACK_PATH = "_dash-update-component"
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
# Bound to one of these, the server answers at every address of this computer.
EVERY_ADDRESS = frozenset({"0.0.0.0", "::"})
Refusal = tuple[str, int, dict[str, str]]
PLAIN = {"Content-Type": "text/plain; charset=utf-8"}
READING_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


def is_loopback(host: str) -> bool:
    """Whether only this computer reaches an address to serve on."""
    if host.lower() == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


def stands_for_many(address: str, proxy: str | None) -> bool:
    """Whether an address may stand for many users: the declared proxy, else this computer, where an undeclared one may run."""
    return is_loopback(address) if proxy is None else address == proxy


def guard(server: Flask, names: Iterable[str], script_hashes: list[str], callbacks: Mapping[str, Any]) -> None:
    """Refuse requests from elsewhere and set the security headers of every answer.

    Parameters
    ----------
    server : Flask
        The server behind the dashboard.
    names : iterable of str
        The address it is bound to and its other names; only these and the loopback names are answered.
    script_hashes : list of str
        Hashes of the inline scripts of the pages.
    callbacks : mapping
        The callbacks by the name of their output, as the dashboard library keeps them; it may be filled later.
    """
    hosts = LOOPBACK | {name.strip("[]").lower() for name in names}
    server.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY
    policy = _policy(script_hashes)

    @server.before_request
    def refuse() -> Refusal | None:
        return _from_outside(hosts) or _unfit(callbacks)

    @server.errorhandler(DependencyException)
    def no_such_part(_error: DependencyException) -> Refusal:
        # The dashboard library raises for an address below its own scripts that names none of them.
        return "File not found.\n", 404, PLAIN

    @server.after_request
    def protect(response: Response) -> Response:
        response.headers.update(HEADERS)
        response.headers["Content-Security-Policy"] = policy
        return response


def _from_outside(hosts: frozenset[str]) -> Refusal | None:
    """The refusal of a request for another host, or from another site; None for any other."""
    if not _is_served(_name(f"//{request.host}"), hosts):
        return "This host is not served here.\n", 400, PLAIN
    if _from_elsewhere():
        return "Requests from other sites are not answered.\n", 403, PLAIN
    return None


def _unfit(callbacks: Mapping[str, Any]) -> Refusal | None:
    """The refusal of a body that is too large or malformed, and of a change that comes from no page of the dashboard."""
    if request.content_length is not None and request.content_length > LARGEST_BODY:
        return "The request is too large.\n", 413, PLAIN
    if request.method in READING_METHODS or request.endpoint is None:
        return None
    if request.path.endswith(CALLBACK_PATH):
        return None if _is_callback(callbacks) else ("The request is malformed.\n", 400, PLAIN)
    return None if _from_our_page() else ("Please make entries on a page of the dashboard.\n", 403, PLAIN)


def _is_served(name: str, hosts: frozenset[str]) -> bool:
    """Whether a host name is ours; where every address is served, it must be an address: another site's name may point here."""
    return name in hosts or (not hosts.isdisjoint(EVERY_ADDRESS) and _is_address(name))


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _from_our_page() -> bool:
    """Whether the request names a page of the dashboard as its origin; a program has to send that header too."""
    return (
        _names_us(request.headers.get("Origin", ""))
        and request.headers.get("Sec-Fetch-Site", "same-origin") == "same-origin"
    )


def _from_elsewhere() -> bool:
    """Whether the browser says that another site made the request; following a link to a page is allowed."""
    if request.headers.get("Sec-Fetch-Site") == "cross-site":
        return request.method != "GET" or request.headers.get("Sec-Fetch-Mode") != "navigate"
    origin = request.headers.get("Origin")
    return origin is not None and not _names_us(origin)


def _names_us(origin: str) -> bool:
    try:
        return urlsplit(origin).netloc == request.host
    except ValueError:
        return False


def _is_callback(callbacks: Mapping[str, Any]) -> bool:
    """Whether the body is that of an existing callback; the dashboard library would fail on any other."""
    try:
        body = request.get_json(silent=True)
    except RecursionError:
        # Brackets within brackets, thousands deep.
        return False
    if not isinstance(body, dict):
        return False
    known = callbacks.get(str(body.get("output")))
    if known is None:
        return False
    changed = body.get("changedPropIds", [])
    return (
        _fits_output(known["output"], body.get("outputs"))
        and _all_names(body.get("inputs")) == _all_names(known["inputs"])
        and _all_names(body.get("state", [])) == _all_names(known["state"])
        and isinstance(changed, list)
        and all(isinstance(one, str) for one in changed)
    )


def _fits_output(output: Any, named: object) -> bool:
    """Whether the outputs are those of the callback: one, or a list."""
    if isinstance(output, (list, tuple)):
        return _all_names(named) == [(one.component_id, one.component_property) for one in output]
    return _names(named) == (output.component_id, output.component_property)


def _all_names(entries: object) -> list[tuple[object, object]] | None:
    return [_names(entry) for entry in entries] if isinstance(entries, list) else None


def _names(entry: object) -> tuple[object, object]:
    """The component and the property of an entry of a callback."""
    return (entry.get("id"), entry.get("property")) if isinstance(entry, dict) else (None, None)


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
