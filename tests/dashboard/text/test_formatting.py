"""Numbers, times and results as they are read aloud."""

from __future__ import annotations

from typing import Any

import pytest

from dashboard.text.formatting import (
    age,
    amount,
    evidence,
    false_mark_text,
    listed,
    moment,
    room_to_limit,
    shortly,
    weeks,
)


@pytest.mark.parametrize(
    ("value", "unit", "bound", "said"),
    [
        (14.2, "nJ", 0, "14.2 nJ"),
        (3.163e9, "ohm", 0, "3.16 × 10⁹ Ω"),
        (1e12, "ohm", 1, "> 10¹² Ω"),
        (1e4, "ohm", 0, "10⁴ Ω"),
        (1.004e4, "ohm", 0, "10040 Ω"),
        (0.5, "nJ", -1, "< 0.500 nJ"),
        (None, "nJ", 0, "–"),
    ],
)
def test_an_amount_has_three_digits_and_a_power_of_ten_stands_alone(
    value: float | None, unit: str, bound: int, said: str
) -> None:
    assert amount(value, unit, bound) == said


@pytest.mark.parametrize(
    ("lower", "upper", "said"),
    [
        (None, None, "no limit"),
        (None, 20.0, "under 20.0 Ω"),
        (1e4, None, "at least 10⁴ Ω"),
        (1e4, 1e11, "10⁴ Ω to under 10¹¹ Ω"),
    ],
)
def test_limits_say_which_side_is_inside(lower: float | None, upper: float | None, said: str) -> None:
    assert room_to_limit({"unit": "ohm", "limit_lower": lower, "limit_upper": upper}) == said


@pytest.mark.parametrize(
    ("span", "said"),
    [
        (None, "not expected"),
        ({"p10": 9.0, "p50": 13.2, "p90": 21.0}, "likely 9 to 21 weeks after the last test; 50 % within 13"),
        ({"p10": 3.0, "p50": 7.0, "p90": None}, "likely 3 weeks or more after the last test; 50 % within 7"),
        ({"p10": 0.0, "p50": 0.0, "p90": 0.0}, "limit passed"),
    ],
)
def test_weeks_to_the_limit_are_a_range(span: dict[str, float | None] | None, said: str) -> None:
    assert weeks(span) == said


@pytest.mark.parametrize(
    ("stamp", "said"),
    [
        ("2026-11-25T09:00:00+00:00", "today"),
        ("2026-11-24T23:00:00+00:00", "1 day"),
        ("2026-11-05T09:00:00+00:00", "20 days"),
        ("2026-11-04T09:00:00+00:00", "3 weeks"),
        ("2027-01-01T09:00:00+00:00", "today"),
        (None, "–"),
    ],
)
def test_age_is_counted_from_the_last_round(stamp: str | None, said: str) -> None:
    assert age(stamp, "2026-11-25T12:00:00+00:00") == said


def test_names_are_listed_as_a_person_would() -> None:
    assert listed(["A"]) == "A"
    assert listed(["A", "B", "C"]) == "A, B and C"
    assert listed([str(number) for number in range(9)], most=4) == "0, 1, 2 and 6 more"


def test_a_moment_has_day_and_time() -> None:
    assert moment("2026-08-03T09:40:00+01:00") == "3 Aug 2026, 09:40"


FOUND: dict[str, Any] = {
    "what": "drift", "direction": 1, "unit": "nJ", "lots": 4, "latest_lot": "L9", "since_at": "2026-04-17T00:00:00+00:00",
    "since_low_at": "2026-03-01T00:00:00+00:00", "since_high_at": "2026-05-01T00:00:00+00:00", "usual": 9.5,
    "latest_level": 16.3, "limit_lower": None, "limit_upper": 20.0, "breach_probability": 0.77, "closed_because": None,
    "change_percent_per_month": 6.5,
}  # fmt: skip


def test_the_evidence_of_an_alert_in_words() -> None:
    assert evidence({"evidence": FOUND}) == [
        "began about 17 Apr 2026 (between 1 Mar 2026 and 1 May 2026)",
        "normal 9.50 nJ",
        "latest 16.3 nJ (lot L9)",
        "limit under 20.0 nJ",
        "chance of a failing lot 77 %",
    ]
    # Alerts of the bench and of feeds carry other evidence; a fact that is missing is left out.
    assert evidence({"evidence": {"what": "feed", "source": "drops/tests"}}) == []


def test_the_evidence_of_a_shift_common_to_suppliers_names_other_possible_sources() -> None:
    shift = {"quantity": "energy", "unit": "%", "low": 8.1, "high": 14.2, "check_standards": 11.0}
    found = {"shifts": [shift], "streams": ["a", "b"], "apart": [], "alternatives": ["quantity energy"], "rivals": []}
    told = [
        "energy between +8.1 and +14 %, check standard +11",
        "lots of 2 streams were measured with it",
        "cannot be told apart from: quantity energy",
    ]

    assert evidence({"evidence": found}) == told
    rival = "energy of what comes from chamber north"
    assert evidence({"evidence": {**found, "rivals": [rival]}}) == [*told, f"nearly as likely: {rival}"]


def test_an_alert_in_a_few_words() -> None:
    assert shortly("drift", FOUND) == "rising since about 17 Apr 2026"
    assert shortly("drift", {**FOUND, "direction": -1, "change_percent_per_month": -2.0, "since_at": None}) == "falling"
    # It went up and stays there, or comes back: what it does now is not what it did.
    assert shortly("drift", {**FOUND, "change_percent_per_month": 0.1}) == "higher since about 17 Apr 2026"
    assert shortly("drift", {**FOUND, "direction": -1, "since_at": None}) == "lower"
    assert shortly("bench", {"what": "climate"}) == "bench"


@pytest.mark.parametrize(
    ("weeks", "pace"), [(60.2, ", here about every 60 weeks"), (236.0, ", here about every 4.5 years"), (None, "")]
)
def test_the_text_on_false_flags_says_what_raises_an_alert(weeks: float | None, pace: str) -> None:
    names = ["beyond_three_sigma", "nine_on_one_side"]
    said = false_mark_text({"patterns": names, "lots_a_false_mark": 117.8, "weeks_a_false_mark": weeks}, 0.2)

    assert said.startswith("The chart flags 2 patterns: beyond three sigma, nine on one side.")
    assert f"by chance about every 118 lots{pace}. A flag alone raises no alert" in said
    assert said.endswith("allows 0.2 false alarms a year for each stream.")
