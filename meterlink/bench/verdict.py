"""Verdicts: what the band says of a kept reading. Pure; the bench and `journal verify` run the same code.

Everything that a verdict needs is in the record (value, state, function, band, uncertainty), so it can be
computed again for ever. Invariant: SHORT may never change - free probing in old journals stands on it.

Decision rule: a guard band as wide as the meter's expanded uncertainty U on both sides of each limit. ok =
inside by at least U; low, high = outside by more than U; between them unsure. Without an uncertainty: simple
acceptance. Source: JCGM 106:2012 (guard bands, w = U); ILAC-G8:09/2019 4.2.3, with both conditional zones
called unsure.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Protocol

import msgspec

from meterlink import records
from meterlink.bench.sheet import Point


class Limit(msgspec.Struct, frozen=True):
    """A default limit in the base unit and where it comes from."""

    value: float
    source: str


# Below it, a value that is not in its band is called short.
SHORT: dict[str, Limit] = {
    "resistance": Limit(10.0, "common practice, no source"),
    "continuity": Limit(10.0, "Knova KN-8058 manual p. 5: beeps below 10 Ohm"),
    "diode": Limit(0.05, "Facom NU.712 manual p. 18: beeps below 0.050 V"),
}


class Known(Protocol):
    """A learned band; meterlink.knowngood.KnownGood is one."""

    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def n(self) -> int: ...
    def origin(self) -> str: ...


def band_for(point: Point, known: Known | None) -> records.Band | None:
    """What a point is held against.

    Takes   a sheet's point and the known-good of its model, function and coupling, if one was learned.
    Gives   the point's own limits, or with expect "known-good" the learned ones; until something is learned
            the sheet's low and high stand in. Default limits are filled in. None if nothing can be judged.
    """
    low, high, n, origin = point.low, point.high, None, "sheet"
    if point.expect == "known-good":
        if known is not None:
            low, high, n, origin = known.low, known.high, known.n, known.origin()
        else:
            origin = "sheet; no known-good yet" if low is not None or high is not None else "no known-good yet"
    short = point.short
    if short is None and point.function in SHORT:
        short = SHORT[point.function].value
        origin += f"; short: {SHORT[point.function].source}"
    if (low, high, short, point.open) == (None, None, None, None):
        return None
    return records.Band(low=low, high=high, expect=point.expect, from_=origin, n=n, short=short, open=point.open)


def judge(
    value: float | None,
    state: str,
    function: str,
    band: records.Band | None,
    uncertainty: records.Uncertainty | None,
) -> records.Verdict | None:
    """The verdict on one value.

    Takes   value in the base unit, None unless state is "ok"; state as in reading.State.
    Gives   None where there is nothing to hold it against or nothing was shown. Free probing (no band) tells
            short and open on resistance, continuity and diode.
    Source  the decision rule above; the limits of short in SHORT; what a negative resistance means: common
            practice, no source (docs/safety.md).
    """
    if value is None or state != "ok":
        return _beyond(state, function, band)
    if function not in SHORT:
        return _guarded(value, band.low, band.high, uncertainty) if band else None
    short = band.short if band and band.short is not None else SHORT[function].value
    open_ = band.open if band else None
    if value < -short and not (band and band.low is not None and band.low < 0):
        return "unsure"  # the node carries a voltage of its own: a charged capacitor, or power
    if band is None or (band.expect not in ("short", "open") and band.low is None and band.high is None):
        return "short" if value < short else "open" if open_ is not None and value > open_ else None
    if band.expect == "short":
        found = _guarded(value, None, short, uncertainty)
    elif band.expect == "open":
        found = _guarded(value, open_, None, uncertainty) if open_ is not None else "low"
    else:  # a band without a low end has the short limit for one: a dead short is never "below high, so ok"
        low = short if band.low is None else band.low
        high = open_ if band.high is None else band.high
        found = _guarded(value, low, high, uncertainty)
    if found == "low" and value < short:
        return "short"
    if found == "high" and open_ is not None and value > open_:
        return "open"
    return found


def _guarded(
    value: float, low: float | None, high: float | None, uncertainty: records.Uncertainty | None
) -> records.Verdict:
    """The decision rule on one value; limits belong to the band. Decimal, so that 3.465 - 0.024 is 3.441."""
    v = Decimal(repr(value))
    guard = Decimal(repr(uncertainty.expanded)) if uncertainty else Decimal(0)
    if low is not None and v < Decimal(repr(low)) - guard:
        return "low"
    if high is not None and v > Decimal(repr(high)) + guard:
        return "high"
    inside = (low is None or v >= Decimal(repr(low)) + guard) and (high is None or v <= Decimal(repr(high)) - guard)
    return "ok" if inside else "unsure"


def _beyond(state: str, function: str, band: records.Band | None) -> records.Verdict | None:
    """The verdict where the instrument showed no number but that the value is outside its range."""
    if state not in ("over", "under"):
        return None
    if function in SHORT:
        if state == "under":
            return "unsure"  # no resistance and no drop is below zero: a voltage on the node
        return "ok" if band and band.expect == "open" else "open"
    limit = None if band is None else band.high if state == "over" else band.low
    if limit is not None:
        return "high" if state == "over" else "low"
    return "unsure" if band and (band.low is not None or band.high is not None) else None
