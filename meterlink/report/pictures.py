"""Inline SVG: a point's values of all boards against the band, and the readings around a keep.

State is never told by colour alone: each verdict has its own mark and its word stands beside it. A value kept before
the repair is hollow, one after it is filled. All text passes through `esc`.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import msgspec

from meterlink import records
from meterlink.report.collect import Trace

WIDTH, LEFT, RIGHT, ROW, TOP = 640, 90, 120, 18, 14


class Value(msgspec.Struct, frozen=True):
    """One kept value of the picture's point."""

    board: str
    record: records.Kept


def esc(text: object) -> str:
    """Text as HTML text or attribute value. A line break stays one; other controls become a replacement mark."""
    clean = "".join(c if c.isprintable() or c == "\n" else "\N{REPLACEMENT CHARACTER}" for c in str(text))
    return html.escape(clean, quote=True)


def number(value: float, resolution: float | None = None) -> str:
    """A value with the digits its resolution gives it."""
    if resolution and 0 < resolution < 1:
        return f"{value:.{max(0, -math.floor(math.log10(resolution) + 1e-9))}f}"
    return f"{value:g}"


def _mark(x: float, y: float, verdict: str | None, filled: bool) -> str:
    style = f'class="mark {"full" if filled else "hollow"}"'
    match verdict:
        case "high":
            return f'<path {style} d="M{x:.1f} {y - 5:.1f}l5 9h-10z"/>'
        case "low":
            return f'<path {style} d="M{x:.1f} {y + 5:.1f}l5 -9h-10z"/>'
        case "short":
            return f'<rect {style} x="{x - 4.5:.1f}" y="{y - 4.5:.1f}" width="9" height="9"/>'
        case "open":
            return f'<path class="cross" d="M{x - 4.5:.1f} {y - 4.5:.1f}l9 9m0 -9l-9 9"/>'
        case "unsure":
            return f'<path {style} d="M{x:.1f} {y - 5.5:.1f}l5.5 5.5l-5.5 5.5l-5.5 -5.5z"/>'
        case _:
            return f'<circle {style} cx="{x:.1f}" cy="{y:.1f}" r="4.5"/>'


def strip(point: str, values: Sequence[Value]) -> str:
    """The picture of one test point: a row for each kept value, the band behind them.

    Takes   at least one value; those of one function and unit.
    """
    shown = [v for v in values if v.record.value is not None]
    bands = [v.record.band for v in values if v.record.band]
    edges = [e for b in bands for e in (b.low, b.high) if e is not None]
    spans = [
        v.record.value + s * (v.record.uncertainty.expanded if v.record.uncertainty else 0.0)
        for v in shown
        for s in (-1, 1)
        if v.record.value is not None
    ]
    ends = [*edges, *spans] or [0.0]
    low, high = min(ends), max(ends)
    room = (high - low) * 0.08 or abs(high) * 0.1 or 1.0
    low, high = low - room, high + room

    def x(value: float) -> float:
        return LEFT + (value - low) / (high - low) * (WIDTH - LEFT - RIGHT)

    height = TOP + ROW * len(values) + 26
    unit = values[0].record.unit
    out = [
        f'<svg class="strip" viewBox="0 0 {WIDTH} {height}" role="img" '
        f'aria-label="{esc(point)}: {len(values)} kept values">'
    ]
    band = bands[-1] if bands else None
    base = TOP + ROW * len(values) + 4
    if band and (band.low is not None or band.high is not None):
        a = x(band.low) if band.low is not None else LEFT
        b = x(band.high) if band.high is not None else WIDTH - RIGHT
        out.append(
            f'<rect class="band" x="{a:.1f}" y="{TOP - 6}" width="{max(b - a, 0.5):.1f}" height="{base - TOP + 6}"/>'
        )
        for edge in (band.low, band.high):
            if edge is not None:
                out.append(f'<path class="edge" d="M{x(edge):.1f} {TOP - 6}V{base}"/>')
                out.append(f'<text class="axis" x="{x(edge):.1f}" y="{base + 14}">{number(edge)} {esc(unit)}</text>')
    for i, v in enumerate(values):
        r, y = v.record, TOP + ROW * i + 6
        out.append(f'<text class="board" x="{LEFT - 8}" y="{y + 4}">{esc(v.board)}</text>')
        filled = r.stage == "after"
        word = f"{r.verdict or 'kept'}{', after' if filled else ''}"
        if r.value is None:
            out.append(_mark(WIDTH - RIGHT - 6, y, "open", filled))
            text = f"{r.state}: {word}"
        else:
            if r.uncertainty:
                a, b = x(r.value - r.uncertainty.expanded), x(r.value + r.uncertainty.expanded)
                out.append(f'<path class="bar" d="M{a:.1f} {y}H{b:.1f}M{a:.1f} {y - 3}v6M{b:.1f} {y - 3}v6"/>')
            out.append(_mark(x(r.value), y, r.verdict, filled))
            text = f"{number(r.value, r.resolution)} {word}"
        out.append(f'<text class="word" x="{WIDTH - RIGHT + 8}" y="{y + 4}">{esc(text)}</text>')
    out.append(f'<path class="rule" d="M{LEFT} {base}H{WIDTH - RIGHT}"/></svg>')
    return "".join(out)


def wave(trace: Trace, unit: str) -> str:
    """The readings before and at a keep; those the keep stands on are marked."""
    numbers = [v for _, v, _ in trace.samples if v is not None]
    if not numbers:
        return "<p>No number was shown around this keep.</p>"
    t0, t1 = trace.samples[0][0], trace.samples[-1][0]
    low, high = min(numbers), max(numbers)
    room = (high - low) * 0.1 or abs(high) * 0.01 or 1.0
    low, high = low - room, high + room
    width, height = 640, 120

    def at(t: float, v: float) -> str:
        x = 60 + (t - t0) / ((t1 - t0) or 1) * (width - 80)
        y = height - 20 - (v - low) / (high - low) * (height - 35)
        return f"{x:.1f} {y:.1f}"

    path, pen = [], False
    marks = []
    for t, v, seq in trace.samples:
        if v is None:
            pen = False
            continue
        path.append(("L" if pen else "M") + at(t, v))
        pen = True
        if trace.first <= seq <= trace.last:
            cx, cy = at(t, v).split()
            marks.append(f'<circle class="mark full" cx="{cx}" cy="{cy}" r="3"/>')
    return (
        f'<svg class="wave" viewBox="0 0 {width} {height}" role="img" aria-label="readings around the keep">'
        f'<text class="axis left" x="4" y="18">{number(max(numbers))} {esc(unit)}</text>'
        f'<text class="axis left" x="4" y="{height - 22}">{number(min(numbers))} {esc(unit)}</text>'
        f'<path class="trace" d="{"".join(path)}"/>{"".join(marks)}'
        f'<text class="axis" x="{width - 40}" y="{height - 4}">{t1 - t0:.1f} s</text></svg>'
    )
