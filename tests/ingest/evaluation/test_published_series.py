"""Published series as feeds: one alert a lasting cause, a wandering process called so, and digits that show the difference.

The series are those of the NIST/SEMATECH e-Handbook of Statistical Methods named in `series/README.md`.
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from support.commands import document
from support.labs import Bench, csv_text

from dashboard.pages.stream import stream as stream_page
from dashboard.queries.lab_reader import LabReader
from spc.stream.evaluate import Settings
from spc.stream.evaluate import stream as evaluate_stream
from spc.stream.session_summary import summarise

SERIES = Path(__file__).parent / "series"
LAB = """
[lab]
name = "Published series"
timezone = "UTC"

[conditioning.dry]
humidity_percent = 12.0
humidity_tolerance = 3.0
temperature_c = 23.0
temperature_tolerance_c = 3.0
hours = 48
longest_gap_minutes = 1500

[[source]]
kind = "tests"
folder = "drops/tests"

[[source]]
kind = "climate"
folder = "drops/climate"
""" + "".join(
    f'\n[[characteristic]]\nname = "{name}"\nunit = "ohm"\nscale = "linear"\nconditioning = "dry"\n{limit}'
    for name, limit in (
        ("standard_resistance", "upper_limit = [ { value = 29.0 } ]\n"),
        ("thermometer_counts", "upper_limit = [ { value = 2920.0 } ]\n"),
        ("transmittance", ""),
    )
)
FIRST = datetime(2010, 1, 1, tzinfo=UTC)
STREAMS = {
    "standard-resistor": ("standard resistor", "standard_resistance"),
    "thermometer": ("thermometer", "thermometer_counts"),
    "transmittance": ("filter", "transmittance"),
}


def published(name: str) -> list[dict[str, str]]:
    with (SERIES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    bench = Bench(tmp_path_factory.mktemp("series"), LAB)
    # The chamber is at its set point throughout; what it does is no part of these series.
    log = [((FIRST - timedelta(days=4 - day)).isoformat(), "reference", 12.0, 23.0) for day in range(2_120)]
    bench.drop("log.csv", csv_text(("logged_at", "chamber", "humidity_percent", "temperature_c"), log), "climate")
    for name in STREAMS:
        bench.drop(f"{name}.csv", (SERIES / f"{name}.csv").read_text(encoding="utf-8"))
    bench.run()
    return LabReader(bench.folder)


def stream(reader: LabReader, series: str) -> dict[str, Any]:
    figures: dict[str, Any] = document(reader.lab.folder, "stream", "Published", *STREAMS[series])
    return figures


def drifts(reader: LabReader, series: str) -> list[dict[str, Any]]:
    product, _ = STREAMS[series]
    return [
        one
        for one in document(reader.lab.folder, "alerts", "--all")
        if one["product"] == product and one["kind"] == "drift"
    ]


def test_a_resistor_that_rises_for_years_is_one_drift_seen_early(reader: LabReader) -> None:
    (alert,) = drifts(reader, "standard-resistor")
    raised = [row["lot"] for row in published("standard-resistor")].index(alert["lot"])

    assert (alert["state"], alert["evidence"]["direction"], alert["evidence"]["closed_because"]) == ("open", 1, None)
    # Seen within the first tenth of the six years.
    assert raised < 100
    assert stream(reader, "standard-resistor")["capability"]["why"] == "not stable"


def test_a_thermometer_that_wanders_is_called_so_with_few_alerts(reader: LabReader) -> None:
    alerts, shown = drifts(reader, "thermometer"), stream(reader, "thermometer")
    by_day = sorted(alerts, key=lambda one: one["raised_at"])
    text = " ".join(words(stream_page.layout(reader, "Published", *STREAMS["thermometer"])))

    assert [(one["evidence"]["form"], one["state"]) for one in by_day] == [
        ("step", "closed"),
        ("step", "closed"),
        ("wander", "open"),
    ]
    assert "wandering since about" in by_day[-1]["message"]
    assert shown["wander"] == {"since_at": by_day[0]["raised_at"], "moves": 3}
    assert shown["capability"] == {
        **dict.fromkeys(("ppk", "ppk_lower", "ppk_upper", "pp", "ppm")),
        "why": "the process wanders",
    }
    assert "The process wanders" in text
    assert "Control limits do not describe the next lot, and no capability is given." in text
    assert all(not stream(reader, name)["wander"] for name in ("standard-resistor", "transmittance"))


def test_a_filter_that_drifts_is_one_move(reader: LabReader) -> None:
    (alert,) = drifts(reader, "transmittance")

    # Step and ramp fit the eight lots since its start alike; the form of an alert is that of its day.
    assert (alert["evidence"]["form"], alert["evidence"]["direction"], alert["state"]) == ("step", 1, "open")
    assert alert["evidence"]["closed_because"] is None


@pytest.mark.parametrize(
    ("series", "digits", "then", "latest", "level", "center"),
    [
        ("standard-resistor", 5, "27.919 Ω", "28.109 Ω", "28.105 Ω", "27.882 Ω"),
        ("thermometer", 5, "2901.0 Ω", "2900.0 Ω", "2899.4 Ω", "2898.8 Ω"),
        ("transmittance", 6, "2.00230 Ω", "2.00240 Ω", "2.00270 Ω", "2.00166 Ω"),
    ],
)
def test_digits_show_the_difference(
    reader: LabReader, series: str, digits: int, then: str, latest: str, level: str, center: str
) -> None:
    newest = max(drifts(reader, series), key=lambda one: one["raised_at"])
    shown = stream(reader, series)
    text = " ".join(words(stream_page.layout(reader, "Published", *STREAMS[series])))

    # The sentence is of the day on which the evidence was complete, the facts beside it are of today.
    (raised,) = (row["value"] for row in published(series) if row["lot"] == newest["lot"])
    assert float(raised) == float(then.removesuffix(" Ω"))
    assert f"lot mean {then}, centre line {center}" in newest["message"]
    assert " (as of " in newest["message"]
    assert f"last lot of it {newest['evidence']['latest_lot']}, {latest}" in text
    # The present figures lead where they are later than the sentence, else they stand among the facts.
    assert f"Now level {level}, " in text or f"now: level {level}, " in text
    assert f"The level is {level} and changes by" in text
    assert shown["digits"] == newest["evidence"]["digits"] == digits
    # The lots of a drifting filter settle no limits: the page names the middle of its lots.
    assert f"{'The centre line is' if shown['limits']['settled'] else 'around'} {center}" in text
    # The document keeps every digit.
    assert shown["points"][0]["level"] == float(published(series)[0]["value"])


def test_parts_of_a_wandering_history_open_the_alerts_of_the_whole() -> None:
    values = [float(row["value"]) for row in published("thermometer")]
    readings = pd.DataFrame({"session": range(len(values)), "specimen": 1, "value": values, "bound": 0})
    sessions = summarise(readings, "linear").assign(
        lot=[f"T{number:04}" for number in range(len(values))],
        weeks=np.arange(len(values)) / 7,
        valid=True,
        limit_lower=np.nan,
        limit_upper=np.nan,
    )
    settings = Settings(scale="linear")
    whole = evaluate_stream(sessions, settings).episodes
    for cut in (120, 230, 252, 400):
        part = evaluate_stream(sessions.iloc[:cut], settings).episodes
        assert [(one.opened, one.name) for one in part] == [(one.opened, one.name) for one in whole if one.opened < cut]


def words(part: Any) -> list[str]:
    """The texts of a page."""
    if part is None or isinstance(part, (str, int, float)):
        return [] if part is None else [str(part)]
    if isinstance(part, (list, tuple)):
        return [word for one in part for word in words(one)]
    return words(getattr(part, "children", None))
