"""One foot switch, three gestures: tap, double tap, long press. Pure: edges and the time in, gestures out.

A tap is told when DOUBLE_S have passed since its release without another press; so a single tap costs that much
waiting, and a pedal whose double tap is not used tells it at its release. A long press is told while the pedal
is still down. A contact bounces: a change within BOUNCE_S of the last accepted edge is ignored until it has
stood for that long (5 to 20 ms, common practice, no source).
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

Gesture = Literal["tap", "double", "long"]


class Timing(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Seconds; published in docs/technician.md."""

    bounce_s: Annotated[float, msgspec.Meta(ge=0, le=0.2)] = 0.02
    double_s: Annotated[float, msgspec.Meta(ge=0.05, le=2)] = 0.30
    long_s: Annotated[float, msgspec.Meta(ge=0.1, le=60)] = 0.60


class Foot:
    """One switch. Call `edge` at each change and `passed` when time went by; both give the gestures told by now.

    Invariant: every press ends in exactly one gesture, or is the second half of a double tap, or is dropped by
    `lost` (the pedal was unplugged while held).
    """

    def __init__(self, timing: Timing, double: bool = True) -> None:
        self.timing = timing
        self.double = double
        self._raw = False  # the contact as last reported, bounces and all
        self._raw_since = float("-inf")
        self._down = False  # the contact as accepted
        self._pressed_at: float | None = None  # of the press that is still to become a gesture
        self._tapped_at: float | None = None  # release of a tap that may become a double

    def edge(self, down: bool, t: float) -> list[Gesture]:
        """The contact changed (or was looked at) at monotonic second t."""
        out = self.passed(t)
        if down != self._raw:
            self._raw, self._raw_since = down, t
            if self.timing.bounce_s == 0:
                out += self._accept(t)
        return out

    def passed(self, t: float) -> list[Gesture]:
        """Time went by; gestures that it completes."""
        out: list[Gesture] = []
        if self._raw != self._down and t - self._raw_since >= self.timing.bounce_s:
            out += self._accept(self._raw_since)
        if self._down and self._pressed_at is not None and t - self._pressed_at >= self.timing.long_s:
            out += self._settle_tap()
            out.append("long")
            self._pressed_at = None
        if self._tapped_at is not None and not self._down and t - self._tapped_at >= self.timing.double_s:
            out += self._settle_tap()
        return out

    def lost(self) -> None:
        """The pedal is gone, or the press does not count: what was held is no press."""
        self._raw = self._down = False
        self._raw_since = float("-inf")
        self._pressed_at = self._tapped_at = None

    @property
    def waiting(self) -> bool:
        """Something is still to be told when time passes."""
        return self._raw != self._down or self._pressed_at is not None or self._tapped_at is not None

    def _accept(self, t: float) -> list[Gesture]:
        self._down = self._raw
        if self._down:
            out = (
                self._settle_tap()
                if self._tapped_at is not None and t - self._tapped_at >= self.timing.double_s
                else []
            )
            self._pressed_at = t
            return out
        if self._pressed_at is None:
            return []  # the release of a long press
        held, self._pressed_at = t - self._pressed_at, None
        if held >= self.timing.long_s:
            return [*self._settle_tap(), "long"]
        if self._tapped_at is not None:
            self._tapped_at = None
            return ["double"]
        if not self.double:
            return ["tap"]
        self._tapped_at = t
        return []

    def _settle_tap(self) -> list[Gesture]:
        if self._tapped_at is None:
            return []
        self._tapped_at = None
        return ["tap"]
