"""What each page says: the plain functions behind the callbacks, on the demo lab and on small labs of one story."""

from __future__ import annotations

import csv
import json
import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest
from dash import html
from plotly.utils import PlotlyJSONEncoder
from support.demolab import NOW, copy_of, demo_lab
from support.labs import MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.charts.thinning import MOST_POINTS
from dashboard.components.alert_card import group_by_stream
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import page
from dashboard.web.files.stream_file import as_csv
from ingest.audit.subjects import Subject
from ingest.decisions.responses import respond

BOTH_STORES = True

STREAM = "?supplier=Brackenfoil&product=BF-110&characteristic=shielding_energy"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    return LabReader(demo_lab(tmp_path_factory.getbasetemp()))


def hrefs(part: Any) -> list[str]:
    """The addresses to which a page leads."""
    if isinstance(part, (list, tuple)):
        return [href for one in part for href in hrefs(one)]
    own = [part.href] if getattr(part, "href", None) else []
    return own + hrefs(part.children) if getattr(part, "children", None) is not None else own


def parts_of(part: Any) -> Iterator[Any]:
    """A part of a page and everything in it."""
    yield part
    children = getattr(part, "children", None)
    for child in children if isinstance(children, (list, tuple)) else [children]:
        if child is not None:
            yield from parts_of(child)


def told(desk: LabReader, path: str, search: str = "") -> str:
    return " ".join(words(page(desk, path, search)))


def rows_of(text: str, names: list[str]) -> set[str]:
    return {name for name in names if f"{name} ·" in text}


PRODUCTS = ["BF-110", "BF-210", "BF-330", "QM-31", "QM-52", "TW-Rose", "TW-Clear", "UM-7", "UM-9", "OV-1", "coupon C"]


# The board


def test_the_board_names_who_needs_a_call_and_why(desk: LabReader) -> None:
    text = told(desk, "/")

    assert re.match(
        r"Data to (Fri|Thu|Wed|Tue) \d+ Nov 2026\. 7 lots of 5 suppliers tested since 18 Nov 2026; 2 new alerts: Tarnwick TW-Clear and Tarnwick TW-Rose\.",
        text,
    )
    assert "3 suppliers to call: Brackenfoil (BF-110 first), " in text
    assert "Start with Brackenfoil BF-110, shielding energy: a failing lot is likely; rising since about" in text
    assert "A lot failed the limit" in text
    assert "Rising since about" in text
    assert rows_of(text, PRODUCTS) == set(PRODUCTS)
    # Check standards have no supplier to call: they come last.
    assert text.index("Kept references check standards, ") > max(
        text.rindex(name) for name in ("Ostrelvane", "Quillmere", "Umberfold")
    )


def test_only_what_needs_somebody_is_a_row_and_the_rest_folds_into_a_line_a_supplier(desk: LabReader) -> None:
    board = page(desk, "/", "")
    (rows,) = (part for part in parts_of(board) if getattr(part, "id", "") == "board")
    (fold,) = (part for part in parts_of(board) if getattr(part, "className", "") == "fold")
    text = " ".join(words(rows))

    assert {part.className for part in rows.children[1].children} == {"act", "look"}
    assert " steady " not in text
    assert " silent " not in text
    # Nothing is expected to fail on most streams: a dash, and not "under 1 %" or "not expected" line after line.
    assert "under 1 %" not in text
    assert "not expected" not in text
    assert "Ask Brackenfoil" in text
    assert "Decide on UM08224" in text
    summaries = [" ".join(words(part)) for part in parts_of(fold) if type(part).__name__ == "Summary"]
    assert [line.split()[0] for line in summaries] == [
        "Brackenfoil", "Ostrelvane", "Quillmere", "Tarnwick", "Umberfold", "Kept",
    ]  # fmt: skip
    assert "7 streams of BF-110, BF-210 and BF-330" in summaries[0]
    assert "3 silent" in summaries[0]


