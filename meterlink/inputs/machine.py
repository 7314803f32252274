"""Switches in, the bench's actions out: which switch means what, and that two at once mean nothing. Pure.

A switch is a modem line (CTS) or a key (b). It is bound to "gestures" (tap keep, double tap back, long press next)
or to one action, which is then told at its release. Two switches that are down together are no press of either: nothing
is kept on a guess, and it is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import msgspec

from meterlink.inputs.gestures import Foot, Gesture, Timing

Action = Literal["keep", "back", "next"]
Binding = Literal["gestures", "keep", "back", "next"]
GESTURES: dict[Gesture, Action] = {"tap": "keep", "double": "back", "long": "next"}
NEVER_S = 1e9


class Clash(msgspec.Struct, frozen=True):
    """Two switches at once; neither counts."""

    switches: tuple[str, ...]


Told = Action | Clash


class Pedal:
    """All switches of one pedal. Switches that are bound to nothing are passed over."""

    def __init__(self, switches: Mapping[str, Binding], timing: Timing) -> None:
        self._bindings = dict(switches)
        self._feet = {
            name: Foot(timing, double=True)
            if binding == "gestures"
            else Foot(Timing(bounce_s=timing.bounce_s, double_s=0.0, long_s=NEVER_S), double=False)
            for name, binding in switches.items()
        }
        self._down: dict[str, float] = {}

    def change(self, switch: str, down: bool, t: float) -> list[Told]:
        """A switch was pressed or released at monotonic second t."""
        if switch not in self._feet:
            return self.passed(t)
        if down:
            self._down[switch] = t
        else:
            self._down.pop(switch, None)
        if len(self._down) > 1:
            together = tuple(sorted(self._down))
            out = self.passed(t)
            for name in together:
                self._feet[name].lost()
            return [*out, Clash(together)]
        return self._told(switch, self._feet[switch].edge(down, t)) + self.passed(t, but=switch)

    def passed(self, t: float, but: str | None = None) -> list[Told]:
        """Time went by."""
        return [told for name, foot in self._feet.items() if name != but for told in self._told(name, foot.passed(t))]

    def lost(self) -> None:
        """The pedal is gone: what was held is no press."""
        self._down.clear()
        for foot in self._feet.values():
            foot.lost()

    def _told(self, switch: str, gestures: list[Gesture]) -> list[Told]:
        binding = self._bindings[switch]
        return [GESTURES[g] if binding == "gestures" else binding for g in gestures]
