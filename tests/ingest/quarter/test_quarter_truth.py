"""A card is about its quarter: what lasted in it, what was known at its end, what no longer came, and who can be told apart."""

from __future__ import annotations

import io
from datetime import UTC, date, datetime, timedelta
from typing import Any

import openpyxl
import pypdf
import pytest
from support.demolab import demo_lab
from support.labs import LAB_TOML, Bench, lot_rows
from support.page_text import words as page_words

from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import export, scorecard, wording
from dashboard.web.app import page
from ingest.config.lab import load
from ingest.quarter import lots, overview, supplier_scores
from ingest.quarter.lots import quarter
from ingest.quarter.notices import asked_in
from ingest.quarter.overview import supplier_overview
from ingest.rounds.replay import replayed
from ingest.store.store import known_store

ENERGY = "shielding_energy"


@pytest.fixture(scope="module")
def lab_reader(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    return LabReader(demo_lab(tmp_path_factory.getbasetemp()))


@pytest.fixture(scope="module")
def cards(lab_reader: LabReader) -> dict[str, list[dict[str, Any]]]:
    with lab_reader.reading() as connection:
        return {name: scorecard.documents(connection, lab_reader.lab, name) for name in ("2026-Q3", "2026-Q4")}


def stream_of(cards: list[dict[str, Any]], supplier: str, product: str, characteristic: str = ENERGY) -> dict[str, Any]:
    (card,) = [one for one in cards if one["supplier"] == supplier]
    (row,) = [one for one in card["streams"] if (one["product"], one["characteristic"]) == (product, characteristic)]
    return row


def steady(cards: list[dict[str, Any]], supplier: str) -> tuple[int, int]:
    (card,) = [one for one in cards if one["supplier"] == supplier]
    part = next(one for one in card["standing"]["parts"] if one["part"] == "drift")
    return part["good"], part["decided"]


def test_a_drift_counts_in_every_quarter_in_which_it_lasts(cards: dict[str, list[dict[str, Any]]]) -> None:
    # BF-110 drifts since spring and its alert is of June; TW-Rose drifts since winter.
    for name in ("2026-Q3", "2026-Q4"):
        good, decided = steady(cards[name], "Brackenfoil")
        assert good < decided
        row = stream_of(cards[name], "Brackenfoil", "BF-110")
        assert (row["events"]["drift"], row["lasting"]) == (0, 1)
        assert "1 move detected earlier and still there" in wording.events(row)
        assert row["state"] in ("look", "act")
        assert stream_of(cards[name], "Tarnwick", "TW-Rose", "surface_resistance_inside")["lasting"] == 1


def test_the_forecast_of_a_finished_quarter_is_that_of_its_end(
    lab_reader: LabReader, cards: dict[str, list[dict[str, Any]]]
) -> None:
    row = stream_of(cards["2026-Q3"], "Brackenfoil", "BF-110")
    running = stream_of(cards["2026-Q4"], "Brackenfoil", "BF-110")
    with lab_reader.reading() as connection:
        today = lab_reader.board(connection)
    (board,) = [one for one in today if (one["product"], one["characteristic"]) == ("BF-110", ENERGY)]
    with replayed(lab_reader.lab, date(2026, 9, 30)) as past:
        then = stored_documents.board(past, lab_reader.lab)
    (board_then,) = [one for one in then if (one["product"], one["characteristic"]) == ("BF-110", ENERGY)]
    assert row["forecast_as_of"] == "2026-09-30"
    # A whole round over the lots known then comes to the same figures.
    for figure, name in (("level_now", "level"), ("breach_probability",) * 2, ("change_percent_per_month",) * 2):
        assert row[figure] == pytest.approx(board_then[name], rel=1e-9)
        assert running[figure] == board[name]
    assert running["forecast_as_of"] == "2026-11-25"
    assert ("forecast as of 30 Sep 2026") in dict(wording.facts(row, cards["2026-Q3"][0]))


@pytest.mark.parametrize(
    ("verdict", "judged_without", "standing"),
    [
        ("fail", 21.9, "fail"), ("fail", 20.0, "fail"), ("fail", 19.9, "set_aside"), ("fail", None, "fail"),
        ("undecided", None, "set_aside"), ("pass", 12.0, "set_aside"),
    ],
)  # fmt: skip
def test_a_finding_sets_a_failed_lot_aside_only_where_it_explains_the_failure(
    verdict: str, judged_without: float | None, standing: str
) -> None:
    session: Any = {
        "started_us": 5, "verdict": verdict, "conditioning": "valid", "limits": (None, 20.0), "judged_without": judged_without,
    }  # fmt: skip
    assert lots._lot("P1", [session], [(0, 9)]).standing == standing
    # Outside the weeks of the finding the verdict stands.
    assert lots._lot("P1", [session], [(6, 9)]).standing == verdict


def test_a_product_that_stopped_coming_is_on_the_card_and_in_purchasings_line(
    cards: dict[str, list[dict[str, Any]]],
) -> None:
    (card,) = [one for one in cards["2026-Q3"] if one["supplier"] == "Brackenfoil"]
    assert [one["product"] for one in card["stopped"]] == ["BF-330"]
    assert "No lot came of BF-330 (last lot BF02274" in wording.summary(card)
    overview = supplier_overview(cards["2026-Q3"])
    lines = {row["supplier"]: wording.purchasing_line(row) for row in overview["rows"]}
    assert lines["Brackenfoil"].startswith("Brackenfoil: getting worse. Begin with BF-110, shielding energy: ")
    assert "a failing lot is likely" in lines["Brackenfoil"]
    assert "BF-330" in lines["Brackenfoil"]
    # Four suppliers without a failing lot can't be told apart, and the order says so.
    assert not overview["ranked"]
    assert [row["supplier"] for row in overview["rows"]] == sorted(lines)
    assert "order of their names" in wording.order(overview)


def test_the_weights_that_are_shown_are_those_applied(cards: dict[str, list[dict[str, Any]]]) -> None:
    (card,) = [one for one in cards["2026-Q3"] if one["supplier"] == "Umberfold"]
    # Nobody was asked anything: 50, 20 and 20 of 90.
    assert wording.weight_cells(card) == ["56 %", "22 %", "22 %", "left out"]
    assert wording.part_cells(card["standing"])[3] == "–"


def test_dates_of_the_workbook_are_dates_and_its_score_is_that_of_the_paper(
    cards: dict[str, list[dict[str, Any]]],
) -> None:
    book = openpyxl.load_workbook(io.BytesIO(export.OVERVIEW_FORMS["xlsx"](cards["2026-Q3"])))
    streams = list(book["streams"].iter_rows(values_only=True))
    as_of = [row[list(streams[0]).index("forecast as of")] for row in streams[1:]]
    assert {f"{one:%Y-%m-%d}" for one in as_of} == {"2026-09-30"}
    suppliers = list(book["suppliers"].iter_rows(values_only=True))
    score = suppliers[1][list(suppliers[0]).index("score (0 to 100)")]
    assert score == pytest.approx(100 * cards["2026-Q3"][0]["standing"]["score"])
    parts = list(book["score"].iter_rows(values_only=True))
    applied = [row[list(parts[0]).index("weight applied")] for row in parts[1:5]]
    assert sum(applied) == pytest.approx(1.0)


def test_an_action_that_failed_costs_and_an_answer_of_one_supplier_changes_nobody_else() -> None:
    notice = {
        "alert": "a", "supplier": "A", "product": "P", "characteristic": ENERGY, "kind": "drift", "asked_on": "2026-04-01",
        "answered_on": "2026-04-05", "days_to_answer": 4, "days_open": None, "first_lot": "L", "lots": 8,
    }  # fmt: skip
    counted = [
        supplier_scores.counts([], [], [{**notice, "answer": answer}])["response"]  # type: ignore[list-item]
        for answer in ("worked", "not yet shown", "did not work")
    ]
    assert counted == [(1, 1), (1, 1), (0, 1)]
    lots = {"conforming": (19, 20), "drift": (3, 3), "room": (18, 20), "response": (0, 0)}
    weights = load_weights()
    before = supplier_scores.score_rows({"A": lots, "B": lots}, weights)  # type: ignore[dict-item]
    after = supplier_scores.score_rows({"A": {**lots, "response": (0, 1)}, "B": lots}, weights)  # type: ignore[dict-item]
    assert after["B"]["score"] == pytest.approx(before["B"]["score"], rel=1e-12)
    assert after["A"]["score"] < before["A"]["score"]


def load_weights() -> Any:
    from ingest.config.models import USUAL_WEIGHTS

    return USUAL_WEIGHTS


@pytest.mark.parametrize(("declared", "counted"), [("", (2, 5)), ("fails_by_size = true", (2, 8))])
def test_failing_lots_count_by_how_far_and_how_many_bags_where_the_lab_declares_it(
    bench: Bench, declared: str, counted: tuple[int, int]
) -> None:
    start = datetime(2026, 4, 6, 9, tzinfo=UTC)
    bench.declare(f"{LAB_TOML}\n[scorecard]\n{declared}\n" if declared else LAB_TOML)
    bench.drop_climate("log.csv", start - timedelta(days=4), 24 * 40)
    # Just over, with one bag in three; over with all bags; twice the limit with all bags.
    lots = [[9.0] * 3, [9.2] * 3, [10.0, 10.0, 90.0], [21.0] * 3, [10.0, 25.0, 40.0]]
    for week, bags in enumerate(lots):
        bench.drop_tests(f"{week}.csv", lot_rows(f"L{week}", start + timedelta(weeks=week), [[bag] for bag in bags]))
    bench.run()
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        (card,) = scorecard.documents(connection, load(bench.folder), "2026-Q2")
    part = card["standing"]["parts"][0]
    # 20.8 nJ with one bag of three counts once, all bags three times, 21.5 nJ with two of three twice.
    assert (part["good"], part["decided"]) == counted
    assert quarter("2026-Q2", load(bench.folder)).name == card["quarter"]
    assert asked_in([]) == []


def test_a_failing_lot_that_counts_three_times_is_worded_as_one_lot(bench: Bench) -> None:
    start = datetime(2026, 4, 6, 9, tzinfo=UTC)
    bench.declare(f"{LAB_TOML}\n[scorecard]\nfails_by_size = true\n")
    bench.drop_climate("log.csv", start - timedelta(days=4), 24 * 40)
    for week, level in enumerate((9.0, 9.2, 9.1, 45.0)):
        bench.drop_tests(f"{week}.csv", lot_rows(f"L{week}", start + timedelta(weeks=week), [[level]] * 3))
    bench.run()
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        (card,) = scorecard.documents(connection, load(bench.folder), "2026-Q2")
    words = wording.part_cells(card["standing"])[0]

    assert card["counts"]["lots"] == 4
    assert words.startswith("3 of 4, 1 failing lot counted as 3 (estimate ")


def test_a_forecast_of_the_quarter_that_is_likely_no_more_is_worded_as_past() -> None:
    row: Any = {
        "supplier": "Alder Film", "stopped": [],
        "line": {"direction": "unchanged", "product": "MB-10", "characteristic": "shielding_energy", "reasons": ["forecast"]},
    }  # fmt: skip
    likely = {**row, "line": {**row["line"], "reasons": ["likely"]}}

    assert wording.purchasing_line(row).endswith(": a failing lot was likely.")
    assert wording.purchasing_line(likely).endswith(": a failing lot is likely.")


@pytest.mark.parametrize(("chance", "reason"), [(0.07, "forecast"), (0.4, "likely"), (None, "forecast")])
def test_the_reason_to_talk_follows_the_forecast_of_the_quarter(chance: float | None, reason: str) -> None:
    events = {"limit": 0, "point": 0, "pattern": 0, "drift": 0, "spread": 0, "forecast": 1}
    row: Any = {
        "product": "MB-10", "characteristic": "shielding_energy", "fail": 0, "direction": "unclear", "events": events,
        "breach_probability": chance, "drifts_away": 0, "lasting": 0, "lasting_away": 0,
    }  # fmt: skip

    assert [one["what"] for one in overview._reasons(row)] == [reason]


def test_no_supplier_has_a_direction_while_every_stream_has_no_clear_change(lab_reader: LabReader) -> None:
    with lab_reader.reading() as connection:
        cards = scorecard.documents(connection, lab_reader.lab, "2025-Q4")
    by_name = {card["supplier"]: card for card in cards}
    lines = {row["supplier"]: wording.purchasing_line(row) for row in supplier_overview(cards)["rows"]}
    # A drift was detected in a stream whose mean did not move clearly against the quarter before.
    assert [row["events"]["drift"] for row in by_name["Umberfold"]["streams"]].count(1) == 1
    assert {row["direction"] for row in by_name["Umberfold"]["streams"]} == {"unclear"}
    # The drift stays a reason to talk.
    assert lines["Umberfold"].startswith("Umberfold: no clear change. Begin with ")
    assert lines["Umberfold"].endswith(": drift.")


@pytest.mark.parametrize(
    ("over", "words", "direction"),
    [
        # The mean of the measured lots fell, while three lots lie above the range: nobody knows which way the level moved.
        ([6.0, 6.1], "6.05 nJ (5.45 to 6.72), from 2 of 5 lots, 3 with readings beyond the range of the meter left out", "not_compared"),
        # A rise of the measured lots stands: the others lie higher still.
        ([16.0, 16.1], "16.0 nJ (15.4 to 16.7), from 2 of 5 lots, 3 with readings beyond the range of the meter left out", "nearer"),
        ([], "not known: 3 with readings beyond the range of the meter left out", "not_compared"),
    ],
)  # fmt: skip
def test_a_level_from_part_of_the_lots_names_those_it_leaves_out(
    bench: Bench, over: list[float], words: str, direction: str
) -> None:
    first, then = datetime(2026, 4, 6, 9, tzinfo=UTC), datetime(2026, 7, 6, 9, tzinfo=UTC)
    bench.drop_climate("log.csv", first - timedelta(days=4), 24 * 150)
    rows = [
        row for week in range(5) for row in lot_rows(f"A{week}", first + timedelta(weeks=week), [[9.0 + week / 10]] * 3)
    ]
    for week, level in enumerate([*over, ">30", ">30", ">30"]):
        rows += lot_rows(f"B{week}", then + timedelta(weeks=week), [[level]] * 3)
    bench.drop_tests("t.csv", rows)
    bench.run()
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        (card,) = scorecard.documents(connection, reader.lab, "2026-Q3")
    (row,) = card["streams"]

    assert (row["level_lots"], row["open_lots"], row["earlier_open_lots"]) == (len(over), 3, 0)
    assert dict(wording.facts(row, card))["level"] == words
    assert words.partition(", ")[2] in wording.stream_summary(row, card)
    assert row["direction"] == direction
    assert "left out" in export.FORMS["html"](card).decode()
    assert "left out" in " ".join(page_words(page(reader, "/scorecards", "?quarter=2026-Q3")))


def test_the_columns_of_the_overview_add_up_to_the_lots(bench: Bench, lab_reader: LabReader) -> None:
    first, then = datetime(2026, 4, 6, 9, tzinfo=UTC), datetime(2026, 7, 6, 9, tzinfo=UTC)
    bench.drop_climate("log.csv", first - timedelta(days=4), 24 * 150)
    rows = [row for week in range(2) for row in lot_rows(f"A{week}", first + timedelta(weeks=week), [[9.0]] * 3)]
    again = lot_rows("A0", then, [[9.1]] * 3)
    for row in again:
        row["specimen"] = int(str(row["specimen"])) + 10
    rows += [
        *again,
        *lot_rows("B0", then + timedelta(weeks=1), [[9.0]] * 3),
        *lot_rows("B1", then + timedelta(weeks=2), [[25.0]] * 3),
    ]
    bench.drop_tests("t.csv", rows)
    bench.run()
    plain = LabReader(bench.folder)
    for reader, quarter_name, rarer in ((plain, "2026-Q3", ["repeats"]), (lab_reader, "2026-Q4", None)):
        with reader.reading() as connection:
            cards = scorecard.documents(connection, reader.lab, quarter_name)
        document = supplier_overview(cards)
        heads = wording.overview_heads(document)
        for row in document["rows"]:
            cells = [int(cell) for cell in wording.overview_counts(row, document)]
            assert len(heads) == 4 + len(cells)
            assert cells[0] == sum(cells[1:-2]) == row["counts"]["lots"]
        if rarer is not None:
            assert heads[9:-2] == rarer
            assert "repeats" in pypdf.PdfReader(io.BytesIO(export.OVERVIEW_FORMS["pdf"](cards))).pages[0].extract_text()
            assert '<th scope="col">repeats</th>' in export.OVERVIEW_FORMS["html"](cards).decode()
