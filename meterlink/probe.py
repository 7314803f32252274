"""Which driver's frames come from a port: listen at each line setting there is, and count.

Listening sends nothing (opening sets DTR and RTS, which feed an opto cable). Asking sends the queries of polled
drivers, one driver after another: a query can move a relay, so it is for ports that a person named.
How sure: the share of the bytes that are in accepted frames. The pieces of a frame that listening began and ended in
count for nothing.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Sequence

import msgspec

from meterlink.framing import Framer
from meterlink.link import Link
from meterlink.link.opening import parse
from meterlink.reading import Line, Reading, UsbId
from meterlink.registry import Spec

FRAMES = 4  # as many are waited for
LEAST_S, MOST_S = 1.0, 6.0
READ_S = 0.05
SURE, LIKELY = 0.95, 0.5

Open = Callable[[str, "Line | None", "tuple[UsbId, ...]"], Link]


class Heard(msgspec.Struct, frozen=True, kw_only=True):
    """What one driver made of the bytes at one line setting."""

    port: str
    driver: str
    line: str | None  # "2400 8N1, DTR on, RTS off"; None where the port has no line
    frames: int
    taken: int  # bytes in accepted frames
    skipped: int  # bytes in none, without the pieces at both ends
    asked: bool
    last: str | None  # what the last reading showed

    @property
    def share(self) -> float:
        return self.taken / (self.taken + self.skipped) if self.taken else 0.0

    @property
    def sure(self) -> str:
        """sure: nearly every byte fits, in several frames; likely: most; perhaps: some; no."""
        if self.frames == 0:
            return "no"
        if self.share >= SURE and self.frames >= FRAMES - 1:
            return "sure"
        return "likely" if self.share >= LIKELY else "perhaps"


def listen(
    port: str, specs: Iterable[Spec], open_link: Open, now: Callable[[], float] = time.monotonic
) -> Iterator[Heard]:
    """What each streaming driver hears, one line setting after another; only drivers that heard a frame.

    Raises  LinkLost: the port cannot be opened, or went away.
    """
    for line, group in settings(port, [s for s in specs if s.info.poll_s is None]):
        link = open_link(port, line, tuple(u for s in group for u in s.info.usb))
        try:
            data = _collect(link, group, now)
        finally:
            link.close()
        for spec in group:
            heard = judge(port, spec, line, data)
            if heard.frames:
                yield heard


def ask(
    port: str, specs: Iterable[Spec], open_link: Open, now: Callable[[], float] = time.monotonic
) -> Iterator[Heard]:
    """Which polled drivers get answers that they understand; sends their queries. Raises LinkLost."""
    for line, group in settings(port, [s for s in specs if s.info.poll_s is not None]):
        for spec in group:
            link = open_link(port, line, spec.info.usb)
            try:
                heard = _converse(link, spec, port, line, now)
            finally:
                link.close()
            if heard.frames:
                yield heard


def settings(port: str, specs: Sequence[Spec]) -> list[tuple[Line | None, list[Spec]]]:
    """The drivers that could answer at a port, by the line setting that it must be opened with."""
    scheme, rest = parse(port)
    groups: dict[Line | None, list[Spec]] = {}
    for spec in specs:
        own = any(rest.upper().startswith(f"{u.vendor:04X}:{u.product:04X}") for u in spec.info.usb)
        if scheme in ("tcp", "usbtmc"):
            if spec.info.poll_s is not None and (own or scheme in spec.info.links):
                groups.setdefault(None, []).append(spec)
        elif scheme == "hid" and own:
            groups.setdefault(None, []).append(spec)
        elif scheme in ("serial", "hid") and spec.info.line is not None:
            groups.setdefault(spec.info.line, []).append(spec)
    if None in groups and scheme == "hid":
        return [(None, groups[None])]  # a meter with reports of its own has no line
    return list(groups.items())


def judge(port: str, spec: Spec, line: Line | None, data: bytes) -> Heard:
    """What a streaming driver makes of bytes that came. Pure."""
    driver = spec.driver()
    readings: list[Reading] = []
    at = 0
    while not driver.frames and at < len(data):
        readings += driver.feed(data[at : at + 1])
        at += 1
    piece = min(driver.skipped, max(0, driver.taken - 1))  # less than one frame came before the first
    readings += driver.feed(data[at:])
    return _heard(port, spec, line, driver, readings, piece=piece)


def _heard(
    port: str,
    spec: Spec,
    line: Line | None,
    driver: Framer,
    readings: Sequence[Reading],
    *,
    piece: int = 0,
    asked: bool = False,
) -> Heard:
    return Heard(
        port=port,
        driver=spec.name,
        line=None if line is None else say(line),
        frames=driver.frames,
        taken=driver.taken,
        skipped=driver.skipped - piece,
        asked=asked,
        last=readings[-1].display if readings else None,
    )


def say(line: Line) -> str:
    """A line setting in words."""
    levels = f"DTR {'on' if line.dtr else 'off'}, RTS {'on' if line.rts else 'off'}"
    return f"{line.baudrate} {line.bytesize}{line.parity}{line.stopbits}, {levels}"


def _collect(link: Link, group: Sequence[Spec], now: Callable[[], float]) -> bytes:
    """The bytes of enough frames of one driver, or of as much time as the slowest of them takes."""
    slowest = min(s.info.rate_hz for s in group)
    end = now() + min(MOST_S, max(LEAST_S, (FRAMES + 1) / slowest))
    drivers = [s.driver() for s in group]
    data = b""
    while now() < end and all(d.frames < FRAMES for d in drivers):
        came = link.read(READ_S)
        data += came
        for driver in drivers:
            driver.feed(came)
    return data


def _converse(link: Link, spec: Spec, port: str, line: Line | None, now: Callable[[], float]) -> Heard:
    """Rounds of a polled driver's questions, until there are enough answers or the time is over."""
    driver = spec.driver()
    end = now() + MOST_S
    readings: list[Reading] = []
    while now() < end and driver.frames < FRAMES:
        question = driver.request(now())
        if question:
            link.write(question)
        readings += driver.feed(link.read(READ_S))
        if driver.bad and not driver.frames:
            break  # no answer, or one that is none
    return _heard(port, spec, line, driver, readings, asked=True)