def test_an_alert_that_was_responded_to_is_no_call_any_more(desk: LabReader, tmp_path: Path) -> None:
    own = LabReader(copy_of(desk.folder, tmp_path / "lab"))
    with own.reading() as connection:
        urgent = [one for one in own.cases(connection) if one["grade"] == "act" and one["waiting"]]
        states = {one["id"]: one["state"] for one in own.every_alert(connection)}
    for product, headline in (
        ("BF-110", "2 suppliers to call: Umberfold (UM-9 first), Tarnwick (TW-Clear first); 2 to watch: "),
        ("", "No supplier to call; 3 to watch: Brackenfoil, Quillmere, Tarnwick. 3 cases in hand."),
    ):
        for case in [one for one in urgent if product in ("", one["product"])]:
            urgent.remove(case)
            for alert in [one for one in case["alerts"] if states[one] == "open"]:
                with own.store.writing() as connection:
                    respond(connection, f"alert:{alert}", "acknowledge", "Bench 2", "called", "", NOW)
        assert headline in told(own, "/")
        assert "seen, watching" in told(own, "/")


@pytest.mark.parametrize(
    ("search", "products"),
    [
        ("?supplier=Tarnwick", {"TW-Rose", "TW-Clear"}),
        ("?state=silent", {"BF-330"}),
        ("?class=moisture+barrier", {"BF-330", "QM-52"}),
        ("?product=UM-9&characteristic=shielding_energy", {"UM-9"}),
        ("?find=bf04286", {"BF-110"}),
        ("?chamber=nowhere", set()),
        ("?supplier=Nobody", set()),
    ],
)
def test_the_board_is_narrowed_by_its_address(desk: LabReader, search: str, products: set[str]) -> None:
    tables = [part for part in parts_of(page(desk, "/", search)) if getattr(part, "id", "") == "board"]

    assert rows_of(" ".join(words(tables)), PRODUCTS) == products


def test_a_choice_is_kept_by_the_search_and_taken_back_by_its_chip(desk: LabReader) -> None:
    board = page(desk, "/", "?supplier=Tarnwick&find=rose")
    (form,) = (part for part in parts_of(board) if type(part).__name__ == "Form")
    sent = {part.name: part.value for part in parts_of(form) if getattr(part, "name", None)}

    assert sent == {"supplier": "Tarnwick", "find": "rose"}
    (chip,) = (
        part
        for part in parts_of(board)
        if "supplier: Tarnwick ×" in str(getattr(part, "children", "")) and getattr(part, "href", None)
    )
    assert chip.href == "/?find=rose"
    assert "clear all filters" in words(board)


# The stream


def test_the_stream_says_when_and_how_fast_it_moved(desk: LabReader) -> None:
    text = told(desk, "/stream", STREAM)

    assert (
        "The level is 16.7 nJ and changes by +6.5 % a month; the specification limit is under 20.0 nJ. The centre line is 9.51 nJ"
        in text
    )
    assert "Chance of a failing lot within 13 weeks: 77 %" in text
    assert "began about" in text


def test_the_time_shown_stands_in_the_address(desk: LabReader) -> None:
    def begin(search: str) -> str:
        parts = parts_of(page(desk, "/stream", search))
        chart = next(part for part in parts if getattr(part, "className", "") == "figure")
        return str(chart.children.figure["layout"]["xaxis"]["range"][0])

    assert begin(STREAM) < "2025-06-05" < begin(STREAM + "&show=half+a+year")
    assert begin(STREAM + "&show=nonsense") == begin(STREAM)
    assert "2026-02-2" < begin(STREAM + "&since=2026-03-01&until=2026-05-31") < "2026-03-01"
    assert '"2026-13-01" is not a day; write it as 2026-03-18' in told(desk, "/stream", STREAM + "&since=2026-13-01")
    assert "the first day, 2026-06-01, must be before the last, 2026-05-02" in told(
        desk, "/stream", STREAM + "&since=2026-06-01&until=2026-05-01"
    )
    for asked in ("since=0001-01-01", "until=9999-12-31"):
        assert "expected a day from 1990-01-01 to 2099-12-31" in told(desk, "/stream", f"{STREAM}&{asked}")


