"""Inline SVG: a point's values of all boards against their bands, and the readings around a keep.

State is never told by colour alone: each verdict has its own mark and its word stands beside it. A value kept before
the repair is hollow, one after it is filled. Widths are those of the drawing, in its own units.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import msgspec

from meterlink import records
from meterlink.bench.verdict import SHORT
from meterlink.report.collect import Sample, Trace
from meterlink.report.text import esc, value
from meterlink.wording import limit, quantity

WIDTH, LEFT, RIGHT, ROW, TOP = 640, 104, 176, 18, 10
ROWS = 40  # of one drawing, so that each fits on a printed page; a point with more gets several, on one scale
BEYOND = 1.5  # band widths that the scale goes on for on either side, if the values do
COUNTS = 10  # of the display that a waveform's height covers at least: a flicker of the last digit looks like one
FAR = 1e300  # no scale goes further: the difference of its ends is a number
EDGE = 7  # where a value beyond the scale is drawn, from the end

Ends = tuple[float | None, float | None]


class Value(msgspec.Struct, frozen=True):
    """One kept value of the picture's point."""

    board: str
    record: records.Kept


class Scale(msgspec.Struct, frozen=True):
    """A linear scale over low..high."""

    low: float
    high: float

    def x(self, at: float) -> float:
        """Where a value is drawn; one beyond the scale at its end."""
        inside = (at - self.low) / (self.high - self.low) * (WIDTH - LEFT - RIGHT)
        return LEFT + min(max(inside, EDGE), WIDTH - LEFT - RIGHT - EDGE)

    def beyond(self, at: float) -> int:
        """-1 left of the scale, 1 right of it, 0 on it."""
        return -1 if at < self.low else 1 if at > self.high else 0


def interval(r: records.Kept) -> Ends:
    """Between which values `ok` lies for this keep; None where there is no end. Source: docs/verdicts.md."""
    band = r.band
    if band is None:
        return None, None
    if r.function not in SHORT:
        return band.low, band.high
    short = SHORT[r.function].value if band.short is None else band.short
    if band.expect == "short":
        return None, short
    if band.expect == "open":
        return band.open, None
    if band.low is None and band.high is None:
        return None, None
    return (short if band.low is None else band.low), (band.open if band.high is None else band.high)


def scale(values: Sequence[Value]) -> Scale:
    """One that shows the bands, and the values with their uncertainty as far as BEYOND allows."""
    edges = [e for v in values for e in interval(v.record) if e is not None]
    ends = [*edges]
    for r in (v.record for v in values):
        if r.value is not None:
            u = r.uncertainty.expanded if r.uncertainty else 0.0
            ends += [r.value - u, r.value + u]
    if edges:
        reach = BEYOND * ((max(edges) - min(edges)) or abs(edges[0]) or 1.0)
        ends = [min(max(e, min(edges) - reach), max(edges) + reach) for e in ends]
    ends = [min(max(e, -FAR), FAR) for e in ends]
    low, high = min(ends, default=0.0), max(ends, default=0.0)
    room = (high - low) * 0.1 or abs(high) * 0.1 or 1.0
    return Scale(low - room, high + room)


def strips(point: str, values: Sequence[Value]) -> Iterator[str]:
    """The pictures of one test point: a row for each kept value, behind it the band that it was held against.

    Takes   at least one value; all of one function and unit.
    """
    fit = scale(values)
    for first in range(0, len(values), ROWS):
        yield _strip(point, values[first : first + ROWS], fit)


def _strip(point: str, values: Sequence[Value], fit: Scale) -> str:
    base = TOP + ROW * len(values)
    out = [
        f'<svg class="strip" viewBox="0 0 {WIDTH} {base + 20}" role="img" '
        f'aria-label="{esc(point)}: {len(values)} kept values against the band">'
    ]
    top = TOP
    ends: Ends = (None, None)
    for (low, high), group in groupby(values, lambda v: interval(v.record)):
        bottom = top + ROW * len(list(group))
        ends = low, high
        if low is not None or high is not None:
            a = LEFT if low is None else fit.x(low)
            b = WIDTH - RIGHT if high is None else fit.x(high)
            out.append(
                f'<rect class="band" x="{a:.1f}" y="{top}" width="{max(b - a, 1):.1f}" height="{bottom - top}"/>'
            )
            out += (f'<path class="edge" d="M{fit.x(e):.1f} {top}V{bottom}"/>' for e in ends if e is not None)
        top = bottom
    for i, v in enumerate(values):
        out.append(_row(v, TOP + ROW * i + ROW / 2, fit))
    out.append(
        f'<path class="rule" d="M{LEFT} {base}H{WIDTH - RIGHT}"/>{_axis(ends, values[-1].record, fit, base)}</svg>'
    )
    return "".join(out)


def _axis(ends: Ends, r: records.Kept, fit: Scale, base: float) -> str:
    """The ends of the last row's band in figures; without a band, the ends of the scale."""
    low, high = ends
    if low is None and high is None:
        shown = [] if r.value is None else [(LEFT, "start", fit.low), (WIDTH - RIGHT, "end", fit.high)]
        return "".join(
            f'<text class="axis {anchor}" x="{x}" y="{base + 14}">{esc(quantity(float(f"{at:.3g}"), r.unit))}</text>'
            for x, anchor, at in shown
        )
    anchors = ("end", "start") if low is not None and high is not None else ("middle", "middle")
    said = (
        None if low is None else limit(low, r.unit, "low", r.resolution),
        None if high is None else limit(high, r.unit, "high", r.resolution),
    )
    return "".join(
        f'<text class="axis {anchor}" x="{fit.x(at):.1f}" y="{base + 14}">{esc(text)}</text>'
        for at, anchor, text in zip(ends, anchors, said, strict=True)
        if at is not None
    )


