"""One instrument's supervisor: open, read, lose, back off, open again. A lost meter never stops the bench.

A thread that owns the link and the driver's framer; it hands readings with the time of their arrival to the
loop and touches nothing else. Its counts are plain numbers that the loop may read at any time. Of a supply that may
be switched it also carries out what its Switch asks for: when the driver is broken, and once more at the end, that is
all it still does.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import msgspec

from meterlink.bench.fence import clean, read, words
from meterlink.control import Control
from meterlink.errors import LinkLost
from meterlink.framing import Framer
from meterlink.link import Link
from meterlink.reading import Line, Reading
from meterlink.registry import Spec
from meterlink.service.clock import Clock, Moment
from meterlink.service.switch import Switch, close, opened

READ_S = 0.05
SILENT_S = 5.0  # no reading for so long is told; the slowest meters give one in 1.5 s
BACK_OFF_S = (0.25, 0.5, 1.0, 2.0, 5.0)

Open = Callable[[str, "Line | None", Any], Link]


class Batch(msgspec.Struct, frozen=True):
    """Readings that came together."""

    instrument: str
    readings: list[Reading]
    moment: Moment


class Changed(msgspec.Struct, frozen=True):
    """The instrument came, went, or fell silent."""

    instrument: str
    event: str  # found, lost, silent
    why: str | None
    moment: Moment


class Health(msgspec.Struct):
    """What `status` says of one instrument."""

    state: str = "not opened yet"
    why: str | None = None
    bytes: int = 0
    frames: int = 0
    readings: int = 0
    skipped: int = 0
    bad: int = 0
    last_bad: str = ""
    link_bad: int = 0  # what the link itself refused: parity, reports that were none of the bridge's
    losses: int = 0
    rate_hz: float = 0.0
    last_t: float | None = None

    def likely(self, streams: bool, t: float) -> str | None:
        """The likely cause of trouble and what to look at, or None when readings come."""
        if self.state != "open":
            return self.why
        if self.last_t is not None and t - self.last_t < SILENT_S:
            return None
        if self.bytes == 0 and streams:
            return "no bytes come: is the meter's sending switched on, the cable seated and powered?"
        if self.bytes == 0:
            return "no answer comes: is it on, in remote mode, and at this baud rate?"
        if self.frames == 0:
            return "bytes come, no frame fits: wrong baud, wrong parity or wrong driver?"
        return "it fell silent: is the meter off or its sending timed out?"


class Supervisor(threading.Thread):
    """Runs until `stop()`. `put` takes Batch and Changed; `open_link` is meterlink.link.opening.open_link."""

    def __init__(
        self,
        name: str,
        spec: Spec,
        port: str,
        line: Line | None,
        put: Callable[[Any], None],
        open_link: Open,
        clock: Clock,
        control: Control | None = None,
    ) -> None:
        super().__init__(name=f"instrument {name}", daemon=True)
        self.instrument = name
        self.spec = spec
        self.port = port
        self.line = line
        self.health = Health()
        self._put = put
        self._open = open_link
        self._usb = spec.info.usb
        self._clock = clock
        self._ending = threading.Event()
        self.turn, self.talking = 0, False  # how often the link and the driver were turned to; whether they are now
        self.hung = False  # it did not come back: whatever it still gives is nobody's any more
        # None: nothing that changes this instrument is ever sent
        self.switch = Switch(name, control, spec, self._put_of_switch, clock) if control else None

    def _put_of_switch(self, item: Any) -> None:
        """What comes while the switch has the link: a supply that feeds answers the injection, and is not silent."""
        if isinstance(item, Batch):
            self.health.last_t = item.moment.t
        self._put(item)

    def stop(self) -> None:
        """Ask it to end; it does within a read's wait, an injection switched off before."""
        self._ending.set()
        if self.switch:
            self.switch.stop("the service ends")

    def broken(self, why: str) -> None:
        """What its driver gives cannot be recorded: the bench goes on without it. From any thread."""
        self.stop()
        self._lost(f"the driver {self.spec.name} failed: {why}; the bench goes on without it", True)

    def run(self) -> None:
        try:
            self._keep_open()
        except BaseException as error:  # noqa: BLE001 - SystemExit too: the bench goes on without a meter so broken
            self._lost(f"the driver {self.spec.name} failed: {words(error)}; the bench goes on without it", True)
        if self.switch:
            self._only_off(self.switch)

    def _keep_open(self) -> None:
        tries = 0
        while not self._ending.is_set():
            try:
                link = opened(self._open, self.port, self.line, self._usb)
            except LinkLost as error:
                self._lost(str(error), told=tries == 0)
                self._ending.wait(BACK_OFF_S[min(tries, len(BACK_OFF_S) - 1)])
                tries += 1
                continue
            try:
                if self.switch:
                    self.switch.drop("the link was lost")  # asked for just then: never begun by itself later
                self.health.state, self.health.why = "open", None
                self._put(Changed(self.instrument, "found", None, self._clock.now()))
                tries = 0
                self.talking = True
                self._talk(link)
            except LinkLost as error:
                self.health.losses += 1
                self._lost(str(error), told=True)
                self._ending.wait(BACK_OFF_S[0])
            finally:
                self.talking = False
                close(link)

    def _only_off(self, switch: Switch) -> None:
        """Nothing is read any more. An off that is owed is carried out all the same, each on a link opened anew."""
        while True:
            last = self._ending.is_set()
            if switch.due(self._clock.now().t) or (last and switch.must_off):
                self._off_anew(switch)
            if last:
                return
            self._ending.wait(READ_S)

    def _off_anew(self, switch: Switch) -> None:
        if not switch.must_off:
            switch.unreachable(str(self.health.why))  # an injection that came in between
            return
        try:
            link = opened(self._open, self.port, self.line, self._usb)
        except LinkLost as error:
            switch.unreachable(str(error))
            return
        try:
            switch.carry_out(link)
        except LinkLost:
            pass  # told: what could not be confirmed stays owed
        finally:
            close(link)

    def _lost(self, why: str, told: bool) -> None:
        why = clean(why)  # a driver's words perhaps: they are recorded
        self.health.state, self.health.why, self.health.rate_hz = "lost", why, 0.0
        if self.switch:
            self.switch.unreachable(why)
        if told:
            self._put(Changed(self.instrument, "lost", why, self._clock.now()))

    def _talk(self, link: Link) -> None:
        driver: Framer | None = None
        before = (self.health.frames, self.health.skipped, self.health.bad)
        quiet_from = last = self._clock.now().t
        silent = held = False
        while not self._ending.is_set() or (self.switch and self.switch.injector):
            self.turn += 1
            if self.switch and self.switch.due(self._clock.now().t):
                self.switch.carry_out(link)
                driver = None  # its conversation was broken off: it begins a new one
                continue
            if driver is None:
                driver = self.spec.driver()
                before = (self.health.frames, self.health.skipped, self.health.bad)
                last = self._clock.now().t
            ask = driver.request(self._clock.now().t)
            if ask:
                link.write(ask)
            data = link.read(READ_S)
            self.health.link_bad = getattr(link, "bad", 0)
            moment = self._clock.now()
            if data:
                quiet_from, held = moment.t, True
                readings = read(driver.feed(data))
                if self.hung:
                    return
                self._count(driver, before, len(data))
                if readings:
                    self._rate(len(readings), moment.t - last)
                    last, silent = moment.t, False
                    self.health.last_t = moment.t
                    self._put(Batch(self.instrument, readings, moment))
            elif held and moment.t - quiet_from > self.spec.info.silence_s:
                driver.silence()
                held = False
                self._count(driver, before, 0)
            if not silent and moment.t - last > SILENT_S:
                silent = True
                self.health.rate_hz = 0.0
                why = self.health.likely(self.spec.info.poll_s is None, moment.t)
                self._put(Changed(self.instrument, "silent", why, moment))

    def _count(self, driver: Framer, before: tuple[int, int, int], n: int) -> None:
        self.health.bytes += n
        self.health.frames = before[0] + driver.frames
        self.health.skipped = before[1] + driver.skipped
        self.health.bad = before[2] + driver.bad
        self.health.last_bad = driver.last_bad

    def _rate(self, n: int, gap_s: float) -> None:
        self.health.readings += n
        if gap_s > 0:
            now = n / gap_s
            self.health.rate_hz = now if not self.health.rate_hz else 0.8 * self.health.rate_hz + 0.2 * now