def test_what_humidity_does_is_shown_beside_the_levels_only_where_it_matters(desk: LabReader) -> None:
    moved = "?supplier=Tarnwick&product=TW-Rose&characteristic=surface_resistance_outside"
    second = "level at 12 % RH: for information only; the measured value is the record"

    assert "with levels at 12 % RH beside them" in told(desk, "/stream", moved)
    assert second not in told(desk, "/stream", moved)
    assert second in told(desk, "/stream", moved + "&beside=humidity&show=one+year")
    # The choice of a time keeps the second look, and the way back keeps the time.
    links = [link for link in hrefs(page(desk, "/stream", moved + "&beside=humidity&show=one+year")) if "show=" in link]
    assert any("beside=humidity" in link and "show=half+a+year" in link for link in links)
    assert any("beside" not in link and "show=one+year" in link for link in links)
    assert second not in told(desk, "/stream", STREAM + "&beside=humidity")


def test_a_long_history_is_a_light_page_and_no_wild_lot_is_lost(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    start = MONDAY - timedelta(hours=2500)
    bench.drop_climate("c.csv", start - timedelta(hours=60), 2600)
    rows = []
    for number in range(2500):
        level = 44.0 if number == 777 else 12.0 + number % 5 / 10
        rows += lot_rows(f"L{number:04}", start + timedelta(hours=number), [[level], [level * 1.02]], chamber="C1")
    bench.drop_tests("t.csv", rows)
    bench.run()
    desk = LabReader(bench.folder)
    whole = page(desk, "/stream", "?supplier=Alder+Film&product=MB-10&characteristic=shielding_energy")

    (chart,) = (part for part in parts_of(whole) if getattr(part, "id", "") == "stream-figure")
    drawn = {lot for trace in chart.figure["data"] for lot in trace.get("customdata", ())}
    assert len(drawn) <= MOST_POINTS + 1
    assert {"L0000", "L0777", "L2499"} <= drawn
    # Two megabytes for ten thousand lots; what the page holds does not grow with them.
    assert len(json.dumps(whole, cls=PlotlyJSONEncoder)) < 1_500_000
    text = " ".join(words(whole))
    assert "2300 older lots" in text.replace(",", "")
    assert "Of 2,500 lots the chart draws" in text


def test_a_note_is_shown_with_its_day(desk: LabReader, tmp_path: Path) -> None:
    own = LabReader(copy_of(desk.folder, tmp_path / "lab"))
    subject = str(Subject.stream("Brackenfoil", "BF-110", "shielding_energy"))
    with own.store.writing() as connection:
        respond(connection, subject, "note", "Bench 2", "new metalliser", "2026-03-01", NOW)

    assert "Bench 2, 25 Nov 2026, note, for 1 Mar 2026: new metalliser" in told(own, "/stream", STREAM)


def test_the_file_of_a_stream_runs_no_formula(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 62)
    bench.drop_tests("t.csv", lot_rows("=1+1", MONDAY, [[10.0, 11.0], [12.0, 13.0]], chamber="C1"))
    bench.run()

    (row,) = list(csv.DictReader(as_csv(stream_of(LabReader(bench.folder))).splitlines()))
    assert row["lot"] == "'=1+1"
    # The geometric mean of the bags' geometric means, by hand: (10 * 11 * 12 * 13) ** (1 / 4).
    assert float(row["level"]) == pytest.approx((10 * 11 * 12 * 13) ** 0.25, rel=1e-12)
    assert (row["conditioning"], row["limit_upper"], row["limit_lower"]) == ("valid", "20.0", "")


def stream_of(desk: LabReader) -> dict[str, Any]:
    from dashboard.queries import stream_document

    with desk.reading() as connection:
        return stream_document.stream(connection, desk.lab, "Alder Film", "MB-10", "shielding_energy")


# The lot


def test_the_lot_says_what_failed_and_that_a_repeat_erases_nothing(desk: LabReader) -> None:
    text = told(desk, "/lot", "?supplier=Umberfold&lot=UM08224")

    assert text.index("Lot UM08224: fails the limit in shielding energy (21.9 nJ, limit under 20.0 nJ)") < text.index(
        "No decision recorded"
    )
    assert "The retest of 13 Nov 2026 passed at 12.9 nJ. The first result stands" in text
    assert "6 test sessions, including 3 retests; the first valid result stands" in text
    assert "Judged by the geometric mean: 21.9 nJ; limit under 20.0 nJ (2018 edition)." in text
    assert "the release is up to the person whom your procedure authorises" in text


def test_a_lot_that_passes_on_the_mean_tells_its_bags_outside_the_limit(desk: LabReader) -> None:
    text = " ".join(told(desk, "/lot", "?supplier=Brackenfoil&lot=BF04281").split())

    assert (
        "Pass on the mean, bags outside the limit Lot BF04281: passes on the mean in shielding energy (17.6 nJ, "
        in text
    )
    assert "but 1 of 6 bags outside, worst bag 22.2 nJ, level outside the control limits." in text
    assert "Hold the lot: 1 of 6 bags outside, worst bag 22.2 nJ." in text
    # The readings stand in one table, and exactly the bags of the headline are marked in it.
    assert len(re.findall(r"bag \d+ outside", text)) == 1
    assert "A bag is outside the limit by the mean of its readings." in text


def test_a_lot_that_passes_says_what_to_know_before_its_release(desk: LabReader) -> None:
    """Inside its limit, but of a film on its way to it; the page decides nothing."""
    drifting = " ".join(told(desk, "/lot", "?supplier=Brackenfoil&lot=BF04286").split())
    assert "An urgent alert on shielding energy is open: a failing lot is likely." in drifting
    assert "Whether the lot is released is for the authorised person to decide, by your procedure." in drifting

    with desk.reading() as connection:
        standard = next(row for row in desk.board(connection) if row["check_standard"])
    reference = told(desk, "/lot", f"?supplier={quote(standard['supplier'])}&lot={quote(standard['last_lot'])}")
    assert "A check standard: it monitors the bench and is not released." in " ".join(reference.split())


def test_nothing_is_steady_beside_the_words_that_it_falls(desk: LabReader) -> None:
    names = "?supplier=Quillmere&product=QM-52&characteristic=shielding_energy"
    summaries = [" ".join(words(part)) for part in parts_of(page(desk, "/", "")) if type(part).__name__ == "Summary"]
    (row,) = [
        " ".join(words(part))
        for part in parts_of(page(desk, "/supplier", "?name=Quillmere"))
        if isinstance(part, html.Tr) and "QM-52 · shielding energy" in " ".join(words(part))
    ]

    assert "note QM-52, shielding energy: falling since about 21 May 2026." in " ".join(
        told(desk, "/stream", names).split()
    )
    assert row.startswith("note ")
    assert "Falling since about 21 May 2026." in row
    assert any(line.startswith("Quillmere") and "1 note" in line for line in summaries)


def test_an_undecided_lot_tells_its_bags_outside_the_limit(desk: LabReader) -> None:
    text = " ".join(told(desk, "/lot", "?supplier=Brackenfoil&lot=BF07191").split())

    # The lot mean passes the limit of 20 nJ, but not with the guard that holds since November 2026.
    assert (
        "Undecided Lot BF07191: undecided: shielding energy (18.0 nJ, limit under 20.0 nJ); 3 of 6 bags outside" in text
    )
    assert re.findall(r"bag (\d+) outside", text) == ["2", "3", "5"]


def test_a_single_reading_outside_is_no_bag_outside(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 61)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0], [12.0, 21.0], [21.0, 22.0]]))
    bench.run()
    shown = page(LabReader(bench.folder), "/lot", "?supplier=Alder+Film&lot=L1")
    text = " ".join(" ".join(words(shown)).split())

    # By hand: the geometric mean of 12 and 21 nJ is 15.9 nJ, under the limit of 20 nJ.
    assert "1 of 3 bags outside, worst bag 21.5 nJ" in text
    assert re.findall(r"bag (\d+) outside", text) == ["3"]
    assert "Underlined : a single reading outside the limit." in text
    apart = [" ".join(words(part)) for part in parts_of(shown) if getattr(part, "className", "") == "apart"]
    assert apart == ["21.0", "Underlined"]


