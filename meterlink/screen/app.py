"""The program: keys to requests, the service's messages to panes. It holds no bench state; closing it changes nothing.

Invariant: while a supply feeds a rail every key means "off" and nothing else, whatever is open on the screen.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable, Coroutine
from functools import partial
from typing import Any, ClassVar

from textual import events
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message as Posted
from textual.theme import Theme

from meterlink.errors import MeterlinkError
from meterlink.screen import asks, fold
from meterlink.screen.dialogs import Dialog, Help
from meterlink.screen.feed import Feed, Wire
from meterlink.screen.panes import Alarm, Flash, Head, Health, Keeps, Keys, Pane, Point, Reading, Word

PAINT_S = 1 / 15  # between two paints; a reading is never older on the screen
FLASH_S = 0.5  # WCAG 2.2, criterion 2.3.1: not more than three flashes in any second
CALM_S = 0.8  # after an injection's end keys do nothing: the one that meant "off" shall not also keep
MARK = 80  # characters of a board's mark

DARK = Theme(
    name="bench dark",
    primary="#9fc3d9",
    foreground="#f4f1e8",
    background="#101418",
    surface="#1a2026",
    panel="#252d35",
    success="#7fd18a",
    warning="#f2c14e",
    error="#ff8a75",
    dark=True,
    variables={"quiet": "#9aa7b2"},
)
LIGHT = Theme(
    name="bench light",
    primary="#1f4e6b",
    foreground="#14181b",
    background="#fbfaf6",
    surface="#f0eee6",
    panel="#e2dfd3",
    success="#14662a",
    warning="#7a4b00",
    error="#a3130f",
    dark=False,
    variables={"quiet": "#4e5a63"},
)
HELP = """\
space       keep what the meter shows now, and step on    (a tap)
backspace   take back the last keep, step back   (double tap)
n, right    step on without a reading              (long press)

b           board: choose, type or scan; capitals and figures
            typed on the bench screen start a mark as well
p           point              o   power is on / is off
f           finding            t   note
s           the board's state  a   before / after the repair
w           withdraw a keep, with a reason

i           inject into a rail: while it is fed ANY KEY is OFF
x           switch the supplies off

