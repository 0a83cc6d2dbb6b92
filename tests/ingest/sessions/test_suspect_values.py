"""Values that look like a slip of the pen, from the drop to the person who settles them."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from support.labs import MONDAY, Bench, lot_rows

from dashboard.cli import main
from dashboard.pages import lot as lot_page
from dashboard.pages.bench import bench as bench_page
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app
from ingest.audit.subjects import Subject
from ingest.common.instants import microseconds

NAMES = ("Alder Film", "MB-10", "surface_resistance")
BY = ("--by", "A. Specialist", "--because", "the export says so")
SLIPPED = MONDAY + timedelta(weeks=12)


def rows(number: int, level: float, factor: float = 1.0) -> list[dict[str, object]]:
    values = [[f"{level * part * factor:.6g}" for part in (0.9, 1.0, 1.1)] for _ in range(3)]
    return lot_rows(
        f"L{number}", MONDAY + timedelta(weeks=number), values, characteristic="surface_resistance", unit="ohm"
    )


def fill(bench: Bench, *, slips: int = 12) -> None:
    """Twenty lots near 2 GΩ, of which one was written in another unit."""
    bench.drop_climate("log.csv", MONDAY - timedelta(weeks=1), 24 * 7 * 22)
    levels = 2e9 * np.exp(np.random.default_rng(5).normal(0, 0.05, 20))
    lots = [rows(number, level, 1e3 if number == slips else 1.0) for number, level in enumerate(levels)]
    bench.drop_tests("lots.csv", [row for lot in lots for row in lot])


def document(bench: Bench, *command: str) -> Any:
    said = CliRunner().invoke(main, [*command, "--lab", str(bench.folder), "--json"])
    assert said.exit_code == 0, said.output
    return json.loads(said.stdout)


def settle(bench: Bench, *arguments: str) -> tuple[int, str]:
    said = CliRunner().invoke(main, ["settle", *arguments, "--lab", str(bench.folder)])
    return said.exit_code, said.output


@pytest.fixture
def slipped(bench: Bench) -> Bench:
    fill(bench)
    bench.run()
    return bench


def lot(bench: Bench) -> dict[str, Any]:
    (session,) = document(bench, "lot", "Alder Film", "L12")["sessions"]
    return dict(session)


def test_the_suspicious_is_kept_marked_and_told(slipped: Bench) -> None:
    session = lot(slipped)

    assert session["mark"]["told"].startswith(
        "Possible unit error: the whole test reads about 1,000 times the normal level"
    )
    assert session["mark"]["settled"] is None
    assert all(reading["marked"] for reading in session["readings"])
    assert session["verdict"] == "fail", "a breach stays a breach until somebody has looked"
    (breach,) = [one for one in document(slipped, "alerts", "--all") if one["kind"] == "limit"]
    assert "Possible unit error" in breach["message"]
    assert breach["evidence"]["may_be_a_slip"]
    point = document(slipped, "stream", *NAMES)["points"][12]
    assert point["to_look_at"]
    (out,) = document(slipped, "stream", *NAMES)["limits"]["left_out"]
    assert (out["lot"], out["why"]) == ("L12", "to_be_looked_at")


def test_what_nobody_has_settled_tells_no_outlook(slipped: Bench) -> None:
    (row,) = document(slipped, "board")

    assert 1.7e9 < row["level"] < 2.3e9
    assert row["breach_probability"] < 0.01


def test_a_round_says_that_there_is_something_to_look_at(bench: Bench) -> None:
    fill(bench)

    said = CliRunner().invoke(main, ["run", "--lab", str(bench.folder)]).stdout

    assert "1 test with suspect values: see the bench page." in said
    assert document(bench, "run")["to_look_at"] == 1


def test_set_aside_it_leaves_the_chart_and_takes_its_alert_along(slipped: Bench) -> None:
    assert settle(slipped, "Alder Film", "L12", "surface_resistance", "--set-aside", *BY) == (
        0,
        "Recorded: set aside.\n",
    )

    session = lot(slipped)
    assert (session["verdict"], session["mark"]["settled"]) == ("invalid", "set aside")
    assert len(session["readings"]) == 9, "its readings stay"
    assert document(slipped, "alerts", "--all") == []
    assert document(slipped, "stream", *NAMES)["points"][12]["state"] == "set aside"
    (act,) = document(slipped, "stream", *NAMES)["acts"]
    assert (act["who"], act["what"], act["lot"]) == ("A. Specialist", "set aside", "L12")


def test_what_stands_is_a_lot_as_any_other_and_can_be_looked_at_again(slipped: Bench) -> None:
    settle(slipped, "Alder Film", "L12", "surface_resistance", "--stands", *BY)

    assert lot(slipped)["mark"]["settled"] == "stands as written"
    (breach,) = [one for one in document(slipped, "alerts", "--all") if one["kind"] == "limit"]
    assert "slip" not in breach["message"]
    assert not document(slipped, "stream", *NAMES)["points"][12]["to_look_at"]

    settle(slipped, "Alder Film", "L12", "surface_resistance", "--look-again", *BY)
    assert lot(slipped)["mark"]["settled"] is None
    assert [act["what"] for act in document(slipped, "stream", *NAMES)["acts"]] == ["stands as written", "look again"]


def test_a_corrected_drop_takes_the_mark_away(slipped: Bench) -> None:
    slipped.drop_tests("again.csv", rows(12, 2e9))

    slipped.run()

    assert lot(slipped)["mark"] is None
    assert lot(slipped)["verdict"] == "pass"
    assert document(slipped, "alerts") == []


def test_any_order_of_drops_marks_the_same(slipped: Bench, tmp_path_factory: pytest.TempPathFactory) -> None:
    other = Bench(tmp_path_factory.mktemp("other"))
    fill(other)
    kept = sorted((other.folder / "drops" / "tests").iterdir(), reverse=True)
    texts = [(path.name, path.read_text()) for path in kept]
    for path in kept:
        path.unlink()
    for name, text in texts:
        other.drop(name, text)
        other.run()

    assert document(other, "stream", *NAMES)["points"] == document(slipped, "stream", *NAMES)["points"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("Alder Film", "L12", "surface_resistance"), "settle: give one of --stands, --set-aside, --look-again\n"),
        (
            ("Alder Film", "L3", "surface_resistance", "--stands"),
            "settle: suspect tests of Alder Film lot L3, surface_resistance: none; choose one with --tested\n",
        ),
        (
            ("Alder Film", "L12", "surface_resistance", "--stands", "--tested", "2026-01-05"),
            "settle: suspect tests of Alder Film lot L12, surface_resistance: 2026-03-30; choose one with --tested\n",
        ),
    ],
)
def test_a_wrong_call_says_what_there_is(slipped: Bench, arguments: tuple[str, ...], said: str) -> None:
    assert settle(slipped, *arguments, *BY) == (2, said)


def test_the_pages_show_it_and_take_the_answer(slipped: Bench) -> None:
    desk = LabReader(slipped.folder)
    assert "Suspect values." in str(lot_page.layout(desk, supplier="Alder Film", lot="L12"))
    assert "1,000 times the normal level" in str(bench_page.layout(desk))

    given = {
        "subject": str(Subject.session(*NAMES, "L12", microseconds(SLIPPED))),
        "what": "set aside",
        "who": "A. Specialist",
        "reason": "kΩ written as Ω",
    }
    client = make_app(slipped.folder).server.test_client()
    answered = client.post("/entry", data=given, headers={"Origin": "http://localhost"})

    assert (answered.status_code, answered.location) == (303, "/lot?supplier=Alder+Film&lot=L12")
    assert lot(slipped)["mark"]["settled"] == "set aside"
    assert "H2('Suspect values: none')" in str(bench_page.layout(desk))


def test_a_page_may_settle_only_what_is_marked(slipped: Bench) -> None:
    given = {
        "subject": str(Subject.session(*NAMES, "L3", microseconds(MONDAY + timedelta(weeks=3)))),
        "what": "set aside",
        "who": "A. Specialist",
        "reason": "I do not like it",
    }
    client = make_app(slipped.folder).server.test_client()

    answered = client.post("/entry", data=given, headers={"Origin": "http://localhost"})

    assert answered.status_code == 400
    assert "no test of lot L3 at this time is marked" in answered.text
