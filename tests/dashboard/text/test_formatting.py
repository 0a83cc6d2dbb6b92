"""Numbers, times and results as they are read aloud."""

from __future__ import annotations

import math
from typing import Any

import pytest

from dashboard.text.formatting import (
    age,
    amount,
    chance_text,
    change,
    evidence,
    false_mark_text,
    happenings,
    listed,
    moment,
    present_text,
    room_to_limit,
    shortly,
    signed,
    weeks,
)
from ingest.common.number_format import amounts, digits_for, in_unit, shown_difference
from ingest.documents.alert import StockEvidence
from spc.vocabulary.enums import Kind


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
    ("scatter", "level", "digits"),
    [
        # The resistor of the NIST/SEMATECH e-Handbook, 1.4.2.7: a tenth of its scatter is in the third decimal.
        (0.012, 27.88, 5),
        (1.18, 2898.8, 5),
        (1.0e-4, 2.00166, 6),
        (0.9, 9.9, 3),
        (0.9, -9.9, 3),
        # In natural logarithms a share of the value: 8 %, 2 % and 0.2 %.
        (0.08, None, 3),
        (0.02, None, 4),
        (0.002, None, 5),
        # No scatter, none known, or a level at 0.
        (0.0, 27.88, 3),
        (float("inf"), None, 3),
        (float("nan"), None, 3),
        (0.1, 0.0, 3),
        (1e-12, 27.88, 9),
    ],
)
def test_the_last_digit_is_a_quarter_of_the_scatter_or_less(scatter: float, level: float | None, digits: int) -> None:
    assert digits_for(scatter, level) == digits
    if level and 0 < scatter < float("inf") and digits < 9:
        # Two levels a quarter of the scatter apart read unlike; with a digit less the step is coarser than that.
        assert 10.0 ** (math.floor(math.log10(abs(level))) + 1 - digits) <= scatter / 4
        assert digits == 3 or 10.0 ** (math.floor(math.log10(abs(level))) + 2 - digits) > scatter / 4


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (27.8817, 5, "27.882 Ω"),
        (2898.84, 5, "2898.8 Ω"),
        (3.16277e9, 5, "3.1628 × 10⁹ Ω"),
        (1e11, 5, "10¹¹ Ω"),
        (0.0, 5, "0.0000 Ω"),
        (123456.7, 7, "1.234567 × 10⁵ Ω"),
    ],
)
def test_an_amount_has_the_digits_of_its_stream(value: float, digits: int, text: str) -> None:
    assert amount(value, "ohm", digits=digits) == text
    assert in_unit({"unit": "ohm", "digits": digits}, value) == text


def test_values_that_are_compared_read_unlike_where_they_are() -> None:
    assert amounts([2899.04, 2898.96], "ohm") == ["2899.04 Ω", "2898.96 Ω"]
    assert amounts([9.5, 16.3], "nJ") == ["9.50 nJ", "16.3 nJ"]
    assert amounts([9.5, 9.5, None], "nJ") == ["9.50 nJ", "9.50 nJ", "–"]
    assert amounts([1.0, 1.0 + 1e-15], "nJ") == ["1.00000000 nJ"] * 2


@pytest.mark.parametrize(
    ("percent", "digits", "text"),
    [
        (None, 3, "–"),
        (6.53, 3, "+6.5 %"),
        (-6.53, 3, "−6.5 %"),
        (0.04, 3, "0.0 %"),
        (0.0074, 5, "+0.007 %"),
        (-0.0004, 5, "0.000 %"),
    ],
)
def test_a_change_has_the_decimals_that_the_digits_of_the_level_ask_for(
    percent: float | None, digits: int, text: str
) -> None:
    assert change(percent, digits) == text


