"""The names that the form for loads offers: chambers, suppliers, products, and the lots that came last."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection

from ingest.config.lab import Lab

__all__ = ["LoadNames", "load_names"]

LOTS_OFFERED = 60


@dataclass(frozen=True, slots=True)
class LoadNames:
    """Names to choose from, in the order of the form."""

    chambers: list[str]
    suppliers: list[str]
    products: list[str]
    lots: list[str]


def load_names(connection: Connection, lab: Lab) -> LoadNames:
    """Return the chambers with a log or a declaration, and the names of the lots in the store; a second sensor is no chamber."""
    logged = "SELECT text FROM label WHERE kind = 'chamber' AND text <> '' ORDER BY text"
    second = {one.second for one in lab.chambers if one.second}
    chambers = [*connection.exec_driver_sql(logged).scalars(), *(one.name for one in lab.chambers)]
    standards = {one.supplier for one in lab.check_standards}
    return LoadNames(
        chambers=sorted(set(chambers) - second),
        suppliers=[
            name
            for name in connection.exec_driver_sql("SELECT DISTINCT supplier FROM lot ORDER BY supplier").scalars()
            if name not in standards
        ],
        products=list(connection.exec_driver_sql("SELECT DISTINCT product FROM lot ORDER BY product").scalars()),
        lots=list(
            connection.exec_driver_sql("SELECT lot FROM lot ORDER BY id DESC LIMIT ?", (LOTS_OFFERED,)).scalars()
        ),
    )
