"""One connection to the mail server (RFC 5321), encrypted before credentials or content are sent.

The password comes from the environment. It is sent only over an encrypted connection whose certificate is trusted.
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
from collections.abc import Mapping
from email.message import EmailMessage
from typing import Self

from dashboard.delivery.errors import AUTHORITY, DeliveryError, cut_off_after, describe
from ingest.config.notification_models import Mail

__all__ = ["PASSWORD", "USER", "MailServer"]

USER, PASSWORD = "LOTDRIFT_MAIL_USER", "LOTDRIFT_MAIL_PASSWORD"
# A message needs a handful of answers; one that takes more than this many timeouts in total is stuck.
ANSWERS = 3
GREETING, SERVICE_GONE = 220, 421


class _Connection(smtplib.SMTP):
    """A connection that knows its server from the start and opens later, so that it can be cut off while it opens.

    The library compares the certificate with the server named to its constructor, which connects at once.
    """

    def connect(self, host: str = "localhost", port: int = 0, source_address: object = None) -> tuple[int, bytes]:
        """Return a greeting without connecting, because the constructor calls this."""
        return GREETING, b""

    def open(self, host: str, port: int) -> None:
        """Connect and wait for the greeting."""
        code, greeting = super().connect(host, port)
        if code != GREETING:
            raise smtplib.SMTPConnectError(code, greeting)


class _EncryptedConnection(_Connection, smtplib.SMTP_SSL):
    """The same, encrypted from the first byte."""


class MailServer:
    """Sends messages over one connection, opened with the first message; use it as a context."""

    def __init__(self, mail: Mail, environ: Mapping[str, str]) -> None:
        self._mail, self._environ = mail, environ
        self._connection: _Connection | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self._connection is not None:
            with self._limit(1), contextlib.suppress(OSError, smtplib.SMTPException):
                self._connection.quit()

    def send(self, message: EmailMessage, to: str) -> None:
        """Send one message to one reader; DeliveryError if the server does not accept it."""
        with self._limit(ANSWERS):
            connection = self._connected()
            try:
                connection.send_message(message, str(self._mail.from_), [to])
            except smtplib.SMTPRecipientsRefused as error:
                raise _refused(*error.recipients[to]) from error
            except smtplib.SMTPSenderRefused as error:
                # The server refuses our address, not the reader: every other message would fail too.
                answer = _answer(error.smtp_code, error.smtp_error)
                raise DeliveryError(f"accepts no mail from {self._mail.from_} ({answer})", server_wide=True) from error
            except smtplib.SMTPResponseException as error:
                raise _refused(error.smtp_code, error.smtp_error) from error
            except (OSError, smtplib.SMTPException) as error:
                # The server may have received the whole message before the connection broke.
                self._drop()
                reason = f"did not answer ({describe(error)})"
                raise DeliveryError(reason, maybe_delivered=True, server_wide=True) from error

    def _limit(self, answers: int) -> contextlib.AbstractContextManager[None]:
        return cut_off_after(
            answers * self._mail.timeout_seconds, lambda: self._connection.sock if self._connection else None
        )

    def _connected(self) -> smtplib.SMTP:
        if self._connection is not None:
            return self._connection
        mail, seconds = self._mail, self._mail.timeout_seconds
        try:
            connection: _Connection = (
                _EncryptedConnection(str(mail.server), timeout=seconds, context=self._trusted())
                if mail.security == "tls"
                else _Connection(str(mail.server), timeout=seconds)
            )
            self._connection = connection
            connection.open(str(mail.server), mail.server_port)
            if mail.security == "starttls":
                connection.starttls(context=self._trusted())
            self._log_in(connection)
        except DeliveryError:
            self._drop()
            raise
        except (OSError, smtplib.SMTPException, ValueError) as error:
            self._drop()
            raise DeliveryError(_why_not_connected(error), server_wide=True) from error
        return connection

    def _trusted(self) -> ssl.SSLContext:
        """The trusted authorities: the system's, or those that the environment names in their place."""
        return ssl.create_default_context(cafile=self._environ.get(AUTHORITY) or None)

    def _log_in(self, connection: smtplib.SMTP) -> None:
        user, password = self._environ.get(USER), self._environ.get(PASSWORD)
        if not user or self._mail.security == "none":
            return
        if not password:
            raise DeliveryError(f"{USER} is set in the environment, {PASSWORD} is not; set both", server_wide=True)
        # One attempt: the library's own login repeats a wrong password with every mechanism, which locks accounts.
        connection.ehlo_or_helo_if_needed()
        offered = str(connection.esmtp_features.get("auth", "")).upper().split()
        mechanisms = {"PLAIN": connection.auth_plain, "LOGIN": connection.auth_login}
        mechanism = next((name for name in mechanisms if name in offered), None)
        if mechanism is None:
            raise smtplib.SMTPNotSupportedError("it offers no login by PLAIN or LOGIN")
        connection.user, connection.password = user, password
        connection.auth(mechanism, mechanisms[mechanism])

    def _drop(self) -> None:
        connection, self._connection = self._connection, None
        if connection is not None:
            connection.close()


def _why_not_connected(error: Exception) -> str:
    match error:
        case smtplib.SMTPAuthenticationError():
            answer = _answer(error.smtp_code, error.smtp_error)
            return f"did not accept the login ({answer}); check {USER} and {PASSWORD}"
        case ssl.SSLCertVerificationError():
            return f"its certificate is not trusted ({error.verify_message}); name your own authority in {AUTHORITY}"
        case smtplib.SMTPNotSupportedError():
            return f"does not support what lab.toml asks for ({error})"
        case smtplib.SMTPResponseException():
            return f"refused the connection ({_answer(error.smtp_code, error.smtp_error)})"
        case _:
            return f"can't be reached ({describe(error)})"


def _refused(code: int, answer: bytes | str) -> DeliveryError:
    """What an answer of 4xx (try later) or 5xx (do not repeat) means."""
    reason = f"did not accept it ({_answer(code, answer)})"
    return DeliveryError(reason, permanent=code >= 500, server_wide=code == SERVICE_GONE)


def _answer(code: int, answer: bytes | str) -> str:
    return f"{code} {answer.decode('utf-8', 'replace') if isinstance(answer, bytes) else answer}"
