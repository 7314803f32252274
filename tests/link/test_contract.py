"""What meterlink/link/__init__.py promises of every link, held against each kind of it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from meterlink.errors import LinkLost
from tests.link.rigs import CHUNKS, RIGS, Rig

LIMIT_S = 10.0


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Rig]:
    with RIGS[request.param](tmp_path) as one:
        yield one


def read_all(rig: Rig, n: int) -> bytes:
    """n bytes, however they are cut."""
    got, end = b"", time.monotonic() + LIMIT_S
    while len(got) < n and time.monotonic() < end:
        got += rig.link.read(0.2)
    return got


def again(call: Callable[[], object]) -> None:
    """What was on its way may still come, or still be taken."""
    for _ in range(100):
        call()


@pytest.mark.parametrize("wait_s", [0.0, 0.03, 0.15])
def test_read_waits_at_most_so_long(rig: Rig, wait_s: float) -> None:
    began = rig.now()
    assert rig.link.read(wait_s) == b""
    took = rig.now() - began
    # libusb counts whole milliseconds; the upper slack is for a machine that does other things
    assert wait_s * 0.9 <= took < wait_s + 0.5


def test_every_byte_comes_in_order(rig: Rig) -> None:
    for chunk in CHUNKS:
        rig.arrive(chunk)
        assert read_all(rig, len(chunk)) == chunk
    assert rig.link.read(0.0) == b""


def test_read_gives_what_comes_while_it_waits(rig: Rig) -> None:
    began = time.monotonic()
    rig.soon(CHUNKS[0])
    got = rig.link.read(LIMIT_S)
    assert time.monotonic() - began < LIMIT_S / 2
    assert got + read_all(rig, len(CHUNKS[0]) - len(got)) == CHUNKS[0]


def test_all_of_a_message_is_sent(rig: Rig) -> None:
    if rig.heard is None:
        pytest.skip("this one only listens")
    message = b":SYST:ERR?;" * 20 + b"\r\n"
    rig.link.write(message)
    end = time.monotonic() + LIMIT_S
    while len(heard := rig.heard()) < len(message) and time.monotonic() < end:
        pass
    assert heard == message


def test_an_unplugged_port_is_lost_and_can_be_closed_twice(rig: Rig) -> None:
    rig.unplug()
    with pytest.raises(LinkLost) as told:
        again(lambda: rig.link.read(0.1))
    assert "\n" not in str(told.value)
    with pytest.raises(LinkLost):
        again(lambda: rig.link.write(b"D\r\n"))
    rig.link.close()
    rig.link.close()


def test_closing_twice_is_harmless(rig: Rig) -> None:
    rig.link.close()
    rig.link.close()
