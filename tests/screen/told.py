"""A screen on a service that we tell what to say."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

import pytest
from textual.pilot import Pilot

from meterlink.screen.app import BenchScreen
from meterlink.screen.pictures import (
    AT_3V3,
    SMALL,
    Still,
    app_text,
)


class Bench:
    """A screen on a service that we tell what to say."""

    def __init__(self, app: BenchScreen, service: Still, pilot: Pilot[None]) -> None:
        self.app, self.service, self.pilot = app, service, pilot

    async def until(self, condition: Callable[[], Any], what: str = "") -> None:
        for _ in range(500):
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
        await self.pilot.press(*keys)

    async def asked(self, *requests: tuple[str, dict[str, Any]]) -> None:
        """The service was asked this, and nothing else, since the last look."""
        await self.until(lambda: len(self.service.asked) >= len(requests), f"{requests}, not {self.service.asked}")
        assert self.service.asked == [(do, {"source": "key", **fields}) for do, fields in requests]
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