def test_the_scorecards_begin_with_a_line_a_supplier_for_purchasing_and_say_what_their_order_means(
    desk: LabReader,
) -> None:
    shown = page(desk, "/scorecards", "?quarter=2026-Q3")
    text = " ".join(words(shown))

    assert "Brackenfoil: getting worse. Begin with BF-110, shielding energy: " in text
    assert "The lots of this quarter can't tell these suppliers apart: they stand in order of their names." in text
    rows = [" ".join(words(part)) for part in parts_of(shown) if isinstance(part, html.Tr)]
    # The suppliers that are named as those to talk to are those of the list below these words, and no others.
    lists = [part for part in parts_of(shown) if isinstance(part, html.Ul)]
    talk = next(one for one in lists if "Brackenfoil: getting worse" in " ".join(words(one)))
    lead = text[text.index("Talk to ") : text.index(":", text.index("Talk to "))]
    named = [" ".join(words(item)).partition(":")[0] for item in talk.children]
    assert all(name in lead for name in named[:5])
    assert all(f": {other}" not in lead and other not in lead for other in {"Umberfold"} - set(named))
    names = [
        name for row in rows for name in ("Brackenfoil", "Quillmere", "Tarnwick", "Umberfold") if row.startswith(name)
    ]
    assert names[:4] == sorted(names[:4])


