"""The login, and the gate that every request passes once users are declared.

Whatever is not named here as open needs a login, and whatever changes something needs the role: a new address is
behind the gate without being told to it. A session is a signed cookie; it ends 8 hours after it was last used and 24
after it began, and at once when it is left, the account closed or the password changed.
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
from markupsafe import Markup

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
# Answered to anybody: what the login page is made of, and whether the server lives.
OPEN = frozenset({"/healthz", "/_favicon.ico", "_dash_assets.static", "log_in", "log_in_page"})
# Requests that are no reading and yet change nothing that is kept.
HARMLESS = frozenset({f"/{CALLBACK_PATH}", "log_out"})
IDLE = timedelta(hours=8)
LONGEST = timedelta(hours=24)
# The cookie is written again no more often than this.
TOUCHED_AFTER = timedelta(minutes=1)
# A clock that is corrected by no more than this logs nobody out.
SET_BACK = timedelta(hours=2)


class _Sessions(SecureCookieSessionInterface):
    """Signed cookies whose key lies in the store, where the first account put it."""

    def __init__(self, desk: LabReader) -> None:
        self._desk = desk

    def get_signing_serializer(self, app: Flask) -> URLSafeTimedSerializer | None:
        """Nothing is signed before there is an account, nor while the store can't say."""
        if app.secret_key is None:
            try:
                with self._desk.store.reading() as connection:
                    app.secret_key = session_key(connection)
            except (NothingYet, CallError, StoreError):
                # The gate meets the same error, where it can be answered.
                return None
        return super().get_signing_serializer(app)

    def get_cookie_secure(self, app: Flask) -> bool:
        """A session that began over TLS never travels without it, also where another server ends the TLS."""
        return request.is_secure or bool(session.get("over_tls"))


def add_login(server: Flask, desk: LabReader, bound_to: str, clock: Clock, steady: Steady) -> None:
    """Put the gate before every address, and add the pages to log in and out.

    Parameters
    ----------
    server : Flask
        The server behind the dashboard; what turns requests from elsewhere away has to come before.
    desk : Desk
        The lab; its store knows the users.
    bound_to : str
        The address it is served on: without users only this computer is let in.
    clock : callable
        The present moment, aware.
    steady : callable
        The time that is never set back: how long a name or an address waits.
    """
    with suppress(CallError, StoreError):
        # Looked up while all is well, so that it is known when something is not.
        _ = desk.has_users
    # Browsers send a cookie to every port of a computer: labs that are served side by side need names of their own.
    own = hashlib.sha256(str(desk.folder.resolve()).encode()).hexdigest()[:12]
    server.config.update(
        SESSION_COOKIE_NAME=f"lotdrift-{own}", SESSION_COOKIE_HTTPONLY=True, SESSION_COOKIE_SAMESITE="Lax"
    )
    server.session_interface = _Sessions(desk)
    server.before_request(partial(_gate, desk, is_loopback(bound_to), clock))
    server.after_request(_keep_nowhere)
    _add_pages(server, desk, clock, steady)


# The gate


def _gate(desk: LabReader, on_loopback: bool, clock: Clock) -> Response | None:
    """Who asks, noted for the pages; an answer where the request goes no further."""
    if request.endpoint in OPEN:
        return None
    try:
        declared = desk.has_users
    except (CallError, StoreError):
        # Who may look can't be known, so nobody may; where there were no users a moment ago, the reason is no secret.
        if on_loopback and desk.had_no_users:
            g.asker = NO_LOGIN
        raise
    if not declared and not on_loopback:
        return _words("No user is declared, so nobody on another computer is answered.", 403)
    account = _account(desk, clock()) if declared else None
    if declared and account is None:
        return _unknown()
    g.asker = NO_LOGIN if account is None else _asker(account, clock())
    changes = request.method not in READING_METHODS and request.endpoint not in HARMLESS
    if changes and not g.asker.may_enter:
        return _words("Your account may see everything and enter nothing.", 403)
    if request.endpoint not in HARMLESS:
        # What no page could be made of is told here, once for all addresses.
        desk.check()
    return None


def _asker(account: Account, now: datetime) -> CurrentUser:
    """The person of a live session, which lives on."""
    if now - _moment("seen") > TOUCHED_AFTER:
        session["seen"] = now.isoformat()
    return CurrentUser(account.name, str(account.role), may_enter=account.role is Role.SPECIALIST)


