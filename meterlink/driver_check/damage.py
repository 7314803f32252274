"""How often a damaged frame passes as a good one with another value: what a family's redundancy is worth.

One bit is flipped, or one byte lost, in a good frame. The frame is refused (BadFrame, or swallowed by the framer),
reads the same, is marked unreadable, or gives a wrong value: another number, unit, function or state than was shown.
"""

from __future__ import annotations

import random
from collections.abc import Sequence

import msgspec

from meterlink.driver_check.play import Trial, same, trials
from meterlink.reading import BadFrame, Reading
from meterlink.registry import Spec

SEED = 2611


class Tally(msgspec.Struct):
    """Counts over damaged frames of one kind of damage."""

    damaged: int = 0
    refused: int = 0
    same: int = 0  # only flags, or bits that carry nothing
    unreadable: int = 0
    wrong: int = 0

    def add(self, was: Sequence[Reading], now: Sequence[Reading]) -> None:
        """Count one damaged frame by what it was and what came of it."""
        self.damaged += 1
        other = [r for r in now if not any(same(r, w) for w in was)]
        if not now:
            self.refused += 1
        elif not other:
            self.same += 1
        elif all("unreadable" in r.flags or r.state == "blank" for r in other):
            self.unreadable += 1
        else:
            self.wrong += 1


def flipped(frame: bytes, rng: random.Random) -> bytes:
    """The frame with one bit flipped."""
    bit = rng.randrange(8 * len(frame))
    out = bytearray(frame)
    out[bit // 8] ^= 1 << bit % 8
    return bytes(out)


def shortened(frame: bytes, rng: random.Random) -> bytes:
    """The frame without one of its bytes."""
    at = rng.randrange(len(frame))
    return frame[:at] + frame[at + 1 :]


def tally(spec: Spec, n: int, seed: int = SEED) -> tuple[Tally, Tally]:
    """Damage n frames each way: one bit flipped, one byte lost.

    Takes   a driver with recordings or a build.
    Raises  whatever but BadFrame the driver raises: that is what is looked for.
    """
    rng = random.Random(seed)
    good = [t for t in trials(spec) if t.readings]
    bits, bytes_ = Tally(), Tally()
    if not good:
        return bits, bytes_
    for _ in range(n):
        trial = rng.choice(good)
        bits.add(trial.readings, _decoded(spec, flipped(trial.frame, rng), trial.asked))
        short = shortened(trial.frame, rng)
        bytes_.add(trial.readings, _decoded(spec, short, trial.asked) if trial.asked else _streamed(spec, short, trial))
    return bits, bytes_


def _decoded(spec: Spec, frame: bytes, asked: bytes | None) -> list[Reading]:
    try:
        return spec.decode(frame, asked)
    except BadFrame:
        return []


def _streamed(spec: Spec, short: bytes, trial: Trial) -> list[Reading]:
    """What comes of a frame that lost a byte when the next one follows at once; the next one's readings set aside."""
    driver = spec.driver()
    out = driver.feed(short + trial.frame)
    return out if any(not same(r, w) for r in out for w in trial.readings) else []
