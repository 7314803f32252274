"""The check sheet and the marks of the run, and what a value means at its points: kept by hand, from the sheet's text.

Values are chosen far from every limit, so that nothing here rounds.
"""

from __future__ import annotations

from typing import NamedTuple

JOBS = ("GC-2611", "GC-2612")  # the first has the sheet, the second has none
BOARDS = ("GC-01", "GC-02", "GC-03", "LX-7")
SPELLED = {
    "GC-01": ("GC-01", "gc-01", "GC- 01"),
    "GC-02": ("GC-02", "gc-02", " Gc-02 "),
    "GC-03": ("GC-03", "gc-03"),
    "LX-7": ("LX-7", "lx-7", "LX -7"),
}
SLIPS = ("GC-0l", "GC-11", "LX", "GC-01 GC-02", "9")
NOBODY = "GC-0l"


class Point(NamedTuple):
    """One point of the sheet; `only_if` is (point, verdict)."""

    name: str
    function: str
    low: float
    high: float
    rail: str | None = None
    only_if: tuple[str, str] | None = None
    powered: bool = False


SHEET = (
    Point("VIN", "diode", 0.3, 0.9, "VIN"),
    Point("+5V", "diode", 0.3, 0.9, "+5V"),
    Point("U7", "diode", 0.3, 0.9, "+5V"),
    Point("C412", "resistance", 100, 200, "+5V", only_if=("+5V", "short")),
    Point("U8", "resistance", 100, 200),
    Point("OUT", "voltage", 4.8, 5.2, "+5V", powered=True),
)
NAMES = tuple(p.name for p in SHEET)
FREE = ("TP1", "TP2")
# what each function's good, high and short node shows; None is open
VALUES = {
    "diode": ("0.500", "1.200", "0.010", None),
    "resistance": ("150.0", "390.0", "1.0", None),
    "voltage": ("5.000", "3.300"),
}
AIR = {"diode": None, "resistance": None, "voltage": "0.000"}
DEAD = ("diode", "resistance")  # measured without power (rule 18)
SHORT = {"diode": 0.05, "resistance": 10.0}


def sheet_text() -> str:
    rows = ['model = "IC-8 rev C"', "[rails.VIN]\nnominal = 24", '[rails."+5V"]\nnominal = 5']
    for p in SHEET:
        rows.append(f'[[point]]\nname = "{p.name}"\nfunction = "{p.function}"\nlow = {p.low}\nhigh = {p.high}')
        if p.rail:
            rows.append(f'rail = "{p.rail}"')
        if p.only_if:
            rows.append(f'only_if = {{ point = "{p.only_if[0]}", verdict = "{p.only_if[1]}" }}')
    return "\n".join(rows) + "\n"


def find(name: str | None) -> Point | None:
    return next((p for p in SHEET if p.name == name), None)


def verdict(point: Point | None, function: str, value: float | None) -> str | None:
    """What the sheet says of a value at one of its points; of a free touch, only that it is short."""
    if value is None:
        return "open"
    if function in SHORT and value < SHORT[function]:
        return "short"
    if point is None:
        return None
    return "low" if value < point.low else "high" if value > point.high else "ok"


def same(a: str, b: str) -> bool:
    """Two marks, without regard to case and blanks (rule 5)."""
    return "".join(a.lower().split()) == "".join(b.lower().split())