def test_a_slow_change_of_a_stream_with_little_scatter_is_a_change() -> None:
    slow = {**FOUND, "change_percent_per_month": 0.01}

    assert shortly("drift", slow, 0.2) == "higher since about 17 Apr 2026"
    assert shortly("drift", {**slow, "digits": 5}, 0.2) == "rising since about 17 Apr 2026"
    assert shortly("drift", {**FOUND, "direction": 0}, 0.2) == "wandering since about 17 Apr 2026"


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
    now = {
        "unit": "nJ", "level": 16.7, "last_lot": "L11", "change_percent_per_month": 6.5, "breach_probability": 0.77,
    }  # fmt: skip
    of_its_day = [
        "began about 17 Apr 2026 (between 1 Mar 2026 and 1 May 2026)",
        "normal 9.50 nJ",
        "last lot of it L9, 16.3 nJ",
        "limit under 20.0 nJ",
    ]
    today = "now: level 16.7 nJ, last lot L11, +6.5 % a month, chance of a failing lot 77 %"

    alert: Any = {"evidence": FOUND, "now": now, "state": "closed", "lot": "L7"}
    assert evidence(alert) == [*of_its_day, today]
    # The headline of an open alert has them.
    assert evidence({**alert, "state": "open"}) == of_its_day
    # Alerts of the bench and of feeds carry other evidence; a fact that is missing is left out.
    assert evidence({"evidence": {"what": "feed", "source": "drops/tests"}, "now": None}) == []


def test_the_evidence_of_an_alert_has_the_digits_of_its_stream() -> None:
    facts = {**FOUND, "digits": 5, "usual": 9.5, "latest_level": 9.50123, "limit_upper": 20.0}

    assert evidence({"evidence": facts, "now": None})[1:] == [
        "normal 9.5000 nJ",
        "last lot of it L9, 9.5012 nJ",
        "limit under 20.000 nJ",
    ]
    bounded = evidence({"evidence": {**facts, "latest_bound": 1}, "now": None})
    assert bounded[2] == "last lot of it L9, > 9.5012 nJ"


def test_the_evidence_of_a_shift_common_to_suppliers_names_other_possible_sources() -> None:
    shift = {"quantity": "energy", "unit": "%", "low": 8.1, "high": 14.2, "check_standards": 11.0}
    found = {"shifts": [shift], "streams": ["a", "b"], "apart": [], "alternatives": ["quantity energy"], "rivals": []}
    told = [
        "energy between +8.1 and +14 %, check standard +11",
        "lots of 2 streams were measured with it",
        "cannot be told apart from: quantity energy",
    ]

    assert evidence({"evidence": found, "now": None}) == told
    rival = "energy of what comes from chamber north"
    assert evidence({"evidence": {**found, "rivals": [rival]}, "now": None}) == [*told, f"nearly as likely: {rival}"]


def test_an_alert_in_a_few_words() -> None:
    assert shortly("drift", FOUND, 0.2) == "rising since about 17 Apr 2026"
    assert (
        shortly("drift", {**FOUND, "direction": -1, "change_percent_per_month": -2.0, "since_at": None}, 0.2)
        == "falling"
    )
    # It went up and stays there, or comes back: what it does now is not what it did.
    assert shortly("drift", {**FOUND, "change_percent_per_month": 0.1}, 0.2) == "higher since about 17 Apr 2026"
    assert shortly("drift", {**FOUND, "direction": -1, "since_at": None}, 0.2) == "lower"
    assert shortly("bench", {"what": "climate"}, 0.2) == "bench"


@pytest.mark.parametrize(
    ("weeks", "pace"), [(60.2, ", here about every 60 weeks"), (236.0, ", here about every 4.5 years"), (None, "")]
)
def test_the_text_on_false_flags_says_what_raises_an_alert(weeks: float | None, pace: str) -> None:
    names = ["beyond_three_sigma", "nine_on_one_side"]
    said = false_mark_text({"patterns": names, "lots_a_false_mark": 117.8, "weeks_a_false_mark": weeks}, 0.2)

    assert said.startswith("The chart flags 2 patterns: beyond three sigma, nine on one side.")
    assert f"by chance about every 118 lots{pace}. A flag alone raises no alert" in said
    assert said.endswith("allows 0.2 false alarms a year for each stream.")