def _account(desk: LabReader, now: datetime) -> Account | None:
    """The account of the session; None where the session or the account has ended, or the password is another."""
    if "id" not in session:
        return None
    began, idle = now - _moment("began"), now - _moment("seen")
    # A session of a clock that was ahead would outlast its time by as much.
    if began > LONGEST or idle > IDLE or idle < -SET_BACK:
        return None
    with desk.store.reading() as connection:
        account = account_named(connection, session.get("name", ""))
        if account is None or account.closed is not None or has_ended(connection, session["id"]):
            return None
    return account if session["password"] == _mark(account) else None


def _mark(account: Account) -> str:
    """What a session keeps of the password: another password has another mark, so that earlier sessions end with it."""
    return hashlib.sha256(account.hash.encode()).hexdigest()


def _moment(name: str) -> datetime:
    return datetime.fromisoformat(session[name])


def _unknown() -> Response:
    """The login in place of the page that was asked for; in words where no page was."""
    if request.method == "GET" and request.accept_mimetypes.accept_html:
        answer = _login_page("", request.full_path.rstrip("?"), 401)
    else:
        answer = _words("This needs a login.", 401)
    return _challenged(answer)


def _challenged(answer: Response) -> Response:
    # RFC 9110, section 15.5.2, wants a challenge with a 401; browsers know no scheme of this name and show no dialogue.
    answer.headers["WWW-Authenticate"] = 'Cookie realm="lotdrift"'
    return answer


def _words(said: str, status: int) -> Response:
    return Response(f"{said}\n", status=status, mimetype="text/plain")


def _keep_nowhere(response: Response) -> Response:
    """What needed a login is not kept by a browser, which would show it after the logout."""
    if g.get("asker", NO_LOGIN) is not NO_LOGIN and "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    return response


# The pages


def _add_pages(server: Flask, desk: LabReader, clock: Clock, steady: Steady) -> None:
    throttle = Throttle()
    proxy = desk.lab.serve.trusted_proxy

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
        account = _matching(desk, name, request.form.get("password", ""))
        # Without a key nobody was declared when the request came in.
        if account is None or server.secret_key is None:
            log.warning("A login from %s was refused.", address)
            return _challenged(_login_page("There is no such name with this password.", after, 401))
        throttle.succeed(keys, tried)
        _begin(account, now)
        answer = redirect(own_path(after), code=303)
        remember_browser(server, answer, account.name, LOGIN_PATH)
        return answer  # type: ignore[return-value]  # werkzeug's own type

    @server.post(LOGOUT_PATH)
    def log_out() -> Response:
        if "id" in session:
            with desk.store.writing() as connection:
                end_session(connection, session["id"], clock())
            session.clear()
        return redirect(LOGIN_PATH, code=303)  # type: ignore[return-value]  # werkzeug's own type


def _matching(desk: LabReader, name: str, password: str) -> Account | None:
    """The open account whose password this is; the work is the same whether or not there is one."""
    try:
        with desk.store.reading() as connection:
            account = account_named(connection, name)
    except NothingYet:
        account = None
    known = account if account is not None and account.closed is None else None
    return known if is_right(known.hash if known else None, password) else None


def _begin(account: Account, now: datetime) -> None:
    """A new session: nothing of what the cookie said before is taken over."""
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
    """Where to go after the login: an address of ours, else the board.

    Browsers read a backslash as a slash and leave out tabs and line breaks, so that neither may stand in it.
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
    answer = _login_page(f"Too many logins went wrong. Try again in {seconds} s.", after, 429)
    answer.headers["Retry-After"] = str(seconds)
    return answer


def _login_page(trouble: str, after: str, status: int) -> Response:
    said = Markup('<p class="trouble" role="alert">{}</p>').format(trouble) if trouble else Markup("")
    content = said + Markup(
        '<form method="post" action="{}" class="choose login">'
        '<input type="hidden" name="next" value="{}">'
        '<label>name <input name="name" autocomplete="username" required autofocus></label>'
        '<label>password <input name="password" type="password" autocomplete="current-password" required></label>'
        '<div class="buttons"><button type="submit">Log in</button></div></form>'
        '<p class="quiet">Accounts are made by whoever runs this server: lotdrift user add.</p>'
    ).format(LOGIN_PATH, own_path(after))
    return plain_page("Log in", "Log in", content, status)