def test_a_lot_tested_in_a_humid_chamber_is_not_judged(desk: LabReader) -> None:
    text = told(desk, "/lot", "?supplier=Brackenfoil&lot=BF04200")

    assert "Lot BF04200: no valid conditioning: shielding energy" in text
    assert "Not judged: chamber too humid." in text


def test_corrected_readings_keep_what_they_said_before(desk: LabReader) -> None:
    text = told(desk, "/lot", "?supplier=Quillmere&lot=QM01398")

    assert "36 readings corrected by a later file" in text
    assert "was 4060 nJ (4,06 uJ in evening bench 2026-09-25.csv, line 5)" in text


def test_refused_rows_stand_with_the_lot_they_name(desk: LabReader) -> None:
    text = told(desk, "/lot", "?supplier=Quillmere&lot=QM01404")

    assert "6 refused rows with this lot's name" in text
    assert "is a unit of sheet resistance" in text


def test_bounded_readings_and_what_they_settle_are_told(desk: LabReader) -> None:
    text = told(desk, "/lot", "?supplier=Tarnwick&lot=TW00076")

    assert (
        "3 readings beyond the range of the meter; limit 10⁴ Ω to under 10¹¹ Ω. The verdict does not depend on them."
        in text
    )


def test_the_last_decision_heads_the_lot(desk: LabReader, tmp_path: Path) -> None:
    own = LabReader(copy_of(desk.folder, tmp_path / "lab"))
    for what, reason in (
        ("hold", "above the limit"),
        ("note", "supplier called"),
        ("return", "agreed with the supplier"),
    ):
        with own.store.writing() as connection:
            respond(connection, str(Subject.lot("Umberfold", "UM08224")), what, "Shift lead", reason, "", NOW)

    text = told(own, "/lot", "?supplier=Umberfold&lot=UM08224")
    assert "Decided: return, by Shift lead" in text
    assert "Shift lead, 25 Nov 2026, 12:00, hold: above the limit" in text


