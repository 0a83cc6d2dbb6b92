"""What `lotdrift evidence` was asked for, and the file it leaves."""

from __future__ import annotations

from pathlib import Path

from sqlalchemy import Connection

from dashboard.evidence import bundle_file, bundle_scope
from dashboard.evidence.bundle_scope import Scope
from dashboard.scorecard import export
from ingest.common.errors import CallError
from ingest.config.lab import Lab

__all__ = ["asked", "pack"]


def asked(
    connection: Connection, lab: Lab, quarter: str | None, lot: tuple[str, str] | None, supplier: str | None
) -> Scope:
    """What the bundle is about; CallError where the call names neither a quarter nor a lot, or both."""
    if (quarter is None) == (lot is None) or (lot is not None and supplier is not None):
        raise CallError("evidence: give a quarter such as 2026-Q3, with or without --supplier, or --lot SUPPLIER LOT")
    if lot is not None:
        return bundle_scope.of_lot(connection, *lot)
    return bundle_scope.of_quarter(connection, lab, str(quarter), supplier)


def pack(connection: Connection, lab: Lab, scope: Scope, folder: Path) -> Path:
    """Write the bundle into a folder; where it lies."""
    path = folder / scope.file_name
    export.write_piecewise(path, lambda out: bundle_file.write(connection, lab, scope, out))
    return path
