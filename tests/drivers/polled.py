"""A conversation between a Dialogue and an instrument that answers, with a clock that only counts."""

from __future__ import annotations

from collections.abc import Callable

from meterlink.driver import Dialogue, Reading

TICK = 0.01


class Conversation:
    """`answer` gets what was asked and gives what the instrument sends; `fed` counts the bytes given to the framer."""

    def __init__(self, framer: Dialogue, answer: Callable[[bytes], bytes]) -> None:
        self.framer = framer
        self.answer = answer
        self.now = 0.0
        self.fed = 0
        self.asked: list[bytes] = []

    def feed(self, data: bytes) -> list[Reading]:
        self.fed += len(data)
        readings = self.framer.feed(data)
        assert self.framer.taken + self.framer.skipped + self.held == self.fed
        return readings

    @property
    def held(self) -> int:
        # replies of the round under way are held too, as the framer's own account has them
        return len(self.framer.held) + len(self.framer._replies)

    def step(self) -> list[Reading]:
        self.now += TICK
        asked = self.framer.request(self.now)
        if asked is None:
            return []
        self.asked.append(asked)
        return self.feed(self.answer(asked))

    def run(self, seconds: float) -> list[Reading]:
        return [r for _ in range(round(seconds / TICK)) for r in self.step()]