def _row(v: Value, y: float, fit: Scale) -> str:
    r = v.record
    filled = r.stage == "after"
    word = ", ".join(filter(None, (r.verdict or "not judged", r.stage)))
    out = [
        f'<text class="end" x="{LEFT - 8}" y="{y + 4:g}">{_cut(v.board, 15)}</text>'
        f'<text x="{WIDTH - RIGHT + 10}" y="{y + 4:g}">{_cut(f"{value(r)}: {word}", 34)}</text>'
    ]
    if r.value is None:
        beyond = {"over": 1, "under": -1}.get(r.state, 0)
        if beyond:
            x = WIDTH - RIGHT - EDGE if beyond > 0 else LEFT + EDGE
            out.append(mark(x, y, r.verdict, filled) + _arrow(beyond, y))
        return "".join(out)
    if r.uncertainty:
        a, b = fit.x(r.value - r.uncertainty.expanded), fit.x(r.value + r.uncertainty.expanded)
        out.append(f'<path class="bar" d="M{a:.1f} {y:g}H{b:.1f}M{a:.1f} {y - 4:g}v8M{b:.1f} {y - 4:g}v8"/>')
    out.append(mark(fit.x(r.value), y, r.verdict, filled))
    if beyond := fit.beyond(r.value):
        out.append(_arrow(beyond, y))
    return "".join(out)


def _cut(text: str, longest: int) -> str:
    """The begin of a long text, the whole of it where a pointer rests on it."""
    if len(text) <= longest:
        return esc(text)
    return f"{esc(text[: longest - 1])}&hellip;<title>{esc(text)}</title>"


def _arrow(side: int, y: float) -> str:
    """This value lies beyond the scale."""
    x = WIDTH - RIGHT + 1 if side > 0 else LEFT - 1
    return f'<path class="beyond" d="M{x} {y - 3:g}l{3 * side} 3l{-3 * side} 3"/>'


def mark(x: float, y: float, verdict: str | None, filled: bool) -> str:
    """The mark of a verdict: its shape says which."""
    style = f'class="mark {"full" if filled else "hollow"}"'
    match verdict:
        case "high":
            return f'<path {style} d="M{x:.1f} {y - 5:.1f}l5 9h-10z"/>'
        case "low":
            return f'<path {style} d="M{x:.1f} {y + 5:.1f}l5 -9h-10z"/>'
        case "short":
            return f'<rect {style} x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8"/>'
        case "open":
            return f'<path class="cross {"heavy" if filled else "light"}" d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"/>'
        case "unsure":
            return f'<path {style} d="M{x:.1f} {y - 5.5:.1f}l5.5 5.5l-5.5 5.5l-5.5 -5.5z"/>'
        case "ok":
            return f'<circle {style} cx="{x:.1f}" cy="{y:.1f}" r="4.2"/>'
        case _:
            return f'<path class="cross {"heavy" if filled else "light"}" d="M{x:.1f} {y - 5:.1f}v10"/>'


def wave(trace: Trace, unit: str, resolution: float | None) -> str:
    """The readings around a keep; those it stands on are dots, those without a number crosses at the top or bottom."""
    width, height, left, right, top, bottom = 340, 110, 8, 90, 14, 82  # a wide serif font is 7.2 units a character
    numbers = [s.value for s in trace.samples if s.value is not None]
    zero = next((s.t for s in trace.samples if s.seq >= trace.last), trace.samples[-1].t)
    t0, t1 = trace.samples[0].t, trace.samples[-1].t
    low, high = min(numbers, default=0.0), max(numbers, default=0.0)
    span = max(high - low, COUNTS * (resolution or 0.0)) or abs(high) * 0.02 or 1.0
    low, high = (low + high - span) / 2, (low + high + span) / 2

    def place(s: Sample) -> tuple[float, float]:
        x = left + (s.t - t0) / ((t1 - t0) or 1.0) * (width - left - right)
        if s.value is None:
            return x, bottom + 5 if s.state == "under" else top - 6
        return x, bottom - (s.value - low) / span * (bottom - top)

    line, dots, pen = [], [], False
    for s in trace.samples:
        x, y = place(s)
        if s.value is None:
            dots.append(f'<path class="cross light" d="M{x - 2:.1f} {y - 2:.1f}l4 4m0 -4l-4 4"/>')
        else:
            line.append(f"{'L' if pen else 'M'}{x:.1f} {y:.1f}")
            if trace.first <= s.seq <= trace.last:
                dots.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="2.4"/>')
        pen = s.value is not None
    labels = []
    if numbers:
        ends = ((top + 4, high), (bottom + 4, low))
        texts = ((y, esc(quantity(float(f"{v:.5g}"), unit))) for y, v in ends)
        labels = [f'<text x="{width - right + 6}" y="{y}">{text}</text>' for y, text in texts]
    return (
        f'<svg class="wave" viewBox="0 0 {width} {height}" role="img" aria-label="{len(trace.samples)} readings">'
        f'<path class="rule" d="M{left} {bottom + 10}H{width - right}"/><path class="trace" d="{"".join(line)}"/>'
        f"{''.join(dots)}{''.join(labels)}"
        f'<text class="axis start" x="{left}" y="{height - 4}">{t0 - zero:.1f} s</text>'
        f'<text class="axis end" x="{width - right}" y="{height - 4}">{t1 - zero:+.1f} s</text></svg>'
    )
