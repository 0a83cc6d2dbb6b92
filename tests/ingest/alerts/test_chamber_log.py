"""The log of a chamber in the alert on that chamber: it agrees, is silent or contradicts, and decides nothing."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from support.labs import LAB_TOML, MONDAY, Bench, csv_text, lot_rows

from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader

SUPPLIERS = ("Alder Film", "Birch Pack", "Cedar Bag", "Dogwood Web", "Elm Sheet")
WEEKS, FROM = 26, 20
SLOPE = -0.1
LAB = LAB_TOML.replace("longest_gap_minutes = 60", "longest_gap_minutes = 400")
SECOND = '\n[[chamber]]\nname = "N"\nsecond = "N probe"\n'


def ordinary(hour: int) -> float:
    """Humidity of the chamber N at an hour while nothing departs."""
    return 12.0 + 0.25 * float(np.sin(2 * np.pi * hour / 700))


def fill(bench: Bench, weeks: range, shift: float, logged: float, probe: float | None = None) -> None:
    """A lot a week and supplier, in the chambers N and S by turns; N shifts the resistance of its lots from a week on."""
    rows, logs = [], []
    for week in weeks:
        for place, supplier in enumerate(SUPPLIERS):
            for chamber in ("N", "S"):
                rng = np.random.default_rng([week, place, ord(chamber)])
                level = 20.0 + 0.1 * place + 0.04 * rng.standard_normal()
                if chamber == "N":
                    # The ordinary swing of the chamber moves the films as well: their lots show the slope.
                    swing = np.mean([ordinary(week * 168 + hour) for hour in range(120, 168, 6)]) - 12.0
                    level += SLOPE * swing + shift * (week >= FROM)
                bags = np.exp(level + 0.03 * rng.standard_normal((3, 1)))
                rows += lot_rows(
                    f"{supplier[0]}{week}{chamber}", MONDAY + timedelta(weeks=week, minutes=20 * place), bags.tolist(),
                    supplier=supplier, chamber=chamber, characteristic="surface_resistance", unit="ohm",
                )  # fmt: skip
        start = MONDAY + timedelta(weeks=week - 1)
        for hour in range(7 * 24):
            at = start + timedelta(hours=hour)
            humidity = ordinary(week * 168 + hour)
            departs = week >= FROM
            logs += [
                (at.isoformat(), "N", round(humidity + logged * departs, 2), 23.0),
                (at.isoformat(), "S", 12.0, 23.0),
            ]
            if probe is not None:
                logs.append((at.isoformat(), "N probe", round(humidity + probe * departs, 2), 23.0))
    bench.drop_tests(f"t{weeks.start}.csv", rows)
    bench.drop(
        f"c{weeks.start}.csv", csv_text(("logged_at", "chamber", "humidity_percent", "temperature_c"), logs), "climate"
    )


def bench_alert(bench: Bench) -> dict[str, Any]:
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        alerts = stored_documents.alerts(connection, reader.lab, closed_too=True)
    (alert,) = [one for one in alerts if one["kind"] == "bench"]
    return dict(alert)


@pytest.mark.parametrize(
    ("logged", "probe", "log", "words"),
    [
        (2.0, None, "agrees", "the chamber log agrees with humidity as the cause (+"),
        (0.0, None, "silent", "which rules nothing out: its sensor may be the one that controls"),
        (-2.0, None, "contradicts", "the chamber log contradicts humidity as the cause (-"),
        # Of two sensors the one that does not control the chamber is compared.
        (0.0, 2.0, "agrees", "the chamber log agrees with humidity as the cause (+"),
        (0.0, 0.0, "silent", "the second sensor of the chamber is silent ("),
    ],
)
def test_the_log_of_a_chamber_stands_beside_what_the_films_show(
    bench: Bench, logged: float, probe: float | None, log: str, words: str
) -> None:
    bench.declare(LAB + (SECOND if probe is not None else ""))
    fill(bench, range(WEEKS), SLOPE * 2.0, logged, probe)
    bench.run()
    alert = bench_alert(bench)
    evidence, departure = alert["evidence"], alert["evidence"]["log_departure"]

    assert evidence["suspect"] == "N"
    assert evidence["log"] == log
    assert words in alert["message"]
    # The 95 % interval reaches 1.96 standard errors; 4 are allowed.
    assert abs(departure["fitted"] - 2.0) < 4 * departure["fitted_se"]
    assert departure["logged"] == pytest.approx(logged if probe is None else probe, abs=0.25)
    assert departure["sensor"] == ("control" if probe is None else "second")
    if log == "agrees":
        # A steady log departs like this in none of the spans before.
        assert (departure["like"], departure["spans"] > 15) == (0, True)
        assert f"the log departs as much in 0 of 100 spans of {departure['days']} days" in alert["message"]
    # The humidity of the tests is in the comparison and does not appear a second time.
    assert "in the weeks before" not in alert["message"]
    # The finding and what it explains are the same whatever the log shows.
    assert evidence["closed_because"] is None
    assert evidence["agreeing"] == len(SUPPLIERS)


def test_many_rounds_end_in_the_comparison_of_one_round(tmp_path_factory: pytest.TempPathFactory) -> None:
    one, many = (Bench(tmp_path_factory.mktemp(name)) for name in ("one", "many"))
    for lab in (one, many):
        lab.declare(LAB)
    fill(one, range(WEEKS), SLOPE * 2.0, 2.0)
    one.run()
    for start, stop in ((0, 21), (21, 23), (23, WEEKS)):
        fill(many, range(start, stop), SLOPE * 2.0, 2.0)
        many.run()

    assert bench_alert(many) == bench_alert(one)
