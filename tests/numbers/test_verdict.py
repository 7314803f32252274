"""Verdicts against JCGM 106:2012 and ILAC-G8:09/2019, and what must hold for any band and value.

The documents' examples give probabilities of conformity. They check the reference formula below (clause 7, one
item, normal distribution), and the formula checks what the verdicts claim.
"""

from __future__ import annotations

from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.bench.sheet import Point
from meterlink.bench.verdict import SHORT, band_for, judge
from meterlink.records import Band, Uncertainty
from tests.lazily import Lazily

integrate = Lazily("scipy.integrate")

PHI = NormalDist().cdf


def conformity(value: float, low: float | None, high: float | None, u: float) -> float:
    """JCGM 106:2012 clause 7: p_c = Phi((T_U - y) / u) - Phi((T_L - y) / u), a missing limit dropped."""
    return (1.0 if high is None else PHI((high - value) / u)) - (0.0 if low is None else PHI((low - value) / u))


def band(low: float | None, high: float | None, **more: object) -> Band:
    return Band(**{"low": low, "high": high, "expect": "band", "from_": "test", **more})  # type: ignore[arg-type]


def meter(u: float) -> Uncertainty:
    """A standard uncertainty u, expanded with k = 2."""
    return Uncertainty(expanded=2 * u, k=2.0, from_="test")


CASES = [
    # low, high, y, u, p_c, tolerance, verdict by hand (limits +- 2 u)
    (None, -5.40, -5.47, 0.05, 0.92, 5e-3, "unsure"),  # JCGM 106 7.3, Zener diode (from memory): -5.37 > -5.40
    (12.5, 16.3, 13.6, 1.8, 0.66, 5e-3, "unsure"),  # JCGM 106 7.4, motor oil (from memory)
    (0.9975, 1.1025, 1.012, 0.011, 0.906279, 1e-6, "unsure"),  # this row and the next: derived, same formula
    (3.135, 3.465, 3.465, 0.020, 0.500000, 1e-6, "unsure"),
    (3.135, 3.465, 3.460, 0.020, 0.598706, 1e-6, "unsure"),
    (None, 1.00e-3, 0.90e-3, 0.05e-3, 0.977250, 1e-6, "ok"),  # leakage: 0.90 is exactly 1.00 - 0.10
    (99.0, 101.0, 100.6, 0.25, 0.945201, 1e-6, "unsure"),
]


@pytest.mark.parametrize(("low", "high", "y", "u", "p", "within", "verdict"), CASES)
def test_conformity_examples(
    low: float | None, high: float, y: float, u: float, p: float, within: float, verdict: str
) -> None:
    """The published and derived probabilities, and the verdict that the guard band w = U gives there."""
    assert conformity(y, low, high, u) == pytest.approx(p, abs=within)
    assert judge(y, "ok", "voltage", band(low, high), meter(u)) == verdict


@pytest.mark.parametrize(
    ("y", "zone", "verdict"),
    [
        (3.441, "pass", "ok"),
        (3.455, "conditional pass", "unsure"),
        (3.465, "conditional pass", "unsure"),
        (3.470, "conditional fail", "unsure"),
        (3.489, "conditional fail", "unsure"),
        (3.490, "fail", "high"),
    ],
)
def test_zones(y: float, zone: str, verdict: str) -> None:
    """ILAC-G8:09/2019 4.2.3, p. 10: pass to T - w, fail above T + w; 3.3 V + 5 %, U = 0.024 V."""
    t, w = 3.465, 0.024
    expected = (
        "pass"
        if round(y - (t - w), 9) <= 0
        else "conditional pass"
        if y <= t
        else "conditional fail"
        if round(y - (t + w), 9) <= 0
        else "fail"
    )
    assert zone == expected
    assert judge(y, "ok", "voltage", band(3.135, t), meter(w / 2)) == verdict


