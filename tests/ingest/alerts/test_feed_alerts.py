"""Alerts about the feeds themselves."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy import text
from support.labs import LAB_TOML, MONDAY, NOW, Bench, lot_rows

from ingest.store.store import known_store

BOTH_STORES = True

RHYTHM = LAB_TOML.replace('folder = "drops/tests"', 'folder = "drops/tests/"\nsilent_after_days = 7')


def messages(bench: Bench) -> list[str]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        return list(
            connection.execute(text("SELECT message FROM alert WHERE kind = 'feed' ORDER BY message")).scalars()
        )


def test_a_source_silent_past_its_rhythm_is_told_once_and_until_a_file_comes(bench: Bench) -> None:
    bench.declare(RHYTHM)
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[10.0]]))
    bench.run(NOW)

    assert bench.run(NOW + timedelta(days=7)).raised == []
    assert len(bench.run(NOW + timedelta(days=7, seconds=1)).raised) == 1
    assert bench.run(NOW + timedelta(days=8)).raised == []
    assert messages(bench) == ["drops/tests/: no file for over 7 days; see whether the export still runs"]

    bench.drop_tests("b.csv", lot_rows("L1", MONDAY, [[10.0]]))
    bench.run(NOW + timedelta(days=8))
    assert messages(bench) == []


def test_sources_that_share_a_folder_are_silent_each_by_its_pattern(bench: Bench) -> None:
    extra = '\n[[source]]\nkind = "tests"\nfolder = "drops/tests"\npattern = "x[!y]*.csv"\nsilent_after_days = 7\n'
    bench.declare(LAB_TOML + extra)
    bench.drop_tests("xz1.csv", lot_rows("L0", MONDAY, [[10.0]]))
    bench.run(NOW)

    bench.drop_tests("xy1.csv", lot_rows("L1", MONDAY, [[10.0]]))
    bench.run(NOW + timedelta(days=8))

    assert messages(bench) == ["drops/tests: no file for over 7 days; see whether the export still runs"]


def test_a_refused_file_is_an_alert_and_another_one_of_its_name_is_another(bench: Bench) -> None:
    for number in range(2):
        bench.drop("a.csv", f"nothing of use\n{number}\n")
        assert len(bench.run().raised) == 1

    assert bench.run().raised == []
    assert len(messages(bench)) == 2