# Alerts and the bench


def test_alerts_are_narrowed_by_state_and_kind(desk: LabReader) -> None:
    assert "of grade act." in told(desk, "/alerts")
    only = told(desk, "/alerts", "?kind=climate")

    assert "Chamber south was too humid before 14 test sessions" in only
    assert "fails the limit" not in only
    assert "closed automatically: the variation of the last 8 lots is back where it was" in told(
        desk, "/alerts", "?show=closed"
    )
    assert "No alert is in this state." in told(desk, "/alerts", "?show=acknowledged")


def test_alerts_of_one_stream_stand_together_and_the_most_urgent_matter_first() -> None:
    def alert(name: str, grade: str, day: int, about: str | None, state: str = "open") -> dict[str, object]:
        names = {"supplier": "A", "product": "P", "characteristic": about}
        return {"id": name, "grade": grade, "state": state, "raised_at": f"2026-01-{day:02}", **names}

    alerts = [
        alert("late look", "look", 9, "energy"),
        alert("act", "act", 2, "resistance"),
        alert("look beside it", "look", 3, "resistance"),
        alert("chamber", "look", 8, None),
        alert("instrument", "look", 7, None),
        alert("settled", "act", 9, "energy", "closed"),
    ]

    assert [[one["id"] for one in matter] for matter in group_by_stream(alerts)] == [
        ["act", "look beside it"], ["late look", "settled"], ["chamber"], ["instrument"],
    ]  # fmt: skip


def test_the_bench_tells_chambers_references_feeds_and_rounds(desk: LabReader) -> None:
    text = told(desk, "/bench")

    assert text.startswith(
        "Chamber log to Fri 20 Nov 2026, 10:00. 2 chambers within tolerance at the last entry; check standards stable."
    )
    # Two lines first: what the chambers and the check standards are now.
    assert re.search(
        r"Within tolerance Chambers: north 1\d\.\d % RH, 2\d\.\d °C, south .* Stable Check standards: coupon C", text
    )
    assert re.search(r"note\s+Chamber south was too humid before 14 test sessions", text)
    # Refused rows stand with their file; feeds and rounds come last.
    assert "9 refused rows, in 2 files evening bench" in text
    assert "6 rows, lines 102 to 136" in text
    assert text.index("9 refused rows") < text.index("For the keeper of the feeds") < text.index("Last rounds")
    assert "a round runs every 60 minutes" in text


def test_an_hour_outside_the_window_is_counted(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.drop_climate("a.csv", MONDAY, 10)
    bench.drop_climate("b.csv", MONDAY + timedelta(hours=10, minutes=30), 3, humidity=15.5)
    bench.run()
    text = told(LabReader(bench.folder), "/bench")

    assert "Chamber C1 is too humid since 5 Jan 2026, 19:30: no valid test before 48 h after it is back." in text
    assert "Out of tolerance Chambers: C1 15.5 % RH, 23.0 °C." in text
    # Seven half-hourly entries from 10:30 to 13:30, each standing for the half hour before it.
    assert "4 h outside tolerance, 0 gaps in the log" in text


def test_the_bench_tells_how_often_files_come_and_when_the_next_round_is(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    # A week, a week and a fortnight between the files: a week is the usual.
    for number, days in enumerate((28, 21, 14, 0)):
        file = bench.drop_climate(f"{number}.csv", MONDAY - timedelta(days=days), 1)
        seconds = (MONDAY - timedelta(days=days)).timestamp()
        os.utime(file, (seconds, seconds))
    file = bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0], [12.0, 13.0]], chamber="C1"))
    os.utime(file, (seconds, seconds))
    bench.run()
    text = told(LabReader(bench.folder, lambda: datetime(2026, 11, 28, 7, 15, tzinfo=UTC)), "/bench")

    assert f"drops/climate climate every 7 days {MONDAY.day} {MONDAY:%b %Y}" in text
    assert f"drops/tests tests too few files {MONDAY.day} {MONDAY:%b %Y}" in text
    assert "The next starts on 28 Nov 2026, 07:15." in text
    assert "The next starts" not in told(LabReader(bench.folder), "/bench")


