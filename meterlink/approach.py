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
from typing import NamedTuple

LONGEST = 256  # readings remembered: two strides of the slowest charge-up at the fastest meter, and to spare
QUIET = 6.0  # counts that two readings at rest do not differ by: 3 counts of noise, either way
CLEAR_RATIO = 0.25  # at a decay per stride of this or less the noise adds less than a count to the remainder
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


class Ahead(NamedTuple):
    """Where the readings are going, and how many counts the noise may have moved that."""

    limit: float
    doubt: float


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
            if step > 2 * QUIET * count and step > JUMP * max(abs(xs[-1] - xs[-2]), abs(xs[-2] - xs[-3])):
                xs.clear()
        elif len(xs) == 2 and abs(x - xs[1]) > JUMP * abs(xs[1] - xs[0]) + 2 * QUIET * count:
            xs.clear()
        if len(xs) >= LONGEST:
            del xs[: LONGEST // 2]
        xs.append(x)

    def ahead(self, count: float) -> Ahead | None:
        """None where no motion stands clear of the noise at any stride: the readings are where they stay."""
        xs = self._x
        n = len(xs)
        best: Ahead | None = None
        stride = 1
        while True:
            group = 3 if stride >= 3 else stride
            if 2 * stride + group > n:
                return best
            if group == 1:
                x0, x1, x2 = xs[-3], xs[-2], xs[-1]
                quiet = QUIET * count
            else:
                x2 = sum(xs[-group:]) / group
                x1 = sum(xs[n - stride - group : n - stride]) / group
                x0 = sum(xs[n - 2 * stride - group : n - 2 * stride]) / group
                quiet = QUIET * count / math.sqrt(group)
            d1, d2 = x1 - x0, x2 - x1
            if abs(d1) > quiet:
                r = abs(d2 / d1)
                if r < 1:
                    doubt = count * r * (2 - r) / ((1 - r) * (1 - r))
                    best = Ahead(aitken(x0, x1, x2), doubt)
                    if r <= CLEAR_RATIO:
                        return best
                else:
                    best = Ahead(math.copysign(math.inf, d2), math.inf)
            stride += max(1, stride // 3)
