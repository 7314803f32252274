"""Plays an instrument to a driver: recordings in their time, conversations without a clock, frames to try.

Sans-I/O: time is a number that goes up, so a minute of polling takes a millisecond.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple

from meterlink.framing import Dialogue, Framer
from meterlink.link.recording import Recording, recordings
from meterlink.reading import BadFrame, Reading
from meterlink.registry import Spec

STEP_S = 0.02  # between two looks whether it is time to ask
Cut = Callable[[bytes], Iterable[bytes]]


class Trial(NamedTuple):
    """A good frame: its bytes, the queries that brought it (None for a stream), and what it decodes to."""

    frame: bytes
    asked: bytes | None
    readings: list[Reading]


def whole(data: bytes) -> Iterator[bytes]:
    """Bytes in one piece."""
    yield data


def singly(data: bytes) -> Iterator[bytes]:
    """Bytes one at a time."""
    for i in range(len(data)):
        yield data[i : i + 1]


def randomly(rng: random.Random, longest: int = 40) -> Cut:
    """Bytes in pieces of random lengths."""

    def cut(data: bytes) -> Iterator[bytes]:
        at = 0
        while at < len(data):
            n = rng.randint(1, longest)
            yield data[at : at + n]
            at += n

    return cut


class Answers:
    """Answers as a recording does: a question by what followed it there, each time the next one.

    Once through, then `over`; with `again` from the start anew. A question that the recording does not hold gets no
    answer, as a command that brings none.
    """

    def __init__(self, recording: Recording, again: bool = False) -> None:
        self._events = [e for e in recording.events if e.way != "="]
        self._again = again
        self._next = 0
        self.at = 0.0  # of the last answer, in the recording's seconds
        self.over = False

    def __call__(self, asked: bytes) -> bytes:
        places = [i for i, e in enumerate(self._events) if e.way == ">" and e.data == asked]
        if not places:
            return b""
        later = [i for i in places if i >= self._next]
        if not later and not self._again:
            self.over = True
            return b""
        at = (later or places)[0] + 1
        reply = b""
        while at < len(self._events) and self._events[at].way == "<":
            reply += self._events[at].data
            self.at = self._events[at].at
            at += 1
        self._next = at
        return reply


def own_recordings(spec: Spec) -> list[Recording]:
    """A driver's recordings; of a driver with models, those of this model (the first where none is named)."""
    models = spec.info.models
    wanted = spec.model or (models[0] if models else "")
    named = recordings(spec.folders(), spec.info.name)
    return [r for r in named if (r.driver.partition(":")[2] or (models[0] if models else "")) == wanted]


def play(spec: Spec, recording: Recording) -> list[tuple[float, Reading]]:
    """The readings that a recording gives, each with the second in which it came; silences are told to the driver."""
    driver = spec.driver()
    out: list[tuple[float, Reading]] = []
    if isinstance(driver, Dialogue):
        answers = Answers(recording)
        for reading in converse(driver, answers, lambda: answers.over):
            out.append((answers.at, reading))
        return out
    last = 0.0
    for event in recording.events:
        if event.way != "<":
            continue
        if event.at - last > spec.info.silence_s:
            driver.silence()
        last = event.at
        out += [(event.at, r) for r in driver.feed(event.data)]
    return out


def converse(
    driver: Framer,
    answer: Callable[[bytes], bytes],
    over: Callable[[], bool],
    cut: Cut = whole,
    seconds: float = 600.0,
) -> Iterator[Reading]:
    """Let a polled driver ask until `over`, or for so many seconds of its time."""
    for tick in range(int(seconds / STEP_S)):
        asked = driver.request(tick * STEP_S)
        if asked is not None:
            for piece in cut(answer(asked)):
                yield from driver.feed(piece)
        if over():
            return


def settle_account(driver: Framer) -> None:
    """Have a polled driver give up the round it is in, so that every byte is taken, skipped or held."""
    if not isinstance(driver, Dialogue):
        return
    lost, now = driver.timeouts, 1e6
    for _ in range(1000):  # commands that bring no reply come before the one that times out
        driver.request(now)
        if driver.timeouts > lost:
            return
        now += 1e3


def round_asked(spec: Spec) -> bytes | None:
    """The queries of one polling round, joined; None for an instrument that streams."""
    driver = spec.driver()
    return b"".join(query.ask for query in driver.round) if isinstance(driver, Dialogue) else None


def shapes(spec: Spec) -> list[list[Reading]]:
    """The readings of the module's SHAPES, one list a frame."""
    return [[s] if isinstance(s, Reading) else list(s) for s in getattr(spec.module, "SHAPES", ())]


def built(spec: Spec, readings: Sequence[Reading]) -> bytes | None:
    """The frame that shows these readings; None where there is no build or this model does not show them."""
    try:
        return spec.build(readings[0] if len(readings) == 1 else readings)
    except ValueError:
        return None


def trials(spec: Spec, limit: int = 400) -> list[Trial]:
    """Good frames: those of the recordings, then built ones; at most so many of each, spread evenly."""
    heard: dict[tuple[bytes, bytes], list[Reading]] = {}
    for recording in own_recordings(spec):
        for _, reading in play(spec, recording):
            heard.setdefault((reading.raw, reading.asked), []).append(reading)
    polled = spec.info.poll_s is not None
    out = [Trial(raw, asked if polled else None, readings) for (raw, asked), readings in heard.items()]
    asked_now = round_asked(spec)
    made = []
    for shape in shapes(spec):
        frame = built(spec, shape)
        if frame is not None:
            try:
                made.append(Trial(frame, asked_now, spec.decode(frame, asked_now)))
            except BadFrame:
                continue  # the round trip reports it
    return out[:: max(1, len(out) // limit)] + made[:: max(1, len(made) // limit)]


def same(a: Reading, b: Reading) -> bool:
    """Whether two readings say the same of the measured thing; flags and display text aside."""
    return (a.function, a.value, a.unit, a.state, a.coupling, a.channel) == (
        b.function,
        b.value,
        b.unit,
        b.state,
        b.coupling,
        b.channel,
    )
