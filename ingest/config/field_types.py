"""The types of the keys in `lab.toml`, each with a description of the expected value."""

from __future__ import annotations

import codecs
import json
import unicodedata
from collections.abc import Callable
from datetime import date
from ipaddress import ip_address
from pathlib import PurePath
from typing import Annotated, Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, WrapValidator
from pydantic_core import PydanticCustomError

from ingest.common.units import UNITS, UNITS_AS_PRINTED

__all__ = [
    "ConditioningName",
    "Count",
    "Declared",
    "Delimiter",
    "Encoding",
    "FixedText",
    "Flag",
    "Folder",
    "FromDate",
    "IpAddress",
    "Name",
    "NotNegative",
    "Number",
    "OverridingLimit",
    "Percent",
    "Positive",
    "Probability",
    "Risk",
    "RowCount",
    "StoreUrl",
    "TableText",
    "Text",
    "UnitName",
    "ZoneName",
    "expected",
    "one_of",
    "shown",
    "wrong",
]

SHOWN_CHARACTERS = 60
STORE_DRIVER = "postgresql+psycopg"


class Declared(BaseModel):
    """A table of `lab.toml`; unknown keys and values of another type are refused."""

    # No values in tracebacks of the library: some are private addresses.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, hide_input_in_errors=True)


def shown(value: object) -> str:
    """Return a value as in the file, short enough for a message of one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "a list"
    text = json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)
    return text if len(text) <= SHOWN_CHARACTERS else f"{text[:SHOWN_CHARACTERS]}..."


def wrong(message: str) -> PydanticCustomError:
    """Make a validation error with this message."""
    return PydanticCustomError("expected", "{message}", {"message": message})


def expected(what: str, *, secret: bool = False) -> WrapValidator:
    """Word every complaint about a value as `expected WHAT, got VALUE`; a `secret` value is not shown."""

    def validate(value: Any, handler: Callable[[Any], Any]) -> Any:
        try:
            return handler(value)
        except (ValidationError, ValueError) as error:
            got = "something else (not shown, it may hold a secret)" if secret else shown(value)
            raise wrong(f"expected {what}, got {got}") from error

    return WrapValidator(validate)


def one_of(*words: str) -> WrapValidator:
    """Accept one of these words only."""

    def validate(value: Any, handler: Callable[[Any], Any]) -> Any:
        if value not in words:
            raise wrong(f"expected {listed([shown(word) for word in words], 'or')}, got {shown(value)}")
        return handler(value)

    return WrapValidator(validate)


def listed(words: list[str], last: str) -> str:
    """Return words as a sentence lists them: `a, b or c`."""
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else words[0]


def _name(text: str) -> str:
    name = unicodedata.normalize("NFC", text.strip())
    if not name or any(unicodedata.category(c) == "Cc" for c in name):
        raise ValueError
    return name


def _ip_address(text: str) -> str:
    return str(ip_address(text))


def _conditioning(value: object) -> str | bool:
    """Return the name of a conditioning, or False for none."""
    if value is False:
        return False
    if not isinstance(value, str):
        raise ValueError
    return _name(value)


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, OSError) as error:
        raise ValueError from error
    return text


def _encoding(text: str) -> str:
    try:
        "a,1\n".encode(text).decode(text)
        return codecs.lookup(text).name
    except (LookupError, UnicodeError) as error:
        raise ValueError from error


def _delimiter(text: str) -> str:
    if len(text) != 1 or not text.isascii() or text.isalnum() or text in '"\r\n.\0':
        raise ValueError
    return text


def _store(text: str) -> str:
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(text)
    except ArgumentError as error:
        raise ValueError from error
    if url.drivername != STORE_DRIVER or not url.database:
        raise ValueError
    return text


def _without_password(value: object) -> object:
    """Refuse a password in any part of the address, and don't repeat it in the message."""
    from sqlalchemy import make_url
    from sqlalchemy.exc import ArgumentError

    try:
        url = make_url(value) if isinstance(value, str) else None
    except (ArgumentError, ValueError):
        return value
    if url is not None and (url.password is not None or any(_names_a_secret(key) for key in url.query)):
        raise wrong(
            "expected an address without a password; take it out of the file and give it by PGPASSWORD or the password "
            "file of this account (~/.pgpass)"
        )
    return value


def _names_a_secret(key: str) -> bool:
    """`password`, `sslpassword` and the like: PostgreSQL documentation, section 34.1.2, from memory."""
    return any(word in key.casefold() for word in ("password", "secret"))


def _unit(text: str) -> str:
    # Letter case and words count: all results are shown in this unit. The signs of a keyboard and of print are one.
    name = UNITS_AS_PRINTED.get(text, text)
    if name not in UNITS:
        raise ValueError
    return name


def _folder(text: str) -> str:
    if not text.strip() or "\0" in text or ".." in PurePath(text).parts:
        raise ValueError
    return text


def _overriding(value: object) -> float | None:
    """Return the limit of a product; None for `false`, no limit."""
    if value is False:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < float("inf"):
        raise ValueError
    return float(value)


def _fixed(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError
    return _name(str(value))


ConditioningName = Annotated[
    Any, AfterValidator(_conditioning), expected('the name of a conditioning such as "dry", or false for none')
]
Number = Annotated[float, expected("a number")]
Positive = Annotated[float, Field(gt=0), expected("a number above 0")]
NotNegative = Annotated[float, Field(ge=0), expected("a number not below 0")]
Percent = Annotated[float, Field(ge=0, le=100), expected("a number from 0 to 100")]
Probability = Annotated[float, Field(gt=0, le=1), expected("a number above 0 and at most 1")]
Risk = Annotated[float, Field(gt=0, le=0.5), expected("a number above 0 and at most 0.5")]
Count = Annotated[int, Field(gt=0), expected("a whole number above 0")]
RowCount = Annotated[int, Field(ge=0, le=1000), expected("a whole number from 0 to 1000")]
Flag = Annotated[bool, expected("true or false")]
Text = Annotated[str, expected("a text")]
TableText = dict[str, Annotated[str, expected("a text")]]
Name = Annotated[str, AfterValidator(_name), expected("a text that is not blank and holds no control characters")]
IpAddress = Annotated[str, AfterValidator(_ip_address), expected('the address of a computer such as "127.0.0.1"')]
ZoneName = Annotated[str, AfterValidator(_zone), expected('a time zone such as "Europe/Lisbon"')]
Encoding = Annotated[str, AfterValidator(_encoding), expected('a text encoding such as "utf-8" or "cp1252"')]
Delimiter = Annotated[str, AfterValidator(_delimiter), expected('one character such as "," or ";"')]
StoreUrl = Annotated[
    str,
    AfterValidator(_store),
    expected('the URL of a server such as "postgresql+psycopg://user@host/database"', secret=True),
    BeforeValidator(_without_password),
]
UnitName = Annotated[str, AfterValidator(_unit), expected(f"one of {listed(list(UNITS), 'or')}")]
Folder = Annotated[str, AfterValidator(_folder), expected('a folder such as "drops/tests", without ".."')]
FromDate = Annotated[date, expected("a date such as 2018-10-01")]
OverridingLimit = Annotated[Any, AfterValidator(_overriding), expected("a number, or false for no limit")]
FixedText = Annotated[Any, AfterValidator(_fixed), expected("a text or a whole number")]
