"""Variance components and mean squares against certified data of NIST."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
from numpy.testing import assert_allclose

from spc.components import mean_squares, nested
from spc.stream.distribution_checks import dependence

# NIST Statistical Reference Datasets, analysis of variance, in the files that scipy ships with its own tests.
STRD = Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova"


def certified(name):
    """Treatment, response as text, and the certified figures of a file."""
    lines = (STRD / f"{name}.dat").read_text(encoding="ascii").splitlines()
    numbers = [line.split() for line in lines[40:47]]
    rows = [line.split() for line in lines[60:] if line.strip()]
    between = next(row for row in numbers if row[:1] == ["Between"])
    within = next(row for row in numbers if row[:1] == ["Within"])
    spread = float(next(line.split()[-1] for line in lines[40:60] if "Standard Deviation" in line))
    expected = [float(between[-4]), float(within[-3]), float(between[-3]), float(within[-2]), float(between[-1])]
    return np.array([row[0] for row in rows]), [row[1] for row in rows], (*expected, float(within[-1]), spread)


def exact_sums(treatment, values):
    """Take sums of squares of the doubles that were read, in rational arithmetic."""
    exact = np.array([Fraction(float(v)) for v in values], dtype=object)
    grand = sum(exact) / len(exact)
    groups = [exact[treatment == name] for name in np.unique(treatment)]
    means = [sum(group) / len(group) for group in groups]
    between = sum(len(group) * (mean - grand) ** 2 for group, mean in zip(groups, means, strict=True))
    within = sum(sum((v - mean) ** 2 for v in group) for group, mean in zip(groups, means, strict=True))
    return float(between), float(within)


NAMES = [path.stem for path in sorted(STRD.glob("*.dat"))]


@pytest.mark.parametrize("name", NAMES)
def test_nist_certified_analysis_of_variance(name):
    treatment, text, (df_between, df_within, ss_between, ss_within, f_ratio, _, spread) = certified(name)
    values = np.array(text, dtype=float)
    table = mean_squares(values, treatment, np.arange(values.size))

    assert table["df"].tolist() == [df_between, df_within]
    # The decimals cannot be held: each reading is off by up to half a unit in its last binary place, which moves a sum
    # of squares S by at most 2 sqrt(S n) times that, and no more than rounding is added.
    off = np.spacing(np.abs(values).max()) / 2
    for got, wanted in zip(table["sum_squares"], (ss_between, ss_within), strict=True):
        assert_allclose(got, wanted, rtol=1e-11, atol=2 * np.sqrt(wanted * values.size) * off)
    share = off * 2 * np.sqrt(values.size) * (ss_between**-0.5 + ss_within**-0.5)
    assert_allclose(table["F"].iloc[0], f_ratio, rtol=1e-11 + share)
    assert_allclose(np.sqrt(table["mean_square"].iloc[1]), spread, rtol=1e-11 + share)
    assert_allclose(
        table["sum_squares"].iloc[0] / table["sum_squares"].sum(), 1 / (1 + ss_within / ss_between), rtol=1e-11 + share
    )


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_lost_of_the_doubles_that_nist_data_become(name):
    treatment, text, _ = certified(name)
    values = np.array(text, dtype=float)

    # Sums of n terms without cancellation: n rounding errors at worst, some root n in fact.
    got = mean_squares(values, treatment, np.arange(values.size))["sum_squares"]
    assert_allclose(got, exact_sums(treatment, values), rtol=1e-12)


def test_the_nine_simon_and_lesage_sets_and_two_more_are_there():
    assert ["AtmWtAg", "SiRstv", *(f"SmLs0{i}" for i in range(1, 10))] == NAMES


# NIST StRD, univariate summary statistics: certified mean and standard deviation.
LEW = [
    -213, -564, -35, -15, 141, 115, -420, -360, 203, -338, -431, 194, -220, -513, 154, -125, -559, 92, -21, -579, -52,
    99, -543, -175, 162, -457, -346, 204, -300, -474, 164, -107, -572, -8, 83, -541, -224, 180, -420, -374, 201, -236,
    -531, 83, 27, -564, -112, 131, -507, -254, 199, -311, -495, 143, -46, -579, -90, 136, -472, -338, 202, -287, -477,
    169, -124, -568, 17, 48, -568, -135, 162, -430, -422, 172, -74, -577, -13, 92, -534, -243, 194, -355, -465, 156,
    -81, -578, -64, 139, -449, -384, 193, -198, -538, 110, -44, -577, -6, 66, -552, -164, 161, -460, -344, 205, -281,
    -504, 134, -28, -576, -118, 156, -437, -381, 200, -220, -540, 83, 11, -568, -160, 172, -414, -408, 188, -125, -572,
    -32, 139, -492, -321, 205, -262, -504, 142, -83, -574, 0, 48, -571, -106, 137, -501, -266, 190, -391, -406, 194,
    -186, -553, 83, -13, -577, -49, 103, -515, -280, 201, 300, -506, 131, -45, -578, -80, 138, -462, -361, 201, -211,
    -554, 32, 74, -533, -235, 187, -372, -442, 182, -147, -566, 25, 68, -535, -244, 194, -351, -463, 174, -125, -570,
    15, 72, -550, -190, 172, -424, -385, 198, -218, -536, 96,
]  # fmt: skip
MAVRO = [
    2.0018, 2.0017, 2.0018, 2.0019, 2.0018, 2.0017, 2.0015, 2.0014, 2.0015, 2.0015, 2.0017, 2.0018, 2.0018, 2.0019,
    2.0019, 2.0021, 2.002, 2.0016, 2.0014, 2.0013, 2.0013, 2.0015, 2.0015, 2.0016, 2.0015, 2.0014, 2.0013, 2.0014,
    2.0015, 2.0014, 2.0015, 2.0016, 2.0015, 2.0016, 2.0019, 2.002, 2.002, 2.0021, 2.0022, 2.0023, 2.0024, 2.0025,
    2.0027, 2.0026, 2.0026, 2.0026, 2.0027, 2.0026, 2.0025, 2.0024,
]  # fmt: skip


def around(middle):
    return [middle, *([round(middle - 0.1, 1), round(middle + 0.1, 1)] * 500)]


@pytest.mark.parametrize("method", ["reml", "anova"])
@pytest.mark.parametrize(
    ("values", "mean", "spread", "relative"),
    [
        # Fifteen digits are certified and the data are held to 16; what is left is the rounding of the data, half a
        # unit in the last place of a value over the standard deviation.
        (LEW, -177.435, 277.332168044316, 1e-14),
        (MAVRO, 2.001856, 0.000429123454003053, 1e-12),
        ([10000001, 10000003, 10000002], 10000002, 1.0, 1e-15),
        (around(1.2), 1.2, 0.1, 1e-14),
        (around(1000000.2), 1000000.2, 0.1, 1e-9),
        (around(10000000.2), 10000000.2, 0.1, 1e-8),
    ],
)
def test_nist_certified_mean_and_standard_deviation(values, mean, spread, relative, method):
    parts = nested(values, np.zeros(len(values)), np.arange(len(values)), method)

    assert_allclose(parts.mean, mean, rtol=1e-14)  # a rounding for each of up to 1001 values, mostly cancelling
    assert_allclose(np.sqrt(parts.bag), spread, rtol=relative)
    assert_allclose(parts.mean_se, spread / np.sqrt(len(values)), rtol=relative)
    assert parts.unresolved == ("lot", "reading")


@pytest.mark.parametrize(
    ("values", "correlation", "absolute"),
    [
        # Certified lag-1 autocorrelations of the same sets; -0.5 and -0.999 are exact. What the rounding of the data
        # moves them by: as for the standard deviation above, over two or three values a term.
        (LEW, -0.307304800605679, 1e-14),
        (MAVRO, 0.937989183438248, 3e-12),
        ([10000001, 10000003, 10000002], -0.5, 1e-15),
        (around(1.2), -0.999, 1e-14),
        (around(1000000.2), -0.999, 1e-8),
        (around(10000000.2), -0.999, 1e-7),
    ],
)
def test_nist_certified_autocorrelation(values, correlation, absolute):
    assert_allclose(dependence(values).sample, correlation, rtol=0, atol=absolute)