@pytest.mark.parametrize(("y", "verdict"), [(9.19, "unsure"), (9.2, "ok"), (10.8, "ok"), (10.81, "unsure")])
def test_acceptance_interval(y: float, verdict: str) -> None:
    """HarperMetrology's page on decision rules: tolerance 10 +- 1, U = 0.2: w = U accepts 9.2 to 10.8."""
    assert judge(y, "ok", "voltage", band(9.0, 11.0), Uncertainty(expanded=0.2, k=2.0, from_="test")) == verdict


@pytest.mark.parametrize(
    ("guard", "risk"),
    [(0.0, 0.5), (1.0, 0.022750), (1.5, 0.001350)],  # ILAC-G8 table: < 50 %, < 2.5 %, < 0.16 %; exact for k = 2
)
def test_specific_risk_at_the_acceptance_limit(guard: float, risk: float) -> None:
    """Where a value is just accepted with w = r U, this is the probability that the item is out."""
    u, high = 0.012, 3.465
    at = high - guard * 2 * u
    assert 1 - conformity(at, None, high, u) == pytest.approx(risk, abs=1e-6)
    verdict = judge(at, "ok", "voltage", band(None, high), meter(u) if guard == 1.0 else None)
    assert verdict == "ok"


def accepted(b: Band, uncertainty: Uncertainty | None, start: float, end: float) -> float:
    """The last accepted value between an accepted start and a refused end."""
    for _ in range(100):
        middle = (start + end) / 2
        if judge(middle, "ok", "resistance", b, uncertainty) == "ok":
            start = middle
        else:
            end = middle
    return start


@pytest.mark.parametrize(
    ("guard", "consumer", "producer", "published"),
    [
        (0.02, 0.0098783, 0.0690265, (0.01, 0.07)),  # JCGM 106 clause 9, resistor example (risks from memory)
        (None, 0.0189422, 0.0372078, None),  # the same with A = T, computed
    ],
)
def test_global_risks_of_the_resistor_example(
    guard: float | None, consumer: float, producer: float, published: tuple[float, float] | None
) -> None:
    """1500 +- 0.20 Ohm, u_0 = 0.12 Ohm, u_m = 0.04 Ohm; what is accepted is what `judge` calls ok."""
    b = band(1499.8, 1500.2)
    uncertainty = None if guard is None else Uncertainty(expanded=guard, k=0.5, from_="test")  # r U = 0.02 Ohm
    low, high = (accepted(b, uncertainty, 1500.0, end) for end in (1499.0, 1501.0))
    assert (low, high) == pytest.approx((1499.8 + (guard or 0), 1500.2 - (guard or 0)), abs=1e-9)

    def density(y: float, inside: bool) -> float:
        p = PHI((high - y) / 0.04) - PHI((low - y) / 0.04)
        return NormalDist(1500.0, 0.12).pdf(y) * (1 - p if inside else p)

    outside = [
        integrate.quad(density, a, b_, args=(False,), epsabs=1e-12)[0] for a, b_ in ((1498.5, 1499.8), (1500.2, 1501.5))
    ]
    inside = integrate.quad(density, 1499.8, 1500.2, args=(True,), epsabs=1e-12)[0]
    assert sum(outside) == pytest.approx(consumer, abs=1e-7)
    assert inside == pytest.approx(producer, abs=1e-7)
    if published:
        assert (round(sum(outside), 2), round(inside, 2)) == published


# -- short, open and what the instrument shows beside numbers


@pytest.mark.parametrize(
    ("value", "state", "function", "verdict"),
    [
        (0.3, "ok", "resistance", "short"),
        (9.99, "ok", "continuity", "short"),
        (10.0, "ok", "continuity", None),
        (0.049, "ok", "diode", "short"),
        (0.050, "ok", "diode", None),
        (None, "over", "resistance", "open"),
        (None, "over", "diode", "open"),
        (None, "over", "voltage", None),
        (0.0, "ok", "voltage", None),
        (None, "blank", "resistance", None),
        (-0.02, "ok", "resistance", "short"),  # a lead's resistance nulled a little too far
        (-25.0, "ok", "resistance", "unsure"),  # a charged capacitor: common practice, no source
        (-0.6, "ok", "diode", "unsure"),
        (None, "under", "diode", "unsure"),
    ],
)
def test_free_probing(value: float | None, state: str, function: str, verdict: str | None) -> None:
    assert judge(value, state, function, None, None) == verdict


