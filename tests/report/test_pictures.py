"""The drawings: values stand where they are in the band, states differ by shape, numbers are the record's."""

from __future__ import annotations

import re
from decimal import Decimal
from itertools import pairwise

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from meterlink import records
from meterlink.bench.verdict import judge
from meterlink.report.collect import Sample, Trace
from meterlink.report.pictures import BEYOND, LEFT, RIGHT, ROWS, WIDTH, Value, interval, mark, scale, strips, wave
from meterlink.report.text import uncertainty, value
from meterlink.wording import DIGITS, quantity
from tests.report.journals import kept
from tests.report.markup import Page

VALUES = st.floats(-1e6, 1e6).map(lambda v: float(f"{v:.4g}"))
BANDS = st.tuples(st.floats(1, 1e5), st.floats(1.01, 100)).map(
    lambda b: records.Band(low=b[0], high=b[0] * b[1], expect="band", from_="sheet")
)


def drawn(*values: Value) -> str:
    text = "".join(strips("P", values))
    Page(f"<!DOCTYPE html>{text}")  # sound markup
    return text


@given(BANDS, st.lists(VALUES, min_size=1, max_size=8))
def test_a_mark_stands_in_the_band_when_its_value_does(band: records.Band, numbers: list[float]) -> None:
    fit = scale([Value("GC-01", kept(v, band=band)) for v in numbers])
    assert band.low is not None and band.high is not None
    a, b = fit.x(band.low), fit.x(band.high)
    assert LEFT < a < b < WIDTH - RIGHT
    for v in numbers:
        x = fit.x(v)
        assert LEFT < x < WIDTH - RIGHT
        assert (a <= x <= b) == (band.low <= v <= band.high) or min(abs(x - a), abs(x - b)) < 1e-6
        assert (fit.beyond(v) != 0) == (not fit.low <= v <= fit.high)
        if fit.beyond(v):  # only what is far outside the band is drawn at the end
            reach = BEYOND * (band.high - band.low)
            assert not band.low - reach <= v <= band.high + reach
    for v, w in pairwise(sorted(numbers)):
        assert fit.x(v) <= fit.x(w)


@given(BANDS, st.floats(0, 1))
def test_the_scale_is_linear(band: records.Band, part: float) -> None:
    fit = scale([Value("GC-01", kept(None, band=band))])
    assert band.low is not None and band.high is not None
    inside = band.low + part * (band.high - band.low)
    a, b = fit.x(band.low), fit.x(band.high)
    assert fit.x(inside) == pytest.approx(a + part * (b - a), abs=1e-6)


def test_states_differ_by_shape_not_by_colour() -> None:
    verdicts = (*records.Verdict.__args__, None)  # type: ignore[attr-defined]
    shapes = [re.sub(r' class="[^"]*"', "", mark(9, 9, v, False)) for v in verdicts]
    assert len(set(shapes)) == len(verdicts)
    for v in verdicts:
        assert mark(9, 9, v, False) != mark(9, 9, v, True)
        text = drawn(Value("GC-01", kept(200.0, verdict=v)), Value("GC-01", kept(200.0, verdict=v, stage="after")))
        assert text.count(f": {v or 'not judged'}, before") == text.count(f": {v or 'not judged'}, after") == 1


def test_uncertainty_is_a_bar_of_its_width() -> None:
    u = records.Uncertainty(expanded=30.0, k=2.0, from_="manual")
    values = [Value("GC-01", kept(300.0, uncertainty=u))]
    fit = scale(values)
    ((a, b),) = re.findall(r'class="bar" d="M([\d.]+) [\d.]+H([\d.]+)', drawn(*values))
    assert float(b) - float(a) == pytest.approx(fit.x(330.0) - fit.x(270.0), abs=0.11)
    assert 'class="bar"' not in drawn(Value("GC-01", kept(300.0)))


def test_over_range_is_at_the_right_with_an_arrow() -> None:
    (x,) = re.findall(r'class="cross light" d="M([\d.]+)', drawn(Value("GC-01", kept(None, verdict="open"))))
    assert float(x) > WIDTH - RIGHT - 20
    assert 'class="beyond"' in drawn(Value("GC-01", kept(None, verdict="open")))
    for v, verdict, side in ((5e6, "high", WIDTH - RIGHT), (-5e6, "low", LEFT)):
        (x,) = re.findall(r'class="beyond" d="M(\d+)', drawn(Value("GC-01", kept(v, verdict=verdict))))
        assert abs(float(x) - side) < 5
    assert 'class="beyond"' not in drawn(Value("GC-01", kept(300.0)))


def test_each_row_has_the_band_that_it_was_held_against() -> None:
    other = records.Band(low=250.0, high=350.0, expect="known-good", from_="12 boards", n=12)
    text = drawn(
        Value("GC-01", kept(300.0)), Value("GC-02", kept(300.0)), Value("GC-03", kept(300.0, band=other)),
        Value("GC-04", kept(300.0, band=None)),
    )  # fmt: skip
    rows = re.findall(r'class="band" x="[\d.]+" y="(\d+)" width="([\d.]+)" height="(\d+)"', text)
    assert [(y, h) for y, _, h in rows] == [("10", "36"), ("46", "18")]
    assert float(rows[0][1]) / float(rows[1][1]) == pytest.approx(2.4, abs=0.02)  # 240 Ohm against 100 Ohm