def test_lots_near_their_date_are_no_forecast_of_a_stream() -> None:
    """The kind is `forecast` too, but the stream may stand still."""
    stock: StockEvidence = {
        "what": Kind.FORECAST, "form": "stock", "lots": ["L1"], "lots_near": 1, "lots_passed": 0,
        "keep_until": "2026-12-01", "expected_on": None, "tested_on": "2026-06-01", "quantity": 200.0,
        "stock_unit": "bags", "closed_because": None,
    }  # fmt: skip
    assert shortly("forecast", stock, 0.2) == "lots in stock near their date"


@pytest.mark.parametrize(
    ("share", "text"),
    [
        (None, "–"),
        (0.0, "under 1 %"),
        (0.0099, "under 1 %"),
        (0.01, "1 %"),
        (0.073, "7 %"),
        (0.995, "over 99 %"),
        (1.0, "over 99 %"),
    ],
)
def test_a_chance_is_never_none_and_never_certain(share: float | None, text: str) -> None:
    assert chance_text(share) == text


def reason(kind: Kind, **facts: Any) -> Any:
    return {"kind": kind, "grade": "look", "evidence": {**FOUND, "what": kind, "form": "", **facts}}


def test_a_failing_lot_is_likely_only_while_its_chance_is() -> None:
    now = {
        chance: shortly("forecast", {**FOUND, "what": "forecast", "breach_probability": chance}, 0.2)
        for chance in (0.2, 0.07, None)
    }

    assert now[0.2] == "a failing lot is likely"
    assert now[0.07] == "a failing lot was likely, now 7 % chance"
    assert now[None] == "a failing lot was likely"


def test_the_most_telling_alerts_of_a_stream_come_first_and_none_is_left_out_unsaid() -> None:
    forecast, drift = reason(Kind.FORECAST, breach_probability=0.9), reason(Kind.DRIFT)
    spread, point = reason(Kind.SPREAD), reason(Kind.POINT)

    assert happenings([forecast, spread, drift], 0.2) == (
        "a failing lot is likely; rising since about 17 Apr 2026; variation above normal"
    )
    assert happenings([spread, point, drift, forecast], 0.2).endswith("since about 17 Apr 2026; outlier; 1 more")
    # A forecast that no longer shows a likely failing lot comes after what is still seen.
    past = reason(Kind.FORECAST, breach_probability=0.07)
    assert happenings([past, spread], 0.2) == "variation above normal; a failing lot was likely, now 7 % chance"


def test_the_present_figures_lead_where_a_lot_was_tested_since() -> None:
    alert: Any = {
        "kind": "forecast", "state": "open", "lot": "L7", "evidence": {**FOUND, "what": "forecast"},
        "now": {
            "unit": "nJ", "level": 16.7, "last_lot": "L11", "change_percent_per_month": 6.5, "breach_probability": 0.07,
            "last_tested_at": None,
        },
    }  # fmt: skip
    text = "Now 7 % chance of a failing lot within the horizon; level 16.7 nJ, +6.5 % a month (last lot L11)"

    assert present_text(alert) == text
    assert present_text({**alert, "evidence": {**FOUND, "what": "drift"}}).startswith(
        "Now level 16.7 nJ, +6.5 % a month; 7 % "
    )
    # The sentence of the day still holds, or the alert is closed.
    assert present_text({**alert, "lot": "L11"}) == present_text({**alert, "state": "closed"}) == ""


@pytest.mark.parametrize(
    ("value", "earlier", "digits", "shown"),
    [
        (21.3649, 11.0450, 3, 10.4),
        (13.44, 9.694, 3, 3.71),
        (3.344e8, 3.216e8, 3, 0.12e8),
        (10.041, 10.038, 3, 0.003),
        (1e11, 3.2e8, 3, 9.968e10),
    ],
)
def test_a_difference_is_that_of_the_printed_values(value: float, earlier: float, digits: int, shown: float) -> None:
    assert shown_difference(value, earlier, digits) == pytest.approx(shown, rel=1e-9)


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [
        (-0.04, ".1f", "0.0"),
        (0.04, ".1f", "0.0"),
        (-0.0, ".0f", "0"),
        (-0.05001, ".1f", "\u22120.1"),
        (3.25, ".1f", "+3.2"),
    ],
)
def test_a_change_that_rounds_to_zero_has_no_sign(value: float, digits: str, text: str) -> None:
    assert signed(value, digits) == text
