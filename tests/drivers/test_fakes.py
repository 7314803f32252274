"""The fake link and a recording keep the contract of a link that a pseudo-terminal keeps."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from meterlink.errors import LinkLost
from meterlink.link import Link
from meterlink.link.opening import open_link
from meterlink.link.recording import RecordingLink
from meterlink.testing import FakeClock, FakeLink
from meterlink.virtual.terminal import VirtualTerminal

DATA = bytes(range(0, 256, 5))


class Rig(NamedTuple):
    """The link; its clock; what brings DATA; what takes it away."""

    link: Link
    now: Callable[[], float]
    arrive: Callable[[], None]
    unplug: Callable[[], None]


@pytest.fixture(params=["fake", "terminal", "recording"])
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    if request.param == "fake":
        clock = FakeClock()
        fake = FakeLink(clock)
        yield Rig(fake, clock, lambda: fake.put(DATA), fake.lose)
    elif request.param == "terminal":
        with VirtualTerminal(tmp_path / "meter") as meter:
            link = open_link(str(tmp_path / "meter"), None)
            yield Rig(link, time.monotonic, lambda: meter.send(DATA), meter.unplug)
            link.close()
    else:
        clock = FakeClock()
        file = tmp_path / "one.rec"
        file.write_text(f"# driver: x\n# instrument: x\n# source: x\n1.000 > 44\n1.000 < {DATA.hex()}\n")
        player = RecordingLink(file, now=clock, wait=clock.wait)
        yield Rig(player, clock, lambda: player.write(b"D"), player.close)


def read(rig: Rig, n: int) -> bytes:
    got, end = b"", rig.now() + 10
    while len(got) < n and rig.now() < end:
        got += rig.link.read(0.1)
    return got


def test_nothing_comes_and_read_waits_so_long(rig: Rig) -> None:
    began = rig.now()
    assert rig.link.read(0.05) == b""
    assert 0.05 * 0.9 <= rig.now() - began < 0.5


def test_bytes_come_once_in_order(rig: Rig) -> None:
    rig.arrive()
    assert read(rig, len(DATA)) == DATA
    assert rig.link.read(0.0) == b""


def test_a_lost_port_is_link_lost_and_closes_twice(rig: Rig) -> None:
    rig.unplug()
    with pytest.raises(LinkLost):
        read(rig, 1)
    rig.link.close()
    rig.link.close()


def test_a_fake_shows_what_was_written() -> None:
    link = FakeLink()
    link.write(b"READ?\r\n")
    assert link.written == b"READ?\r\n"
