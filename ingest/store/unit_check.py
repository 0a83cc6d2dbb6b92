"""Compare the units of stored values with those that `lab.toml` declares."""

from __future__ import annotations

import json

from sqlalchemy import Connection, select

from ingest.common.errors import LabFileError
from ingest.config.field_types import shown
from ingest.config.lab import LAB_FILE, Lab
from ingest.store import schema
from ingest.store.store import get_meta

__all__ = ["check_units"]


def check_units(connection: Connection, lab: Lab) -> dict[str, str]:
    """Refuse a changed unit: it would change the meaning of the stored values.

    Returns
    -------
    dict of str to str
        The unit of each characteristic that has values or is declared.

    Raises
    ------
    LabFileError
        If `lab.toml` declares a unit other than the stored one.
    """
    with_values = set(connection.execute(select(schema.stream.c.characteristic).distinct()).scalars())
    stored: dict[str, str] = json.loads(get_meta(connection, "units") or "{}")
    units = {name: unit for name, unit in stored.items() if name in with_values}
    for one in lab.characteristics:
        if units.setdefault(one.name, one.unit) != one.unit:
            raise LabFileError(
                f"{LAB_FILE}, characteristic.{one.name}.unit: expected {shown(units[one.name])}, in which the store holds its "
                f"values, got {shown(one.unit)}; put it back, or declare the new unit under another name"
            )
    return units
