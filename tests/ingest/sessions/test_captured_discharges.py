"""Captures as a feed: stored, repeated, corrected and refused; matched to their readings whichever comes first; and what they say."""

from __future__ import annotations

import csv
import math
import re
from datetime import timedelta
from pathlib import Path
from time import process_time
from typing import Any

import numpy as np
import pytest
from support.commands import document
from support.discharges import capture_file, pulse
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.intake.dry_run import check
from ingest.rounds.rounds import Round
from ingest.store.store import known_store
from spc.bench.waveform import energy, outline, shape

BOTH_STORES = True

NAMES = "{supplier}_{lot}_{specimen}.csv"
SOURCE = f'\n[[source]]\nkind = "waveforms"\nfolder = "drops/waveforms"\nnames = "{NAMES}"\n'
ENERGIES = [9.0, 9.1, 9.2, 9.0, 9.3, 9.1]
BAG = "Alder Film_L1_1.csv"


def put(bench: Bench, name: str, energies: list[float], source: str = SOURCE, **how: Any) -> Path:
    bench.declare(LAB_TOML + source)
    (bench.folder / "drops" / "waveforms").mkdir(exist_ok=True)
    return bench.drop(name, capture_file(energies, **how), "waveforms")


def put_tests(bench: Bench, values: list[list[float]], weeks: int = 0, lot: str = "L1") -> None:
    moment = MONDAY + timedelta(weeks=weeks)
    bench.drop_climate(f"c{weeks}.csv", moment - timedelta(hours=60), 70)
    bench.drop_tests(f"t{lot}{weeks}.csv", lot_rows(lot, moment, values))


def counts(done: Round) -> list[tuple[str, int, int, int, int]]:
    return [
        (one.state, one.stored, one.duplicate, one.corrected, one.refused)
        for one in done.entries
        if one.kind == "waveforms"
    ]