@given(
    st.sampled_from(["resistance", "diode", "voltage"]),
    st.sampled_from(["band", "short", "open"]),
    st.lists(st.sampled_from([None, 1.0, 5.0, 20.0, 80.0, 300.0]), min_size=4, max_size=4),
    st.sampled_from([0.5, 1.0, 3.0, 5.0, 12.0, 20.0, 50.0, 80.0, 200.0, 300.0, 900.0]),
)
def test_the_shaded_interval_is_where_the_verdict_is_ok(
    function: str, expect: str, ends: list[float | None], shown: float
) -> None:
    """Held against bench/verdict.py, which gives the verdicts."""
    low, high, short, open_ = ends
    assume(low is None or high is None or low <= high)
    assume(expect != "short" or short is not None)
    assume(expect != "open" or open_ is not None)
    assume(expect == "band" or function != "voltage")
    assume(expect != "band" or low is not None or high is not None)
    band = records.Band(low=low, high=high, expect=expect, from_="sheet", short=short, open=open_)  # type: ignore[arg-type]
    a, b = interval(kept(shown, function=function, band=band))
    ok = judge(shown, "ok", function, band, None) == "ok"
    assert ok == ((a is None or a <= shown) and (b is None or shown <= b))


def test_many_rows_are_cut_into_drawings_of_one_scale() -> None:
    values = [Value(f"GC-{i:03}", kept(200.0 + i)) for i in range(2 * ROWS + 1)]
    pieces = list(strips("P", values))
    assert [p.count('class="mark') for p in pieces] == [ROWS, ROWS, 1]
    bands = {re.search(r'class="band" x="([\d.]+)"', p)[1] for p in pieces}  # type: ignore[index]
    assert len(bands) == 1


@given(
    st.floats(allow_nan=False, allow_infinity=False).filter(lambda v: v == 0 or 1e-300 < abs(v) < 1e300),
    st.sampled_from(["V", "Ohm", "F", "Hz", "Cel", "%"]),
    st.none() | st.integers(-9, 4).map(lambda e: float(f"1e{e}")),
)
def test_a_number_on_the_page_is_the_records(v: float, unit: str, resolution: float | None) -> None:
    """Read back with the prefixes of UCUM (table 1): exactly the double of the record."""
    prefixes = {"G": 9, "M": 6, "k": 3, "": 0, "m": -3, "u": -6, "n": -9, "p": -12}
    text, _, spoken = quantity(v, unit, resolution).partition(" ")
    number = Decimal(text).scaleb(prefixes[spoken.removesuffix(unit)])
    assert float(number) == v
    last = None if resolution is None else Decimal(repr(resolution)).normalize().adjusted()
    if last is not None and -12 <= number.adjusted() <= 12 and number.adjusted() - last < DIGITS:
        exponent = number.as_tuple().exponent
        assert isinstance(exponent, int) and exponent <= last


@pytest.mark.parametrize(
    ("v", "unit", "resolution", "text"),
    [
        (3.3, "V", 0.001, "3.300 V"),
        (0.521, "V", 0.001, "0.521 V"),
        (0.00047, "V", 1e-05, "0.47 mV"),
        (21500.0, "Ohm", 10.0, "21.50 kOhm"),
        (1e-07, "F", 1e-10, "100.0 nF"),
        (0.6175, "V", 0.001, "0.6175 V"),  # a median of an even number of readings stands between two counts
        (0.0, "Ohm", 0.1, "0.0 Ohm"),
        (-12.5, "Cel", 0.1, "-12.5 Cel"),
    ],
)
def test_digits_are_those_of_the_display(v: float, unit: str, resolution: float, text: str) -> None:
    assert quantity(v, unit, resolution) == text
    assert value(kept(v, unit=unit, resolution=resolution)) == text


@pytest.mark.parametrize(
    ("expanded", "text"),
    [
        (0.23740643069077413, "0.24 Ohm (k = 2)"),
        (0.0, "0 Ohm (k = 2)"),
        (10.47, "11 Ohm (k = 2)"),
        (1.0, "1 Ohm (k = 2)"),
    ],
)
def test_uncertainty_has_two_digits_rounded_up(expanded: float, text: str) -> None:
    """JCGM 100:2008 7.2.6: two significant digits at most; its example is 10.47 mOhm rounded up to 11 mOhm."""
    assert uncertainty(records.Uncertainty(expanded=expanded, k=2.0, from_="x"), "Ohm") == text


def test_a_waveform_marks_what_the_keep_stands_on() -> None:
    samples = [Sample(10.0 + i / 4, v, "ok" if v is not None else "over", 100 + i) for i, v in enumerate(
        [None, 700.0, 810.0, 812.0, 812.0, 813.0, None, None]
    )]  # fmt: skip
    text = wave(Trace(samples, 102, 105), "Ohm", 1.0)
    Page(f"<!DOCTYPE html>{text}")
    assert text.count('class="dot"') == 4
    assert text.count('class="cross light"') == 3
    assert text.count("M", text.index('class="trace" d="'), text.index('"/>', text.index('class="trace"'))) == 1
    assert ">-1.2 s<" in text and ">+0.5 s<" in text  # 5 and 2 readings of 0.25 s from the last of them
    assert wave(Trace(samples[:1], 100, 100), "Ohm", None).count('class="dot"') == 0
