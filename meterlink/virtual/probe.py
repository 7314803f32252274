"""A probe, a board's nodes and a meter's display: what a meter would show at a moment.

The truth (what the probes are on, and how far it has charged) is kept apart from the display (range, counts, noise,
overload, what is left over from before), so that a measurement of settling can hold the one against the other.
Pure: time is passed in, chance comes from the random.Random that is passed in.
Source: shapes of the stream are common practice of hand-held meters, no source; docs/settling.md says which.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from decimal import Decimal
from typing import Literal

import msgspec

from meterlink.reading import FUNCTIONS, PREFIX, Coupling, Reading

AIR_V = 0.003  # standard deviation of what a voltage input without a probe wanders by
AIR_MOST_V = 0.008
CONVERSION = 0.6  # part of the time between two readings that the converter looks at the input
DOWN = 0.09  # a range is left downwards below this part of it; upwards above its last count
SYMBOLS = {"Ohm": "Ω"}
PREFIX_OF = {exponent: prefix for prefix, exponent in PREFIX.items()}

# Power of ten of one count in the lowest range of a 4000- or 6000-count meter, and how many ranges there are.
RANGES = {"voltage": (-3, 4), "resistance": (-1, 6), "continuity": (-1, 1), "diode": (-3, 1)}
DIODE_MOST_V = 2.5  # open-circuit voltage of the test current: nothing above it is shown

Between = Literal["over", "stale", "live"]


class Node(msgspec.Struct, frozen=True, kw_only=True):
    """One place on a board, as meters see it.

    shows      final value in the base unit by function; None or absent: open (for voltage: nothing there, 0 V)
    charge_s   time constant with which a resistance, continuity or diode reading nears it; 0: at once
    rest       part of the final value that is there already when the probe lands
    """

    shows: Mapping[str, float | None]
    charge_s: float = 0.0
    rest: float = 0.0


class Probe:
    """One meter's two probes and its display.

    rate_hz   readings per second
    counts    of the display: 4000, 6000, 22000, ...
    noise     counts that a reading may be off by, either way; small ones are the more frequent
    auto      the meter picks its range; else it stays in `range_`, counted from the lowest
    leaps     the meter goes to the right range at once, else one range with each reading
    between   what is shown in the reading in which a range is left downwards (upwards it is an overload)
    """

    def __init__(
        self,
        rng: random.Random,
        *,
        rate_hz: float = 3.0,
        counts: int = 4000,
        function: str = "diode",
        coupling: Coupling | None = None,
        noise: float = 1.0,
        auto: bool = True,
        range_: int = 0,
        leaps: bool = True,
        between: Between = "over",
    ) -> None:
        self.rng = rng
        self.rate_hz = rate_hz
        self.counts = counts
        self.noise = noise
        self.auto = auto
        self.leaps = leaps
        self.between: Between = between
        self.live = False  # the last sample showed the input as it is: not stale, held, between ranges or half landed
        self._node: Node | None = None
        self._since = -math.inf  # of the charge-up
        self._changed = -math.inf  # last touch, slide or lift
        self._was: float | None = None  # the input just before that
        self._opens: list[tuple[float, float]] = []
        self._wander = 0.0
        self._held = False
        self._shown: Reading | None = None
        self._range = range_
        self.switch(function, coupling, range_)

    def full_scale(self) -> float:
        """The first value above the present range, in the base unit."""
        return float(self.counts * 10.0 ** self._exponents[self._range])

    # -- what the hands do

    def switch(self, function: str, coupling: Coupling | None = None, range_: int = 0) -> None:
        """Turn the dial. Raises KeyError for a function that this model has no ranges for."""
        lowest, n = RANGES[function]
        self.function = function
        self.coupling: Coupling | None = coupling or ("dc" if function in ("voltage", "diode") else None)
        self._exponents = [lowest - (self.counts >= 10000) + i for i in range(n)]
        self._range = min(range_, n - 1)
        self._shown = None

    def touch(self, node: Node, now: float, bounce_s: float = 0.0) -> None:
        """Land on a node, or slide to it when on another; for bounce_s the contact opens now and then."""
        self._was, self._changed = self.truth(now), now
        self._node, self._since = node, now
        self._opens = []
        at = now
        while bounce_s and (at := at + self.rng.uniform(0.1, 0.5) * bounce_s) < now + bounce_s:
            end = min(at + self.rng.uniform(0.1, 0.5) * bounce_s, now + bounce_s)
            self._opens.append((at, end))
            at = end

    def lift(self, now: float) -> None:
        """Take the probes off."""
        self._was, self._changed = self.truth(now), now
        self._node, self._opens = None, []

    def hold(self, on: bool) -> None:
        """Press the HOLD key: the display freezes, and says so."""
        self._held = on

    # -- the truth

    def final(self) -> float | None:
        """Where this contact settles; None in the air and on an open."""
        return None if self._node is None else self._final(self._node)

    def truth(self, t: float) -> float | None:
        """The value at the probes' tips; None where there is none."""
        if self._node is None or any(a <= t < b for a, b in self._opens):
            return None
        final = self._final(self._node)
        if final is None or self._node.charge_s == 0 or self.function == "voltage":
            return final
        gone = math.exp(-max(0.0, t - self._since) / self._node.charge_s)
        return final * (1 - (1 - self._node.rest) * gone)

    def _final(self, node: Node) -> float | None:
        value = node.shows.get(self.function)
        return 0.0 if value is None and self.function == "voltage" else value

    # -- the display

    def sample(self, t: float) -> Reading:
        """What the meter shows in the reading that ends at t; times must not go back."""
        if self._held and self._shown is not None:
            self.live = False
            flags = tuple(dict.fromkeys((*self._shown.flags, "hold")))
            return msgspec.structs.replace(self._shown, flags=flags)
        x, landed = self._input(t)
        fits = self._fitting(x)
        left, self._range = self._range, fits
        if fits > left:
            shown, self.live = self._over(), False
        elif fits < left:
            shown, self.live = self._on_the_way(x, left), False
        else:
            shown, self.live = self._show(x, self._exponents[fits]), landed
            if self.auto and x is not None and shown.state == "over" and fits < len(self._exponents) - 1:
                self._range, self.live = fits + 1, False  # rounded up to the full scale, or lifted there by the noise
        self._shown = shown
        return shown

    def _input(self, t: float) -> tuple[float | None, bool]:
        """What the converter sees, and whether the whole of it is of the present contact."""
        x = self.truth(t)
        span = CONVERSION / self.rate_hz
        part = (t - self._changed) / span
        if self.function == "voltage":
            kick = self.rng.gauss(0, AIR_V * 0.4)
            self._wander = max(-AIR_MOST_V, min(AIR_MOST_V, 0.9 * self._wander + kick))
            x = self._wander if x is None else x
            if part < 1:
                was = self._wander if self._was is None else self._was
                return was + (x - was) * part, False
            return x, True
        if part < 1 and (x is None) != (self._was is None):
            # half landed or half gone: open for a part of the conversion, so an overload or far too much
            seen = self._was if x is None else x
            return (None if seen is None or self.rng.random() < 0.5 else seen * self.rng.uniform(1, 10)), False
        if part < 1 and x is not None and self._was is not None:
            return self._was + (x - self._was) * part, False
        return x, True

    def _fitting(self, x: float | None) -> int:
        """The range that the meter goes to, seeing this input in its present one."""
        if not self.auto:
            return self._range
        top = len(self._exponents) - 1
        if x is None:
            wanted = top
        else:
            wanted = self._range
            while wanted < top and abs(x) >= self.counts * 10.0 ** self._exponents[wanted]:
                wanted += 1
            while wanted > 0 and abs(x) < DOWN * self.counts * 10.0 ** self._exponents[wanted]:
                wanted -= 1
        if self.leaps or wanted == self._range:
            return wanted
        return self._range + (1 if wanted > self._range else -1)

    def _on_the_way(self, x: float | None, left: int) -> Reading:
        if self.between == "stale" and self._shown is not None:
            return self._shown
        return self._show(x, self._exponents[left]) if self.between == "live" else self._over()

    def _show(self, x: float | None, exponent: int) -> Reading:
        if x is None or (self.function == "diode" and x >= DIODE_MOST_V):
            return self._over()
        noise = (self.rng.random() - self.rng.random()) * self.noise
        n = round(x / 10.0**exponent + noise)
        if self.function != "voltage":
            n = max(n, 0)
        if abs(n) >= self.counts:
            return self._over()
        value = Decimal((int(n < 0), tuple(map(int, str(abs(n)))), exponent))
        scale = self._scale(exponent)
        return self._reading(value, exponent, f"{value.scaleb(-scale):f} {self._unit(scale)}")

    def _over(self) -> Reading:
        return self._reading(None, self._exponents[self._range], "0L")

    def _reading(self, value: Decimal | None, exponent: int, display: str) -> Reading:
        return Reading(
            function=self.function,
            coupling=self.coupling,
            value=value,
            unit=FUNCTIONS[self.function][0],
            resolution=Decimal((0, (1,), exponent)),
            state="over" if value is None else "ok",
            flags=("auto",) if self.auto and len(self._exponents) > 1 else (),
            display=display,
        )

    def _scale(self, exponent: int) -> int:
        """The power of ten of the prefix that a range is shown with: 4000 counts of 0.1 Ohm in ohms, of 1 Ohm in
        kilohms."""
        full = len(str(self.counts)) - 1 + exponent
        return max(0, 3 * (full // 3))

    def _unit(self, scale: int) -> str:
        unit = FUNCTIONS[self.function][0]
        return PREFIX_OF[scale] + SYMBOLS.get(unit, unit)
