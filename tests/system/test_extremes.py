"""Values at the ends of what a number can hold: one supplier that has them stops no paper, page or document of the others."""

from __future__ import annotations

import json
import warnings
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from plotly.utils import PlotlyJSONEncoder
from support.demolab import copy_of
from support.labs import LAB_TOML, MONDAY, NOW, Bench, lot_rows

from dashboard.cli import main
from dashboard.delivery.dispatch import deliver
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import page
from ingest.config.lab import load
from ingest.store.store import known_store
from spc.stream.session_summary import summarise
from spc.stream.verdicts import judge, to_unit

LINEAR = """
[[characteristic]]
name = "peak"
unit = "nJ"
scale = "linear"
upper_limit = [ { value = 20.0 } ]
"""
# The largest and the smallest float, IEEE 754, and values whose squares, sums and ratios leave its range.
WILD = ("1.7976931348623157e308", "1e308", "5e-324", "1e-300", "1e200")
LOTS = 9
CHARACTERISTICS = ("shielding_energy", "peak")


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Path:
    bench = Bench(tmp_path_factory.mktemp("extremes"), LAB_TOML + LINEAR)
    bench.drop_climate("log.csv", MONDAY - timedelta(days=4), 24 * 200)
    rng = np.random.default_rng(5)
    rows = []
    for week in range(LOTS):
        day = MONDAY + timedelta(weeks=2 * week)
        for characteristic in CHARACTERISTICS:
            for supplier in ("Alder Film", "Wild"):
                values: list[list[object]] = [list(bag) for bag in (10 * np.exp(rng.normal(0, 0.05, (3, 2)))).round(3)]
                if supplier == "Wild" and week >= 3:
                    values[1][0] = WILD[week % len(WILD)]
                rows += lot_rows(
                    f"L{week}", day, values, supplier=supplier, product=f"{supplier} bag", characteristic=characteristic
                )
            one: list[list[object]] = [[WILD[week % len(WILD)]] * 2] * 2
            rows += lot_rows(f"W{week}", day, one, supplier="Wild", product="wilder", characteristic=characteristic)
    bench.drop_tests("lots.csv", rows)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert bench.run().problems == []
    for characteristic in CHARACTERISTICS:
        call(
            bench.folder, "limit", "Alder Film bag", characteristic, "--upper", "1e307", "--from", "2026-04-01", "--document", "x",
            "--by", "S", "--because", "y",
        )  # fmt: skip
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        bench.run(NOW + timedelta(days=1))
    return bench.folder


def call(lab: Path, *words: str) -> str:
    found = CliRunner().invoke(main, [*words, "--lab", str(lab)])
    assert (found.exit_code, found.exception) == (0, None), (words, found.output)
    return found.stdout


def streams(lab: Path) -> Iterator[dict[str, Any]]:
    yield from json.loads(call(lab, "board", "--json"))


def test_every_command_prints_its_document(lab: Path) -> None:
    assert len(list(streams(lab))) == 3 * len(CHARACTERISTICS)
    for row in streams(lab):
        names = [row["supplier"], row["product"], row["characteristic"]]
        assert len(json.loads(call(lab, "stream", *names, "--json"))["points"]) == LOTS
        call(lab, "stream", *names)
    for words in (["board"], ["alerts"], ["lot", "Wild", "L4"], ["lot", "Wild", "W4"]):
        call(lab, *words)
        json.loads(call(lab, *words, "--json"))


def test_every_scorecard_and_bundle_is_written(lab: Path, tmp_path: Path) -> None:
    for quarter in ("2026-Q1", "2026-Q2"):
        written = call(lab, "scorecard", quarter, "--out", str(tmp_path)).splitlines()
        assert len(written) == 4 + 4 + 3
        assert all(Path(path).stat().st_size for path in written)
        with zipfile.ZipFile(call(lab, "evidence", quarter, "--out", str(tmp_path)).strip()) as archive:
            assert archive.testzip() is None


def test_every_notice_is_written(lab: Path, tmp_path: Path) -> None:
    alerts = json.loads(call(lab, "alerts", "--all", "--json"))
    assert alerts
    for alert in alerts:
        if alert["supplier"] is not None and alert["held_under"] is None:
            call(lab, "notice", alert["id"], "--out", str(tmp_path))


def test_every_page_is_shown(lab: Path) -> None:
    desk = LabReader(lab)
    places = [("/", ""), ("/alerts", ""), ("/bench", ""), ("/history", ""), ("/scorecards", ""), ("/digest", "")]
    for row in streams(lab):
        names = "&".join(f"{key}={row[key].replace(' ', '+')}" for key in ("supplier", "product", "characteristic"))
        places += [
            ("/stream", f"?{names}"),
            ("/limits", f"?{names}"),
            ("/supplier", f"?supplier={row['supplier'].replace(' ', '+')}"),
        ]
    places += [("/lot", "?supplier=Wild&lot=L4"), ("/lot", "?supplier=Wild&lot=W4")]
    places += [("/alerts", f"?id={one['id']}") for one in json.loads(call(lab, "alerts", "--all", "--json"))]
    for path, search in places:
        assert json.dumps(page(desk, path, search), cls=PlotlyJSONEncoder), (path, search)


@pytest.mark.parametrize("level", [709.78271289338409, 710.0, -745.2, -800.0])
def test_a_level_is_told_in_the_unit_without_leaving_the_numbers(level: float) -> None:
    told = to_unit(np.array([level]), "log")
    assert np.isfinite(told).all()
    assert (told >= 0).all()


def test_every_alert_and_summary_reaches_the_outbox(lab: Path, tmp_path: Path) -> None:
    folder = copy_of(lab, tmp_path / "lab")
    store = known_store(folder)
    assert store is not None

    assert deliver(store, load(folder), NOW + timedelta(days=9), {}) == []

    assert list((folder / "outbox").glob("*.eml"))


def test_a_past_day_is_replayed(lab: Path) -> None:
    assert json.loads(call(lab, "replay", "2026-04-01", "--json"))


@pytest.mark.parametrize("value", [1e75, 1e200, 1.7976931348623157e308])
def test_a_wild_value_on_a_linear_scale_fails_its_lot_and_is_told_as_it_was_read(value: float) -> None:
    readings = pd.DataFrame(
        {"session": [0] * 4, "specimen": [1, 1, 2, 2], "value": [10.0, value, 9.0, 11.0], "bound": [0] * 4}
    )
    sessions = summarise(readings, "linear").assign(valid=True, limit_lower=np.nan, limit_upper=20.0)

    (told,) = judge(sessions, "linear", "mean", 0.0).to_dict("records")

    assert (told["verdict"], told["breach"], told["worst"]) == ("fail", True, value)
    assert np.isfinite(sessions[["level", "bag_variance", "reading_variance"]].to_numpy()).all()
