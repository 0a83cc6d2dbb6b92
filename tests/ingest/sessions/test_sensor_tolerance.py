"""The uncertainty of the humidity sensor inside the tolerance, where the lab declares that it counts; a second sensor is no chamber."""

from __future__ import annotations

from datetime import timedelta

import pytest
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

from dashboard.queries.bench_queries import bench as bench_document
from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.sessions.ready import ready
from ingest.store.store import open_store

BOTH_STORES = True

# ageing-waveform-values.json, sensor-guard: 12 +- 3 % and U = 1.5 leave 12 +- 1.5.
COUNTS = '\n[[chamber]]\nname = "C1"\nsensor_uncertainty = 1.5\nuncertainty_counts = {}\n'


def judged(bench: Bench) -> tuple[str, str]:
    """The conditioning of the only session, and the state of the chamber by `ready`."""
    store = open_store(bench.folder)
    try:
        with store.reading() as connection:
            word = connection.exec_driver_sql("SELECT conditioning FROM session").scalar_one()
            (chamber,) = ready(connection, load(bench.folder), MONDAY)["chambers"]
            (shown,) = bench_document(connection, load(bench.folder))["chambers"]
            stored = connection.exec_driver_sql("SELECT state FROM chamber_state").scalars().all()
    finally:
        store.close()
    assert shown["last_inside"] == (chamber["state"] == "inside") == (stored == ["valid"])
    return str(word), chamber["state"]


@pytest.mark.parametrize(
    ("humidity", "counts", "expected"),
    [
        (13.5, "true", ("valid", "inside")),
        (13.6, "true", ("humid", "outside")),
        (13.6, "false", ("valid", "inside")),
        (10.4, "true", ("dry", "outside")),
        (15.1, "false", ("humid", "outside")),
    ],
)
@pytest.mark.parametrize("with_load", [False, True])
def test_an_entry_counts_where_the_chamber_was_inside_for_sure(
    bench: Bench, humidity: float, counts: str, expected: tuple[str, str], *, with_load: bool
) -> None:
    bench.declare(LAB_TOML + COUNTS.format(counts))
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 60, humidity=humidity)
    bench.drop_tests("t.csv", [{**row, "load": "N-1"} for row in lot_rows("L1", MONDAY, [[10.0, 11.0]])])
    if with_load:
        (bench.folder / "drops" / "loads").mkdir()
        bench.drop("l.csv", f"at,load,chamber,event\n{(MONDAY - timedelta(hours=55)).isoformat()},N-1,C1,in\n", "loads")
    bench.run()
    assert judged(bench) == expected


def test_a_later_declaration_judges_the_tests_again(bench: Bench) -> None:
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 60, humidity=14.0)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0]]))
    bench.run()
    assert judged(bench) == ("valid", "inside")
    bench.declare(LAB_TOML + COUNTS.format("true"))
    bench.run()
    assert judged(bench) == ("humid", "outside")


def test_the_log_of_a_second_sensor_is_no_chamber(bench: Bench) -> None:
    bench.declare(LAB_TOML + '\n[[chamber]]\nname = "C1"\nsecond = "C1 b"\n')
    bench.drop_climate("c.csv", MONDAY - timedelta(hours=60), 60)
    bench.drop_climate("b.csv", MONDAY - timedelta(hours=60), 60, chamber="C1 b", humidity=20.0)
    bench.drop_tests("t.csv", lot_rows("L1", MONDAY, [[10.0, 11.0]]))
    bench.run()
    assert judged(bench) == ("valid", "inside")


@pytest.mark.parametrize(
    ("keys", "message"),
    [
        ("sensor_uncertainty = 3.0\nuncertainty_counts = true", "chamber.C1.sensor_uncertainty: expected less than the humidity_tolerance of dry (3)"),
        ("uncertainty_counts = true", "expected sensor_uncertainty beside uncertainty_counts"),
        ("second_uncertainty = 1.0", "expected second beside second_uncertainty"),
        ('second = "C1"', "expected another name for second"),
    ],
)  # fmt: skip
def test_a_declaration_that_could_not_hold_is_refused(bench: Bench, keys: str, message: str) -> None:
    bench.declare(f'{LAB_TOML}\n[[chamber]]\nname = "C1"\n{keys}\n')
    with pytest.raises(LabFileError, match=r"lab\.toml") as refused:
        load(bench.folder)
    assert message in str(refused.value)
