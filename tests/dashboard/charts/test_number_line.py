"""The picture of how sure a verdict is: a scale with round levels, the interval, the nearer limit, the guard band."""

from __future__ import annotations

import re

import pytest

from dashboard.charts.number_line import NumberLine, number_line


def line(**more: object) -> NumberLine:
    values: dict[str, object] = {
        "level": 18.0, "low": 12.0, "high": 26.0, "lower": None, "upper": 20.0, "accept_lower": None, "accept_upper": 12.9,
        "unit": "nJ", "is_log": True, **more,
    }  # fmt: skip
    return NumberLine(**values)


def ticks(picture: str) -> list[str]:
    return re.findall(r'class="tick"[^>]*>([^<]*)<', picture)


def test_the_scale_has_round_levels_apart_from_each_other_and_from_the_limit() -> None:
    picture = number_line(line(), "Level")

    assert ticks(picture) == ["12", "16", "25"]
    places = [float(x) for x in re.findall(r'class="tick" x="([\d.]+)"', picture)]
    (limit,) = (float(x) for x in re.findall(r'class="limit" x1="([\d.]+)"', picture))
    assert all(abs(place - limit) >= 29 for place in places)
    assert "limit 20.0 nJ" in picture
    assert 'class="guard"' in picture


def test_a_guard_band_is_drawn_where_a_lot_passes_elsewhere_than_at_the_limit() -> None:
    assert line().nearer_edge == 12.9
    assert line(accept_upper=20.0).nearer_edge is None
    assert 'class="guard"' not in number_line(line(accept_upper=20.0), "Level")


@pytest.mark.parametrize(
    "ends", [{"low": -30.0, "level": -20.0, "high": -12.0, "upper": -1.0}, {"low": 0.0, "level": 0.0, "high": 0.1}]
)
def test_levels_without_round_numbers_have_no_ticks_but_a_picture(ends: dict[str, float]) -> None:
    assert number_line(line(is_log=False, accept_upper=None, **ends), "Level").startswith("<svg")
