"""The names that people search for, added by the round for what is new: lots, products, suppliers, files and operators."""

from __future__ import annotations

from collections.abc import Iterable
from unicodedata import normalize

from sqlalchemy import Connection

from ingest.store.store import get_meta, insert_many, put_meta

__all__ = ["folded", "update_search_names"]

# Up to which row of each table the names are listed, kept in the notes of the store.
LISTED = "search_names_to"
SOURCES = {
    "lot": "SELECT id, supplier, product, lot FROM lot",
    "product": "SELECT id, supplier, product, product FROM stream",
    "supplier": "SELECT id, supplier, '', supplier FROM stream",
    "file": "SELECT id, '', '', name FROM \"drop\"",
    "operator": "SELECT id, '', '', text FROM label",
}
# What a form stored is no file.
ONLY = {"operator": " AND kind = 'operator' AND text <> ''", "file": " AND folder <> ''"}
# Of a file and an operator there may be several of one name; a lot, a product and a supplier are their names.
NUMBERED = ("file", "operator")


def folded(text: str) -> str:
    """A text for comparison without regard to letter case, and to how its accents are written."""
    return normalize("NFC", normalize("NFC", text).casefold())


def update_search_names(connection: Connection) -> None:
    """List the names of new rows, and the files and operators of the lots whose readings changed."""
    for kind, sql in SOURCES.items():
        note = f"{LISTED}_{kind}"
        listed = int(get_meta(connection, note) or 0)
        rows = connection.exec_driver_sql(f"{sql} WHERE id > ?{ONLY.get(kind, '')} ORDER BY id", (listed,)).all()
        if not rows:
            continue
        insert_many(
            connection,
            "INSERT INTO search_name (kind, source_id, supplier, product, name, folded, words) VALUES (?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT DO NOTHING",
            _unique(kind, [tuple(row) for row in rows]),
        )
        put_meta(connection, note, str(rows[-1][0]))
    for kind, column in (("file", "drop_id"), ("operator", "operator_id")):
        # WHERE true: else SQLite takes ON for the beginning of a join (https://sqlite.org/lang_upsert.html, section 2.2).
        connection.exec_driver_sql(
            f"INSERT INTO lot_source (kind, source_id, lot_id) SELECT DISTINCT '{kind}', r.{column}, r.lot_id FROM stale_lot s "
            "JOIN reading r ON r.stream_id = s.stream_id AND r.lot_id = s.lot_id WHERE true ON CONFLICT DO NOTHING"
        )


def _unique(kind: str, rows: Iterable[tuple[int, str, str, str]]) -> list[tuple[object, ...]]:
    """The rows of the table of names; names that are the same are listed once."""
    names: dict[tuple[object, ...], tuple[object, ...]] = {}
    for number, supplier, product, name in rows:
        source = number if kind in NUMBERED else 0
        words = folded(" ".join(dict.fromkeys((name, supplier, product))))
        names[source, supplier, product, name] = (kind, source, supplier, product, name, folded(name), words)
    return list(names.values())
