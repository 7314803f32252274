"""Aitken's extrapolation against hand computation, and what noise does to it."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.approach import Approach, aitken


@pytest.mark.parametrize(
    ("x", "limit"),
    [
        # By hand: 500, 750, 875 halve their distance to 1000 each time; 875 + 125^2 / (250 - 125) = 875 + 125.
        ((500.0, 750.0, 875.0), 1000.0),
        # By hand, r = 1/4, falling to 2: 18, 6, 3; d1 = -12, d2 = -3; 3 + 9 / (-12 + 3) = 2.
        ((18.0, 6.0, 3.0), 2.0),
        # Partial sums of pi/4 = 1 - 1/3 + 1/5 - ...: 13/15 + (1/5)^2 / (-1/3 - 1/5) = 19/24. The value 0.79166667
        # stands in many texts on the delta-squared process (Abramowitz and Stegun 3.9.7; from memory).
        ((1.0, 2 / 3, 13 / 15), 19 / 24),
        ((5.0, 7.0, 7.0), 7.0),
    ],
)
def test_worked_examples(x: tuple[float, float, float], limit: float) -> None:
    assert aitken(*x) == pytest.approx(limit, rel=1e-12)


def test_steps_that_do_not_shrink_have_no_limit_ahead() -> None:
    assert aitken(1, 2, 3) == math.inf
    assert aitken(3, 2, 0) == -math.inf


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6).filter(lambda a: abs(a) > 1), st.floats(0.02, 0.9))
def test_any_exponential_gives_its_limit(limit: float, a: float, r: float) -> None:
    x = [limit + a * r**k for k in range(3)]
    assert aitken(*x) == pytest.approx(limit, abs=1e-6 * (abs(limit) + abs(a)))


def climb(n: int, tau: float, final: float, noise: float, seed: int = 1) -> Approach:
    """A charge-up by the formula final (1 - exp(-t / tau)), a reading each 0.1 s, counts of 1."""
    rng, approach = random.Random(seed), Approach()
    for k in range(n):
        x = final * (1 - math.exp(-0.1 * k / tau)) + (rng.random() - rng.random()) * noise
        approach.heard(0.1 * k)
        approach.take(round(x), 1.0, 0.1 * k)
    return approach


@pytest.mark.parametrize("seed", range(5))
def test_a_long_climb_in_noise_tells_its_end_to_some_counts(seed: int) -> None:
    """1500 counts, tau 1 s, 3 counts of noise, after 4 s: 27 counts are still to come, and that is what is seen."""
    ahead = climb(41, 1.0, 1500.0, 3.0, seed).ahead(1.0)
    assert ahead is not None
    assert 1497 <= ahead <= 1510


def test_a_climb_that_is_over_has_nothing_ahead() -> None:
    ahead = climb(150, 1.0, 1500.0, 1.0).ahead(1.0)
    assert ahead is None or ahead == pytest.approx(1500, abs=1.5)


def test_noise_alone_is_no_motion() -> None:
    assert climb(30, 1e-9, 1500.0, 1.0).ahead(1.0) is None


def test_a_ramp_has_no_end() -> None:
    approach = Approach()
    for k in range(20):
        approach.heard(0.3 * k)
        approach.take(50.0 * k, 1.0, 0.3 * k)
    assert approach.ahead(1.0) == math.inf


def test_missing_readings_are_filled_in() -> None:
    """The same climb with every fourth reading lost, and without: the same end to 0.2 %."""
    whole, holed = Approach(), Approach()
    for k in range(40):
        x = 10_000 * (1 - math.exp(-k / 10))
        whole.heard(0.1 * k)
        whole.take(x, 1.0, 0.1 * k)
        if k % 4 != 3:
            holed.heard(0.1 * k)
            holed.take(x, 1.0, 0.1 * k)
    a, b = whole.ahead(1.0), holed.ahead(1.0)
    assert a is not None
    assert b is not None
    assert a == pytest.approx(10_000, rel=2e-3)
    assert b == pytest.approx(a, rel=2e-3)


def test_readings_that_were_fetched_late_were_not_lost() -> None:
    """The same climb, of which readings 20 to 25 come at once at 25: the same end once they are there."""
    on_time, late = Approach(), Approach()
    for k in range(40):
        x = 10_000 * (1 - math.exp(-k / 10))
        for approach, t in ((on_time, 0.1 * k), (late, 0.1 * (25 if 20 <= k < 25 else k))):
            approach.heard(t)
            approach.take(x, 1.0, t)
    assert late.ahead(1.0) == on_time.ahead(1.0)


def test_a_jump_begins_anew() -> None:
    approach = Approach()
    for k, x in enumerate((100, 101, 100, 100, 900, 901, 900)):
        approach.take(float(x), 1.0, 0.3 * k)
    assert approach.ahead(1.0) is None
