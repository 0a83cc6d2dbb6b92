"""Figures as they are stored: finite or null, with the digits asked for."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from ingest.evaluation.stored_results import numbers

VALUES = st.one_of(
    st.just(0.0),
    st.floats(1e-10, 1e20),
    st.floats(-1e20, -1e-10),
    st.sampled_from([float("nan"), float("inf"), -float("inf")]),
)


@given(st.lists(VALUES, max_size=20), st.integers(1, 12))
def test_numbers_are_rounded_as_their_text_is(values: list[float], digits: int) -> None:
    """Python rounds the text exactly; a product with a power of ten may fall on the other side of a half, one unit of the last digit."""
    for value, stored in zip(values, numbers(np.array(values, dtype=np.float64), digits), strict=True):
        if not np.isfinite(value):
            assert stored is None
            continue
        text = f"{value:.{digits - 1}e}"
        unit = float(f"1e{int(text[text.index('e') + 1 :]) - digits + 1}")
        assert stored is not None
        assert abs(stored - float(text)) <= 1.000001 * unit
        assert abs(stored - value) <= 0.500001 * unit
        assert float(f"{stored:.{digits - 1}e}") == stored


def test_numbers_without_digits_stay_as_they_are() -> None:
    assert numbers(np.array([1 / 3, np.nan, -np.inf])) == [1 / 3, None, None]
