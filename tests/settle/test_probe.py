"""The probe model: its display follows from its truth."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.virtual.probe import AIR_MOST_V, Node, Probe

DIODE = Node(shows={"diode": 0.45, "resistance": 1234.0, "voltage": 3.3})


def probe(**how: object) -> Probe:
    return Probe(random.Random(3), **{"rate_hz": 4.0, **how})  # type: ignore[arg-type]


def test_air_contact_lift() -> None:
    p = probe(noise=0.0)
    assert (p.sample(0.25).display, p.final()) == ("0L", None)
    p.touch(DIODE, 0.3)
    assert p.sample(1.0).display == "0.450 V"
    assert p.live
    p.lift(1.1)
    assert p.sample(2.0).state == "over"


def test_charge_up_is_the_exponential() -> None:
    p = probe()
    p.touch(Node(shows={"diode": 0.6}, charge_s=1.5, rest=0.1), 2.0)
    for t in (2.0, 2.5, 3.5, 8.0):
        assert p.truth(t) == pytest.approx(0.6 * (1 - 0.9 * math.exp(-(t - 2) / 1.5)))


def test_autorange_walks_down_and_shows_the_ranges_count() -> None:
    p = probe(function="resistance", noise=0.0, leaps=False, between="live")
    for i in range(8):
        p.sample(i * 0.25)
    p.touch(Node(shows={"resistance": 128.3}), 2.0)
    shown = [p.sample(2.5 + i * 0.25) for i in range(7)]
    assert [r.display for r in shown] == [
        "0.00 MΩ", "0.000 MΩ", "0.1 kΩ", "0.13 kΩ", "0.128 kΩ", "128.3 Ω", "128.3 Ω",
    ]  # fmt: skip
    assert [str(r.resolution) for r in shown[-2:]] == ["0.1", "0.1"]


def test_a_voltage_above_the_range_is_an_overload_and_then_a_number() -> None:
    p = probe(function="voltage", noise=0.0, counts=4000)
    p.sample(0.25)
    p.touch(Node(shows={"voltage": 24.0}), 0.3)
    assert [p.sample(t).display for t in (0.75, 1.0)] == ["0L", "24.00 V"]


def test_air_of_a_voltage_wanders_below_its_most() -> None:
    p = probe(function="voltage", noise=1.0)
    shown = [float(p.sample(i * 0.25).value or 0) for i in range(400)]
    assert max(map(abs, shown)) <= AIR_MOST_V + 0.0021
    assert len(set(shown)) > 3


def test_hold_freezes_and_says_so() -> None:
    p = probe(noise=0.0)
    p.touch(DIODE, 0.0)
    p.sample(1.0)
    p.hold(True)
    p.lift(1.1)
    held = p.sample(2.0)
    assert (held.display, held.flags, p.live) == ("0.450 V", ("hold",), False)
    p.hold(False)
    assert p.sample(2.5).state == "over"


def test_the_dial() -> None:
    p = probe(noise=0.0)
    p.touch(DIODE, 0.0)
    p.switch("voltage")
    shown = [p.sample(9.0), p.sample(9.5)][-1]
    assert (str(shown.value), shown.unit, shown.coupling) == ("3.300", "V", "dc")


def test_a_value_that_rounds_to_the_full_scale_changes_the_range() -> None:
    """399.99 Ohm is 4000 counts of 0.1 Ohm: an overload, and no lasting one on a meter that picks its range."""
    p = probe(function="resistance", noise=0.0)
    p.touch(Node(shows={"resistance": 399.99}), 0.0)
    shown = [p.sample(2.0 + i * 0.25) for i in range(6)]
    assert [r.display for r in shown[-2:]] == ["0.400 kΩ", "0.400 kΩ"]
    assert p.live


@given(st.integers(0, 2**32), st.sampled_from([4000, 6000, 22000]), st.floats(0, 3), st.floats(0.5, 5e6))
def test_the_display_is_the_truth_within_noise_and_rounding(seed: int, counts: int, noise: float, ohms: float) -> None:
    p = Probe(random.Random(seed), rate_hz=4.0, counts=counts, function="resistance", noise=noise)
    p.touch(Node(shows={"resistance": ohms}), 0.0)
    for i in range(8, 14):
        r = p.sample(i * 0.25)
    assert r.resolution is not None
    if r.value is None:  # the noise reached the full scale: the next reading is of the next range
        assert not p.live
        assert ohms >= (counts - noise - 0.5001) * float(r.resolution)
        r = p.sample(3.5)
    assert p.live
    assert r.value is not None
    assert r.resolution is not None
    assert abs(float(r.value) - ohms) <= (noise + 0.5001) * float(r.resolution)
    assert abs(r.value / r.resolution) < counts
