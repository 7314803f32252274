"""What pedal and scanner bring to the loop, as typed messages."""

from __future__ import annotations

from typing import Literal

import msgspec

from meterlink.inputs.machine import Action
from meterlink.service.clock import Moment

Input = Literal["pedal", "scanner"]


class Pressed(msgspec.Struct, frozen=True):
    """The pedal asks for an action: keep, back or next."""

    action: Action
    moment: Moment


class Scanned(msgspec.Struct, frozen=True):
    """The scanner read a mark."""

    text: str
    moment: Moment


class InputChanged(msgspec.Struct, frozen=True):
    """A pedal or scanner came, or is lost."""

    input: Input
    state: Literal["open", "lost"]
    why: str | None
    moment: Moment


class InputRefused(msgspec.Struct, frozen=True):
    """What came counts for nothing: two switches at once, a scan that is too long."""

    input: Input
    why: str
    moment: Moment
