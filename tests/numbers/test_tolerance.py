"""Tolerance factors and outliers against the e-Handbook, a published table, and SciPy as the reference."""

from __future__ import annotations

from statistics import fmean, median, stdev

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from meterlink.tolerance import OUTLIER, SIGMA_PER_MAD, modified_z, tolerance_factor
from tests.lazily import Lazily

np, optimize, stats = Lazily("numpy"), Lazily("scipy.optimize"), Lazily("scipy.stats")

# Berthouex & Brown, Statistics for Environmental Engineers, table 21.1: 95 % confidence, coverage 90 / 95 / 99 %
TABLE_21_1 = """
4 5.37 6.34 8.22
5 4.29 5.08 6.60
6 3.73 4.42 5.76
7 3.39 4.02 5.24
8 3.16 3.75 4.89
9 2.99 3.55 4.63
10 2.86 3.39 4.44
12 2.67 3.17 4.16
15 2.49 2.96 3.89
20 2.32 2.76 3.62
25 2.22 2.64 3.46
30 2.15 2.55 3.35
"""


@pytest.mark.parametrize("row", TABLE_21_1.split("\n")[1:-1])
def test_published_table(row: str) -> None:
    n, *factors = row.split()
    computed = [f"{tolerance_factor(int(n), p, 0.95):.2f}" for p in (0.90, 0.95, 0.99)]
    assert computed == factors


def test_handbook_example() -> None:
    """e-Handbook 7.2.6.3: N = 43, p = 0.90, gamma = 0.99. The page prints Howe's 2.217; the exact factor is
    2.222825. Its R listing's 2.210167 belongs to other arguments and is not to be met."""
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(2.222825, abs=5e-7)
    howe = stats.norm.ppf(0.95) * np.sqrt(42 * (1 + 1 / 43) / stats.chi2.ppf(0.01, 42))
    assert howe == pytest.approx(2.217, abs=5e-4)
    assert tolerance_factor(43, 0.90, 0.99) == pytest.approx(howe, rel=3e-3)


def reference(n: int, p: float, gamma: float) -> float:
    """The exact factor by SciPy's distributions and root finding, and Gauss-Legendre integration."""
    x, weight = np.polynomial.legendre.leggauss(80)
    t = 4 * (x + 1)  # 0 to 8
    shift = t / np.sqrt(n)
    half = np.array(
        [
            optimize.brentq(lambda r, d=d: stats.norm.cdf(d + r) - stats.norm.cdf(d - r) - p, 0, d + 20, xtol=1e-13)
            for d in shift
        ]
    )

    def held(k: float) -> float:
        return float(np.sum(8 * weight * stats.norm.pdf(t) * stats.chi2.sf((n - 1) * half**2 / k**2, n - 1)))

    return float(optimize.brentq(lambda k: held(k) - gamma, 0.3, 1e5, xtol=1e-10))


@pytest.mark.parametrize(
    ("n", "p", "gamma"),
    [
        (2, 0.95, 0.95),
        (3, 0.9, 0.99),
        (4, 0.5, 0.5),
        *(pytest.param(n, p, p, marks=pytest.mark.long) for n, p in ((10, 0.95), (25, 0.9999))),
    ],
)
def test_against_scipy(n: int, p: float, gamma: float) -> None:
    assert tolerance_factor(n, p, gamma) == pytest.approx(reference(n, p, gamma), rel=1e-7)


@pytest.mark.full
def test_against_scipy_everywhere() -> None:
    for n in (*range(2, 12), 16, 25, 39):
        for p in (0.5, 0.9, 0.99):
            for gamma in (0.5, 0.95, 0.999):
                assert tolerance_factor(n, p, gamma) == pytest.approx(reference(n, p, gamma), rel=1e-7)


@settings(max_examples=20)
@given(st.integers(2, 40), st.floats(0.5, 0.99), st.floats(0.5, 0.99))
def test_falls_with_boards_rises_with_demands(n: int, p: float, gamma: float) -> None:
    k = tolerance_factor(n, p, gamma)
    assert tolerance_factor(n + 1, p, gamma) < k
    assert tolerance_factor(n, p + 0.005, gamma) > k
    assert tolerance_factor(n, p, gamma + 0.005) > k


