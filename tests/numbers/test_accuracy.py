"""Uncertainties against JCGM 100:2008's voltmeter and the worked meter examples of manuals and pages."""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import accuracy, tomlfile
from meterlink.accuracy import Profile, Range
from meterlink.errors import BadInput
from meterlink.reading import Reading


def shown(value: str | None, resolution: str | None, function: str = "voltage", **more: object) -> Reading:
    """A reading as a driver gives it; the unit does not matter here."""
    number = None if value is None else Decimal(value)
    count = None if resolution is None else Decimal(resolution)
    return Reading(**{"function": function, "value": number, "unit": "V", "resolution": count, **more})  # type: ignore[arg-type]


def profile(*ranges: Range) -> Profile:
    return Profile(instrument="a meter", manual="its manual, p. 1", ranges=ranges)


def standard(p: Profile, reading: Reading) -> float:
    """The standard uncertainty u = U / k."""
    u = p.uncertainty(reading)
    assert u is not None
    assert (u.k, u.from_) == (2.0, "a meter: its manual, p. 1")
    return u.expanded / u.k


def test_the_voltmeter_of_the_guide() -> None:
    """JCGM 100:2008 4.3.7 example 2 and 5.1.5 (from memory): 14e-6 of reading + 2e-6 of range on 1 V,
    0.928571 V: a = 15 uV, u = 8.7 uV; with the mean's 12 uV combined variance 219 uV^2, u_c = 15 uV."""
    meter = profile(Range(function="voltage", upto=1.0, reading=14e-4, range=2e-4))
    u = standard(meter, shown("0.928571", None))
    assert u * math.sqrt(3) == pytest.approx(1.4999994e-5, rel=1e-9)
    assert u == pytest.approx(8.66025e-6, rel=1e-6)
    assert f"{u * 1e6:.1f}" == "8.7"
    combined = (12e-6) ** 2 + u**2
    assert combined == pytest.approx(2.18999940e-10, rel=1e-8)
    assert (f"{combined * 1e12:.0f}", f"{math.sqrt(combined) * 1e6:.0f}") == ("219", "15")


@pytest.mark.parametrize(
    ("value", "count", "percent", "counts", "tolerance", "u"),
    [
        ("1.396", "0.001", 0.8, 5, 0.016168, 0.0093346),  # Yato YT-73081 manual p. 12
        ("2.000", "0.001", 0.08, 2, 0.0036, 0.0020785),  # application page on a Sanwa PC510a, 5.000 V range
        ("100.0", "0.1", 1.0, 2, 1.2, 0.69282),  # "Introduction to digital multimeter accuracy" (GVDA)
    ],
)
def test_percent_and_counts(value: str, count: str, percent: float, counts: float, tolerance: float, u: float) -> None:
    meter = profile(Range(function="voltage", upto=1000.0, reading=percent, counts=counts))
    found = standard(meter, shown(value, count))
    assert found * math.sqrt(3) == pytest.approx(tolerance, rel=1e-9)
    assert found == pytest.approx(u, rel=5e-5)  # printed with five digits


def test_the_display_alone() -> None:
    """JCGM 100:2008 F.2.2.1: one digit q gives 0.29 q. Added where the maker's statement has no counts, and not
    where it has: those cover the rounding."""
    bare = profile(Range(function="voltage", upto=10.0, reading=0.5))
    assert standard(bare, shown("0.000", "0.001")) == pytest.approx(0.29e-3, abs=0.005e-3)
    both = math.hypot(1.0 * 0.5 / 100 / math.sqrt(3), 0.2886751e-3)
    assert standard(bare, shown("1.000", "0.001")) == pytest.approx(both, rel=1e-6)
    counted = profile(Range(function="voltage", upto=10.0, counts=1))
    assert standard(counted, shown("0.000", "0.001")) == pytest.approx(1e-3 / math.sqrt(3), rel=1e-9)


# -- the profiles that come with the program, from the manuals' pages


@pytest.mark.parametrize(
    ("name", "reading", "tolerance"),
    [
        ("elenco-m1000d", shown("47.0", "0.1", "resistance"), 0.576),  # Elenco, 47.0 Ohm on 200: 0.376 + 0.2
        ("elenco-m1000d", shown("1.50E+6", "1E+3", "resistance"), 15e3 + 2e3),  # 1 % + 2 on 2000 k
        ("fluke-115-116-117", shown("32.77E+3", "10", "frequency"), 52.77),  # 0.0328 + 0.02 kHz
        ("facom-nu712", shown("0.412", "0.001", "diode"), 0.00618 + 0.002),  # 1.5 % + 2
    ],
)
def test_bundled_profiles(name: str, reading: Reading, tolerance: float, tmp_path: Path) -> None:
    found = accuracy.find_profile(name, tmp_path).uncertainty(reading)
    assert found is not None
    assert found.expanded == pytest.approx(2 * tolerance / math.sqrt(3), rel=1e-9)
    assert "p. " in found.from_