def rows(bench: Bench, sql: str) -> list[tuple[Any, ...]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        shown = [tuple(row) for row in connection.exec_driver_sql(sql).fetchall()]
    store.close()
    return shown


def captures(bench: Bench, session: int = 0, lot: str = "L1") -> dict[str, Any]:
    shown: dict[str, Any] = document(bench.folder, "lot", "Alder Film", lot)["sessions"][session]["captures"]
    return shown


def test_captures_find_their_readings_whichever_comes_first(bench: Bench) -> None:
    put(bench, BAG, ENERGIES)
    early = bench.run()
    assert counts(early) == [("stored", 6, 0, 0, 0)]
    assert early.notes == [
        "waveforms: 6 captures have no reading in nJ yet; bring the test results, or correct supplier, lot, specimen and reading of the captures"
    ]

    put_tests(bench, [ENERGIES] * 2)
    assert bench.run().notes == []
    first = captures(bench)
    assert [one["ratio"] for one in first["captures"]] == pytest.approx([1.0] * 6, rel=5e-3)
    assert (first["readings"], first["agreement"]["is_off"], first["is_another_verdict"]) == (12, False, False)

    # The other way round.
    put_tests(bench, [ENERGIES] * 2, 1, "L2")
    bench.run()
    assert captures(bench, lot="L2") is None
    put(bench, "Alder Film_L2_2.csv", ENERGIES)
    assert bench.run().notes == []
    assert [(one["specimen"], one["reading"]) for one in captures(bench, lot="L2")["captures"]] == [
        (2, reading) for reading in range(1, 7)
    ]


def test_the_same_captures_again_are_duplicates_and_others_correct_them(bench: Bench) -> None:
    put_tests(bench, [ENERGIES])
    put(bench, BAG, ENERGIES)
    bench.run()
    put(bench, BAG, ENERGIES)
    assert counts(bench.run()) == [("seen", 0, 0, 0, 0)]

    # One of six is another record; the file has other bytes, so that it is read.
    text = capture_file(ENERGIES).splitlines()
    other = capture_file([*ENERGIES[:5], 18.2]).splitlines()
    mixed = [",".join([*one.split(",")[:6], two.split(",")[6]]) for one, two in zip(text, other, strict=True)]
    bench.drop(BAG, "\n".join(mixed) + "\n", "waveforms")
    assert counts(bench.run()) == [("stored", 0, 5, 1, 0)]
    assert captures(bench)["captures"][5]["energy"] == pytest.approx(18.2, rel=5e-3)
    assert rows(bench, "SELECT specimen, reading, round(energy * 10) FROM earlier_capture") == [(1, 6, 91)]


def test_a_file_under_another_name_belongs_to_the_readings_of_that_name(bench: Bench) -> None:
    put_tests(bench, [ENERGIES] * 2)
    put(bench, BAG, ENERGIES)
    bench.run()
    put(bench, BAG.replace("_1", "_2"), ENERGIES)
    assert counts(bench.run()) == [("stored", 6, 0, 0, 0)]
    assert len(captures(bench)["captures"]) == 12


def test_a_capture_that_cannot_be_computed_is_refused_alone_and_with_its_line(bench: Bench) -> None:
    names = [{"supplier": "Alder Film", "lot": "L1", "specimen": 1, "reading": reading} for reading in (1, 2)]
    good = capture_file([9.0], [names[0]])
    late = capture_file([9.1], [names[1]], first_ns=-20).splitlines()
    put(bench, BAG, [9.0])
    bench.drop(BAG, good + "\n".join(late[1:]) + "\n", "waveforms")

    assert counts(bench.run()) == [("stored", 1, 0, 0, 1)]
    report = (bench.folder / "refused" / BAG).read_text(encoding="utf-8").splitlines()
    ((name, line, reason, *cells),) = list(csv.reader(report))[1:]
    assert (name, line, cells) == (BAG, "402", ["capture 2", "Alder Film", "L1", "1", "2", ""])
    assert reason.startswith("capture 2: the record holds 0 samples before the pulse, and 50 are needed for its offset")


def test_a_file_that_cannot_be_read_is_refused_whole_and_stops_no_neighbour(bench: Bench) -> None:
    put(bench, BAG, ENERGIES)
    lines = capture_file(ENERGIES).splitlines()
    lines[200] = lines[200].rsplit(",", 1)[0] + ",inf"
    bench.drop("Alder Film_L1_2.csv", "\n".join(lines) + "\n", "waveforms")
    bench.drop("of no bag.csv", capture_file(ENERGIES), "waveforms")

    done = bench.run()

    assert sorted(counts(done)) == [("refused", 0, 0, 0, 0), ("refused", 0, 0, 0, 0), ("stored", 6, 0, 0, 0)]
    assert sorted(one.reason for one in done.entries if one.reason) == [
        "Alder Film_L1_2.csv: current 6 [mA], line 201: is no finite number; correct it",
        'of no bag.csv: its name does not fit names = "{supplier}_{lot}_{specimen}.csv"; rename it, or correct names in its [[source]] of '
        "lab.toml",
    ]


def test_two_captures_of_one_reading_in_a_file_are_both_refused(bench: Bench) -> None:
    name = {"supplier": "Alder Film", "lot": "L1", "specimen": 1, "reading": 1}
    other = {**name, "reading": 2}
    put(bench, "a.csv", [9.0, 9.1, 9.2], "", identity=[name, other, name])

    report = check(load(bench.folder), MONDAY)
    assert [(one["rows"], one["refused"]) for one in report.document["files"]] == [(3, 2)]
    assert counts(bench.run()) == [("stored", 1, 0, 0, 2)]
    assert rows(bench, "SELECT specimen, reading FROM capture") == [(1, 2)]


def test_a_file_that_names_no_lot_is_refused_with_what_to_declare(bench: Bench) -> None:
    put(bench, "a.csv", [9.0], "")
    (entry,) = bench.run().entries
    assert entry.reason.startswith(
        "a.csv: capture 1, line 2: supplier and lot and specimen of its reading can't be told"
    )


def test_captures_of_a_lot_that_was_tested_twice_need_the_day(bench: Bench) -> None:
    put_tests(bench, [ENERGIES])
    put_tests(bench, [[2 * one for one in ENERGIES]], 2)
    put(bench, BAG, ENERGIES)
    assert bench.run().notes == [
        "waveforms: 6 captures fit readings of several tests; name the day of the test, such as {day} in names"
    ]
    source = SOURCE.replace("{specimen}", "{specimen}_{day}")
    put(bench, f"Alder Film_L1_1_{MONDAY + timedelta(weeks=2):%Y-%m-%d}.csv", [2 * one for one in ENERGIES], source)
    bench.run()
    assert captures(bench, 0) is None
    assert [one["ratio"] for one in captures(bench, 1)["captures"]] == pytest.approx([1.0] * 6, rel=5e-3)


def test_a_factor_is_found_with_its_causes_and_the_other_verdict_and_changes_no_record(bench: Bench) -> None:
    put_tests(bench, [ENERGIES])
    put(bench, BAG, [4 * one for one in ENERGIES])
    bench.run()

    shown = captures(bench)
    assert shown["agreement"]["ratio"] == pytest.approx(0.25, rel=5e-3)
    assert shown["agreement"]["causes"] == [
        "a 50 ohm termination, which halves the record", "a resistance of 2000 ohm entered for 500 ohm",
    ]  # fmt: skip
    # Every reading was captured: four times the geometric mean, 36.5 nJ against under 20.
    mean = math.exp(sum(map(math.log, ENERGIES)) / 6)
    assert shown["recomputed"] == pytest.approx(4 * mean, rel=5e-3)
    assert (shown["verdict"], shown["is_another_verdict"]) == ("fail", True)
    session = document(bench.folder, "lot", "Alder Film", "L1")["sessions"][0]
    assert (session["verdict"], session["judged"]) == ("pass", pytest.approx(mean))
    (instrument,) = document(bench.folder, "instruments")
    assert instrument["capture_days"] == [shown["agreement"]]


def test_one_discharge_far_from_the_day_is_marked_and_a_missing_one_is_no_result(bench: Bench) -> None:
    put_tests(bench, [[*ENERGIES[:5], 0.4], ENERGIES])
    put(bench, BAG, [9.0, 9.1, 9.2, 9.0, 4.0, 0.0])
    put(bench, BAG.replace("_1", "_2"), ENERGIES, seed=9)
    bench.run()

    shown = captures(bench)["captures"]
    assert [one["is_far"] for one in shown] == [False] * 4 + [True] + [False] * 7
    assert (shown[5]["energy"], shown[5]["marks"], shown[5]["ratio"]) == (None, ["no_discharge"], None)


def test_captures_are_computed_again_where_the_set_up_is_declared_otherwise(bench: Bench) -> None:
    put_tests(bench, [ENERGIES])
    put(bench, BAG, ENERGIES)
    bench.run()
    put(bench, BAG, ENERGIES, SOURCE + "gain = 2\n")
    assert counts(bench.run()) == [("stored", 0, 0, 6, 0)]
    assert captures(bench)["agreement"]["ratio"] == pytest.approx(0.25, rel=5e-3)


def test_a_corrected_reading_is_compared_anew(bench: Bench) -> None:
    put_tests(bench, [[4 * one for one in ENERGIES]])
    put(bench, BAG, ENERGIES)
    bench.run()
    assert captures(bench)["agreement"]["ratio"] == pytest.approx(4.0, rel=5e-3)
    bench.drop_tests("corrected.csv", lot_rows("L1", MONDAY, [ENERGIES]))
    bench.run()
    assert captures(bench)["agreement"]["ratio"] == pytest.approx(1.0, rel=5e-3)


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ('names = "{supplier}_{film}.csv"', 'at most once in names, got "{film}"'),
        ('names = "{lot}_{lot}.csv"', 'at most once in names, got "{lot}"'),
        ("window_ns = [600, 0]", "expected window_ns with a later second time"),
        ('units = { current = "nJ" }', 'expected A, mA or uA as unit of current, got "nJ"'),
        ('fixed = { time = "1" }', 'in fixed, got "time"'),
        ("delimiter = ';'", "expected no delimiter"),
    ],
)
def test_a_wrong_declaration_of_captures_is_one_line(bench: Bench, keys: str, message: str) -> None:
    bench.declare(LAB_TOML + f'\n[[source]]\nkind = "waveforms"\nfolder = "drops/waveforms"\n{keys}\n')
    with pytest.raises(LabFileError, match=re.escape(message)):
        load(bench.folder)


