"""The program: keys to requests, the service's messages to panes. It holds no bench state; closing it changes nothing.

Invariant: while a supply feeds a rail every key means "off" and nothing else, whatever is open on the screen.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from typing import Any

from textual import events
from textual.app import App, ComposeResult
from textual.containers import Horizontal
from textual.message import Message as Posted

from meterlink.errors import MeterlinkError
from meterlink.screen import asks, fold
from meterlink.screen.dialogs import Help
from meterlink.screen.feed import Feed, Wire
from meterlink.screen.flash import Flash
from meterlink.screen.hands import Hands
from meterlink.screen.measuring import Keeps, Point, Points, Reading
from meterlink.screen.panes import Alarm, Asked, Head, Health, Keys, Pane, Word
from meterlink.screen.themes import DARK, LIGHT

PAINT_S = 1 / 15  # between two paints; a reading is never older on the screen
CALM_S = 0.8  # after an injection's end keys do nothing: the one that meant "off" shall not also keep

HELP = """\
space     keep what is shown, step on   (a tap)
backspace take the last keep back       (double tap)
n, right  leave this point out, step on (long press)
u         undo the last thing recorded

b         board: choose, type or scan; a capital or a
          figure typed on the bench screen begins it
p point   o power is on / off   s where the board is
f finding t note                a before / after repair
w keeps: withdraw, or move to another point or board
m name the last touch           e leave points out
h who is at the bench

