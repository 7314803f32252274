"""What the pedal's and the scanner's threads hand to the loop."""

from __future__ import annotations

from typing import Literal

import msgspec

from meterlink.inputs.machine import Action
from meterlink.service.clock import Moment

InputName = Literal["pedal", "scanner"]


class FootDown(msgspec.Struct, frozen=True):
    """A switch of the pedal that means something was closed: sent at the first contact, before any gesture is known.

    What must not wait for the gesture (switching a supply off) is done then; the action of that press, which comes with
    its Pressed up to a second later or with an InputRefused, then counts for nothing.
    """

    moment: Moment


class Pressed(msgspec.Struct, frozen=True):
    """The pedal asks for an action."""

    action: Action
    moment: Moment


class Scanned(msgspec.Struct, frozen=True):
    """The scanner read this text; case and blanks as they were read."""

    text: str
    moment: Moment


class InputChanged(msgspec.Struct, frozen=True):
    """An input was opened or lost: one message a change, and one more where the reason of a loss is another.

    The first is sent at the start. why is None for "open".
    """

    input: InputName
    state: Literal["open", "lost"]
    why: str | None
    moment: Moment


class InputRefused(msgspec.Struct, frozen=True):
    """Something came from an input and counts for nothing: two switches at once, a scan too long."""

    input: InputName
    why: str
    moment: Moment


InputMessage = FootDown | Pressed | Scanned | InputChanged | InputRefused
