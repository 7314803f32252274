"""Where a climbing value is going: Aitken's extrapolation over readings with counts of noise.

Of an exponential approach x = L + A r^k any three readings equally far apart give L exactly:

    L = x2 + d2^2 / (d1 - d2)     with d1 = x1 - x0, d2 = x2 - x1, r = d2 / d1

On a display the differences of neighbours drown in noise long before the value stands. The mean of a stretch of an
exponential is an exponential too, so the three are the means of the three thirds of all readings since the value
last jumped: the longer the approach, the less is left of the noise, and the less the thirds decay by chance.
Source: Abramowitz and Stegun 3.9.7, Aitken's delta-squared process (from memory); docs/settling.md.
"""

from __future__ import annotations

import math
from operator import sub

LONGEST = 256  # readings remembered: the slowest charge-up at the fastest meter, and to spare
NOISIEST = 6.0  # counts that two readings at rest do not differ by: 3 counts of noise, either way
JUMP = 3.0  # a step this many times the last ones begins a new approach: no approach speeds up
STOP = 60.0  # counts of a step after which one of noise tells that nothing moves any more
SILENCE_S = 3.0  # tells nothing of the rate
RATE_OVER = 17  # readings that tell it
LATE = 0.75  # of the period: a reading that comes so soon after another tells that the other was late
MISSING = 6  # readings put in at most where some are missing
NOISE_OVER = 20  # second differences that tell the noise, at most
MOST_NOISE = 1.3  # counts of standard deviation that a noise within 3 counts either way has at most
PRIOR = 4  # what the assumed count of noise weighs against them
LEAST = 0.8  # counts: what a display cannot show is no motion
QUIET = 3.0  # standard deviations of the noise that are taken for motion
DOUBT = 2.5  # standard deviations that the limit is trusted to
YOUNG = 7  # readings below which thirds say nothing
DRIFT = 2.4  # counts from the first half to the last that are taken for motion while the approach is young
SLOWEST = 20.0  # readings: the longest time constant looked out for, 2 s at 10 readings a second


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


def _between(a: float, b: float, n: int) -> list[float]:
    """n values between two, evenly spaced."""
    return [a + (b - a) * (i + 1) / (n + 1) for i in range(n)]


class Approach:
    """The readings since the value last jumped, evenly spaced in time."""

    def __init__(self) -> None:
        self._x: list[float] = []
        self._t = 0.0
        self._gap = 0  # readings that did not come before the last one: lost, or still to come
        self._times: list[float] = []  # of the meter's latest readings, whatever they showed
        self._again = False

    def clear(self) -> None:
        """What comes next has nothing to do with what was."""
        self._x.clear()
        self._gap = 0
        self._again = False

    def heard(self, t: float) -> None:
        """A reading of the meter came, whatever it shows: its rate is known by all of them."""
        times = self._times
        if times and t - times[-1] > SILENCE_S:
            times.clear()
        if len(times) >= RATE_OVER:
            del times[0]
        times.append(t)

    def _period(self) -> float:
        """Seconds between two readings: the middle one of the latest steps, for some readings may be lost; their mean
        where most of them came at once, late."""
        times = self._times
        if len(times) < 3:
            return math.inf
        steps = sorted(map(sub, times[1:], times))
        middle, mean = steps[len(steps) // 2], (times[-1] - times[0]) / len(steps)
        return max(middle if middle > mean / 2 else mean, 1e-3)

    def take(self, x: float, count: float, t: float) -> None:
        """The next reading and its time, which `heard` has; count is one count of its display, in the unit of x.

        Readings that are missing (lost, or an overload while the range changed) are put in on a straight line; after
        a silence only when the next reading has come in its time. Where the machine or the line was busy they come
        all at once, and stand as they come.
        """
        xs = self._x
        if xs:
            if x == xs[-1] and not self._again:  # sent twice, or as it was: the next reading tells
                self._again = True
                return
            self._again = False
            if self._jumped(x, count):
                self.clear()
            else:
                if self._stopped(x, count):
                    del xs[:-1]
                    self._gap = 0
                self._fill(x, t)
        if len(xs) >= LONGEST:
            del xs[: LONGEST // 2]
        xs.append(x)
        self._t = t

    def _jumped(self, x: float, count: float) -> bool:
        xs = self._x
        if len(xs) < 2:
            return False
        before = abs(xs[-1] - xs[-2])
        if len(xs) > 2:  # of a repeated reading, the step before it
            before = max(before, abs(xs[-2] - xs[-3]))
        return abs(x - xs[-1]) > JUMP * before + 2 * NOISIEST * count

    def _stopped(self, x: float, count: float) -> bool:
        """A slide is over: of an exponential that fast no more than 4 counts are left. With the steps of the slide it
        would look like one that has far to go."""
        xs = self._x
        return len(xs) > 2 and abs(x - xs[-1]) <= NOISIEST * count and abs(xs[-1] - xs[-2]) > STOP * count

    def _fill(self, x: float, t: float) -> None:
        step, period, xs, times = t - self._t, self._period(), self._x, self._times
        if self._gap and step >= LATE * period:
            xs[-1:] = [*_between(xs[-2], xs[-1], self._gap), xs[-1]]
        self._gap = 0
        if step < 1.5 * period:
            return
        missing = min(round(step / period) - 1, MISSING)
        if times[-1] - times[-2] < 1.5 * period:
            xs += _between(xs[-1], x, missing)
        else:
            self._gap = missing

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
        if n < YOUNG:
            third = 1
            x0, x1, x2 = xs[-3:]
        else:  # the first reading stays out, it may have been taken while the probe landed
            third = (n - 1) // 3
            x2 = sum(xs[-third:]) / third
            x1 = sum(xs[-2 * third : -third]) / third
            x0 = sum(xs[-3 * third : -2 * third]) / third
        noise = self._noise(count, min(third, NOISE_OVER)) / math.sqrt(third)
        d1, d2 = x1 - x0, x2 - x1
        quiet = max(QUIET * noise, LEAST * count)
        if abs(d1) <= quiet and abs(d2) <= quiet:
            return self._drift(count) if n < YOUNG else None
        if abs(d2) >= abs(d1):
            return math.copysign(math.inf, d2)
        r = d2 / d1
        doubt = DOUBT * noise * math.sqrt(1 + 4 * r * r + r**4) / (1 - r) ** 2
        return aitken(x0, x1, x2) + math.copysign(doubt, d2)

    def _noise(self, count: float, over: int) -> float:
        """Standard deviation of one reading, from the last second differences (theirs is the root of six times it);
        while there are few, it is taken to be about a count. Never more than 3 counts of noise have: the rest is
        the bend of the approach itself."""
        xs = self._x[-over - 2 :]
        bends = [a - 2 * b + c for a, b, c in zip(xs, xs[1:], xs[2:], strict=False)]
        total = sum([b * b for b in bends]) / 6 + PRIOR * count * count
        return min(math.sqrt(total / (len(bends) + PRIOR)), MOST_NOISE * count)

    def _drift(self, count: float) -> float | None:
        """Too few readings to extrapolate: if they drift one way, this is the slowest approach there is."""
        xs = self._x if len(self._x) == 3 else self._x[1:]
        n = len(xs)
        half = n // 2
        drift = (sum(xs[-half:]) - sum(xs[:half])) / half
        if abs(drift) < DRIFT * count or (half == 1 and not min(xs[0], xs[2]) <= xs[1] <= max(xs[0], xs[2])):
            return None
        return xs[-1] + SLOWEST * drift / (n - half)