i inject: while a rail is fed ANY KEY is OFF
x switch the supplies off
l light / dark   z flash for sound   q close: it goes on
"""


class FromService(Posted):
    """A message of the service, or None and why there is none."""

    def __init__(self, message: dict[str, Any] | None, why: str = "") -> None:
        super().__init__()
        self.message = message
        self.why = why


class Quiet(Posted):
    """No key has come for a while. It waits its turn behind the keys that did."""

    def __init__(self, keys: int) -> None:
        super().__init__()
        self.keys = keys


class BenchScreen(App[None]):
    """The bench screen on a service. `light` and `flash` are how it starts; `now` is a monotonic clock."""

    TITLE = "meterlink"
    CSS_PATH = "screen.tcss"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT = False
    HORIZONTAL_BREAKPOINTS = [(0, "-narrow"), (110, "-wide")]  # noqa: RUF012 - textual declares it without ClassVar
    VERTICAL_BREAKPOINTS = [(0, "-tiny"), (24, "-low"), (34, "-high")]  # noqa: RUF012 - as above

    def __init__(
        self,
        service: Wire,
        *,
        light: bool = False,
        flash: bool = False,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__()
        self.view = fold.View()
        self._painted = self.view, self.view  # as told, and as it is painted
        self.flashing = flash
        self._light = light
        self._service = service
        self._now = now
        self._feed = Feed(service, self._told, self._gone)
        self._order = asyncio.Lock()  # requests reach the service in the order of their keys
        self._calm_until = 0.0
        self._keys = 0  # that came so far
        commands = {
            "u": self.undo,
            "a": self.stage,
            "x": self.off,
            "l": self.turn_light,
            "z": self.turn_flash,
            "question_mark": self.help,
            **dict.fromkeys(("q", "ctrl+c", "ctrl+q"), self.exit),
        }
        self.hands = Hands(self, commands)

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return {"quiet": "#888888"}

    def compose(self) -> ComposeResult:
        yield Head("head")
        yield Alarm("alarm")
        yield Reading("reading")
        with Horizontal(id="middle"):
            yield Point("point")
            yield Points("points")
            yield Keeps("keeps")
        yield Health("health")
        yield Word("word")
        yield Keys("keys")
        yield Asked("asked")
        yield Flash()

    def on_mount(self) -> None:
        for theme in (DARK, LIGHT):
            self.register_theme(theme)
        self.theme = (LIGHT if self._light else DARK).name
        self._panes = list(self.query(Pane))
        self._alarm = self.query_one(Alarm)
        self._health = self.query_one(Health)
        self._word = self.query_one(Word)
        self._asked = self.query_one(Asked)
        self._flash = self.query_one(Flash)
        self._bench = self.screen
        self.set_interval(PAINT_S, self.paint)
        self.paint()
        self._feed.start()

    def on_unmount(self) -> None:
        self._feed.end()

    # -- what comes

    def _told(self, message: dict[str, Any]) -> None:
        self.post_message(FromService(message))

    def _gone(self, why: str) -> None:
        self.post_message(FromService(None, why))

    def on_from_service(self, posted: FromService) -> None:
        t, before = self._now(), self.view
        if posted.message is None:
            self.view = fold.lost(before, posted.why)
        else:
            self.view = fold.take(before, posted.message, t)
        if before.injecting and not self.view.injecting:
            self._calm_until = t + CALM_S
        if self.view.injecting and not before.injecting:
            self.hands.close()  # what feeds a rail is on the bench screen: no question stands before it
            self.hands.keyboard.drop()
        told = self.view.told
        if told is not None and told != before.told:
            self._word.error = self._word.said = ""
            if self.flashing:
                self._flash.tell(told)
        scanner = self.view.state.get("scanner") or {}
        self.hands.keyboard.set_to(scanner.get("prefix") or "", scanner.get("suffix") or "")
        if self.view.state is not before.state or told is not before.told:
            self.paint()

    def paint(self) -> None:
        """Show the view as it stands now."""
        t = self._now()
        if self._painted[0] is not self.view:
            self._painted = self.view, fold.printable(self.view)
        self._asked.dialog = self.hands.dialog
        if self.hands.dialog is not None:
            self._asked.asked_of = fold.printable(self.hands.asked_of)
        for pane in self._panes:
            if pane.is_attached:  # at the end the last messages find no panes
                pane.show(self._painted[1], t)
        # the digits make room: the point stays in sight
        self._bench.set_class(self._alarm.display or self._health.tight, "-alarmed")

    # -- what goes out

    async def ask(self, do: str, **fields: Any) -> bool:
        """One request; what it recorded is shown as one line, and so is a refusal. Gives whether it was done."""
        try:
            async with self._order:
                reply = await asyncio.to_thread(partial(self._service.call, do, **{"source": "key", **fields}))
        except MeterlinkError as error:
            self.refuse(str(error))
            return False
        said = "; ".join(str(line) for line in reply.get("text") or ())
        self._word.error, self._word.said = "", " ".join(said.split())
        self.paint()
        return True

    def send(self, do: str, **fields: Any) -> None:
        """One request, in the order of its key."""
        self.run_worker(self.ask(do, **fields))

    def inject(self, order: dict[str, Any]) -> None:
        """Ask for an injection; from here on every key means off, also before the service has told of it."""
        self.view = fold.ordered(self.view, True)
        self.run_worker(self._inject(order))

    async def _inject(self, order: dict[str, Any]) -> None:
        if not await self.ask("supply inject", confirm=True, **order):
            self.view = fold.ordered(self.view, False)

    def off(self) -> None:
        """All supplies off."""
        self.run_worker(self._switch_off(), exit_on_error=False)

    async def _switch_off(self) -> None:
        """Off, beside whatever else waits for an answer."""
        try:
            await asyncio.to_thread(partial(self._service.call, "supply off", source="key"))
        except MeterlinkError as error:
            self.refuse(f"SUPPLY NOT SWITCHED OFF, do it by hand: {error}")

    def refuse(self, why: str) -> None:
        """Show one line, until the next thing happens."""
        self._word.error = " ".join(why.split())
        self.paint()

    def refuse_aloud(self, why: str) -> None:
        """A refusal of the screen itself: shown here, and the service makes it heard."""
        self.refuse(why)
        self.run_worker(self._refused(why))

    async def _refused(self, why: str) -> None:
        with suppress(MeterlinkError):  # a service that is not there is told of in the head
            async with self._order:
                await asyncio.to_thread(partial(self._service.call, "refused", why=why, source="key"))
        self.refuse(why)  # again: what was asked before it has answered meanwhile

    def scan(self, mark: str) -> None:
        """What a scanner read goes to the service."""
        self.run_worker(self._take_scan(mark))

    async def _take_scan(self, mark: str) -> None:
        """A mark that no open job has is offered to be counted in."""
        known = asks.knows(self.view, mark)
        done = await self.ask("scanned", text=mark, source="scanner")
        if not (done or known or self.hands.dialog) and self.view.context.get("job"):
            self.hands.begin(asks.unknown(self.view, mark))
            self.paint()

    # -- keys

    async def on_event(self, event: events.Event) -> None:
        """Keys and pasted text: off before all else, then one after another. No widget gets them."""
        if not isinstance(event, (events.Key, events.Paste)) or event.is_forwarded:
            await super().on_event(event)
        elif self.view.injecting:
            self.off()
        elif self._now() >= self._calm_until:
            self.view = fold.read(self.view)
            self._keys += 1
            if isinstance(event, events.Key):
                self.hands.key(event.key, event.character, event.time)
            else:
                self.hands.paste(event.text, event.time)
            if (wait := self.hands.keyboard.holds_s) is not None:
                asyncio.get_running_loop().call_later(wait, self.post_message, Quiet(self._keys))
            self.paint()

    def on_quiet(self, quiet: Quiet) -> None:
        if quiet.keys == self._keys:
            self.hands.quiet()
            self.paint()

    # -- what the program's own keys do

    def undo(self) -> None:
        """Take the last thing back that was recorded."""
        self.send("undo", **asks.here(self.view))

    def stage(self) -> None:
        """The other stage."""
        stage = "before" if self.view.context.get("stage") == "after" else "after"
        self.send("stage", stage=stage, **asks.here(self.view))

    def turn_light(self) -> None:
        """Light and dark."""
        self.theme = (DARK if self.theme == LIGHT.name else LIGHT).name
        self.call_after_refresh(self.paint)

    def turn_flash(self) -> None:
        """The flash, on or off."""
        self.flashing = not self.flashing
        self.refuse(f"flash {'on: each sound is a flash' if self.flashing else 'off'}")

    def help(self) -> None:
        """All keys."""
        self.hands.show(Help(HELP))
