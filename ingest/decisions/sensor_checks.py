"""Checks of humidity sensors that a person enters: against a saturated salt solution, or against another reference."""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import Connection

from ingest.audit.audit_log import AuditEntry, record
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.common.instants import microseconds
from ingest.common.text import printable, quoted
from ingest.config.lab import Lab
from ingest.sessions.ready import moment_in
from ingest.sessions.sensors import CHECK_SENSOR, TAKE_BACK_CHECK, stored_checks
from spc.bench.moisture import SALT_UNCERTAINTY, salt_humidity

__all__ = ["FIELDS", "record_check", "take_back_check"]

FIELDS = ("sensor", "reads", "salt", "temperature", "reference", "uncertainty", "at")


def record_check(
    connection: Connection, lab: Lab, who: str, note: str, fields: Mapping[str, str], now: datetime
) -> None:
    """Record a check of a sensor.

    Parameters
    ----------
    connection : Connection
        In a transaction.
    lab : Lab
    who, note : str
        The person, and a remark that may be blank.
    fields : mapping
        Those named in `FIELDS`, as texts: the sensor, what it reads in % RH, and either a salt with the temperature of the solution in degrees
        Celsius, or a reference in % RH with its expanded uncertainty. A blank `at` is now.
    now : datetime
        Aware.

    Raises
    ------
    CallError
        Where a field is missing or can't be meant.
    """
    written = {name: fields.get(name, "").strip() for name in FIELDS}
    sensor = written["sensor"]
    known = connection.exec_driver_sql("SELECT 1 FROM label WHERE kind = 'chamber' AND text = ?", (sensor,)).first()
    if not sensor or known is None:
        raise CallError(
            f"{CHECK_SENSOR}: no log has the sensor {quoted(sensor)}; write the name of its chamber as in the log"
        )
    reads = _percent("reads", written["reads"])
    salt = written["salt"].casefold()
    if salt:
        temperature = _number("temperature", written["temperature"])
        try:
            reference = salt_humidity(salt, temperature)
        except ValueError as error:
            raise CallError(f"{CHECK_SENSOR}: {error}") from error
        if salt not in SALT_UNCERTAINTY and not written["uncertainty"]:
            raise CallError(f"{CHECK_SENSOR}: no uncertainty of {salt} is known here; write that of your reference")
        given = written["uncertainty"]
        expanded = _positive("uncertainty", given) if given else SALT_UNCERTAINTY[salt]
    else:
        reference, expanded = (
            _percent("reference", written["reference"]),
            _positive("uncertainty", written["uncertainty"]),
        )
        temperature = None
    at = moment_in(CHECK_SENSOR, written["at"], lab) if written["at"] else now.replace(second=0, microsecond=0)
    if at > now:
        raise CallError(f"{CHECK_SENSOR}: {written['at']} is in the future; correct it")
    record(
        connection,
        AuditEntry(
            now, printable(who), CHECK_SENSOR, Subject.sensor(sensor), printable(note) or CHECK_SENSOR,
            {
                "checked_us": microseconds(at), "reads": reads, "reference": reference, "uncertainty": expanded, "salt": salt,
                **({} if temperature is None else {"temperature_c": temperature}),
            },
        ),
    )  # fmt: skip


def take_back_check(
    connection: Connection, lab: Lab, sensor: str, at: str, who: str, reason: str, now: datetime
) -> None:
    """Take a check back that was entered by mistake; CallError where there is none of this moment."""
    at_us = microseconds(moment_in(TAKE_BACK_CHECK, at, lab))
    if all(one.at_us != at_us for one in stored_checks(connection, lab).get(sensor, [])):
        raise CallError(f"{TAKE_BACK_CHECK}: {quoted(sensor)} has no check of {at}; look at lotdrift instruments")
    subject = Subject.sensor(sensor)
    record(
        connection, AuditEntry(now, printable(who), TAKE_BACK_CHECK, subject, printable(reason), {"checked_us": at_us})
    )


def _number(name: str, text: str) -> float:
    try:
        value = float(text.replace(",", ".", 1))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CallError(f"{CHECK_SENSOR}: {name}: expected a number, got {quoted(text)}")
    return value


def _percent(name: str, text: str) -> float:
    value = _number(name, text)
    if not 0 <= value <= 100:
        raise CallError(f"{CHECK_SENSOR}: {name}: expected a humidity from 0 to 100 %, got {quoted(text)}")
    return value


def _positive(name: str, text: str) -> float:
    value = _number(name, text)
    if not value > 0:
        raise CallError(f"{CHECK_SENSOR}: {name}: expected a number above 0, got {quoted(text)}")
    return value
