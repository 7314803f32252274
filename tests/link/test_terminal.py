"""The virtual instrument's end: streams, answers, vanishes and comes back under the same name."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from meterlink.errors import LinkLost
from meterlink.link import Link
from meterlink.link.opening import open_link
from meterlink.reading import Line
from meterlink.virtual.terminal import VirtualTerminal

LINE = Line(baudrate=2400)
LIMIT_S = 10.0


def read(link: Link, enough: Callable[[bytes], bool]) -> bytes:
    got, end = b"", time.monotonic() + LIMIT_S
    while not enough(got) and time.monotonic() < end:
        got += link.read(0.2)
    return got


def lost(link: Link) -> None:
    end = time.monotonic() + LIMIT_S
    while time.monotonic() < end:
        link.read(0.2)


def test_it_streams(tmp_path: Path) -> None:
    sent: list[bytes] = []

    def stream(t: float) -> bytes:
        sent.append(b"%04d\r\n" % len(sent))
        return sent[-1]

    with VirtualTerminal(tmp_path / "meter", stream=stream, rate_hz=100) as meter:
        link = open_link(str(meter.path), LINE)
        began = len(sent)
        got = read(link, lambda g: len(g) >= 120)
        link.close()
    assert got in b"".join(sent)
    assert len(sent) >= began + 10


def test_it_keeps_its_rate(tmp_path: Path) -> None:
    times: list[float] = []
    done = 21

    def stream(t: float) -> bytes:
        times.append(t)
        return b"x"

    with VirtualTerminal(tmp_path / "meter", stream=stream, rate_hz=50) as meter:
        link = open_link(f"serial:{meter.path}", LINE)
        read(link, lambda g: len(times) >= done)
        link.close()
    # never faster than its rate on average; a busy machine may make it slower
    assert times[done - 1] - times[0] >= (done - 3) / 50


def test_it_answers_and_is_not_confused_by_cuts(tmp_path: Path) -> None:
    held = bytearray()

    def answer(came: bytes) -> bytes:
        held.extend(came)
        out = b""
        while b"\n" in held:
            line, _, rest = bytes(held).partition(b"\n")
            held[:] = rest
            out += b"<" + line + b">"
        return out

    with VirtualTerminal(tmp_path / "meter", answer=answer) as meter:
        link = open_link(str(meter.path), LINE)
        for part in (b"*ID", b"N?\nREA", b"D?\n"):
            link.write(part)
        assert read(link, lambda g: g.count(b">") == 2) == b"<*IDN?><READ?>"
        link.close()


def test_it_vanishes_and_comes_back_under_its_name(tmp_path: Path) -> None:
    meter = VirtualTerminal(tmp_path / "meter", stream=lambda t: b"x", rate_hz=100).plug()
    link = open_link(str(meter.path), LINE)
    assert read(link, bool)
    meter.unplug()
    with pytest.raises(LinkLost, match="went away"):
        lost(link)
    link.close()
    with pytest.raises(LinkLost, match="is not there"):
        open_link(str(meter.path), LINE)
    meter.plug()
    link = open_link(str(meter.path), LINE)
    assert read(link, bool)
    link.close()
    meter.unplug()
    meter.unplug()


def test_what_is_sent_into_the_air_does_not_stop_it(tmp_path: Path) -> None:
    """Nobody reads: the line's buffer fills; a link that is opened then hears the meter as it goes on."""
    count = [0]

    def stream(t: float) -> bytes:
        count[0] += 1
        return bytes(4096)

    with VirtualTerminal(tmp_path / "meter", stream=stream, rate_hz=1000) as meter:
        end = time.monotonic() + LIMIT_S
        while count[0] < 20 and time.monotonic() < end:
            time.sleep(0.001)
        link = open_link(str(meter.path), LINE)
        assert read(link, lambda g: len(g) > 4096)
        link.close()


def test_it_can_be_made_to_send(tmp_path: Path) -> None:
    with VirtualTerminal(tmp_path / "meter") as meter:
        link = open_link(str(meter.path), LINE)
        meter.send(b"9")
        assert read(link, bool) == b"9"
        link.close()
    meter.send(b"into the air")


def test_a_broken_instrument_is_told_when_it_is_unplugged(tmp_path: Path) -> None:
    began = threading.Event()

    def stream(t: float) -> bytes:
        began.set()
        raise ZeroDivisionError("the script of the test is broken")

    meter = VirtualTerminal(tmp_path / "meter", stream=stream).plug()
    assert began.wait(LIMIT_S)
    with pytest.raises(ZeroDivisionError):
        meter.unplug()
    assert not meter.path.is_symlink()


def test_one_plug_at_a_time(tmp_path: Path) -> None:
    with VirtualTerminal(tmp_path / "meter") as meter, pytest.raises(ValueError, match="plugged in already"):
        meter.plug()
