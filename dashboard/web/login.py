"""The login, and the gate that every request passes once users are declared.

Every address that is not listed here as open needs a login, and every request that changes something needs the role, so a
new address is behind the gate from the start. A session is a signed cookie. It ends 8 hours after its last use, 24 hours
after the login, and at once on logout, when the account is closed or when the password is changed.
"""

from __future__ import annotations

import hashlib
import logging
import secrets
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from functools import partial

from flask import Flask, Response, g, redirect, request, session
from flask.sessions import SecureCookieSessionInterface
from itsdangerous import URLSafeTimedSerializer

from dashboard.components.current_user import NO_LOGIN, CurrentUser
from dashboard.queries.lab_reader import LabReader, NothingYet
from dashboard.web.known_browser import known_browser, remember_browser
from dashboard.web.login_throttle import Throttle, keys_of
from dashboard.web.plain_page import plain_page
from dashboard.web.request_guard import CALLBACK_PATH, READING_METHODS, is_loopback, stands_for_many
from ingest.audit.accounts import (
    LONGEST_NAME,
    Account,
    Role,
    account_named,
    end_session,
    has_ended,
    plain_name,
    session_key,
)
from ingest.audit.passwords import is_right
from ingest.common.errors import CallError, StoreError

__all__ = ["LOGOUT_PATH", "add_login", "own_path"]

log = logging.getLogger(__name__)

Clock = Callable[[], datetime]
Steady = Callable[[], timedelta]

LOGIN_PATH = "/login"
LOGOUT_PATH = "/logout"
# Open to anybody: the parts of the login page, and the health check.
OPEN = frozenset({"/healthz", "/_favicon.ico", "_dash_assets.static", "log_in", "log_in_page"})
# Requests that are not readings and yet change nothing in the lab.
HARMLESS = frozenset({f"/{CALLBACK_PATH}", "log_out"})
IDLE = timedelta(hours=8)
LONGEST = timedelta(hours=24)
# The cookie is renewed no more often than this.
TOUCHED_AFTER = timedelta(minutes=1)
# A correction of the clock by no more than this ends no session.
SET_BACK = timedelta(hours=2)


class _Sessions(SecureCookieSessionInterface):
    """Signed cookies; the first account puts their key into the store."""

    def __init__(self, lab_reader: LabReader) -> None:
        self._lab_reader = lab_reader

    def get_signing_serializer(self, app: Flask) -> URLSafeTimedSerializer | None:
        """The signer; None before the first account, and while the store can't be read."""
        if app.secret_key is None:
            try:
                with self._lab_reader.store.reading() as connection:
                    app.secret_key = session_key(connection)
            except (NothingYet, CallError, StoreError):
                # The gate meets the same error and answers it.
                return None
        return super().get_signing_serializer(app)

    def get_cookie_secure(self, app: Flask) -> bool:
        """Whether the cookie travels over TLS only: so if the session began over TLS, at this server or at a proxy."""
        return request.is_secure or bool(session.get("over_tls"))


def add_login(server: Flask, lab_reader: LabReader, bound_to: str, clock: Clock, steady: Steady) -> None:
    """Put the gate before every address, and add the pages to log in and out.

    Parameters
    ----------
    server : Flask
        The server behind the dashboard; the guard against requests from elsewhere must be added before.
    lab_reader : Desk
        The lab; its store holds the users.
    bound_to : str
        The address it is served on; without users only this computer has access.
    clock : callable
        The current time, aware.
    steady : callable
        A clock that is never set back, for the waiting time after failed logins.
    """
    with suppress(CallError, StoreError):
        # Read while the lab can be read, so that the answer is known when it can't.
        _ = lab_reader.has_users
    # Browsers send a cookie to every port of a computer, so each lab's cookie has a name of its own.
    mark = hashlib.sha256(str(lab_reader.folder.resolve()).encode()).hexdigest()[:12]
    server.config.update(
        SESSION_COOKIE_NAME=f"lotdrift-{mark}", SESSION_COOKIE_HTTPONLY=True, SESSION_COOKIE_SAMESITE="Lax"
    )
    server.session_interface = _Sessions(lab_reader)
    server.before_request(partial(_gate, lab_reader, is_loopback(bound_to), clock))
    server.after_request(_forbid_storing)
    _add_pages(server, lab_reader, clock, steady)


# The gate


def _gate(lab_reader: LabReader, on_loopback: bool, clock: Clock) -> Response | None:
    """Identify the user for the pages; return an answer if the request is refused."""
    if request.endpoint in OPEN:
        return None
    try:
        declared = lab_reader.has_users
    except (CallError, StoreError):
        # The users can't be read, so nobody has access; if there were none a moment ago, the reason is no secret.
        if on_loopback and lab_reader.had_no_users:
            g.user = NO_LOGIN
        raise
    if not declared and not on_loopback:
        return _line("No user is declared: the dashboard answers on this computer only.", 403)
    account = _account(lab_reader, clock()) if declared else None
    if declared and account is None:
        return _login_needed()
    g.user = NO_LOGIN if account is None else _user(account, clock())
    changes = request.method not in READING_METHODS and request.endpoint not in HARMLESS
    if changes and not g.user.may_enter:
        return _line("Your account may see everything but may not make entries.", 403)
    if request.endpoint not in HARMLESS:
        # A lab that can't be read is reported here, once for all addresses.
        lab_reader.check()
    return None