@pytest.mark.parametrize(
    ("p", "z"),
    [(0.95, 1.959964), *(pytest.param(*each, marks=pytest.mark.long) for each in ((0.90, 1.644854), (0.99, 2.575829)))],
)
def test_tends_to_the_normal_quantile(p: float, z: float) -> None:
    k = tolerance_factor(700, p, 0.5)  # at even odds; with more confidence it nears from above and slower
    assert k == pytest.approx(z, rel=2e-3)
    assert z < tolerance_factor(700, p, 0.95) < 1.05 * z


@pytest.mark.parametrize(("n", "p", "gamma"), [(1, 0.95, 0.95), (0, 0.9, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.0)])
def test_refused(n: int, p: float, gamma: float) -> None:
    with pytest.raises(ValueError, match="no tolerance factor"):
        tolerance_factor(n, p, gamma)


def test_coverage_is_what_it_says() -> None:
    """Of 2000 samples of 8, 95 % or so give limits that hold 90 % of the population: seed 2611."""
    rng = np.random.default_rng(2611)
    samples = rng.normal(0.413, 0.002, (2000, 8))
    k = tolerance_factor(8, 0.90, 0.95)
    mean, s = samples.mean(axis=1), samples.std(axis=1, ddof=1)
    inside = stats.norm.cdf(mean + k * s, 0.413, 0.002) - stats.norm.cdf(mean - k * s, 0.413, 0.002)
    assert (inside >= 0.90).mean() == pytest.approx(0.95, abs=0.015)


# Rosner (1983), n = 54, as e-Handbook 1.3.5.17.3 uses it
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56,
    1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10,
    2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
    2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip


def test_rosner() -> None:
    """The same three that the handbook's generalized ESD finds; scores of the extremes recomputed (0.6745)."""
    assert (fmean(ROSNER), stdev(ROSNER), median(ROSNER)) == pytest.approx((2.320741, 1.182870, 2.095), abs=5e-7)
    scores = dict(zip(ROSNER, modified_z(ROSNER), strict=True))
    assert sorted(x for x, m in scores.items() if abs(m) > OUTLIER) == [5.34, 5.42, 6.01]
    published = {6.01: 4.8453, 5.42: 4.1151, 5.34: 4.0161, 4.64: 3.1497, 4.30: 2.7289, -0.25: -2.9022}
    assert {x: scores[x] for x in published} == pytest.approx(published, rel=5e-5)


@pytest.mark.parametrize(
    ("values", "scores"),
    [  # computed by hand
        ([1, 2, 3, 4, 100], [-1.349, -0.6745, 0, 0.6745, 65.4265]),
        ([3.29, 3.30, 3.30, 3.31, 3.30, 3.31, 3.29, 3.10], [-0.6745, 0, 0, 0.6745, 0, 0.6745, -0.6745, -13.49]),
        ([0.412, 0.415, 0.411, 0.413, 0.414, 0.412, 0.520], [-0.6745, 1.349, -1.349, 0, 0.6745, -0.6745, 72.1715]),
    ],
)
def test_small_sets(values: list[float], scores: list[float]) -> None:
    assert modified_z(values) == pytest.approx(scores, rel=5e-5, abs=1e-9)


def test_the_scale_is_that_of_scipy() -> None:
    assert pytest.approx(1.482602218505602, rel=1e-15) == SIGMA_PER_MAD
    mad = stats.median_abs_deviation(ROSNER, scale="normal")
    assert modified_z(ROSNER)[0] == pytest.approx((ROSNER[0] - 2.095) / mad, rel=1e-12)


def test_a_mad_of_zero() -> None:
    """10 10 10 10 12: without any scale nothing is far; with what the meter can tell, 12 is."""
    values = [10.0, 10.0, 10.0, 10.0, 12.0]
    assert modified_z(values) == [0.0] * 5
    assert modified_z(values, floor=0.1) == [0, 0, 0, 0, pytest.approx(20.0)]
    assert modified_z(values, floor=1.0)[-1] < OUTLIER


@given(st.lists(st.floats(-1e6, 1e6), min_size=2, max_size=20), st.floats(0, 1e3))
@example([0.0, 0.0, 1.0], 2.2e-313)
def test_no_score_is_beyond_words(values: list[float], floor: float) -> None:
    assert all(np.isfinite(modified_z(values, floor)))