def test_keys_of_captures_are_refused_for_other_kinds(bench: Bench) -> None:
    bench.declare(LAB_TOML + "resistor_ohm = 500\n")
    with pytest.raises(LabFileError, match=r"resistor_ohm only with kind = .waveforms."):
        load(bench.folder)


def test_two_million_samples_are_stored_for_no_more_than_twenty_times_their_integration(bench: Bench) -> None:
    time = np.arange(-5500, 49_500) / 10
    record = pulse(9.0, time)
    put_tests(bench, [ENERGIES])
    bench.run()
    path = put(bench, BAG, [9.0])
    # 36 captures below each other; the times fall back where one begins.
    text = "\n".join(f"{at:g},{value:.5g}" for at, value in zip(time, record, strict=True)) + "\n"
    path.write_text("time [ns],current [mA]\n" + 36 * text, encoding="utf-8")

    started = process_time()
    done = bench.run()
    whole = process_time() - started
    started = process_time()
    for _ in range(36):
        energy(time, record / 1e3, 500.0)
        shape(time, record)
        outline(time, record)
    alone = process_time() - started

    assert counts(done) == [("stored", 36, 0, 0, 0)]
    assert len(rows(bench, "SELECT trace FROM capture WHERE length(trace) < 5000")) == 36
    # The store keeps figures and a digest, the samples stay in the filed file.
    assert rows(bench, "SELECT count(*), min(length(digest)), max(samples) FROM capture") == [(36, 64, len(time))]
    assert (bench.folder / "filed" / BAG).stat().st_size > 10_000_000
    # Reading line by line in Python would cost a hundred times as much.
    assert whole < 20 * alone
