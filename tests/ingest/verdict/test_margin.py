"""The answer of a comparison follows the margin that the laboratory declares as mattering."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from support.commands import call
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

DECLARED = LAB_TOML.replace('scale = "log"\n', 'scale = "log"\nconditioning = false\nmargin_percent = 10\n')
A, LITTLE, MUCH, WIDE = "MB-10", "MB-11", "MB-12", "MB-13"
# Level against that of MB-10 in percent, and scatter of its lots.
FILMS = {A: (0, 0.02), LITTLE: (4, 0.02), MUCH: (25, 0.02), WIDE: (8, 0.12)}


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    bench = Bench(tmp_path_factory.mktemp("lab"), DECLARED)
    rng = np.random.default_rng(11)
    rows = []
    for week in range(40):
        for place, (film, (percent, sd)) in enumerate(FILMS.items()):
            level = 9.0 * (1 + percent / 100) * float(np.exp(sd * rng.standard_normal()))
            values = [[round(float(x), 3) for x in level * np.exp(0.02 * rng.standard_normal(2))] for _ in range(5)]
            # On days of their own: no load is shared, so that lots are compared and not pairs.
            day = MONDAY + timedelta(weeks=week, days=place)
            rows += lot_rows(f"L{place}-{week}", day, values, product=film)
    bench.drop_tests("all.csv", rows)
    bench.run()
    return bench


def answer(bench: Bench, film: str, *options: str) -> str:
    pair = [part for one in (A, film) for part in ("--candidate", "Alder Film", one)]
    result = call(bench.folder, "compare", "shielding_energy", *pair, *options)
    assert result.exit_code == 0, result.output
    return result.stdout.splitlines()[0]


def test_a_real_difference_that_does_not_matter_is_within_the_margin(filled: Bench) -> None:
    assert answer(filled, LITTLE) == "Alder Film MB-11 and Alder Film MB-10 are alike within 10 %."
    # The same lots differ by more than 1 %, so that it is the margin which decides.
    assert (
        answer(filled, LITTLE, "--margin", "1") == "Alder Film MB-11 is worse than Alder Film MB-10 by more than 1 %."
    )


def test_a_difference_beyond_the_margin_is_worse_by_more_than_the_margin(filled: Bench) -> None:
    assert answer(filled, MUCH) == "Alder Film MB-12 is worse than Alder Film MB-10 by more than 10 %."


def test_a_difference_about_the_margin_is_not_decided(filled: Bench) -> None:
    assert answer(filled, WIDE) == (
        "Not decided whether Alder Film MB-13 is worse than Alder Film MB-10 by more than 10 %: a difference is shown, its size is not."
    )


def test_a_margin_in_percent_on_a_linear_scale_does_not_apply(tmp_path_factory: pytest.TempPathFactory) -> None:
    bench = Bench(tmp_path_factory.mktemp("lab"), DECLARED.replace('scale = "log"', 'scale = "linear"', 1))
    rows = []
    for week in range(8):
        for place, film in enumerate((A, MUCH)):
            values = [[9.0 + place + 0.1 * (week % 3) + 0.05 * bag] for bag in range(5)]
            rows += lot_rows(f"L{place}-{week}", MONDAY + timedelta(weeks=week, days=place), values, product=film)
    bench.drop_tests("all.csv", rows)
    bench.run()

    pair = [part for one in (A, MUCH) for part in ("--candidate", "Alder Film", one)]
    lines = call(bench.folder, "compare", "shielding_energy", *pair).stdout.splitlines()

    assert lines[0] == "Alder Film MB-12 is worse than Alder Film MB-10."
    assert lines[1].startswith("The margin in percent does not apply on a linear scale")
