"""The driver contract: all that a file in drivers/ imports.

Besides it a driver imports construct and pure parts of the standard library, nothing else.

A driver is a module with

    INFO     an Info
    decode   decode(frame, asked=None, model=None) -> list[Reading]; pure; raises BadFrame and nothing else
    Driver   Driver(model=None) -> a Framer (FixedFrames, LineFrames, Dialogue)
    build    build(reading, model=None) -> bytes: the inverse of decode where the protocol allows it; the
             virtual instrument and the round-trip checks use it. For a polled instrument it gives the joined
             replies of one round.
    answer   polled only: answer(asked, reading, model=None) -> bytes, the reply to one query; of a supply with
             `control` also to each query of that, and to its commands that are answered
    control  supplies only, where the sheet tells how: control(model=None, channel="1") -> Control, the
             commands of the injection; no polling round contains one
    FRAME    a construct description that parses and builds a frame: the readable specification and the
             tests' oracle

and, where it helps, SHAPES: an iterable of readings that build can show, for the round-trip check.
"""

from meterlink.control import Answer, Control, Setting, heard
from meterlink.framing import Dialogue, FixedFrames, Framer, LineFrames, Query, exactly, until
from meterlink.reading import FUNCTIONS, PREFIX, BadFrame, Coupling, Info, Line, Reading, State, UsbId, count, number

__all__ = [
    "FUNCTIONS",
    "PREFIX",
    "Answer",
    "BadFrame",
    "Control",
    "Coupling",
    "Dialogue",
    "FixedFrames",
    "Framer",
    "Info",
    "Line",
    "LineFrames",
    "Query",
    "Reading",
    "Setting",
    "State",
    "UsbId",
    "count",
    "exactly",
    "heard",
    "number",
    "until",
]
