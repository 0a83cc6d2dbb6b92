"""Find suppliers, products and lots that are probably one name written in two ways, with the command that declares it.

The name with fewer lots is taken for the slip, of two with as many the later one. A supplier is similar by its letters, without legal forms; a product and a lot by letters and digits alone, as BF-110 and BF-210 are two
films. Two lots with the same readings at the same time are named too where their names are alike by a digit or by the order of digits.
"""

from __future__ import annotations

import re
import shlex
import unicodedata
from collections import Counter
from collections.abc import Iterable
from difflib import SequenceMatcher

from sqlalchemy import Connection

from ingest.common.text import quoted
from ingest.config.lab import Lab
from ingest.store.store import known_store

__all__ = ["newest_lot", "similar_in_file", "similar_since"]

Names = tuple[str, str, str]

LEGAL_FORMS = frozenset(
    ("ab", "ag", "aps", "as", "bv", "co", "company", "corp", "corporation", "gmbh", "inc", "kg", "limited", "llc", "ltd", "nv", "oy", "plc",
     "pty", "sa", "sarl", "sas", "spa", "srl")
)  # fmt: skip
# Two names of that many letters which share this part of them are similar.
SHORTEST, LIKENESS = 5, 0.85
# Names with the same tests may differ more, such as K2636 and K2637.
LIKENESS_OF_SAME_TESTS = 0.75
MOST_LINES = 5
NO_LETTER_OR_DIGIT = re.compile(r"[\W_]+")
# A letter O for a nought and a letter l or I for a one are the usual slips (common practice).
SLIPS = str.maketrans("oil", "011")

SAME_TESTS_SQL = """
SELECT DISTINCT lo.supplier, lo.product, lo.lot, ls.supplier, ls.product, ls.lot
FROM session s JOIN session o ON o.started_us = s.started_us AND o.lot_id < s.lot_id AND o.readings = s.readings AND o.level = s.level
JOIN stream ts ON ts.id = s.stream_id JOIN stream tt ON tt.id = o.stream_id AND tt.characteristic = ts.characteristic
JOIN lot ls ON ls.id = s.lot_id JOIN lot lo ON lo.id = o.lot_id
WHERE s.lot_id > ? AND s.readings > 1 ORDER BY 1, 2, 3
"""


def newest_lot(connection: Connection) -> int:
    """The number of the newest lot; later ones are new."""
    return int(connection.exec_driver_sql("SELECT coalesce(max(id), 0) FROM lot").scalar() or 0)


def similar_since(connection: Connection, lab: Lab, number: int) -> list[str]:
    """One line for each name that came after the lot of this number and is much like another one."""
    rows = connection.exec_driver_sql(
        "SELECT supplier, product, lot FROM lot WHERE id > ? ORDER BY id", (number,)
    ).fetchall()
    if not rows:
        return []
    new = _right(lab, ((row[0], row[1], row[2]) for row in rows))
    stored = _right(lab, _stored_beside(connection, number, {one[:2] for one in new}))
    same = connection.exec_driver_sql(SAME_TESTS_SQL, (number,)).fetchall()
    pairs = [((one[0], one[1], one[2]), (one[3], one[4], one[5])) for one in same]
    lines = [_same_tests(older, newer) for older, newer in pairs if all(map(_slip, older, newer))]
    return _shortened([*lines, *_similar(new, stored, _lots_stored(connection))])


def _lots_stored(connection: Connection) -> Counter[tuple[str, ...]]:
    """The number of lots of each supplier, and of each of its products."""
    lots: Counter[tuple[str, ...]] = Counter()
    for supplier, product, count in connection.exec_driver_sql(
        "SELECT supplier, product, count(*) FROM lot GROUP BY supplier, product"
    ):
        lots[supplier,] += count
        lots[supplier, product] += count
    return lots


def _stored_beside(connection: Connection, number: int, films: set[tuple[str, str]]) -> list[Names]:
    """The films up to a lot, each with a blank lot, and the lots of some films: lots of other films are not compared."""
    rows = connection.exec_driver_sql(
        "SELECT supplier, product FROM lot WHERE id <= ? GROUP BY supplier, product ORDER BY min(id)", (number,)
    ).fetchall()
    stored = [(row[0], row[1], "") for row in rows]
    for supplier, product in sorted(films):
        lots = connection.exec_driver_sql(
            "SELECT lot FROM lot WHERE supplier = ? AND product = ? AND id <= ? ORDER BY id",
            (supplier, product, number),
        )
        stored += [(supplier, product, lot) for lot in lots.scalars()]
    return stored


def similar_in_file(lab: Lab, names: Iterable[Names]) -> list[str]:
    """One line for each name of a file that is much like another one, in the file or in the store."""
    store = known_store(lab.folder)
    stored: list[Names] = []
    if store is not None:
        with store.reading() as connection:
            rows = connection.exec_driver_sql("SELECT supplier, product, lot FROM lot ORDER BY id").fetchall()
        stored = _right(lab, ((row[0], row[1], row[2]) for row in rows))
    before = set(stored)
    new = [one for one in dict.fromkeys(names) if one not in before]
    lots = Counter(one[:length] for one in (*before, *new) for length in (1, 2))
    return _shortened(_similar(new, stored, lots))


