"""Anything that has a name is found from every page by a part of it."""

from __future__ import annotations

import time
from datetime import timedelta
from typing import Any

import pytest
from sqlalchemy import insert
from support.commands import assert_one_line, call, document
from support.labs import MONDAY, Bench, lot_rows
from support.page_text import words as words_on

from dashboard.queries.find import MOST_ANSWERS, find
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import page
from ingest.intake.search_names import folded, update_search_names
from ingest.store import schema
from ingest.store.store import open_store

pytestmark = pytest.mark.usefixtures("lab_clock")
BOTH_STORES = True

# The longest name that is taken in.
LONG = "Ä" * 150


def fill(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 80)
    rows = lot_rows("L-100", MONDAY, [[9.0, 9.1]]) + lot_rows("L-101", MONDAY, [[30.0, 31.0]])
    rows += lot_rows("Größe 7%", MONDAY, [[9.0, 9.2]], supplier="Weiß & Søn", product="Folie_1")
    rows += lot_rows(LONG, MONDAY, [[9.0, 9.2]], supplier="株式会社", product="袋")
    for row in rows:
        row["operator"] = "M. Àlvarez"
    bench.drop_tests("energy week 1.csv", rows)
    bench.run()


def answers_to(bench: Bench, text: str) -> list[tuple[str, str]]:
    return [(one["kind"], one["name"]) for one in document(bench.folder, "find", text)["answers"]]


ANSWERS: dict[str, list[tuple[str, str]]] = {
    "l-10": [("lot", "L-101"), ("lot", "L-100")],
    "L-100": [("lot", "L-100")],
    "alder": [("supplier", "Alder Film"), ("lot", "L-101"), ("lot", "L-100"), ("product", "MB-10")],
    "MB-10 100": [("lot", "L-100")],
    "GRÖSSE": [("lot", "Größe 7%")],
    # Signs of the query language are letters of a name.
    "7%": [("lot", "Größe 7%")],
    "1%": [],
    "_1": [("lot", "Größe 7%"), ("product", "Folie_1")],
    "søn": [("lot", "Größe 7%"), ("product", "Folie_1"), ("supplier", "Weiß & Søn")],
    "袋": [("product", "袋"), ("lot", LONG)],
    "ä" * 150: [("lot", LONG)],
    "ENERGY": [("file", "energy week 1.csv")],
    "àlv": [("operator", "M. Àlvarez")],
    "!": [],
    "ä" * 300: [],
    "x" * 5_000: [],
}


def test_names_are_found_by_a_part_of_them(bench: Bench) -> None:
    fill(bench)

    assert {text: answers_to(bench, text) for text in ANSWERS} == ANSWERS


def test_a_file_and_an_operator_lead_to_their_lots_and_an_alert_to_its_case(bench: Bench) -> None:
    fill(bench)
    alert = next(one for one in document(bench.folder, "alerts") if one["kind"] == "limit")

    (file,) = document(bench.folder, "find", "energy week")["answers"]
    (operator,) = document(bench.folder, "find", "M. À")["answers"]
    (by_id,) = document(bench.folder, "find", alert["id"][:9].upper())["answers"]

    assert [lot["lot"] for lot in file["lots"]] == [LONG, "Größe 7%", "L-101", "L-100"]
    assert (file["lots_in_all"], operator["lots_in_all"]) == (4, 4)
    assert "8 rows stored" in file["detail"]
    assert (by_id["name"], by_id["page"]) == (alert["id"], f"/cases?case={alert['id']}")


def test_a_name_that_comes_later_is_found_after_the_next_round(bench: Bench) -> None:
    fill(bench)
    bench.drop_tests("two.csv", lot_rows("L-102", MONDAY, [[9.0, 9.1]]))
    assert answers_to(bench, "L-102") == []

    bench.run()

    assert answers_to(bench, "L-102") == [("lot", "L-102")]
    assert [one["lots_in_all"] for one in document(bench.folder, "find", "two.csv")["answers"]] == [1]


def test_the_page_says_when_nothing_or_too_much_is_found(bench: Bench) -> None:
    fill(bench)
    bench.drop_tests("many.csv", [row for number in range(60) for row in lot_rows(f"M-{number}", MONDAY, [[9.0, 9.1]])])
    bench.run()
    reader = LabReader(bench.folder)

    def words(query: str) -> str:
        return " ".join(words_on(page(reader, "/find", query)))

    assert 'Nothing found for "zzz".' in words("?text=zzz")
    assert f'More than {MOST_ANSWERS} answers to "M-".' in words("?text=M-")
    assert "Write more of the name" in words("?text=M-")
    assert "Nothing to look for yet." in words("")
    assert '1 answer to "L-100".' in words("?text=L-100")


def test_a_blank_text_is_a_wrong_call(bench: Bench) -> None:
    fill(bench)

    assert_one_line(call(bench.folder, "find", "  "), 2, "find: the text is blank")


def test_twenty_thousand_lots_are_searched_within_150_ms(bench: Bench) -> None:
    fill(bench)
    lots: list[dict[str, Any]] = [
        {"supplier": f"Supplier {number % 40}", "product": f"P{number % 7}", "lot": f"X-{number:05d}"}
        for number in range(20_000)
    ]
    with open_store(bench.folder).writing() as connection:
        connection.execute(insert(schema.lot), lots)
        update_search_names(connection)
    reader = LabReader(bench.folder)

    def seconds(text: str) -> float:
        with reader.reading() as connection:
            began = time.process_time(), time.perf_counter()
            find(connection, reader.lab, text)
            # Another program on this computer costs no time of ours.
            waited = 0.0 if bench.store is None else time.perf_counter() - began[1]
            return max(time.process_time() - began[0], waited)

    for text in ("X-1999", "supplier 7 X-19", "9", "nothing"):
        assert min(seconds(text) for _ in range(3)) < 0.150, text


@pytest.mark.parametrize(("one", "other"), [("ÄÖ", "äö"), ("e\u0301", "É"), ("STRASSE", "straße")])
def test_letter_case_and_the_way_accents_are_written_make_no_difference(one: str, other: str) -> None:
    assert folded(one) == folded(other)
