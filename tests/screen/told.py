"""A screen on a service that we tell what to say."""

from __future__ import annotations

import asyncio
import json
import socketserver
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from typing import Any

import pytest
from textual import events
from textual.keys import KEY_NAME_REPLACEMENTS, _character_to_key
from textual.pilot import Pilot

from meterlink.screen.app import BenchScreen, Quiet
from meterlink.screen.dialogs import Dialog
from meterlink.screen.pictures import (
    AT_3V3,
    SMALL,
    Still,
    app_text,
)

HANDS_S = 0.25  # between two keys of a hand, by the keyboard's clock: nobody waits for it


def stroke(key: str) -> events.Key:
    """A key by the name that textual gives it, or by its character."""
    if len(key) == 1:
        return events.Key(KEY_NAME_REPLACEMENTS.get(_character_to_key(key), _character_to_key(key)), key)
    return events.Key(key, {"enter": "\r", "escape": "\x1b", "space": " ", "question_mark": "?"}.get(key))


class Bench:
    """A screen on a service that we tell what to say."""

    def __init__(self, app: BenchScreen, service: Still, pilot: Pilot[None]) -> None:
        self.app, self.service, self.pilot = app, service, pilot
        self._t = 0.0  # of the last key, by the keyboard's own clock

    async def until(self, condition: Callable[[], Any], what: str = "") -> None:
        end = time.monotonic() + 20.0  # on a machine that does other work too
        while time.monotonic() < end:
            if condition():
                return
            await self.pilot.pause(0.01)
        pytest.fail(f"waited for {what or condition}; the screen shows\n{self.text}")

    async def tell(self, *messages: dict[str, Any]) -> None:
        for message in messages:
            self.app._told(message)
        await self.pilot.pause()
        self.app.paint()
        await self.pilot.pause()

    async def press(self, *keys: str) -> None:
        """By hand: each key a good while after the one before; back when all of it is done."""
        await self._keys(HANDS_S, keys)

    async def rush(self, *keys: str, gap_s: float = 0.001) -> None:
        """At machine speed, as a scanner or a script sends keys."""
        await self._keys(gap_s, keys)

    async def _keys(self, gap_s: float, keys: tuple[str, ...]) -> None:
        self._t += HANDS_S
        for key in keys:
            event = stroke(key)
            event.time = self._t
            self.app.post_message(event)
            self._t += gap_s
        await self.until(lambda: not self.app._message_queue.qsize(), "the keys to be read")
        self.app.post_message(Quiet(self.app._keys))  # as after holds_s, for which test_machine_speed waits
        await self.pilot.pause()
        assert self.app.hands.keyboard.holds_s is None

    @property
    def dialog(self) -> Dialog | None:
        """What is asked."""
        return self.app.hands.dialog

    async def asked(self, *requests: tuple[str, dict[str, Any]]) -> None:
        """The service was asked this, and nothing else, since the last look."""
        await self.until(lambda: len(self.service.asked) >= len(requests), f"{requests}, not {self.service.asked}")
        assert self.service.asked == [(do, {"source": "key", **fields}) for do, fields in requests]
        assert self.dialog is None or not requests
        self.service.asked.clear()

    @property
    def text(self) -> str:
        return app_text(self.app)


@asynccontextmanager
async def screen(
    *messages: dict[str, Any], size: tuple[int, int] = SMALL, now: float = 0.0, service: Still | None = None, **how: Any
) -> AsyncIterator[Bench]:
    service = service or Still(*(messages or AT_3V3))
    app = BenchScreen(service, now=lambda: now, **how)
    async with app.run_test(size=size) as pilot:
        bench = Bench(app, service, pilot)
        await bench.until(lambda: app.view.attached, "the first state")
        await bench.tell()
        yield bench
    service.end()


def run(test: Callable[[], Any]) -> None:
    asyncio.run(test())


class Refusing(Still):
    """A service that refuses everything."""

    def __init__(self, error: Exception) -> None:
        super().__init__(*AT_3V3)
        self.error = error

    def call(self, do: str, **fields: Any) -> dict[str, Any]:
        if do == "status":
            return {}
        raise self.error


@contextmanager
def listening(path: Path, *messages: dict[str, Any]) -> Iterator[Still]:
    """A service that tells these messages, behind a socket as the real one is: for a screen in a terminal."""
    still = Still(*messages)

    class Peer(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            request = json.loads(self.rfile.readline())
            do = request.pop("do")
            if do == "watch":
                for message in ({"ok": True}, *still.messages):
                    self.wfile.write(json.dumps(message).encode() + b"\n")
                still.ended()
            else:
                self.wfile.write(json.dumps(still.call(do, **request)).encode() + b"\n")

    path.parent.mkdir(parents=True, exist_ok=True)
    with socketserver.ThreadingUnixStreamServer(str(path), Peer) as server:
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()
        try:
            yield still
        finally:
            still.end()
            server.shutdown()
    path.unlink()
