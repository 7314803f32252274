"""What decoding a frame costs, as a ratio to the least hand-written decoder of the same family.

    python -m tests.bench.bench_decode

Each minimal decoder does what a script for one meter would: check the frame's shape, and give number, unit and over
range as a plain tuple. It makes no Reading, and knows no flags, no display text and no impossible combinations. Both
run over the same frames, those of the recordings and of SHAPES that both take. The construct description is measured
beside them.
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


def fs9721(frame: bytes, asked: bytes | None) -> object:
    if frame.hex()[::2] != "123456789abcde":
        raise ValueError
    f, get = frame, GLYPHS.get
    digits = (
        get((f[1] & 7) << 4 | f[2] & 15, "?")
        + get((f[3] & 7) << 4 | f[4] & 15, "?")
        + get((f[5] & 7) << 4 | f[6] & 15, "?")
        + get((f[7] & 7) << 4 | f[8] & 15, "?")
    )
    point = 1 if f[3] & 8 else 2 if f[5] & 8 else 3 if f[7] & 8 else 4
    unit = "V" if f[12] & 4 else "Ohm" if f[11] & 4 else "A" if f[12] & 8 else "F" if f[11] & 8 else "Hz"
    power = -3 if f[10] & 8 else 3 if f[9] & 2 else 6 if f[10] & 2 else -6 if f[9] & 8 else -9 if f[9] & 4 else 0
    number = digits.strip()
    value = Decimal(f"{'-' if f[1] & 8 else ''}{number}E{power + point - 4}") if number.isdigit() else None
    return value, unit, "L" in digits


RANGES = {
    0x3B: ("voltage", "V", (-4, -3, -2, -1, -5)), 0x33: ("resistance", "Ohm", (-2, -1, 0, 1, 2, 3, 4)),
    0x36: ("capacitance", "F", tuple(range(-12, -4))), 0x31: ("diode", "V", (-4,)), 0x35: ("continuity", "Ohm", (-2,)),
    0x3D: ("current", "A", (-8, -7)), 0x3F: ("current", "A", (-6, -5)), 0x30: ("current", "A", (-3,)),
    0x39: ("current", "A", (-4, -3, -2, -1, 0)), 0x32: ("frequency", "Hz", (-2, -1, 0, 0, 1, 2, 3, 4)),
    0x34: ("temperature", "Cel", (-1,) * 8), 0x3E: ("unknown", "1", (0,) * 5),
}  # fmt: skip


DATA = bytes(range(0x30, 0x40))


def es51922(frame: bytes, asked: bytes | None) -> object:
    if len(frame) != 14 or frame[12:] != b"\r\n" or frame[:12].translate(None, DATA):
        raise ValueError
    function, unit, powers = RANGES[frame[6]]
    over = bool(frame[7] & 1)
    sign = "-" if frame[7] & 4 else ""
    return function, unit, over, None if over else Decimal(f"{sign}{frame[1:6].decode()}E{powers[frame[0] & 15]}")


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


def takes(minimal: Callable[[bytes, bytes | None], object], trial: Trial) -> bool:
    """Whether the minimal decoder knows this frame; it has no eye for a parity bit or a clamp's positions."""
    try:
        minimal(trial.frame, trial.asked)
    except (ValueError, KeyError, IndexError):
        return False
    return True


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
        frames = [trial for trial in trials(spec, limit=60) if takes(minimal, trial)]
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
