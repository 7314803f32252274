"""The demo's invented world: fifteen irrigation controllers after a storm, fourteen on the slip.

Each board is what its test points show; a fault changes some of them, a repair changes them back. Every name and
figure here is invented for the demo; tests of the trade's facts stand elsewhere.
"""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import msgspec

JOB = "GC-2611"
MODEL = "IC-8 rev C"
CUSTOMER = "growers' co-operative"
SAID = 14
MARKS = tuple(f"GC-{n:02}" for n in range(1, 16))
SHEET = Path(str(files("meterlink.demo") / "ic-8-rev-c.toml"))


class Shows(msgspec.Struct, frozen=True):
    """What a meter settles on at a node: a value in the base unit, or None for an overload; and how it gets there.

    charge_s    time constant of the capacitors that the meter's test current charges on the way
    by_pedal    the hands cannot tell it from probes in the air: the technician taps
    """

    value: float | None
    charge_s: float = 0.0
    by_pedal: bool = False


GOOD = {
    "F1": Shows(0.3),
    "VIN": Shows(0.523, 0.10),
    "+5V": Shows(0.437, 0.08),
    "+3V3": Shows(268.0),
    "U7": Shows(0.601),
    "U8": Shows(0.618),
    "J2": Shows(0.583),
    "+3V3 on": Shows(3.302),
}


class Repair(msgspec.Struct, frozen=True):
    """What is found, done, and measured again; then where the board goes."""

    part: str
    found: str
    done: str
    again: tuple[str, ...] = ()
    also: tuple[str, ...] = ()  # parts that were replaced with it
    state: str = "repaired"
    text: str | None = None


class Case(msgspec.Struct, frozen=True):
    """One board: what differs from a good one, and what becomes of it."""

    mark: str
    story: str
    differs: dict[str, Shows] = {}
    repair: Repair | None = None
    powered: bool = True  # the powered point is measured; a board with a short is not switched on
    short_ohm: float | None = None  # of the rail +3V3: searched for by injecting

    def shows(self, point: str) -> Shows:
        return self.differs.get(point, GOOD[point])


CASES = (
    Case("GC-01", "nothing wrong on it: it shows what a good board shows"),
    Case(
        "GC-02",
        "the input suppressor took the surge, stayed short, and the fuse went",
        {"F1": Shows(None, by_pedal=True), "VIN": Shows(0.003)},
        Repair("D3", "input suppressor shorted", "replaced", ("F1", "VIN", "+3V3 on"), also=("F1",)),
        powered=False,
    ),
    Case(
        "GC-03",
        "the terminal block is cracked: the input is open",
        {"F1": Shows(None, by_pedal=True)},
        Repair("J1", "terminal block cracked", "ordered", state="waiting for a part", text="J1"),
        powered=False,
    ),
    Case(
        "GC-04",
        "an output capacitor on +3V3 is short",
        {"+3V3": Shows(0.7)},
        Repair("C412", "output capacitor shorted", "removed", ("+3V3", "+3V3 on")),
        powered=False,
        short_ohm=0.7,
    ),
    Case(
        "GC-05",
        "the +3V3 converter is dead: no short, no voltage",
        {"+3V3 on": Shows(0.0, by_pedal=True)},
        Repair("U3", "buck converter dead", "ordered", state="waiting for a part", text="U3"),
    ),
)

# Injecting 1 V into the shorted +3V3: what the points along the rail show against the return, in V, in the order in
# which they are touched. The feed is at L2; the short is C412; beyond it nothing drops any more.
RAIL = "+3V3"
INJECT_V, INJECT_A, HOLD_S = 1.0, 1.5, 30.0
ALONG = {"L2": 0.984, "C405": 0.941, "C412": 0.893, "U5": 0.917, "C418": 0.894}
HEALTHY_OHM = 268.0  # what is left of the rail when the capacitor is off
