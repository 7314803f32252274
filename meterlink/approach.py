"""Where a climbing value is going: Aitken's extrapolation over readings with counts of noise.

Of an exponential approach x = L + A r^k any three readings equally far apart give L exactly:

    L = x2 + d2^2 / (d1 - d2)     with d1 = x1 - x0, d2 = x2 - x1, r = d2 / d1

On a display the differences of neighbours drown in noise long before the value stands, so the three are taken
further and further apart (the stride), and each is the mean of up to three neighbours, until the decay over one
stride stands clear of the noise.
Source: Abramowitz and Stegun 3.9.7, Aitken's delta-squared process (from memory); docs/settling.md.
"""

from __future__ import annotations

import math

LONGEST = 256  # readings remembered: two strides of the slowest charge-up at the fastest meter, and to spare
QUIET = 5.0  # counts that two readings at rest do not differ by: 3 counts of noise, either way
DOUBT = 2.5  # counts that a difference of two readings is trusted to
JUMP = 3.0  # a step this many times the last ones begins a new approach: no approach speeds up


def aitken(x0: float, x1: float, x2: float) -> float:
    """The limit of a sequence that nears it by the same ratio each step.

    Takes   three readings equally far apart.
    Gives   x2 where nothing moves; an infinity where the steps do not shrink: there is no limit ahead.
    """
    d1, d2 = x1 - x0, x2 - x1
    if d2 == 0:
        return x2
    if abs(d2) >= abs(d1):
        return math.copysign(math.inf, d2)
    return x2 + d2 * d2 / (d1 - d2)


class Approach:
    """The readings since the value last jumped."""

    def __init__(self) -> None:
        self._x: list[float] = []

    def clear(self) -> None:
        """What comes next has nothing to do with what was."""
        self._x.clear()

    def take(self, x: float, count: float) -> None:
        """The next reading; count is one count of its display, in the same unit."""
        xs = self._x
        if len(xs) >= 3:
            step = abs(x - xs[-1])
            if step > 12 * count and step > JUMP * max(abs(xs[-1] - xs[-2]), abs(xs[-2] - xs[-3])):
                xs.clear()
        elif len(xs) == 2 and abs(x - xs[1]) > JUMP * abs(xs[1] - xs[0]) + 12 * count:
            xs.clear()
        if len(xs) >= LONGEST:
            del xs[: LONGEST // 2]
        xs.append(x)

    def ahead(self, count: float) -> float | None:
        """How far the value may still go, as the worst limit that the noise leaves open.

        Takes   one count of the display.
        Gives   that limit; an infinity where the steps do not shrink; None where no motion stands clear of the
                noise: the readings are where they stay.
        """
        xs = self._x
        n = len(xs)
        if n < 3:
            return None
        if n < 7:
            x0, x1, x2 = xs[-3:]
            noise = count
        else:  # thirds; the first reading stays out, it may have been taken while the probe landed
            third = (n - 1) // 3
            x2 = sum(xs[-third:]) / third
            x1 = sum(xs[-2 * third : -third]) / third
            x0 = sum(xs[-3 * third : -2 * third]) / third
            noise = count / math.sqrt(third)
        d1, d2 = x1 - x0, x2 - x1
        if abs(d1) <= QUIET * noise and abs(d2) <= QUIET * noise:
            return None
        if abs(d2) >= abs(d1):
            return math.copysign(math.inf, d2)
        r = d2 / d1
        doubt = DOUBT * noise * math.sqrt(1 + 4 * r * r + r**4) / (1 - r) ** 2
        return aitken(x0, x1, x2) + math.copysign(doubt, d2)
