"""The units in which the store holds its values, against those that `lab.toml` declares now."""

from __future__ import annotations

import json

from sqlalchemy import Connection

from ingest.common.errors import LabFileError
from ingest.config.field_types import shown
from ingest.config.lab import LAB_FILE, Lab
from ingest.store.store import get_meta

__all__ = ["check_units"]


def check_units(connection: Connection, lab: Lab) -> dict[str, str]:
    """Refuse another unit for values that are stored: with it they would mean another thing.

    Returns
    -------
    dict of str to str
        The unit of each characteristic that has values or is declared.

    Raises
    ------
    LabFileError
        Where `lab.toml` declares another one.
    """
    held = set(connection.exec_driver_sql("SELECT DISTINCT characteristic FROM stream").scalars())
    known = {name: unit for name, unit in json.loads(get_meta(connection, "units") or "{}").items() if name in held}
    for one in lab.characteristics:
        if known.setdefault(one.name, one.unit) != one.unit:
            raise LabFileError(
                f"{LAB_FILE}, characteristic.{one.name}.unit: expected {shown(known[one.name])}, in which the store holds its "
                f"values, got {shown(one.unit)}; put it back, or declare the new unit under another name"
            )
    return known
