"""Framers: bytes in any cut, readings out, every byte accounted for.

Invariant: each byte fed is in an accepted frame, skipped or held; `taken + skipped + len(held)` is the
number of bytes fed. A framer never raises on bytes, never holds more than its bound, and is back in
step within two frames after noise. Sans-I/O: no clock (`now` is passed in), no port.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

import msgspec

from meterlink.reading import BadFrame, Reading


class Decode(Protocol):
    """A driver's pure decoder: what an auditor runs on a record's `raw`, `asked` and model."""

    def __call__(self, frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]: ...


class Framer:
    """Counts and the held bytes; the base of the three kinds below."""

    def __init__(self, decode: Decode, model: str | None = None) -> None:
        self.decode = decode
        self.model = model
        self.held = bytearray()
        self.frames = 0  # accepted
        self.taken = 0  # bytes in accepted frames
        self.skipped = 0  # bytes in none
        self.bad = 0  # times that step was lost, or an answer was no answer
        self.last_bad = ""  # why, for `status`
        self._in_step = True

    def feed(self, data: bytes) -> list[Reading]:
        """Readings of the frames that these bytes complete, each with its raw bytes."""
        raise NotImplementedError

    def request(self, now: float) -> bytes | None:
        """What to send next, if it is time; None for one that streams. `now` is monotonic seconds."""
        return None

    def silence(self) -> None:
        """The line was quiet for Info.silence_s: a partial frame will not be completed any more."""
        self._skip(len(self.held), "an incomplete frame before a silence")

    def _skip(self, n: int, why: str) -> None:
        if n == 0:
            return
        self.skipped += n
        del self.held[:n]
        if self._in_step:
            self._in_step = False
            self.bad += 1
            self.last_bad = why

    def _accept(self, frame: bytes, readings: list[Reading], asked: bytes = b"") -> list[Reading]:
        self.frames += 1
        self.taken += len(frame)
        self._in_step = True
        return [msgspec.structs.replace(r, raw=frame, asked=asked) for r in readings]


class FixedFrames(Framer):
    """Frames of one length, recognised by decode alone: what it refuses is slid over byte by byte.

    `starts` are the values the first byte of a frame may have; they only save time.
    """

    def __init__(
        self, length: int, decode: Decode, model: str | None = None, starts: frozenset[int] | None = None
    ) -> None:
        super().__init__(decode, model)
        self.length = length
        self.starts = starts

    def feed(self, data: bytes) -> list[Reading]:
        self.held += data
        out: list[Reading] = []
        while len(self.held) >= self.length:
            frame = bytes(self.held[: self.length])
            if self.starts is not None and frame[0] not in self.starts:
                step = next((i for i, b in enumerate(frame) if b in self.starts), self.length)
                self._skip(step, f"no frame starts with {frame[0]:02X}")
                continue
            try:
                readings = self.decode(frame, None, self.model)
            except BadFrame as error:
                self._skip(1, str(error))
                continue
            del self.held[: self.length]
            out += self._accept(frame, readings)
        return out


class LineFrames(Framer):
    """Frames that end with a terminator; the terminator belongs to the frame. `longest` bounds the buffer."""

    def __init__(self, decode: Decode, model: str | None = None, end: bytes = b"\r\n", longest: int = 256) -> None:
        super().__init__(decode, model)
        self.end = end
        self.longest = longest

    def feed(self, data: bytes) -> list[Reading]:
        self.held += data
        out: list[Reading] = []
        while (at := self.held.find(self.end)) >= 0:
            frame = bytes(self.held[: at + len(self.end)])
            try:
                if len(frame) > self.longest:
                    raise BadFrame(f"a line of {len(frame)} bytes, the longest has {self.longest}")
                readings = self.decode(frame, None, self.model)
            except BadFrame as error:
                self._skip(len(frame), str(error))
                continue
            del self.held[: len(frame)]
            out += self._accept(frame, readings)
        if len(self.held) > self.longest:
            # the last bytes stay: they may be the first half of a terminator
            self._skip(len(self.held) - len(self.end) + 1, f"{len(self.held)} bytes without a line end")
        return out


Take = Callable[[bytes], "int | None"]


def until(end: bytes) -> Take:
    """A reply that ends with these bytes."""

    def take(held: bytes) -> int | None:
        at = held.find(end)
        return None if at < 0 else at + len(end)

    return take


def exactly(n: int) -> Take:
    """A reply of n bytes, whatever they are."""

    def take(held: bytes) -> int | None:
        return n if len(held) >= n else None

    return take


class Query(msgspec.Struct, frozen=True, kw_only=True):
    """One question: the bytes to send, how many bytes of what came are its reply, and how long to wait.

    take    given the held bytes, the reply's length, or None while it is not complete; None instead of a
            function for a command that brings no reply
    pause_s time from sending it that the instrument needs before the next command
    """

    ask: bytes
    take: Take | None = None
    wait_s: float = 1.0
    pause_s: float = 0.0


class Dialogue(Framer):
    """A polled instrument: rounds of questions; the replies of one round, joined, are one frame.

    The last query of a round brings a reply. `opening` is sent once at the start and again after a lost
    round. A reply that does not come in time, or a round that decode refuses, ends the round; the next
    begins at its time. Bytes that nobody asked for are skipped.
    """

    def __init__(
        self,
        decode: Decode,
        model: str | None = None,
        *,
        round_: Sequence[Query],
        every_s: float,
        opening: Sequence[Query] = (),
        longest: int = 512,
    ) -> None:
        super().__init__(decode, model)
        self.round = tuple(round_)
        self.opening = tuple(opening)
        self.every_s = every_s
        self.longest = longest
        self.timeouts = 0
        self._queue: list[Query] = []
        self._open_next = True
        self._opening_left = 0
        self._due = float("-inf")
        self._round_began = float("-inf")
        self._sent_at: float | None = None  # when the question now waiting for its reply went out
        self._replies = b""
        self._asked = b""

    def request(self, now: float) -> bytes | None:
        if self._sent_at is not None:
            if now - self._sent_at < self._queue[0].wait_s:
                return None
            self.timeouts += 1
            self._lose("no complete reply in time")
        if now < self._due:
            return None
        if not self._queue:
            opening = self.opening if self._open_next else ()
            self._queue = [*opening, *self.round]
            self._opening_left = len(opening)
            self._open_next = False
            self._round_began = now
        self._skip(len(self.held), "bytes that nobody asked for")
        query = self._queue[0]
        if query.take is None:
            self._queue.pop(0)
            self._opening_left = max(0, self._opening_left - 1)
        else:
            self._sent_at = now
        self._due = now + query.pause_s
        return query.ask

    def feed(self, data: bytes) -> list[Reading]:
        self.held += data
        if self._sent_at is None:
            self._skip(len(self.held), "bytes that nobody asked for")
            return []
        query = self._queue[0]
        assert query.take is not None  # only such a query waits
        n = query.take(bytes(self.held))
        if n is None:
            if len(self.held) > self.longest:
                self._lose(f"{len(self.held)} bytes that are no reply")
            return []
        reply = bytes(self.held[:n])
        del self.held[:n]
        self._queue.pop(0)
        self._sent_at = None
        if self._opening_left:
            self._opening_left -= 1
            self.taken += n
            return []
        self._replies += reply
        self._asked += query.ask
        if self._queue:
            return []
        frame, asked = self._replies, self._asked
        self._replies, self._asked = b"", b""
        self._due = max(self._due, self._round_began + self.every_s)
        try:
            readings = self.decode(frame, asked, self.model)
        except BadFrame as error:
            self.skipped += len(frame)
            self.bad += 1
            self.last_bad = str(error)
            return []
        return self._accept(frame, readings, asked)

    def silence(self) -> None:
        """A reply may be slow: the wait of each query decides, not the silence."""

    def _lose(self, why: str) -> None:
        """Give the round up: what it had so far is skipped, and the next one opens anew."""
        self.skipped += len(self._replies) + len(self.held)
        self.held.clear()
        self.bad += 1
        self.last_bad = why
        self._replies, self._asked = b"", b""
        self._queue.clear()
        self._sent_at = None
        self._open_next = True
