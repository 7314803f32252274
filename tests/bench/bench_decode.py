"""What decoding a frame costs, as a ratio to the least hand-written decoder of the same family.

    python -m tests.bench.bench_decode

Each minimal decoder does what a script for one meter would: check the frame's shape, and give function, number, unit,
range state and the display's text. It makes no Reading, knows no impossible combinations and no unreadable glyph.
Both run over the same frames, those of the recordings; the construct description is measured beside them.
"""

from __future__ import annotations

import re
import sys
import timeit
from collections.abc import Callable
from decimal import Decimal
from statistics import median

from meterlink.driver_check.play import Trial, trials
from meterlink.registry import find

MOST = 3.0

GLYPHS = {0x7D: "0", 5: "1", 0x5B: "2", 0x1F: "3", 0x27: "4", 0x3E: "5", 0x7E: "6", 0x15: "7", 0x7F: "8", 0x3F: "9",
          0x68: "L", 0: " "}  # fmt: skip
ANNUNCIATORS = ("u", "n", "k", "diode", "m", "%", "M", "beep", "F", "Ohm", "rel", "hold", "A", "V", "Hz", "battery")
POWERS = {"u": -6, "n": -9, "k": 3, "m": -3, "M": 6}
NAMES = {"V": "voltage", "A": "current", "Ohm": "resistance", "F": "capacitance", "Hz": "frequency", "%": "duty"}


def fs9721(frame: bytes, asked: bytes | None) -> object:
    if len(frame) != 14 or any(b >> 4 != i for i, b in enumerate(frame, 1)):
        raise ValueError
    digits, point = "", 4
    for i in (1, 3, 5, 7):
        digits += GLYPHS.get((frame[i] & 7) << 4 | frame[i + 1] & 15, "?")
        if i > 1 and frame[i] & 8:
            point = (i - 1) // 2
    bits = (frame[9] & 15) << 12 | (frame[10] & 15) << 8 | (frame[11] & 15) << 4 | frame[12] & 15
    lit = [name for i, name in enumerate(ANNUNCIATORS) if bits >> (15 - i) & 1]
    unit = next((u for u in lit if u in NAMES), "1")
    power = next((POWERS[p] for p in lit if p in POWERS), 0) + point - 4
    sign = "-" if frame[1] & 8 else ""
    over = "L" in digits
    value = None if over or not digits.strip().isdigit() else Decimal(f"{sign}{digits.strip()}E{power}")
    return NAMES.get(unit), value, unit, over, Decimal(f"1E{power}"), f"{sign}{digits[:point]}.{digits[point:]} {unit}"


RANGES = {
    0x3B: ("voltage", "V", (-4, -3, -2, -1, -5)), 0x33: ("resistance", "Ohm", (-2, -1, 0, 1, 2, 3, 4)),
    0x36: ("capacitance", "F", tuple(range(-12, -4))), 0x31: ("diode", "V", (-4,)), 0x35: ("continuity", "Ohm", (-2,)),
    0x3D: ("current", "A", (-8, -7)), 0x3F: ("current", "A", (-6, -5)), 0x30: ("current", "A", (-3,)),
    0x39: ("current", "A", (-4, -3, -2, -1, 0)), 0x32: ("frequency", "Hz", (-2, -1, 0, 0, 1, 2, 3, 4)),
    0x34: ("temperature", "Cel", (-1,) * 8), 0x3E: ("unknown", "1", (0,) * 5),
}  # fmt: skip


def es51922(frame: bytes, asked: bytes | None) -> object:
    if len(frame) != 14:
        raise ValueError
    frame = bytes(b & 0x7F for b in frame)
    if frame[12:] != b"\r\n" or any(b >> 4 != 3 for b in frame[:12]):
        raise ValueError
    function, unit, powers = RANGES[frame[6]]
    power = powers[frame[0] & 15]
    over = bool(frame[7] & 1)
    sign = "-" if frame[7] & 4 else ""
    digits = frame[1:6].decode()
    flags = [
        name for name, at, bit in (("auto", 10, 2), ("hold", 11, 2), ("rel", 8, 2), ("max", 8, 8)) if frame[at] & bit
    ]
    value = None if over else Decimal(f"{sign}{digits}E{power}")
    return function, value, unit, over, Decimal(f"1E{power}"), flags, f"{sign}{digits} {unit}"


WORDS = {
    "VOLT": ("voltage", "V"), "CURR": ("current", "A"), "RES": ("resistance", "Ohm"), "FRES": ("resistance", "Ohm"),
    "FREQ": ("frequency", "Hz"), "PER": ("period", "s"), "CONT": ("continuity", "Ohm"), "DIOD": ("diode", "V"),
}  # fmt: skip
REPLY = re.compile(rb'"([A-Z]+)(:[A-Z]+)? ([^,"]*),?([^"]*)"\r\n(.*)\r\n')


def scpi_meter(frame: bytes, asked: bytes | None) -> object:
    match = REPLY.fullmatch(frame)
    if match is None:
        raise ValueError
    function, unit = WORDS.get(match[1].decode(), ("unknown", "1"))
    resolution = Decimal(match[4].decode()) if match[4] else None
    values = [Decimal(part) for part in match[5].decode().split(",")]
    return function, match[2], unit, resolution, [None if abs(v) >= Decimal("9.9E37") else v for v in values]


MINIMAL: dict[str, Callable[[bytes, bytes | None], object]] = {
    "fs9721": fs9721,
    "es51922": es51922,
    "scpi_meter": scpi_meter,
}


def cost_s(decode: Callable[[bytes, bytes | None], object], frames: list[Trial]) -> float:
    """Seconds per frame, measured once over all frames."""

    def run() -> None:
        for trial in frames:
            decode(trial.frame, trial.asked)

    return timeit.timeit(run, number=10) / (10 * len(frames))


def ratios(repeat: int = 25) -> dict[str, tuple[float, float, float, float | None]]:
    """By family: seconds of the driver's decode and of the minimal one, the median ratio of measurements made one
    right after the other, and seconds in construct where it describes frames."""
    out = {}
    for name, minimal in MINIMAL.items():
        spec = find(name)
        frames = trials(spec, limit=60)
        pairs = [(cost_s(spec.decode, frames), cost_s(minimal, frames)) for _ in range(repeat)]
        own, least = (median(side) for side in zip(*pairs, strict=True))
        construct = None
        if spec.info.frame_length:
            parse = spec.module.FRAME.parse
            construct = cost_s(lambda frame, _, parse=parse: parse(frame), frames)  # type: ignore[misc]
        out[name] = (own, least, median(a / b for a, b in pairs), construct)
    return out


def main() -> int:
    """Print the table; 1 if a driver costs more than it may."""
    print(f"{'family':<12}{'driver us':>11}{'minimal us':>12}{'ratio':>7}{'construct us':>14}")
    worst = 0.0
    for name, (own, least, ratio, construct) in ratios().items():
        described = f"{construct * 1e6:.1f}" if construct else "-"
        print(f"{name:<12}{own * 1e6:>11.2f}{least * 1e6:>12.2f}{ratio:>7.2f}{described:>14}")
        worst = max(worst, ratio)
    print(f"at most {MOST:g} times the minimal decoder: {'good' if worst <= MOST else 'NOT MET'}")
    return int(worst > MOST)


if __name__ == "__main__":
    sys.exit(main())
