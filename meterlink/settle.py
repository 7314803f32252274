"""Settling: readings of one meter in, contacts and settled values out; pure.

Decides, without a hand on any key, that a probe is on a point and the value stands. It reads no clock: the same
readings at the same times give the same events, live, in replay and in a test.

Invariants: at most one Settled per contact, armed again only by a lift or by `rearm`; a held or recorded value
(HOLD, MAX, MIN, peak) stands in no settled window; a settled value is the median of readings that follow on each
other in one range, without an overload between them, each within the tolerance of it.
Source: docs/settling.md (the method with its arithmetic and where it ends).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from typing import Annotated, Union

import msgspec

from meterlink.approach import Approach
from meterlink.reading import Coupling, Reading, State

OPEN_AIR = ("resistance", "continuity", "diode")  # probes in the air show an overload
FLOOR_AIR = ("voltage",)  # probes in the air wander near zero
HANDS_FREE = OPEN_AIR + FLOOR_AIR  # every other function is kept by the pedal alone

NOT_LIVE = frozenset({"hold", "max", "min", "peak-max", "peak-min"})

# One count is not taken to be finer than this: the last digits of a long scale are noise on a probed board.
FINEST = {f: Decimal("0.0001") if f in ("voltage", "diode") else Decimal("0.01") for f in HANDS_FREE}

LOST_S = 3.0  # a silence that no window spans
EXACT = 1 + 1e-9  # three counts as a double are not quite three counts
STRICTER = 0.95  # of the tolerance is for what is still to come: an extrapolation is not exact
ALIKE = 0.9  # of a value, for the noise between two readings of it
DIGITS = 8  # readings whose last digits are looked at
LONGEST = 256  # readings in a window, when span_s asks for more than `window`


class Rules(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The bench's [keep] table: when a contact's readings have stopped moving.

    window         readings that must agree
    span_s         and the seconds that they must span at least
    counts         tolerance in counts of the display, or
    relative       as a part of the value (0.005 is 0.5 %): the larger of the two holds
    voltage_floor  volts; a voltage reading at or below it is taken for probes in the air
    slip_s         no hand reaches another point in fewer seconds: so short an overload is no lift
    """

    window: Annotated[int, msgspec.Meta(ge=3, le=20)] = 3
    span_s: Annotated[float, msgspec.Meta(ge=0, le=10)] = 0.25
    counts: Annotated[float, msgspec.Meta(ge=1, le=100)] = 3.0
    relative: Annotated[float, msgspec.Meta(ge=0, le=0.1)] = 0.005
    voltage_floor: Annotated[float, msgspec.Meta(ge=0, le=10)] = 0.02
    slip_s: Annotated[float, msgspec.Meta(ge=0, le=2)] = 0.45


class Contact(msgspec.Struct, frozen=True, kw_only=True):
    """The probe landed: the first reading that is not air. t in monotonic seconds, seq of that reading."""

    t: float
    seq: int


class Lift(msgspec.Struct, frozen=True, kw_only=True):
    """The probe left: the first reading of air after a contact."""

    t: float
    seq: int


class WrongFunction(msgspec.Struct, frozen=True, kw_only=True):
    """A contact, while the meter is switched to another function than is expected; once per contact."""

    t: float
    seq: int
    function: str
    expected: str


class _Value(msgspec.Struct, frozen=True, kw_only=True):
    """A value that stands, and the readings it stands on.

    value, spread  in `unit`: the median of the window's values, and its largest less its smallest value
    n              readings in the window; first, last: their outermost seqs
    reading        the last of them, as the instrument showed it
    """

    t: float
    seq: int
    function: str
    coupling: Coupling | None
    value: Decimal | None
    unit: str
    resolution: Decimal | None
    state: State
    n: int
    spread: Decimal | None
    first: int
    last: int
    reading: Reading | None = None


class Settled(_Value, frozen=True, kw_only=True):
    """The contact's value, for the first and only time in this contact: to be kept."""


class Moved(_Value, frozen=True, kw_only=True):
    """Settled elsewhere without a lift: not kept by itself, the pedal may."""


Decision = Union[Contact, Settled, Lift, Moved, WrongFunction]  # noqa: UP007 - read at run time on Python 3.10


_Range = tuple[str, "Coupling | None", bool, Decimal]  # function, coupling, whether it tells a resolution, one count


class _Shown(msgspec.Struct, frozen=True, gc=False):
    value: Decimal
    x: float
    t: float
    seq: int