def expecting(expect: str, function: str = "resistance", **limits: float) -> Band:
    point = Point(name="P", function=function, unit="Ohm", expect=expect, powered=False, **limits)  # type: ignore[arg-type]
    found = band_for(point, None)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("b", "value", "state", "verdict"),
    [
        (expecting("short"), 0.4, "ok", "ok"),
        (expecting("short"), 10.0, "ok", "ok"),
        (expecting("short"), 47.0, "ok", "high"),
        (expecting("short"), None, "over", "open"),
        (expecting("short", short=2.0), 5.0, "ok", "high"),
        (expecting("short", short=2.0, open=1e6), 2e6, "ok", "open"),
        (expecting("open"), None, "over", "ok"),
        (expecting("open"), 4700.0, "ok", "low"),
        (expecting("open"), 3.0, "ok", "short"),
        (expecting("open", open=1e6), 2e6, "ok", "ok"),
        (expecting("open", open=1e6), 2e4, "ok", "low"),
        (expecting("band", low=180.0, high=420.0), 3.0, "ok", "short"),
        (expecting("band", low=180.0, high=420.0), 90.0, "ok", "low"),
        (expecting("band", low=180.0, high=420.0), 300.0, "ok", "ok"),
        (expecting("band", low=180.0, high=420.0), 2e6, "ok", "high"),
        (expecting("band", low=180.0, high=420.0, open=1e6), 2e6, "ok", "open"),
        (expecting("band", low=180.0, high=420.0), None, "over", "open"),
        (expecting("band", low=1.5, high=6.0), 2.4, "ok", "ok"),  # a healthy processor rail
        (expecting("band", low=1.5, high=6.0), 0.4, "ok", "short"),
        (expecting("band", high=420.0), 0.1, "ok", "short"),  # no low end: the short limit is one
        (expecting("band", low=0.0, high=1.0), 0.1, "ok", "ok"),  # unless zero is said to be fine
        (expecting("band", low=100.0), 5e6, "ok", "ok"),
        (expecting("band", low=100.0, open=1e6), 5e6, "ok", "open"),  # no high end: the open limit is one
        (expecting("known-good"), 3.0, "ok", "short"),
        (expecting("known-good"), 300.0, "ok", None),
        (expecting("known-good", "diode", low=0.4, high=0.6), 0.5, "ok", "ok"),
        (expecting("known-good", "diode", short=0.2), 0.1, "ok", "short"),
    ],
)
def test_short_and_open(b: Band, value: float | None, state: str, verdict: str | None) -> None:
    function = "diode" if b.short is not None and b.short < 1 else "resistance"
    assert judge(value, state, function, b, None) == verdict


@pytest.mark.parametrize(
    ("b", "state", "verdict"),
    [
        (band(3.1, 3.5), "over", "high"),
        (band(3.1, 3.5), "under", "low"),
        (band(3.1, None), "over", "unsure"),  # beyond a range that nobody told
        (band(None, 3.5), "under", "unsure"),
        (band(3.1, 3.5), "blank", None),
    ],
)
def test_beyond_the_range_of_a_voltage(b: Band, state: str, verdict: str | None) -> None:
    assert judge(None, state, "voltage", b, None) == verdict


def test_the_uncertainty_decides_on_expected_shorts_too() -> None:
    b, u = expecting("short", short=2.0), Uncertainty(expanded=0.5, k=2.0, from_="test")
    assert [judge(v, "ok", "resistance", b, u) for v in (1.5, 1.6, 2.5, 2.6)] == ["ok", "unsure", "unsure", "high"]


def test_every_default_limit_names_its_source() -> None:
    assert set(SHORT) == {"resistance", "continuity", "diode"}
    for function, limit in SHORT.items():
        b = expecting("known-good", function)
        assert b.short == limit.value
        assert limit.source in b.from_
        assert "p." in limit.source or limit.source == "common practice, no source"


