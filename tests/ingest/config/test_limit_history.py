"""A limit over time: what `lab.toml` declares and what people entered, joined by the newest day."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.labs import LAB_TOML, Bench

from ingest.audit.audit_log import CHANGE_LIMIT, TAKE_BACK_LIMIT, AuditEntry
from ingest.audit.limit_entries import entered
from ingest.audit.subjects import Subject
from ingest.config.lab import Lab, load
from ingest.config.limit_history import Step, in_order, looser, on_day

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)


def change(value: float | None, day: str, side: str = "upper", document: str = "") -> AuditEntry:
    body = {"side": side, "from": day, "value": value, "document": document}
    return AuditEntry(NOW, "A. Specialist", CHANGE_LIMIT, Subject.limit("MB-10", "shielding_energy"), "agreed", body)


def take_back(day: str, side: str = "upper") -> AuditEntry:
    return replace(change(None, day), what=TAKE_BACK_LIMIT, body={"side": side, "from": day})


def lab_of(folder: Path, declared: str, *acts: AuditEntry) -> Lab:
    return replace(load(Bench(folder, declared).folder), entered=entered(acts))


def upper(lab: Lab, day: str, product: str = "MB-10") -> tuple[float | None, str]:
    limits = lab.limits_at(product, "shielding_energy", datetime.fromisoformat(f"{day}T12:00+00:00"))
    return limits.upper, limits.document


def test_an_entry_holds_from_its_day_for_its_product_alone(tmp_path: Path) -> None:
    lab = lab_of(tmp_path, LAB_TOML, change(15.0, "2026-03-01", document="contract 7"))

    assert upper(lab, "2026-02-28") == (20.0, "")
    assert upper(lab, "2026-03-01") == (15.0, "contract 7")
    assert upper(lab, "2026-03-01", "MB-20") == (20.0, "")
    assert lab.limits_at("MB-10", "surface_resistance", NOW) == (1e4, 1e11, "")


def test_an_edition_declared_from_a_later_day_ends_an_entry(tmp_path: Path) -> None:
    declared = LAB_TOML.replace(
        "from = 2018-10-01 }", 'from = 2018-10-01 }, { value = 10.0, from = 2026-06-01, document = "new edition" }'
    )
    lab = lab_of(tmp_path, declared, change(15.0, "2026-03-01"))

    assert upper(lab, "2026-05-31") == (15.0, "")
    assert upper(lab, "2026-06-01") == (10.0, "new edition")


def test_an_entry_overrules_what_is_declared_for_its_product(tmp_path: Path) -> None:
    declared = LAB_TOML + '\n[[product]]\nname = "MB-10"\nupper_limit = { shielding_energy = 12.0 }\n'
    lab = lab_of(tmp_path, declared, change(None, "2026-03-01"))

    assert upper(lab, "2026-02-28") == (12.0, "declared for MB-10")
    assert upper(lab, "2026-03-01") == (None, "")


def test_of_one_day_the_entry_holds_and_of_two_entries_the_later(tmp_path: Path) -> None:
    assert upper(lab_of(tmp_path / "a", LAB_TOML, change(30.0, "2018-10-01")), "2018-10-01")[0] == 30.0
    acts = (change(15.0, "2026-03-01"), change(14.0, "2026-03-01"))
    assert upper(lab_of(tmp_path / "b", LAB_TOML, *acts), "2026-03-01")[0] == 14.0


def test_what_is_taken_back_no_longer_holds_and_may_be_entered_again(tmp_path: Path) -> None:
    acts = (change(15.0, "2026-03-01"), take_back("2026-03-01"))
    assert upper(lab_of(tmp_path / "a", LAB_TOML, *acts), "2026-04-01")[0] == 20.0
    assert upper(lab_of(tmp_path / "b", LAB_TOML, *acts, change(16.0, "2026-03-01")), "2026-04-01")[0] == 16.0


@pytest.mark.parametrize(
    ("side", "value", "than", "answer"),
    [
        ("upper", 25.0, 20.0, True), ("upper", 15.0, 20.0, False), ("upper", 20.0, 20.0, False), ("upper", None, 20.0, True),
        ("upper", 15.0, None, False), ("upper", None, None, False), ("lower", 1e3, 1e4, True), ("lower", 1e5, 1e4, False),
    ],
)  # fmt: skip
def test_a_limit_that_lets_more_pass_is_looser(
    side: str, value: float | None, than: float | None, answer: bool
) -> None:
    assert looser(side, value, than) is answer


days = st.integers(1, 28).map(lambda number: date(2026, 2, number))
steps = st.lists(st.tuples(st.none() | st.floats(1, 9), st.none() | days, st.booleans()), max_size=8)


@given(steps, days)
def test_on_a_day_the_newest_step_holds(found: list[tuple[float | None, date | None, bool]], day: date) -> None:
    declared = [Step(value, start, "") for value, start, by_hand in found if not by_hand]
    made = [Step(value, start, "", "A", 1, "b") for value, start, by_hand in found if by_hand]

    # Literally: walk through the declared ones, then the entered; a day not before the best one so far wins.
    best: Step | None = None
    for step in [*declared, *made]:
        begun = step.start is None or step.start <= day
        if begun and (best is None or (step.start or date.min) >= (best.start or date.min)):
            best = step
    assert on_day(in_order(declared, made), day) == best
