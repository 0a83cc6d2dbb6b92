"""The shelf of a small lab on both stores: which lots are there, what is known of each, and what moves it."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from sqlalchemy import Connection
from support.labs import LAB_TOML, Bench, csv_text, lot_rows
from support.shelves import FILM, FIRST, NAME, STOCK, TODAY, count, fill, film_rows, logs
from support.stores import on_both_stores

from dashboard.paper import shelf_list
from dashboard.text import stock_text
from dashboard.text.stock_text import advice
from ingest.audit.subjects import Subject
from ingest.common.errors import CallError
from ingest.config.lab import Lab, load
from ingest.decisions.responses import respond
from ingest.documents.stock import FilmAge, ShelfLotDay, StockDocument
from ingest.stock.shelf_list import ageing_document, stock_document
from ingest.store.store import known_store

LATER = datetime(2026, 11, 25, 12, tzinfo=UTC)


def shelf(bench: Bench, day: date = TODAY, **options: object) -> StockDocument:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        document = stock_document(connection, load(bench.folder), day, **options)  # type: ignore[arg-type]
    store.close()
    return document


def film(bench: Bench) -> FilmAge:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        document = ageing_document(connection, load(bench.folder), "PB-1", NAME)
    store.close()
    (only,) = document["films"]
    return only


def lots_of(document: StockDocument) -> dict[str, ShelfLotDay]:
    return {row["lot"]: row for row in document["rows"]}


def stored_shelf(bench: Bench) -> list[tuple[object, ...]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.exec_driver_sql(
            "SELECT l.lot, t.characteristic, s.leads, s.word, s.keep_day, s.expected_day, s.first_day, s.last_day, s.quantity, "
            "s.document FROM shelf_lot s JOIN lot l ON l.id = s.lot_id LEFT JOIN stream t ON t.id = s.stream_id ORDER BY 1, 2"
        ).fetchall()
        films = connection.exec_driver_sql(
            "SELECT t.supplier, t.product, t.characteristic, f.document, f.law FROM film_age f JOIN stream t ON t.id = f.stream_id "
            "ORDER BY 1, 2, 3"
        ).fetchall()
        alerts = connection.exec_driver_sql(
            "SELECT id, grade, lot, raised_us, message, evidence FROM alert WHERE id LIKE 'stock%%' ORDER BY id"
            if connection.dialect.name == "postgresql"
            else "SELECT id, grade, lot, raised_us, message, evidence FROM alert WHERE id LIKE 'stock%' ORDER BY id"
        ).fetchall()
    store.close()
    return [tuple(row) for row in [*rows, *films, *alerts]]


@on_both_stores
def test_a_lot_is_kept_until_its_last_test_and_the_slope_of_its_film_say(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run()
    document = shelf(bench)
    row = lots_of(document)["L0"]

    # Last test on day 300 of the lot at 9.0 + 0.1 x 9.86 decades; 11 is reached 10.2 months later, in early October 2026.
    assert row["word"] == "dated"
    months = (11 - 9.0 - 0.1 * 300 / 30.4375) / 0.1
    expected = (FIRST + timedelta(days=300 + months * 30.4375)).date()
    assert abs((date.fromisoformat(str(row["expected_on"])) - expected).days) < 15
    assert row["tested_on"] < row["keep_until"] < row["expected_on"]  # type: ignore[operator]
    assert row["why"] == "Last test and the slope of 7 lots"
    assert document["source"] == "every tested lot"
    assert [one["keep_until"] for one in document["rows"]] == sorted(str(one["keep_until"]) for one in document["rows"])


def test_the_chance_over_is_five_percent_on_the_day_to_keep_until(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run()
    row = lots_of(shelf(bench))["L0"]
    on_the_day = lots_of(shelf(bench, date.fromisoformat(str(row["keep_until"]))))["L0"]

    # A day is rounded down: one more is over 5 %.
    after = lots_of(shelf(bench, date.fromisoformat(str(row["keep_until"])) + timedelta(days=1)))["L0"]
    assert on_the_day["chance_today"] <= 0.05 < after["chance_today"]  # type: ignore[operator]
    assert (on_the_day["is_passed"], after["is_passed"]) == (False, True)


def test_lots_to_test_first_are_those_where_a_test_decides(bench: Bench) -> None:
    fill(bench, *film_rows())
    count(bench, "s.csv", [(f"L{number}", 1000, "bags") for number in range(7)])
    bench.run()
    by_date = {lot: str(row["expected_on"]) for lot, row in lots_of(shelf(bench)).items()}
    # Some lots are likely over by then, others not yet: the chance alone would order them otherwise.
    day = date.fromisoformat(by_date["L0"]) + timedelta(days=4)
    document = shelf(bench, day)

    worth = []
    for row in document["test_first"]:
        on = lots_of(shelf(bench, date.fromisoformat(document["test_on"])))[row["lot"]]["chance_today"]
        assert on is not None
        assert 0.01 <= on <= 0.99
        worth.append(on * (1 - on) * float(row["quantity"] or 0))
    assert len(worth) >= 2
    assert worth == sorted(worth, reverse=True)
    assert date.fromisoformat(document["test_on"]) - day == timedelta(days=2)


@on_both_stores
def test_counts_say_which_lots_are_held_and_the_latest_count_holds(bench: Bench) -> None:
    fill(bench, *film_rows())
    count(bench, "s.csv", [("L0", 100, "bags", "A"), ("L0", 50, "bags", "B"), ("L1", 0), ("L2", ""), ("new", 7)])
    bench.run()
    document = shelf(bench)
    rows = lots_of(document)

    assert document["source"] == "counts"
    assert {lot: row["quantity"] for lot, row in rows.items()} == {"L0": 150.0, "L2": None, "new": 7.0}
    assert rows["L0"]["storage"] == ["A", "B"]
    assert (rows["new"]["word"], rows["new"]["why"]) == ("too_few", "No test of this lot")

    (bench.folder / "drops" / "stock").mkdir(exist_ok=True)
    bench.drop("later.csv", csv_text(STOCK[:5], [("2026-11-24", "Alder Film", "PB-1", "L0", 3)]), "stock")
    bench.run()
    assert lots_of(shelf(bench))["L0"]["quantity"] == 150.0
    count(bench, "correction.csv", [("L0", 0, "bags", "A"), ("L0", 0, "bags", "B")])
    bench.run()
    assert set(lots_of(shelf(bench))) == {"L2", "new"}


def test_an_opened_package_has_no_date_from_closed_ones(bench: Bench) -> None:
    fill(bench, *film_rows())
    count(bench, "s.csv", [("L0", 100, "bags", "A", "2026-11-01"), ("L1", 100)])
    bench.run()
    rows = lots_of(shelf(bench))

    assert rows["L0"]["word"] == "too_few"
    assert rows["L0"]["why"].startswith("Opened on 2026-11-01; the slope of closed packages does not hold for it")
    assert rows["L1"]["word"] == "dated"


@pytest.mark.parametrize(
    ("pace", "word"),
    [((0.0,) * 7, "no_change_shown"), ((-0.1,) * 7, "falls"), ((0.0005,) * 7, "no_change_shown")],
)
def test_a_word_stands_where_no_date_can_be_stated(bench: Bench, pace: tuple[float, ...], word: str) -> None:
    bench.declare(LAB_TOML.replace("lower_limit = [ { value = 1e4 } ]\n", ""))
    fill(bench, *film_rows(pace))
    bench.run()

    assert film(bench)["word"] == word
    assert {row["word"] for row in shelf(bench)["rows"]} == {word}
    assert {row["keep_until"] for row in shelf(bench)["rows"]} == {None}


@pytest.mark.parametrize(("tests", "lots"), [(1, 7), (3, 4)])
def test_too_few_lots_or_tests_give_no_date(bench: Bench, tests: int, lots: int) -> None:
    fill(bench, *film_rows(tests=tests, lots=lots))
    bench.run()

    assert film(bench)["word"] == "too_few"
    assert film(bench)["missing"][0].startswith("Test ")
    assert {row["word"] for row in shelf(bench)["rows"]} == {"too_few"}


def test_a_slow_film_is_beyond_sight_and_nothing_is_stated_past_that_day(bench: Bench) -> None:
    fill(bench, *film_rows((0.02, 0.021, 0.019, 0.02, 0.02, 0.022, 0.018)))
    bench.run()
    row = lots_of(shelf(bench))["L0"]

    assert (film(bench)["word"], row["word"]) == ("dated", "beyond_sight")
    # 300 days between the first and the last test: nothing beyond 12 months more than they, at most twice as long.
    last = FIRST + timedelta(days=300)
    assert row["keep_until"] == (last + timedelta(days=600)).date().isoformat()
    assert lots_of(shelf(bench, by=date(2028, 1, 1)))["L0"]["chance_by"] is None
    # After that day the lot has no date that passed: nothing is stated any more.
    later = shelf(bench, (last + timedelta(days=601)).date())
    row = lots_of(later)["L0"]
    assert (row["is_passed"], row["is_unsighted"], later["passed"], later["unsighted"]) == (False, True, 0, 1)


def test_a_lot_whose_last_test_is_over_the_limit_is_passed(bench: Bench) -> None:
    rows, moments = film_rows()
    last = FIRST + timedelta(days=500)
    over = lot_rows("L0", last, [["1.2e11"]] * 3, **FILM)
    for row in over:
        row["specimen"] = int(str(row["specimen"])) + 20
    above = lot_rows("L1", last, [[">1e12"]] * 3, **FILM)
    for row in above:
        row["specimen"] = int(str(row["specimen"])) + 20
    fill(bench, [*rows, *over, *above], [*moments, last])
    bench.run()
    seen = lots_of(shelf(bench))

    assert (seen["L0"]["word"], seen["L0"]["why"]) == ("passed", "Its last test is over the limit")
    assert (seen["L1"]["word"], seen["L1"]["is_passed"]) == ("passed", True)
    assert film(bench)["bounded_tests"] == 1


@on_both_stores
def test_a_lot_whose_result_does_not_pass_is_on_hold_until_a_person_decides(bench: Bench) -> None:
    rows, moments = film_rows()
    last = FIRST + timedelta(days=500)
    fresh = [
        *lot_rows("F1", last, [["2e11"]] * 3, **FILM),
        *lot_rows("B1", last, [["1e9"], ["1e9"], ["3e11"]], **FILM),
        # Its first test failed; the retest passed, and the first result stands.
        *lot_rows("R1", last, [["2e11"]] * 3, **FILM),
    ]
    again = lot_rows("R1", last + timedelta(days=7), [["1e9"]] * 3, **FILM)
    aged = lot_rows("L0", last + timedelta(days=7), [["2e11"]] * 3, **FILM)
    for row in (*again, *aged):
        row["specimen"] = int(str(row["specimen"])) + 20
    unlogged = lot_rows("N1", last + timedelta(days=60), [["1e9"]] * 3, **FILM)
    fill(bench, [*rows, *fresh, *again, *aged, *unlogged], [*moments, last, last + timedelta(days=7)])
    bench.run()
    holds = {lot: row["hold"] for lot, row in lots_of(shelf(bench)).items()}
    assert holds | {"L1": None} == holds
    assert {lot: holds[lot] for lot in ("F1", "B1", "R1", "L0", "N1")} == {
        "F1": "failed", "B1": "bags outside", "R1": "failed", "L0": "failed", "N1": "no valid test",
    }  # fmt: skip

    store = known_store(bench.folder)
    assert store is not None
    with store.writing() as connection:
        for lot, what in (("R1", "use as is"), ("L1", "hold"), ("L1", "note")):
            respond(connection, str(Subject.lot("Alder Film", lot)), what, "K. Meer", "retest", "", LATER)
    store.close()
    decided = lots_of(shelf(bench))
    assert (decided["R1"]["hold"], decided["L1"]["hold"]) == (None, "held")


@on_both_stores
def test_a_hold_names_the_characteristic_that_causes_it_beside_one_that_passed(bench: Bench) -> None:
    rows, moments = film_rows()
    tested = moments[-1]
    open_mean = [[">21"], [">21"], [">21"], [">21"], [5.0], [5.2]]
    energy = [
        *lot_rows("L0", tested + timedelta(hours=2), open_mean, product="PB-1"),
        *lot_rows("L1", tested + timedelta(hours=3), [[30.0]] * 3, product="PB-1"),
        *lot_rows("L2", tested + timedelta(hours=4), [[5.0], [5.1], [26.0]], product="PB-1"),
    ]
    fill(bench, [*rows, *energy], [*moments, tested + timedelta(hours=4)])
    bench.run()
    document = shelf(bench)
    lots = lots_of(document)
    expected = {
        "L0": ("undecided", "hold: shielding energy undecided"),
        "L1": ("failed", "hold: shielding energy failed the limit"),
        "L2": ("bags outside", "hold: bags outside the limit of shielding energy"),
    }
    # The rows of these two are about the resistance, which has the date and passed.
    assert all((lots[lot]["characteristic"], lots[lot]["word"]) == (NAME, "dated") for lot in ("L0", "L2"))
    for lot, (hold, state) in expected.items():
        named = lots[lot]["hold"], lots[lot]["hold_by"], stock_text.state(lots[lot])
        assert named == (hold, ["shielding_energy"], state)
        for shown in (stock_text.stock(document), shelf_list.as_csv(document), shelf_list.as_html(document, "Lab")):
            assert state in shown
    assert (lots["L3"]["hold"], lots["L3"]["hold_by"]) == (None, [])


@on_both_stores
def test_a_level_that_bounded_readings_leave_open_dates_no_lot(bench: Bench) -> None:
    """One of three bags over range: the level has a known lower end and no upper one."""
    rows, moments = film_rows()
    last = FIRST + timedelta(days=500)
    over = lot_rows("L0", last, [["1e9"], ["1e9"], [">1e12"]], **FILM)
    for row in over:
        row["specimen"] = int(str(row["specimen"])) + 20
    fill(bench, [*rows, *over], [*moments, last])
    bench.run()
    row = lots_of(shelf(bench))["L0"]
    assert (row["word"], row["bound"], row["keep_until"]) == ("too_few", 1, None)
    # The cube root of the product of the two readings and of the bound of the third.
    assert row["level"] == pytest.approx(1e10, rel=1e-9)


def test_only_valid_tests_count(bench: Bench) -> None:
    rows, moments = film_rows()
    bench.drop_tests("film.csv", rows)
    bench.run()
    assert {row["why"] for row in shelf(bench)["rows"]} == {"No valid test of this lot"}

    fill(bench, rows, moments)
    bench.run()
    assert film(bench)["lots"] == 7
    assert all(row["word"] == "dated" for row in shelf(bench)["rows"])


def test_tests_before_the_declared_day_are_shown_and_not_fitted(bench: Bench) -> None:
    bench.declare(LAB_TOML + "\n[ageing]\nfrom_days = 60\n")
    fill(bench, *film_rows())
    bench.run()
    seen = film(bench)

    # The first test of each lot was 30 days after manufacture.
    assert sorted({str(one["why_not"]) for one in seen["points"]}) == ["None", "too young"]
    assert seen["tests"] == 14


def test_the_change_a_month_is_that_of_the_lots(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run()
    seen = film(bench)

    assert seen["change_percent_per_month"] == pytest.approx(100 * (10**0.1 - 1), rel=0.05)
    assert seen["change_low"] < 100 * (10**0.1 - 1) < seen["change_high"]  # type: ignore[operator]
    assert (seen["life_since"], seen["life_word"]) == ("made", "dated")
    assert 0 < seen["life_months"] < seen["life_expected_months"]  # type: ignore[operator]
    assert seen["mean_line"] is not None


def test_without_days_of_manufacture_lots_have_dates_and_the_film_has_no_life(bench: Bench) -> None:
    fill(bench, *film_rows(made=False))
    bench.run()

    assert lots_of(shelf(bench))["L0"]["word"] == "dated"
    seen = film(bench)
    assert seen["life_months"] is None
    assert any("Record the day of manufacture" in one for one in seen["missing"])


def test_check_standards_beside_later_tests_separate_ageing_from_the_bench(bench: Bench) -> None:
    rows, moments = film_rows()
    bench.declare(LAB_TOML + '\n[[check_standard]]\nsupplier = "Kept"\nproduct = "resistor"\n')
    fill(bench, rows, moments)
    bench.run()
    seen = film(bench)
    assert seen["later_tests"] == 14
    before = seen["beside"]

    resistor = {"supplier": "Kept", "product": "resistor", "characteristic": NAME, "unit": "ohm"}
    kept = [lot_rows(f"R{n}", moment + timedelta(hours=1), [["1e9"]], **resistor) for n, moment in enumerate(moments)]
    bench.drop_tests("kept.csv", [row for part in kept for row in part])
    bench.run()
    seen = film(bench)
    assert before < seen["beside"] == 14
    assert seen["bench"] == "A check standard or a fresh lot was tested within a week of 14 of 14 later tests."


def test_nothing_beside_the_later_tests_is_a_sentence(bench: Bench) -> None:
    rows, moments = film_rows()
    # All first tests lie months before all later ones.
    fill(bench, rows, moments)
    bench.run()

    assert film(bench)["bench"].startswith(
        "Ageing or bench: no fresh lot and no check standard was tested beside the old ones"
    )


@on_both_stores
def test_one_round_and_many_rounds_end_in_the_same_shelf(bench: Bench, tmp_path: Path) -> None:
    rows, moments = film_rows()
    counts = [(f"L{number}", 100 * number + 1, "bags", "A") for number in range(7)]
    fill(bench, rows, moments)
    count(bench, "s.csv", counts)
    bench.run()
    once = stored_shelf(bench)
    assert len(once) > 7

    other = Bench(tmp_path / "other")
    other.drop("log.csv", logs(moments), "climate")
    count(other, "s.csv", counts)
    other.run()
    days = sorted({moment.date().isoformat() for moment in moments})
    for first, last in (("", days[9]), (days[9], days[15]), (days[15], "9")):
        other.drop_tests(f"to-{last[:10]}.csv", [row for row in rows if first <= str(row["tested_at"])[:10] < last])
        other.run()
    assert stored_shelf(other) == once


@on_both_stores
def test_lots_near_their_date_raise_one_alert_a_film_that_ends_with_the_stock(bench: Bench) -> None:
    fill(bench, *film_rows())
    count(bench, "s.csv", [(f"L{number}", 100, "bags") for number in range(7)])
    done = bench.run()
    alerts = [row for row in stored_shelf(bench) if str(row[0]).startswith("stock")]

    (alert,) = alerts
    evidence = json.loads(str(alert[5]))
    assert str(alert[0]) in done.raised
    # The last count was on 25 November 2026, after the dates of the fast lots.
    assert alert[1] == "look"
    assert evidence["form"] == "stock"
    assert evidence["lots_near"] >= evidence["lots_passed"] > 0
    passed, more = evidence["lots_passed"], evidence["lots_near"] - evidence["lots_passed"]
    assert f"in stock, {passed} lots past the date" in str(alert[4])
    page = shelf(bench)
    assert (page["passed"], page["due"]) == (passed, more)
    # The page of the day says the same of the same lots.
    assert advice(page).removesuffix(": test a lot again before you use it.") in str(alert[4])
    # It was known from the count on, though the first lot was near its date long before.
    assert evidence["keep_until"] < "2026-11-25"
    assert str(alert[4]).endswith("first lot L1, to be kept until 19 Jul 2026")
    assert datetime.fromtimestamp(int(str(alert[3])) / 1e6, UTC).date() == TODAY

    count(bench, "gone.csv", [(f"L{number}", 0, "bags") for number in range(7)])
    bench.run()
    assert not [row for row in stored_shelf(bench) if str(row[0]).startswith("stock")]


def test_without_counts_no_lot_raises_an_alert(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run()

    assert not [row for row in stored_shelf(bench) if str(row[0]).startswith("stock")]


def test_a_new_test_of_one_lot_leaves_other_films_as_they_are(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also the film of another supplier under the same product, with which it shares the effect of humidity: none is shown."""
    rows, moments = film_rows()
    other = [{**row, "product": "PB-2"} for row in rows]
    namesake = [{**row, "product": "PB-2", "supplier": "Other Film"} for row in rows]
    fill(bench, [*rows, *other, *namesake], moments)
    bench.run()
    derived: list[tuple[str, str]] = []
    from ingest.stock import update_stock

    real = update_stock.film_age
    monkeypatch.setattr(
        update_stock, "film_age", lambda connection, lab, stream, findings, humidity: (derived.append((stream.supplier, stream.product)), real(connection, lab, stream, findings, humidity))[1]
    )  # fmt: skip
    again = lot_rows("L0", FIRST + timedelta(days=310), [["1e10"]], **{**FILM, "product": "PB-2"})
    again[0]["specimen"] = 40
    bench.drop_tests("again.csv", again)
    bench.run()
    assert derived == [("Alder Film", "PB-2")]

    derived.clear()
    bench.run()
    assert derived == []