l           light / dark       z   flash instead of sound
?           these keys         q   close; the bench goes on
"""


Question = Callable[["BenchScreen"], Coroutine[Any, Any, None]]


class FromService(Posted):
    """A message of the service, or None and why there is none."""

    def __init__(self, message: dict[str, Any] | None, why: str = "") -> None:
        super().__init__()
        self.message = message
        self.why = why


class BenchScreen(App[None]):
    """The bench screen on a service. `light` and `flash` are how it starts; `now` is a monotonic clock."""

    TITLE = "meterlink"
    CSS_PATH = "screen.tcss"
    ENABLE_COMMAND_PALETTE = False
    ALLOW_SELECT = False
    VERTICAL_BREAKPOINTS = [(0, "-tiny"), (24, "-low"), (34, "-high")]  # noqa: RUF012 - textual declares it without ClassVar
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "press('keep')", "keep"),
        Binding("backspace", "press('back')", "back"),
        Binding("n,right", "press('next')", "next"),
        *(
            Binding(key, f"question('{name}')", name)
            for key, name in (
                ("b", "board"),
                ("p", "point"),
                ("o", "power"),
                ("f", "finding"),
                ("t", "note"),
                ("s", "state"),
                ("w", "withdraw"),
                ("i", "inject"),
            )
        ),
        Binding("a", "stage", "before/after"),
        Binding("x", "off", "supply off"),
        Binding("l", "light", "light/dark"),
        Binding("z", "flash", "flash"),
        Binding("question_mark", "help", "keys"),
        Binding("q,ctrl+c", "quit", "close"),
    ]

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
        self.flashing = flash
        self._light = light
        self._service = service
        self._now = now
        self._feed = Feed(service, self._told, self._gone)
        self._order = asyncio.Lock()  # requests reach the service in the order of their keys
        self._calm_until = 0.0
        self._typed = ""

    def get_theme_variable_defaults(self) -> dict[str, str]:
        return {"quiet": "#888888"}

    def compose(self) -> ComposeResult:
        yield Head("head")
        yield Alarm("alarm")
        yield Reading("reading")
        with Horizontal(id="middle"):
            yield Point("point")
            yield Keeps("keeps")
        yield Health("health")
        yield Word("word")
        yield Keys("keys")
        yield Flash()

    def on_mount(self) -> None:
        for theme in (DARK, LIGHT):
            self.register_theme(theme)
        self.theme = (LIGHT if self._light else DARK).name
        self._panes = list(self.query(Pane))
        self._alarm = self.query_one(Alarm)
        self._word = self.query_one(Word)
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
            if before.injecting:
                self.refuse("the service is gone while a rail was fed: look at the supply, switch it off by hand")
        else:
            self.view = fold.take(before, posted.message, t)
        if before.injecting and not self.view.injecting:
            self._calm_until = t + CALM_S
        if self.view.injecting and not before.injecting:
            self._leave_dialogs()
        told = self.view.told
        if told is not None and told != before.told:
            self._word.error = ""
            if self.flashing:
                self._show_flash(told)
        if self.view.state is not before.state or told is not before.told:
            self.paint()

    def paint(self) -> None:
        """Show the view as it stands now."""
        t = self._now()
        self._word.typed = self._typed
        for pane in self._panes:
            if pane.is_attached:  # at the end the last messages find no panes
                pane.show(self.view, t)
        self._bench.set_class(self._alarm.display, "-alarmed")  # the digits make room: the point stays in sight

    def _show_flash(self, told: fold.Told) -> None:
        """One flash an effect; while one stands its word changes and nothing blinks."""
        self._flash.tell(told.sound, told.text)
        if not self._flash.display:
            self._flash.display = True
            self.set_timer(FLASH_S, self._end_flash)

    def _end_flash(self) -> None:
        self._flash.display = False

    def _leave_dialogs(self) -> None:
        """What feeds a rail is on the bench screen: no question stands before it."""
        if isinstance(self.screen, Dialog):
            self.screen.dismiss(None)

    # -- what goes out

    async def ask(self, do: str, **fields: Any) -> bool:
        """One request; a refusal is shown as its one line. Gives whether it was done."""
        try:
            async with self._order:
                await asyncio.to_thread(partial(self._service.call, do, source="key", **fields))
        except MeterlinkError as error:
            self.refuse(str(error))
            return False
        self._word.error = ""
        return True

    async def inject(self, order: dict[str, Any]) -> None:
        """Ask for an injection; from here on every key means off, also before the service has told of it."""
        self.view = fold.ordered(self.view, True)
        if not await self.ask("supply inject", confirm=True, **order):
            self.view = fold.ordered(self.view, False)

    async def switch_off(self) -> None:
        """Off, beside whatever else waits for an answer."""
        try:
            await asyncio.to_thread(partial(self._service.call, "supply off", source="key"))
        except MeterlinkError as error:
            self.refuse(f"SUPPLY NOT SWITCHED OFF, do it by hand: {error}")

    def refuse(self, why: str) -> None:
        """Show one line, until the next thing happens."""
        self._word.error = " ".join(why.split())
        self.paint()

    # -- keys

    async def on_event(self, event: events.Event) -> None:
        """Keys and pasted text: off before all else, then a mark that is being typed."""
        if isinstance(event, (events.Key, events.Paste)) and not event.is_forwarded:
            if self.view.injecting:
                self.run_worker(self.switch_off(), exit_on_error=False)
                return
            if self._now() < self._calm_until:
                return
            self.view = fold.read(self.view)
            if isinstance(event, events.Key) and self.screen is self._bench and self._mark(event):
                self.paint()
                return
        await super().on_event(event)

    def _mark(self, event: events.Key) -> bool:
        """A board's mark, typed or scanned on the bench screen: it begins with a capital or a figure."""
        c = event.character or ""
        starts = len(c) == 1 and (c.isdigit() or (c.isalpha() and c.isupper()))
        if not self._typed and not starts:
            return False
        if event.key == "enter":
            mark, self._typed = self._typed.strip(), ""
            self.run_worker(asks.take(self, mark))
        elif event.key == "escape":
            self._typed = ""
        elif event.key == "backspace":
            self._typed = self._typed[:-1]
        elif event.is_printable and len(self._typed) < MARK:
            self._typed += c
        return True

    def action_press(self, action: str) -> None:
        """One of the pedal's three actions."""
        self.run_worker(self.ask(action))

    def action_question(self, name: str) -> None:
        """Ask what the key's name says; one question at a time."""
        if self.screen is self._bench:
            question: Question = getattr(asks, name)
            self.run_worker(question(self), group="question")

    def action_stage(self) -> None:
        """The other stage."""
        stage = "before" if self.view.context.get("stage") == "after" else "after"
        self.run_worker(self.ask("stage", stage=stage))

    def action_off(self) -> None:
        """All supplies off."""
        self.run_worker(self.switch_off())

    def action_light(self) -> None:
        """Light and dark."""
        self.theme = (DARK if self.theme == LIGHT.name else LIGHT).name
        self.call_after_refresh(self.paint)

    def action_flash(self) -> None:
        """The flash, on or off."""
        self.flashing = not self.flashing
        self.refuse(f"flash {'on: each sound is a flash' if self.flashing else 'off'}")

    def action_help(self) -> None:
        """All keys."""
        if self.screen is self._bench:
            self.push_screen(Help(HELP))
