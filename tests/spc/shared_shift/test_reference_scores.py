"""Each lot against its own stream's past: what one misread lot may add."""

from __future__ import annotations

from statistics import median

import numpy as np
import pytest

from spc.shared_shift.reference_scores import reference_scores


@pytest.mark.parametrize("place", [9, 20, 30])
def test_a_misread_lot_counts_as_forty_standard_deviations_above_the_median_of_the_twelve_before(place: int) -> None:
    levels = 10 + 0.1 * np.random.default_rng(7).standard_normal(40)
    levels[place] = 1000.0
    scores = reference_scores(levels)

    step = (scores.score[place] - scores.score[place - 1]) * scores.sigma[place]

    held = median(levels[max(place - 12, 0) : place].tolist()) + 40 * scores.sigma[place]
    assert step == pytest.approx(held - levels[place - 1], rel=1e-12)