# Nothing, and trouble


def test_a_lab_without_a_round_says_what_to_do(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")

    for path in ("/", "/alerts", "/bench", "/stream", "/lot", "/supplier"):
        assert told(LabReader(bench.folder), path).startswith("No data yet.")


def test_a_lab_without_a_drop_is_shown_empty(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.run()
    desk = LabReader(bench.folder)

    assert told(desk, "/").startswith("No stream yet.")
    assert told(desk, "/alerts").startswith("No open case.")
    assert told(desk, "/bench").strip().startswith("No chamber log: no test can be shown valid.")


def test_what_is_not_there_is_told(desk: LabReader) -> None:
    # A followed link is no entry, and a reader of pages is sent to no command.
    assert told(desk, "/lot", "?supplier=Umberfold&lot=X").startswith('Not found. Supplier "Umberfold" has no lot "X".')
    assert told(desk, "/stream", "?supplier=X").startswith('Not found. There is none for supplier "X"')
    assert told(desk, "/ageing", "?product=X&characteristic=y").startswith("Not found. No test of X, y, is stored.")
    assert "lotdrift board" not in told(desk, "/lot", "?supplier=Umberfold&lot=X")
    assert told(desk, "/stock", "?by=soon").startswith("Please correct the entry.")
    assert told(desk, "/supplier", "?name=X").startswith('No supplier "X".')
    assert told(desk, "/elsewhere").startswith("Page not found.")


def test_a_broken_lab_file_is_told_in_a_page_that_stood_already(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.run()
    desk = LabReader(bench.folder)
    assert desk.title == "Test bench"
    bench.declare("[lab]\nname = 3\n")

    assert "lab.toml, lab.name" in told(desk, "/")
    assert desk.title == "Test bench"


def test_a_new_stream_is_shown_as_learning_with_its_names_as_text(tmp_path: Path) -> None:
    bench = Bench(tmp_path / "lab")
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 62)
    bench.drop_tests("t.csv", lot_rows("<b>L</b>", MONDAY, [[10.0], [12.0]], supplier="<i>&A", product="MB"))
    bench.run()
    desk = LabReader(bench.folder)
    assert "No supplier to call: nothing has moved in 1 stream." in told(desk, "/")
    assert "1 silent" in told(desk, "/")
    text = told(desk, "/stream", "?supplier=%3Ci%3E%26A&product=MB&characteristic=shielding_energy")
    assert "<b>L</b>" in text
    assert "no settled limits yet" in told(desk, "/lot", "?supplier=%3Ci%3E%26A&lot=%3Cb%3EL%3C/b%3E")


def test_a_supplier_shows_the_lots_of_a_quarter_by_their_worst_verdict(desk: LabReader) -> None:
    text = told(desk, "/supplier", "?name=Tarnwick&quarter=2026-Q4")

    assert "Lots of 2026-Q4" in text
    assert "Scorecard of 2026-Q4" in text
    # One in its range on the inside, out of it on the outside: the worst counts.
    assert re.search(r"fail\s+TW00076\s+TW-Clear\s+15 Oct 2026\s+pass\s+fail", text)
    assert "verdict lot product tested surface resistance inside surface resistance outside" in text
    assert "TW00287" in text
    assert "TW00250" not in text, "a lot of the quarter before"
    assert "No lot was tested in this quarter." in told(desk, "/supplier", "?name=Tarnwick&quarter=2024-Q1")
    assert "expected a quarter like 2026-Q3" in told(desk, "/supplier", "?name=Tarnwick&quarter=soon")