def median(values: Sequence[Decimal]) -> Decimal:
    """The middle value; of an even number, the mean of the two middle ones. Takes one value or more."""
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2


class Settle:
    """One meter's settling. Feed it every reading; it passes over those that say nothing about the probe."""

    def __init__(self, rules: Rules | None = None, expects: str | None = None) -> None:
        self.rules = rules or Rules()
        self._expects = expects
        self._contact = False
        self._told = False  # WrongFunction was given in this contact
        self._kept: Settled | Moved | None = None  # what stands in this contact
        self._before: Settled | Moved | None = None  # what stood before the lift
        self._number_t = -math.inf  # last reading that had a number and was not air
        self._number_x = 0.0
        self._airs = 0  # readings of air since then
        self._window: list[_Shown] = []
        self._count = math.inf  # one count of the window's range, never finer than FINEST
        self._range: _Range | None = None  # of the window
        self._digits: list[int] = []  # of a meter that tells no resolution: powers of ten of the last digits
        self._approach = Approach()
        self._share = 0.0

    @property
    def in_contact(self) -> bool:
        """The probes are on something, as far as the readings tell."""
        return self._contact

    @property
    def in_air(self) -> bool:
        """The probes were seen in the air, and on nothing since."""
        return self._airs > 0

    @property
    def progress(self) -> float:
        """How near this contact is to being kept, 0 to 1; 1 when it has been."""
        return 0.0 if not self._contact else 1.0 if self._kept else self._share

    def expect(self, function: str | None) -> None:
        """What the contact is expected to be measured in (None: anything); compared word for word."""
        self._expects = function

    def rearm(self) -> None:
        """The pedal: keep what stands in this contact once more, as if it had just begun."""
        self._kept = self._before = None
        self._window.clear()

    def reset(self) -> None:
        """Readings were lost. The contact is forgotten; if it had been kept, a number that comes next may be the
        same contact, so nothing is kept (but Moved is told) until the probes have been seen in the air."""
        self._contact = self._told = False
        self._airs = 0
        self._window.clear()
        self._approach.clear()
        self._number_t = -math.inf

    def feed(self, reading: Reading, t: float, seq: int) -> list[Decision]:
        """Takes the next reading, its arrival in monotonic seconds and its seq; gives what it decides."""
        function = reading.function
        if reading.channel is not None or "setting" in reading.flags:
            return []
        self._approach.heard(t)
        if reading.state == "blank":
            return []
        if function not in HANDS_FREE or (reading.flags and self._not_live(reading)):
            self._window.clear()
            self._approach.clear()
            self._share = 0.0
            return []
        x = None if reading.value is None else float(reading.value)
        over, near_zero = reading.state == "over", x is not None and abs(x) <= self.rules.voltage_floor
        if over if function in OPEN_AIR else near_zero:
            return self._air(t, seq)
        return self._number(reading, x, t, seq)

    def _not_live(self, reading: Reading) -> bool:
        """Held or recorded; or a voltage difference, of which nobody can say where its air lies."""
        return not NOT_LIVE.isdisjoint(reading.flags) or (reading.function in FLOOR_AIR and "rel" in reading.flags)

    def _air(self, t: float, seq: int) -> list[Decision]:
        self._window.clear()
        self._share = 0.0
        self._airs += 1
        self._digits.clear()
        if self._airs > 2:  # one or two on the way up are a change of range: the approach goes on
            self._approach.clear()
        if not self._contact:
            self._kept = None  # after a reset: air at last
            return []
        self._contact, self._kept, self._before = False, None, self._kept
        return [Lift(t=t, seq=seq)]

    def _number(self, reading: Reading, x: float | None, t: float, seq: int) -> list[Decision]:
        out: list[Decision] = []
        step = self._step(reading)
        if not self._contact:
            self._contact = True
            if self._no_lift(reading, step, x, t):
                self._kept = self._kept or self._before
            else:
                self._told = False
            self._before = None
            out.append(Contact(t=t, seq=seq))
        if x is not None:
            self._number_t, self._number_x = t, x
        airs, self._airs = self._airs, 0
        if self._expects is not None and reading.function != self._expects:
            self._window.clear()
            self._share = 0.0
            if not self._told:
                self._told = True
                out.append(WrongFunction(t=t, seq=seq, function=reading.function, expected=self._expects))
            return out
        if x is None or reading.value is None:  # a voltage above its range: on the point, without a number
            self._window.clear()
            self._share = 0.0
            return out
        self._take(reading, step, _Shown(reading.value, x, t, seq), airs)
        if value := self._settled(reading, t, seq):
            out.append(value)
        return out

    def _no_lift(self, reading: Reading, step: Decimal, x: float | None, t: float) -> bool:
        """The air before this contact was none: the hand had no time to go elsewhere, or the one overload between
        was the meter's change of range. To a coarser one a meter changes for a larger value only, and to a finer one
        for a smaller."""
        since, was = t - self._number_t, self._range
        if since < self.rules.slip_s:
            return True
        if self._airs != 1 or reading.function not in OPEN_AIR or since >= LOST_S or was is None or step == was[3]:
            return False
        if x is None or was[0] != reading.function:
            return True
        return x >= ALIKE * self._number_x if step > was[3] else ALIKE * x <= self._number_x

    def _take(self, reading: Reading, step: Decimal, shown: _Shown, airs: int) -> None:
        now, was = (reading.function, reading.coupling, reading.resolution is not None, step), self._range
        if now != was:
            coarser = was is not None and was[:3] == now[:3] and step > was[3]
            self._window.clear()
            if not coarser:  # what a coarser range showed before says nothing of the last counts
                self._approach.clear()
            self._range = now
            self._count = float(max(step, FINEST[reading.function]))
        elif airs or (self._window and shown.t - self._window[-1].t > LOST_S):
            self._window.clear()
            self._approach.clear()
        if len(self._window) >= LONGEST:
            del self._window[: LONGEST // 2]
        self._window.append(shown)
        self._approach.take(shown.x, self._count, shown.t)

    def _step(self, reading: Reading) -> Decimal:
        """One count of the display. Where the driver does not tell it: the finest digit that stood last in this
        contact's latest readings, zeros at the end left out (a journal does not keep them, and a replay must decide
        as the bench did); of zero itself there is none."""
        if reading.resolution is not None:
            return reading.resolution
        if reading.value:
            exponent = reading.value.normalize().as_tuple().exponent
            assert isinstance(exponent, int)  # a reading's value is finite
            self._digits = [*self._digits[1 - DIGITS :], exponent]
        finest = FINEST[reading.function]
        return max(finest, Decimal((0, (1,), min(self._digits)))) if self._digits else finest

    def _settled(self, reading: Reading, t: float, seq: int) -> Settled | Moved | None:
        rules, window = self.rules, self._window
        kept = self._kept
        if kept is not None and not self._elsewhere(window[-1].x, reading, kept):
            return None
        n = rules.window
        while n <= len(window) and window[-1].t - window[-n].t < rules.span_s - 1e-9:
            n += 1
        if n > len(window):
            self._share = min(0.9, len(window) / (n + 1))
            return None
        standing = window[-n:]
        xs = sorted(s.x for s in standing)
        middle = xs[n // 2] if n % 2 else (xs[n // 2 - 1] + xs[n // 2]) / 2
        tolerance = max(rules.counts * self._count, rules.relative * abs(middle))
        self._share = 0.5
        if max(xs[-1] - middle, middle - xs[0]) > tolerance * EXACT:
            return None
        ahead = self._approach.ahead(self._count)
        if ahead is not None:
            remainder = abs(ahead - middle)
            if remainder > STRICTER * tolerance:
                self._share = max(0.5, min(0.9, tolerance / remainder))
                return None
        if kept is not None and not self._elsewhere(middle, reading, kept):
            return None
        shape = Settled if kept is None else Moved
        values = [s.value for s in standing]
        value = shape(
            t=t,
            seq=seq,
            function=reading.function,
            coupling=reading.coupling,
            value=median(values),
            unit=reading.unit,
            resolution=reading.resolution,
            state=reading.state,
            n=n,
            spread=max(values) - min(values),
            first=standing[0].seq,
            last=seq,
            reading=reading,
        )
        self._kept = value
        return value

    def _elsewhere(self, x: float, reading: Reading, kept: Settled | Moved) -> bool:
        """Further from what was kept than two values of one point can be, each within the tolerance of it."""
        if kept.value is None or (kept.function, kept.coupling) != (reading.function, reading.coupling):
            return True
        tolerance = max(self.rules.counts * self._count, self.rules.relative * abs(float(kept.value)))
        return abs(x - float(kept.value)) > 2 * tolerance * EXACT
