"""The parts of a supplier's score counted by hand, and the weights that `lab.toml` declares."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from support.labs import LAB_TOML, Bench, lot_rows

from dashboard.scorecard import export, scorecard, wording
from ingest.common.errors import LabFileError
from ingest.config.lab import load
from ingest.config.models import USUAL_WEIGHTS, Weights
from ingest.store.store import known_store
from spc.supplier import scoring

Q2 = datetime(2026, 4, 6, 9, tzinfo=UTC)


def filled(bench: Bench) -> Bench:
    """Alder: eight lots of which one fails and two more come close; Birch: four good lots; Cedar: ten good ones."""
    bench.drop_climate("log.csv", Q2 - timedelta(days=4), 24 * 90)
    # Each level varies a little, as film does.
    levels = {
        "Alder": [9.0, 9.4, 8.8, 9.2, 9.1, 17.0, 18.0, 24.0],
        "Birch": [9.0, 9.3, 8.7, 9.1],
        "Cedar": [9.0, 9.4, 8.7] * 3 + [9.2],
    }
    rows = [
        row
        for supplier, own in levels.items()
        for week, level in enumerate(own)
        for row in lot_rows(
            f"{supplier[0]}{week}",
            Q2 + timedelta(weeks=week),
            [[level, level * 1.01], [level * 0.97, level]],
            supplier=supplier,
        )
    ]
    bench.drop_tests("t.csv", rows)
    bench.run()
    return bench


def cards(bench: Bench) -> dict[str, dict[str, Any]]:
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        found = scorecard.documents(connection, load(bench.folder), "2026-Q2")
    return {card["supplier"]: card for card in found}


def test_the_parts_are_counted_and_put_together_by_the_weights(bench: Bench) -> None:
    found = cards(filled(bench))
    counted = {
        name: [(part["good"], part["decided"]) for part in card["standing"]["parts"]] for name, card in found.items()
    }

    # 80 % of 20 nJ is 16: lots at 17 and 18 conform without room. Notices: none.
    assert counted["Birch"] == [(4, 4), (1, 1), (4, 4), (0, 0)]
    assert counted["Cedar"] == [(10, 10), (1, 1), (10, 10), (0, 0)]
    assert counted["Alder"][0] == (7, 8)
    assert counted["Alder"][2] == (5, 8)
    pairs = [tuple(zip(*(counted[name][part] for name in found), strict=True)) for part in range(4)]
    score = scoring.combine(pairs, [0.5, 0.2, 0.2, 0.1])
    for position, card in enumerate(found.values()):
        standing = card["standing"]
        assert (standing["score"], standing["score_low"]) == (score.score[position], score.low[position])
        assert (standing["place_first"], standing["place_last"]) == (score.first[position], score.last[position])
        assert [part["weighs"] for part in standing["parts"]] == score.weights[:, position].tolist()
    # Four lots, all good: neither first for sure nor last for sure.
    assert (found["Birch"]["standing"]["place_first"], found["Birch"]["standing"]["place_last"]) == (1, 3)


def test_the_weights_of_the_lab_are_shown_in_every_form(tmp_path: Path) -> None:
    declared = LAB_TOML + "\n[scorecard]\nweights = { conforming = 3, room = 1 }\n"
    bench = filled(Bench(tmp_path / "lab", declared))
    found = cards(bench)
    said = " ".join(wording.what_counts(found["Alder"]))

    assert found["Alder"]["weights"] == {"conforming": 0.75, "drift": 0, "room": 0.25, "response": 0, "usual": False}
    assert (
        "75 % for conforming lots, of those decided; 25 % for conforming lots with a margin of 20 % to the limit"
        in said
    )
    assert "declared by the laboratory" in said
    assert "streams without a drift" not in said
    page = export.OVERVIEW_FORMS["html"](list(found.values())).decode()
    assert "<td>75 %</td><td>0 %</td><td>25 %</td><td>0 %</td>" in page.replace("\N{NO-BREAK SPACE}", " ")


def test_the_usual_weights_say_that_they_are_common_practice(bench: Bench) -> None:
    found = cards(filled(bench))["Alder"]

    assert found["weights"]["usual"] is True
    assert "These weights are common practice where none are agreed" in wording.what_counts(found)[-1]
    # No notice was sent in the quarter, so that part does not count, and the others weigh the more.
    assert wording.weight_cells(found) == ["56 %", "22 %", "22 %", "left out"]


def test_where_nothing_weighed_was_counted_nobody_has_a_place(tmp_path: Path) -> None:
    bench = filled(Bench(tmp_path / "lab", LAB_TOML + "\n[scorecard]\nweights = { response = 1 }\n"))

    standing = cards(bench)["Alder"]["standing"]

    assert (standing["placed"], standing["score"], standing["decided"]) == (0, None, 8)
    assert wording.place(standing) == "nothing to weigh"


@pytest.mark.parametrize(
    ("declared", "said"),
    [
        (
            "weights = { conforming = -1 }",
            "lab.toml, scorecard.weights.conforming: expected a number not below 0, got -1",
        ),
        ("weights = { conforming = 0 }", "lab.toml, scorecard.weights: expected at least one weight above 0"),
        (
            "weights = { price = 1 }",
            "lab.toml, scorecard.weights.price: unknown key; expected one of conforming, drift, room",
        ),
        ("weights = { rom = 1 }", "lab.toml, scorecard.weights.rom: unknown key; did you mean room?"),
        ("weights = { room = true }", "lab.toml, scorecard.weights.room: expected a number not below 0, got true"),
        ("weight = { room = 1 }", "lab.toml, scorecard.weight: unknown key; did you mean weights?"),
    ],
)
def test_weights_that_can_not_be_are_refused(bench: Bench, declared: str, said: str) -> None:
    bench.declare(f"{LAB_TOML}\n[scorecard]\n{declared}\n")

    with pytest.raises(LabFileError, match=re.escape(said)):
        load(bench.folder)


def test_without_the_table_the_weights_are_the_usual_ones(bench: Bench) -> None:
    assert (
        load(bench.folder).scorecard.weights
        == USUAL_WEIGHTS
        == Weights(conforming=0.5, drift=0.2, room=0.2, response=0.1)
    )