def test_every_bundled_profile_loads_and_names_its_manual(tmp_path: Path) -> None:
    assert len(accuracy.bundled()) >= 2
    for name in accuracy.bundled():
        found = accuracy.find_profile(name, tmp_path)
        assert "p. " in found.manual
        assert found.source == f"{found.instrument}: {found.manual}"


# -- which statement holds


METER = profile(
    Range(function="voltage", coupling="dc", upto=6.0, resolution=0.001, reading=0.5, counts=2),
    Range(function="voltage", coupling="dc", upto=60.0, resolution=0.01, reading=0.5, counts=2),
    Range(function="voltage", coupling="ac", upto=6.0, above=0.06, resolution=0.001, reading=1.0, counts=3),
)


@pytest.mark.parametrize(
    ("reading", "a"),
    [
        (shown("5.000", "0.001", coupling="dc"), 0.025 + 0.002),
        (shown("5.00", "0.01", coupling="dc"), 0.025 + 0.02),  # the count tells the range, not the value
        (shown("-5.00", "0.01", coupling="dc"), 0.025 + 0.02),
        (shown("5.000", None, coupling="dc"), 0.025 + 0.002),  # no count told: the lowest range that holds it
        (shown("7", None, coupling="dc"), 0.035 + 0.02),
        (shown("5.000", "0.001", coupling="ac"), 0.05 + 0.003),
        (shown("0.050", "0.001", coupling="ac"), None),  # below where the statement begins
        (shown("5.000", "0.001", coupling="acdc"), None),
        (shown("5.0000", "0.0001", coupling="dc"), None),  # a count that no range of the manual has
        (shown("7.000", "0.001", coupling="dc"), None),  # above the range's end
        (shown("61", None, coupling="dc"), None),
        (shown("5.0", "0.1", "resistance"), None),
        (shown(None, "0.001", coupling="dc", state="over"), None),
    ],
)
def test_the_statement_that_holds(reading: Reading, a: float | None) -> None:
    found = METER.uncertainty(reading)
    assert found is None if a is None else found is not None
    if found is not None and a is not None:
        assert found.expanded == pytest.approx(2 * a / math.sqrt(3), rel=1e-9)


def test_counts_of_unknown_size_give_nothing() -> None:
    meter = profile(Range(function="voltage", upto=10.0, reading=0.5, counts=2))
    assert meter.uncertainty(shown("1.0", None)) is None


@given(st.decimals(-100, 100, places=3), st.sampled_from(["0.001", "0.01", None]))
def test_never_negative_and_grows_with_the_value(value: Decimal, resolution: str | None) -> None:
    small, large = (METER.uncertainty(shown(str(v), resolution, coupling="dc")) for v in (value / 2, value))
    if large is not None:
        assert small is not None
        assert 0 < small.expanded <= large.expanded


# -- files

GOOD = """instrument = "a meter"
manual = "its manual, p. 1"

[[range]]
function = "voltage"
coupling = "dc"
upto = 6
resolution = 0.001
reading = 0.5
counts = 2
"""


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ('manual = "its manual, p. 1"\n', "", "p.toml:1: manual: it is missing"),
        ("counts", "count", "p.toml:10: range.count: there is no such key; did you mean counts?"),
        ("upto = 6", "upto = 0", "p.toml:7: range.upto: it is above 0"),
        ("upto = 6", "upto = inf", "p.toml:7: range.upto: inf is nothing"),
        ("upto = 6\n", "", "p.toml:4: range.upto: it is missing"),
        ("reading = 0.5", "reading = -0.5", "p.toml:9: range.reading: -0.5 is below 0"),
        ("reading = 0.5", "reading = '0.5'", "p.toml:9: range.reading: it takes a number"),
        ('"voltage"', '"volt"', "p.toml:5: range.function: 'volt' is not known"),
        ('"dc"', '"DC"', "p.toml:6: range.coupling: 'DC' is not known"),
        ("reading = 0.5\ncounts = 2\n", "", "p.toml:4: range: it says nothing"),
        ("[[range]]", "[range]", "p.toml:4: range: it takes one table each, in double brackets"),
    ],
)
def test_problems_name_their_line(old: str, new: str, problem: str, tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(BadInput) as caught:
        Profile.load(path)
    assert str(caught.value).startswith(f"{tmp_path}/{problem}")


def test_finding_profiles(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    assert accuracy.find_profile("mine", tmp_path) == Profile.load(path) == accuracy.find_profile(str(path), Path())
    with pytest.raises(BadInput, match="no accuracy profile 'mien'; did you mean mine"):
        accuracy.find_profile("mien", tmp_path)
    (tmp_path / "elenco-m1000d.toml").write_text(GOOD)  # the bench's own file comes first
    assert accuracy.find_profile("elenco-m1000d", tmp_path).instrument == "a meter"


@given(st.text(max_size=80))
def test_any_text_is_a_profile_or_bad_input(text: str) -> None:
    said = None
    try:
        accuracy.check(tomlfile.parse((GOOD + text).encode("utf-8", "ignore"), "p.toml"))
    except BadInput as error:
        said = str(error)
    assert said is None or said.startswith("p.toml:")
