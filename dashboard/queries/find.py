"""Find a lot, product, supplier, file, operator or alert by a part of its name.

Names that begin with the text come first, by an index; only if they are few, names that hold it are looked up as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import Connection, RowMapping, text

from dashboard.queries.stored_documents import rows_of
from dashboard.text.formatting import day, moment
from dashboard.text.urls import BENCH, BOARD, HISTORY, SUPPLIER, case_address, lot_address, with_query
from ingest.common.text import printable
from ingest.config.lab import Lab
from ingest.documents.find import FindAnswer, FindDocument, LotName
from ingest.documents.served import iso
from ingest.intake.search_names import folded
from ingest.store.dialect import containing

__all__ = ["LONGEST_TEXT", "MOST_ANSWERS", "find"]

MOST_ANSWERS = 50
# The newest lots of a file or an operator.
MOST_LOTS = 12
# No name in the store is longer than a cell of a file that a person would copy.
LONGEST_TEXT = 400
# Above every letter.
LAST = "\U0010ffff"
KINDS = ("lot", "product", "supplier", "alert", "file", "operator")
PLACES = " ".join(f"WHEN '{kind}' THEN {place}" for place, kind in enumerate(KINDS))
ORDER = f"CASE kind {PLACES} END"

PREFIX_SQL = f"""
SELECT kind, source_id, supplier, product, name, folded FROM search_name WHERE folded >= :text AND folded < :last
ORDER BY CASE WHEN folded = :text THEN 0 ELSE 1 END, {ORDER}, name DESC, supplier, source_id DESC LIMIT :most
"""
ALERT_SQL = """
SELECT id, supplier, product, message, raised_us FROM alert WHERE id >= :text AND id < :last
ORDER BY raised_us DESC, id LIMIT :most
"""
LOTS_SQL = """
SELECT l.supplier, l.product, l.lot FROM lot_source s JOIN lot l ON l.id = s.lot_id
WHERE s.kind = :kind AND s.source_id = :source ORDER BY l.id DESC LIMIT :most
"""


def find(connection: Connection, lab: Lab, written: str) -> FindDocument:
    """The answers to what a person wrote; none where it is blank or longer than any name."""
    wanted = folded(written.strip())
    if not wanted or len(wanted) > LONGEST_TEXT:
        return {"text": written, "answers": [], "more": False}
    most = MOST_ANSWERS + 1
    rows = rows_of(connection, PREFIX_SQL, text=wanted, last=wanted + LAST, most=most)
    if len(rows) < most:
        seen = {_key(row) for row in rows}
        rows += [row for row in _holding(connection, wanted.split(), most) if _key(row) not in seen]
    alerts = rows_of(connection, ALERT_SQL, text=wanted, last=wanted + LAST, most=most)
    answers = [_alert(row, lab) for row in alerts] + [_answer(connection, row, lab) for row in rows[:most]]
    # An exact name comes before all others.
    answers.sort(key=lambda answer: folded(answer["name"]) != wanted)
    return {"text": written, "answers": answers[:MOST_ANSWERS], "more": len(answers) > MOST_ANSWERS}


def _key(row: RowMapping) -> tuple[Any, ...]:
    return row["kind"], row["source_id"], row["supplier"], row["product"], row["name"]


def _holding(connection: Connection, words: Sequence[str], most: int) -> list[RowMapping]:
    """Names that hold each word, by themselves or with those of their supplier and product."""
    marks = {f"word{number}": containing(word) for number, word in enumerate(words[:8])}
    where = " AND ".join(f"words LIKE :{name} ESCAPE '!'" for name in marks)
    sql = (
        f"SELECT kind, source_id, supplier, product, name, folded FROM search_name WHERE {where} "
        f"ORDER BY {ORDER}, name DESC, supplier, source_id DESC LIMIT :most"
    )
    return rows_of(connection, sql, most=most, **marks)


def _alert(row: RowMapping, lab: Lab) -> FindAnswer:
    return {
        "kind": "alert",
        "name": row["id"],
        "supplier": row["supplier"],
        "product": row["product"],
        "detail": f"{row['message']}; detected {day(iso(row['raised_us'], lab.zone))}",
        "page": case_address(row["id"]),
        "lots": [],
        "lots_in_all": 0,
    }


def _answer(connection: Connection, row: RowMapping, lab: Lab) -> FindAnswer:
    kind, name, supplier, product = row["kind"], row["name"], row["supplier"], row["product"]
    lots: list[LotName] = []
    count, detail = 0, ""
    if kind == "lot":
        page, detail = lot_address(supplier, name), f"{supplier} {product}"
    elif kind == "product":
        page, detail = with_query(BOARD, {"supplier": supplier, "product": name}), supplier
    elif kind == "supplier":
        page = with_query(SUPPLIER, {"name": name})
    else:
        page = BENCH if kind == "file" else with_query(HISTORY, {"who": name})
        source = {"kind": kind, "source": row["source_id"]}
        lots = [
            {"supplier": lot["supplier"], "product": lot["product"], "lot": lot["lot"]}
            for lot in rows_of(connection, LOTS_SQL, most=MOST_LOTS, **source)
        ]
        counted = "SELECT count(*) FROM lot_source WHERE kind = :kind AND source_id = :source"
        count = int(connection.execute(text(counted), source).scalar_one())
        detail = _file(connection, row["source_id"], lab) if kind == "file" else "operator"
    return {
        "kind": kind,
        "name": name,
        "supplier": supplier or None,
        "product": product or None,
        "detail": printable(detail),
        "page": page,
        "lots": lots,
        "lots_in_all": count,
    }


def _file(connection: Connection, number: int, lab: Lab) -> str:
    (row,) = rows_of(connection, 'SELECT state, stored, refused, taken_us FROM "drop" WHERE id = :id', id=number)
    refused = f", {row['refused']:,} refused" if row["refused"] else ""
    return f"taken in {moment(iso(row['taken_us'], lab.zone))}: {row['state']}, {row['stored']:,} rows stored{refused}"