def _right(lab: Lab, names: Iterable[Names]) -> list[Names]:
    """The names without those that are read as others: nothing is left under them."""
    return [one for one in names if lab.right_names(*one) == one]


def _shortened(lines: list[str]) -> list[str]:
    distinct = list(dict.fromkeys(lines))
    more = len(distinct) - MOST_LINES
    return distinct if more <= 0 else [*distinct[:MOST_LINES], f"{more} more names are much like others"]


def _similar(new: list[Names], stored: list[Names], lots: Counter[tuple[str, ...]]) -> list[str]:
    """The lines about new names: suppliers, products of one supplier, lots of one product; `lots` are counted by the names above them."""
    lines = _similar_suppliers(new, stored, lots)
    for level, column, code_of in ((1, "product", _code), (2, "lot", _lot_code)):
        # Looked up by their code: a first round may bring tens of thousands of lots.
        first: dict[tuple[tuple[str, ...], str], str] = {}
        known = dict.fromkeys(one[: level + 1] for one in stored)
        for *place, name in (*known, *dict.fromkeys(one[: level + 1] for one in new)):
            code = code_of(name)
            other = first.setdefault((tuple(place), code), name)
            if code and other != name and (*place, name) not in known:
                lines.append(_line(column, *_slip_first(name, other, tuple(place), lots), tuple(place)))
    return lines


def _slip_first(later: str, earlier: str, place: tuple[str, ...], lots: Counter[tuple[str, ...]]) -> tuple[str, str]:
    """Of two names of one thing the suspected slip, then the name that it is read as."""
    return (earlier, later) if lots[*place, earlier] < lots[*place, later] else (later, earlier)


def _similar_suppliers(new: list[Names], stored: list[Names], lots: Counter[tuple[str, ...]]) -> list[str]:
    lines, known = [], list(dict.fromkeys(one[0] for one in stored))
    for name in dict.fromkeys(one[0] for one in new):
        if name in known:
            continue
        alike = [other for other in known if _like_supplier(name, other)]
        if alike:
            likest = max(alike, key=lambda other: _likeness(name, other))
            lines.append(_line("supplier", *_slip_first(name, likest, (), lots), ()))
        known.append(name)
    return lines


def _likeness(one: str, other: str) -> float:
    return SequenceMatcher(None, one, other).ratio()


def _words(name: str) -> list[str]:
    plain = "".join(c for c in unicodedata.normalize("NFKD", name.casefold()) if not unicodedata.combining(c))
    words = re.findall(r"\w+", plain)
    return [word for word in words if word not in LEGAL_FORMS] or words


def _like_supplier(one: str, other: str) -> bool:
    first, second = _words(one), _words(other)
    if re.findall(r"[0-9]+", one) != re.findall(r"[0-9]+", other):
        return False
    shorter, longer = sorted((first, second), key=len)
    if shorter == longer[: len(shorter)] and len("".join(shorter)) >= SHORTEST:
        return True
    texts = "".join(first), "".join(second)
    return min(map(len, texts)) >= SHORTEST and SequenceMatcher(None, *texts).ratio() >= LIKENESS


def _code(name: str) -> str:
    return NO_LETTER_OR_DIGIT.sub("", unicodedata.normalize("NFKC", name).casefold())


def _lot_code(name: str) -> str:
    return _code(name).translate(SLIPS)


def _slip(one: str, other: str) -> bool:
    """Whether a slip of the pen makes one name of the other; two lots of one film may well have equal readings."""
    first, second = _code(one), _code(other)
    alike = SequenceMatcher(None, first, second).ratio() >= LIKENESS_OF_SAME_TESTS
    return alike or sorted(first) == sorted(second)


def _line(column: str, written: str, right: str, place: tuple[str, ...]) -> str:
    where = f" of {place[0]}" if place else ""
    return f"{column} {quoted(written)}{where} is much like {quoted(right)}; if both are one: {_command(column, written, right, place)}"


def _same_tests(older: Names, newer: Names) -> str:
    column = next(name for name, a, b in zip(("supplier", "product", "lot"), older, newer, strict=True) if a != b)
    level = ("supplier", "product", "lot").index(column)
    return (
        f"lot {quoted(older[2])} of {older[0]} {older[1]} and lot {quoted(newer[2])} of {newer[0]} {newer[1]} hold the same tests, which count "
        f"twice; if the second name is right: {_command(column, older[level], newer[level], newer[:level])}"
    )


def _command(column: str, written: str, right: str, place: tuple[str, ...]) -> str:
    options = [part for name, text in zip(("--supplier", "--product"), place, strict=False) for part in (name, text)]
    # A product needs its supplier, a lot its supplier and product.
    return shlex.join(["lotdrift", "alias", column, written, right, *options])
