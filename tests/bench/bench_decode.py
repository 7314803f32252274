"""What decoding a frame costs, as a ratio to the least hand-written decoder of the same family.

    python -m tests.bench.bench_decode

Every bundled family has its minimal decoder in minimal_streams.py or minimal_polled.py. Both run over the same frames:
those of the family's recordings, for every model, whose readings are all numbers or over range; there both give the
same function, value and unit (tests/drivers/test_minimal.py). Where the driver has a construct description of the
frame, its time stands beside.
"""

from __future__ import annotations

import sys
import timeit
from collections.abc import Callable
from statistics import median
from typing import NamedTuple

from meterlink.driver_check.play import own_recordings, play
from meterlink.reading import Reading
from meterlink.registry import Spec, all_specs
from tests.bench.minimal_polled import POLLED
from tests.bench.minimal_streams import STREAMS, Minimal

MOST = 3.0
MINIMAL: dict[str, Minimal] = {**STREAMS, **POLLED}


class Frame(NamedTuple):
    """A frame of a recording, what was asked for it, the model that it was recorded with, and what it decodes to."""

    frame: bytes
    asked: bytes | None
    model: str | None
    readings: list[Reading]


def families() -> list[Spec]:
    """Every bundled driver that is found, by name."""
    return [spec for spec in all_specs() if spec.origin.startswith("bundled")]


def frames(spec: Spec) -> list[Frame]:
    """The different frames of a family's recordings, of every model, whose readings are all ok or over."""
    polled = spec.info.poll_s is not None
    heard: dict[tuple[bytes, bytes, str | None], list[Reading]] = {}
    for one in [spec, *spec.models()[1:]]:
        for recording in own_recordings(one):
            for _, reading in play(one, recording):
                heard.setdefault((reading.raw, reading.asked, one.model), [])
    out = [
        Frame(raw, asked if polled else None, model, spec.module.decode(raw, asked if polled else None, model))
        for raw, asked, model in heard
    ]
    return [frame for frame in out if all(reading.state in ("ok", "over") for reading in frame.readings)]


def cost_s(decode: Callable[[bytes, bytes | None, str | None], object], given: list[Frame]) -> float:
    """Seconds per frame, measured once over all frames."""

    def run() -> None:
        for frame, asked, model, _ in given:
            decode(frame, asked, model)

    return timeit.timeit(run, number=10) / (10 * len(given))


def cost(spec: Spec, repeat: int = 25) -> tuple[float, float, float, float | None]:
    """Seconds of the driver's decode and of the minimal one, the median ratio of measurements made one right after the
    other, and seconds in construct where it describes the frames of a stream."""
    minimal, given = MINIMAL[spec.info.name], frames(spec)
    pairs = [(cost_s(spec.module.decode, given), cost_s(minimal, given)) for _ in range(repeat)]
    own, least = (median(side) for side in zip(*pairs, strict=True))
    construct = None
    if spec.info.frame_length and spec.info.poll_s is None:
        parse = spec.module.FRAME.parse
        construct = cost_s(lambda frame, *_: parse(frame), given)
    return own, least, median(a / b for a, b in pairs), construct


def main() -> int:
    """Print the table; 1 if a driver costs more than it may, or a family has no minimal decoder."""
    print(f"{'family':<14}{'driver us':>11}{'minimal us':>12}{'ratio':>7}{'construct us':>14}")
    missing, over = [], []
    for spec in families():
        name = spec.info.name
        if name not in MINIMAL:
            missing.append(name)
            continue
        own, least, ratio, construct = cost(spec)
        described = f"{construct * 1e6:.1f}" if construct else "-"
        print(f"{name:<14}{own * 1e6:>11.2f}{least * 1e6:>12.2f}{ratio:>7.2f}{described:>14}")
        if ratio > MOST:
            over.append(name)
    for name in missing:
        print(f"{name} has no minimal decoder: write one in minimal_streams.py or minimal_polled.py")
    print(f"at most {MOST:g} times the minimal decoder: {'NOT MET by ' + ', '.join(over) if over else 'good'}")
    return int(bool(missing or over))


if __name__ == "__main__":
    sys.exit(main())