def _user(account: Account, now: datetime) -> CurrentUser:
    """The user of a live session, whose cookie is renewed."""
    if now - _moment("seen") > TOUCHED_AFTER:
        session["seen"] = now.isoformat()
    return CurrentUser(account.name, str(account.role), may_enter=account.role is Role.SPECIALIST)


def _account(lab_reader: LabReader, now: datetime) -> Account | None:
    """The account of the session; None if the session or the account has ended, or the password was changed."""
    if "id" not in session:
        return None
    began, idle = now - _moment("began"), now - _moment("seen")
    # A session from a clock that was ahead would last too long by as much.
    if began > LONGEST or idle > IDLE or idle < -SET_BACK:
        return None
    with lab_reader.store.reading() as connection:
        account = account_named(connection, session.get("name", ""))
        if account is None or account.closed is not None or has_ended(connection, session["id"]):
            return None
    return account if session["password"] == _mark(account) else None


def _mark(account: Account) -> str:
    """A mark of the password, kept in the session, so that a new password ends earlier sessions."""
    return hashlib.sha256(account.hash.encode()).hexdigest()


def _moment(name: str) -> datetime:
    return datetime.fromisoformat(session[name])


def _login_needed() -> Response:
    """The login page in place of the requested page; a line of text for a program."""
    if request.method == "GET" and request.accept_mimetypes.accept_html:
        answer = _login_page("", request.full_path.rstrip("?"), 401)
    else:
        answer = _line("Please log in.", 401)
    return _challenged(answer)


def _challenged(answer: Response) -> Response:
    # RFC 9110, section 15.5.2, wants a challenge with a 401; browsers know no scheme of this name and show no dialogue.
    answer.headers["WWW-Authenticate"] = 'Cookie realm="lotdrift"'
    return answer


def _line(text: str, status: int) -> Response:
    return Response(f"{text}\n", status=status, mimetype="text/plain")


def _forbid_storing(response: Response) -> Response:
    """Forbid browsers to store pages behind the login, which they would show after the logout."""
    if g.get("user", NO_LOGIN) is not NO_LOGIN and "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    return response


# The pages


def _add_pages(server: Flask, lab_reader: LabReader, clock: Clock, steady: Steady) -> None:
    throttle = Throttle()
    proxy = lab_reader.lab.serve.trusted_proxy

    @server.get(LOGIN_PATH)
    def log_in_page() -> Response:
        return _login_page("", request.args.get("next", ""), 200)

    @server.post(LOGIN_PATH)
    def log_in() -> Response:
        name, after = plain_name(request.form.get("name", ""))[:LONGEST_NAME], request.form.get("next", "")
        address, now = request.remote_addr or "", clock()
        own_address = None if stands_for_many(address, proxy) else address
        keys = keys_of(name, own_address, known_browser(server, name))
        tried = steady()
        wait = throttle.begin(keys, tried)
        if wait:
            return _too_often(wait, after)
        account = _matching(lab_reader, name, request.form.get("password", ""))
        # Without a key there was no account when the request came in.
        if account is None or server.secret_key is None:
            log.warning("A login from %s was refused.", address)
            return _challenged(_login_page("Wrong name or password.", after, 401))
        throttle.succeed(keys, tried)
        _begin(account, now)
        answer = redirect(own_path(after), code=303)
        remember_browser(server, answer, account.name, LOGIN_PATH)
        return answer  # type: ignore[return-value]  # werkzeug's own type

    @server.post(LOGOUT_PATH)
    def log_out() -> Response:
        if "id" in session:
            with lab_reader.store.writing() as connection:
                end_session(connection, session["id"], clock())
            session.clear()
        return redirect(LOGIN_PATH, code=303)  # type: ignore[return-value]  # werkzeug's own type


def _matching(lab_reader: LabReader, name: str, password: str) -> Account | None:
    """The open account with this password, or None; both take the same time."""
    try:
        with lab_reader.store.reading() as connection:
            account = account_named(connection, name)
    except NothingYet:
        account = None
    known = account if account is not None and account.closed is None else None
    return known if is_right(known.hash if known else None, password) else None


def _begin(account: Account, now: datetime) -> None:
    """Begin a new session; nothing of the earlier cookie is kept."""
    session.clear()
    session.update(
        id=secrets.token_hex(16),
        name=account.name,
        password=_mark(account),
        began=now.isoformat(),
        seen=now.isoformat(),
        over_tls=request.is_secure or request.headers.get("Origin", "").startswith("https:"),
    )


def own_path(address: str) -> str:
    """The page after the login: `address` if it is on this dashboard, else the board.

    Browsers read a backslash as a slash and skip tabs and line breaks, so an address with one of them is refused.
    """
    path = address.partition("?")[0].partition("#")[0]
    ours = (
        address.startswith("/")
        and not address.startswith("//")
        and "\\" not in address
        and address.isprintable()
        and path not in (LOGIN_PATH, LOGOUT_PATH)
    )
    return address if ours else "/"


def _too_often(seconds: int, after: str) -> Response:
    answer = _login_page(f"Too many failed logins. Try again in {seconds} s.", after, 429)
    answer.headers["Retry-After"] = str(seconds)
    return answer


def _login_page(trouble: str, after: str, status: int) -> Response:
    return plain_page("login.html", "Log in", status, trouble=trouble, action=LOGIN_PATH, next_page=own_path(after))
