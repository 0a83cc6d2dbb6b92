"""One conversation with the mail server (RFC 5321), encrypted before anything is said that is worth hiding.

The password comes from the environment and is only ever said over an encrypted connection whose certificate holds.
"""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
from collections.abc import Mapping
from email.message import EmailMessage
from typing import Self

from dashboard.delivery.errors import DeliveryError, cut_off_after
from ingest.config.notification_models import Mail

__all__ = ["PASSWORD", "USER", "MailServer"]

USER, PASSWORD = "LOTDRIFT_MAIL_USER", "LOTDRIFT_MAIL_PASSWORD"
AUTHORITY = "SSL_CERT_FILE"
# A conversation has a handful of answers to wait for; one that needs more than this many timeouts is stuck.
ANSWERS = 3
GREETING, SERVICE_GONE = 220, 421


class MailServer:
    """Sends messages over one connection, which is made with the first; use it as a context."""

    def __init__(self, mail: Mail, environ: Mapping[str, str]) -> None:
        self._mail, self._environ = mail, environ
        self._connection: smtplib.SMTP | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self._connection is not None:
            with (
                cut_off_after(self._mail.timeout_seconds, self._cut),
                contextlib.suppress(OSError, smtplib.SMTPException),
            ):
                self._connection.quit()

    def send(self, message: EmailMessage, to: str) -> None:
        """Hand over one message for one reader; Unsent where the server did not take it."""
        with cut_off_after(ANSWERS * self._mail.timeout_seconds, self._cut):
            connection = self._connected()
            try:
                connection.send_message(message, str(self._mail.from_), [to])
            except smtplib.SMTPRecipientsRefused as error:
                raise _refused(*error.recipients[to]) from error
            except smtplib.SMTPSenderRefused as error:
                # It is about us, not about the reader: no other message fares better before that is set right.
                told = _said(error.smtp_code, error.smtp_error)
                raise DeliveryError(f"took nothing from {self._mail.from_} ({told})", everywhere=True) from error
            except smtplib.SMTPResponseException as error:
                raise _refused(error.smtp_code, error.smtp_error) from error
            except (OSError, smtplib.SMTPException) as error:
                # The whole text may have been with the server when the line went dead.
                self._drop()
                raise DeliveryError(self._told("fell silent", error), unsure=True, everywhere=True) from error

    def _connected(self) -> smtplib.SMTP:
        if self._connection is None:
            try:
                self._log_in(self._connect())
            except DeliveryError:
                self._drop()
                raise
            except (OSError, smtplib.SMTPException, ValueError) as error:
                self._drop()
                raise DeliveryError(self._why(error), everywhere=True) from error
        assert self._connection is not None  # made by the lines above
        return self._connection

    def _connect(self) -> smtplib.SMTP:
        mail, seconds = self._mail, self._mail.timeout_seconds
        in_tls = mail.security == "tls"
        connection = (
            smtplib.SMTP_SSL(timeout=seconds, context=self._trust()) if in_tls else smtplib.SMTP(timeout=seconds)
        )
        # Made first and connected second, so that it can be cut off while it waits for the greeting. The library checks
        # the certificate against this name, which otherwise only its constructor sets.
        self._connection, connection._host = connection, str(mail.server)  # type: ignore[attr-defined]
        code, greeting = connection.connect(str(mail.server), mail.server_port)
        if code != GREETING:
            raise smtplib.SMTPConnectError(code, greeting)
        if mail.security == "starttls":
            connection.starttls(context=self._trust())
        return connection

    def _trust(self) -> ssl.SSLContext:
        """Whom to believe: the system's authorities, or those that the environment names in their place."""
        return ssl.create_default_context(cafile=self._environ.get(AUTHORITY) or None)

    def _log_in(self, connection: smtplib.SMTP) -> None:
        user, password = self._environ.get(USER), self._environ.get(PASSWORD)
        if not user or self._mail.security == "none":
            return
        if not password:
            raise DeliveryError(f"{USER} is set in the environment, {PASSWORD} is not; set both", everywhere=True)
        # One try: the library's own login would try a wrong password again by every mechanism, which locks accounts.
        connection.ehlo_or_helo_if_needed()
        offered = str(connection.esmtp_features.get("auth", "")).upper().split()
        known = {"PLAIN": connection.auth_plain, "LOGIN": connection.auth_login}
        mechanism = next((name for name in known if name in offered), None)
        if mechanism is None:
            raise smtplib.SMTPNotSupportedError("it offers no login by PLAIN or LOGIN")
        connection.user, connection.password = user, password
        connection.auth(mechanism, known[mechanism])

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()

    def _cut(self) -> None:
        line = self._connection.sock if self._connection is not None else None
        if line is not None:
            with contextlib.suppress(OSError):
                line.shutdown(socket.SHUT_RDWR)

    def _why(self, error: Exception) -> str:
        if isinstance(error, smtplib.SMTPAuthenticationError):
            return f"did not accept the login ({_said(error.smtp_code, error.smtp_error)}); see {USER} and {PASSWORD}"
        if isinstance(error, ssl.SSLCertVerificationError):
            return f"its certificate does not hold ({error.verify_message}); name your own authority in {AUTHORITY}"
        if isinstance(error, smtplib.SMTPNotSupportedError):
            return f"does not offer what is asked of it ({error})"
        if isinstance(error, smtplib.SMTPResponseException):
            return f"turned us away ({_said(error.smtp_code, error.smtp_error)})"
        return self._told("can't be reached", error)

    def _told(self, what: str, error: Exception) -> str:
        return f"{what} ({str(error) or type(error).__name__})"


def _refused(code: int, said: bytes | str) -> DeliveryError:
    """What an answer of 4xx (later) or 5xx (not at all) means."""
    return DeliveryError(f"did not take it ({_said(code, said)})", lasting=code >= 500, everywhere=code == SERVICE_GONE)


def _said(code: int, said: bytes | str) -> str:
    return f"{code} {said.decode('utf-8', 'replace') if isinstance(said, bytes) else said}"