def test_the_effect_of_humidity_is_summed_once_for_all_films_of_a_product(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is summed over all streams of the product: once for each film would grow with their square."""
    rows, moments = film_rows()
    fill(bench, [{**row, "supplier": name} for name in ("One Film", "Two Film", "Three Film") for row in rows], moments)
    from ingest.stock import update_stock

    summed: list[str] = []
    real = update_stock.removed_humidity

    def counted(connection: Connection, lab: Lab, product: str, characteristic: str) -> tuple[float, float] | None:
        summed.append(product)
        return real(connection, lab, product, characteristic)

    monkeypatch.setattr(update_stock, "removed_humidity", counted)
    bench.run()

    assert summed == ["PB-1"]


def test_a_product_that_nobody_tested_and_a_past_day_are_refused_in_a_line(bench: Bench) -> None:
    fill(bench, *film_rows())
    bench.run()
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        with pytest.raises(CallError, match="no test of PB-9"):
            ageing_document(connection, load(bench.folder), "PB-9", NAME)
        with pytest.raises(CallError, match="expected a day from 2026-11-25 on"):
            stock_document(connection, load(bench.folder), TODAY, date(2026, 11, 1))
    store.close()


@on_both_stores
def test_rows_are_found_by_part_of_a_name_and_paged(bench: Bench) -> None:
    fill(bench, *film_rows())
    count(bench, "s.csv", [*((f"L{number}", 1) for number in range(7)), ("new%1", 1), ("new-2", 1)])
    bench.run()

    assert {row["lot"] for row in shelf(bench, find="NEW")["rows"]} == {"new%1", "new-2"}
    assert {row["lot"] for row in shelf(bench, find="w%")["rows"]} == {"new%1"}
    everything = [row["lot"] for row in shelf(bench)["rows"]]
    paged = [row["lot"] for start in (0, 4, 8) for row in shelf(bench, start=start, most=4)["rows"]]
    assert paged == everything
    assert len(everything) == 9


def humid_film(bench: Bench) -> list[dict[str, object]]:
    """Sixty lots at 11 to 13 % RH, of which seven are tested again at 13 %, and the logs of both chambers."""
    rng = np.random.default_rng(8)
    rows: list[dict[str, object]] = []
    moments: dict[str, list[datetime]] = {"dry": [], "moist": []}

    def test(lot: str, moment: datetime, decades: float, chamber: str, first: int) -> None:
        part = lot_rows(lot, moment, [[f"{10**decades:.4g}"]] * 3, chamber=chamber, **FILM)
        rows.extend({**row, "specimen": int(str(row["specimen"])) + first} for row in part)
        moments[chamber].append(moment)

    for number in range(60):
        chamber, away = ("moist", 1.0) if number % 2 else ("dry", -1.0)
        decades = 9.0 - 0.1 * away + 0.01 * rng.standard_normal()
        test(f"H{number}", FIRST + timedelta(days=2 * number), decades, chamber, 0)
    for number in range(0, 14, 2):
        test(
            f"H{number}", FIRST + timedelta(days=300 + number), 9.0 - 0.1 + 0.05 * (300 - number) / 30.4375, "moist", 10
        )
    bench.drop("dry.csv", logs(moments["dry"], 11.0, "dry"), "climate")
    bench.drop("moist.csv", logs(moments["moist"], 13.0, "moist"), "climate")
    return rows


def test_humidity_at_the_test_is_taken_out_where_the_lots_show_its_effect(bench: Bench) -> None:
    """Sixty lots at 11 to 13 % RH fall by 0.1 decade a percent; the later tests at 13 % would hide half of the ageing."""
    bench.drop_tests("film.csv", humid_film(bench))
    bench.run()
    seen = film(bench)

    assert seen["humidity_removed"]
    # First tests at 11 % are 0.1 decade higher than at 12 %, later ones at 13 % 0.1 lower: without the correction 0.03.
    assert math.log10(1 + seen["change_percent_per_month"] / 100) == pytest.approx(0.05, abs=0.006)  # type: ignore[operator]
    # The level of a lot is as it was read: only its dates are without the effect.
    level = lots_of(shelf(bench))["H0"]["level"]
    assert level == pytest.approx(float(f"{10 ** (9.0 - 0.1 + 0.05 * 300 / 30.4375):.4g}"), rel=1e-9)


def test_a_film_without_a_new_lot_follows_the_effect_of_humidity_that_another_supplier_changes(
    bench: Bench, tmp_path: Path
) -> None:
    """Two suppliers deliver one product, which has one effect: lots of the second move the dates of the first."""
    rows = humid_film(bench)
    first_tests = [row for row in rows if int(str(row["specimen"])) < 10]
    second = [
        {**row, "supplier": "Other Film", "value": f"{float(str(row['value'])) ** 1.004:.4g}"} for row in first_tests
    ]
    bench.drop_tests("film.csv", rows)
    bench.run()
    before = stored_shelf(bench)
    bench.drop_tests("other.csv", second)
    bench.run()

    together = Bench(tmp_path / "together")
    together.drop_tests("film.csv", [*humid_film(together), *second])
    together.run()
    after = stored_shelf(bench)
    assert after == stored_shelf(together)
    assert [row for row in after if row in before] != before


def test_the_shelf_of_a_past_day_is_derived_from_what_was_known_then(bench: Bench) -> None:
    from ingest.rounds.replay import replayed

    fill(bench, *film_rows())
    count(bench, "s.csv", [(f"L{number}", 5) for number in range(7)])
    bench.run()
    lab = load(bench.folder)
    day = (FIRST + timedelta(days=200)).date()
    with replayed(lab, day) as connection:
        document = stock_document(connection, lab, day)
    assert document["source"] == "every tested lot"
    assert all(str(row["tested_on"]) <= day.isoformat() for row in document["rows"])


def test_the_characteristic_with_the_earliest_date_leads_a_lot(bench: Bench) -> None:
    rows, moments = film_rows()
    energy = [
        row for number in range(7) for row in lot_rows(f"L{number}", moments[3 * number], [[10.0]], product="PB-1")
    ]
    fill(bench, [*energy, *rows], moments)
    bench.run()

    assert {row["characteristic"] for row in shelf(bench)["rows"]} == {NAME}
    assert len(shelf(bench)["rows"]) == 7