def test_a_band_says_where_it_comes_from() -> None:
    voltage = Point(name="P", function="voltage", unit="V", expect="known-good", powered=True)
    assert band_for(voltage, None) is None
    assert expecting("band", low=1.0).from_.startswith("sheet; short")
    assert expecting("known-good", low=1.0).from_.startswith("sheet; no known-good yet")
    assert expecting("short", short=2.0).from_ == "sheet"


# -- what holds for any band and value

SIZE = st.floats(-1e6, 1e6, allow_nan=False)


@st.composite
def bands(draw: st.DrawFn) -> Band:
    low, high = sorted((draw(SIZE), draw(SIZE)))
    return band(
        draw(st.sampled_from([low, None])),
        draw(st.sampled_from([high, None])),
        short=draw(st.none() | st.floats(1e-3, 100)),
        open=draw(st.none() | st.floats(100, 1e6)),
        expect=draw(st.sampled_from(["band", "short", "open", "known-good"])),
    )


METERS = st.none() | st.floats(0, 1e5).map(lambda x: Uncertainty(expanded=x, k=2.0, from_="test"))
FUNCTION = st.sampled_from(["voltage", "current", "resistance", "continuity", "diode", "capacitance"])


@given(bands(), METERS, FUNCTION, st.lists(SIZE, min_size=2, max_size=12))
def test_a_larger_value_never_gets_a_lower_verdict(
    b: Band, uncertainty: Uncertainty | None, function: str, values: list[float]
) -> None:
    """Climbing values go short, low, (unsure), ok, (unsure), high, open and never back; a negative value on a
    function that has none is left out: it is no measurement of the node."""
    if function in SHORT:
        values = [abs(v) for v in values]
    found = [judge(v, "ok", function, b, uncertainty) for v in sorted(values)]
    rank = {"short": 0, "low": 1, "ok": 3, None: 3, "high": 5, "open": 6}
    floor = 0
    for verdict in found:
        if verdict == "unsure":
            floor = max(floor, 2)
            assert floor <= 4
        else:
            assert rank[verdict] >= floor
            floor = rank[verdict]
    if "ok" in found and "unsure" in found:
        first, last = found.index("ok"), len(found) - 1 - found[::-1].index("ok")
        assert "unsure" not in found[first:last]


@given(bands(), METERS, FUNCTION, SIZE)
def test_never_ok_outside_the_band(b: Band, uncertainty: Uncertainty | None, function: str, value: float) -> None:
    """ok keeps U away from both limits: p_c is 97.7 % or more at each; low and high are as sure of the reverse."""
    verdict = judge(value, "ok", function, b, uncertainty)
    low, high = b.low, b.high
    if function in SHORT and b.expect == "short":
        low, high = None, b.short or SHORT[function].value
    elif function in SHORT and b.expect == "open":
        low, high = b.open, None
    if verdict == "ok":
        assert low is None or value >= low
        assert high is None or value <= high
    if uncertainty is not None and uncertainty.expanded > 1e-3:
        u = uncertainty.expanded / 2
        if verdict == "ok":
            for one in ((low, None), (None, high)):
                assert conformity(value, *one, u) >= 0.97724
        if verdict in ("low", "high"):
            assert verdict == "low" or high is not None or b.open is not None
            wrong_side = conformity(value, low, high, u)
            limit = low if verdict == "low" else high
            assert limit is None or wrong_side <= 0.02276


@given(bands() | st.none(), METERS, FUNCTION | st.sampled_from(["temperature", "level"]), SIZE | st.none())
def test_a_verdict_is_a_verdict(
    b: Band | None, uncertainty: Uncertainty | None, function: str, value: float | None
) -> None:
    """Any input gives a verdict or None; without an uncertainty a value inside or outside is never unsure."""
    for state in ("ok", "over", "under", "blank"):
        verdict = judge(value if state == "ok" else None, state, function, b, uncertainty)
        assert verdict in (None, "ok", "low", "high", "short", "open", "unsure")
    if uncertainty is None and value is not None and (function not in SHORT or value >= 0):
        assert judge(value, "ok", function, b, None) != "unsure"
