"""Serial ports: settings and levels as the system is told them, and what each refusal tells the user to do."""

from __future__ import annotations

import errno
import os
import pty
import struct
import termios
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
import serial.serialposix

from meterlink.errors import LinkLost
from meterlink.link.serial import SerialLink, check_parity, explain, is_pty
from meterlink.reading import Line
from meterlink.virtual.terminal import VirtualTerminal

OPTO = Line(baudrate=2400, dtr=True, rts=False)


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """A pty's master, and its slave's path."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    yield master, os.ttyname(slave)
    os.close(slave)
    os.close(master)


@pytest.fixture
def ioctls(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, Any]]:
    """What pyserial tells the system, in order; a pty has no modem lines, so here it is said to have them."""
    seen: list[tuple[int, Any]] = []
    true = serial.serialposix.fcntl.ioctl

    def listen(fd: int, request: int, *args: Any) -> Any:
        seen.append((request, *args[:1]))  # type: ignore[arg-type]
        return 0 if request in (termios.TIOCMBIS, termios.TIOCMBIC) else true(fd, request, *args)

    monkeypatch.setattr(serial.serialposix.fcntl, "ioctl", listen)
    return seen


@pytest.mark.parametrize(("dtr", "rts"), [(True, False), (False, True), (True, True), (False, False)])
def test_modem_levels_are_set_at_opening(
    terminal: tuple[int, str], ioctls: list[tuple[int, Any]], dtr: bool, rts: bool
) -> None:
    """tty_ioctl(4): TIOCMBIS sets the bits, TIOCMBIC clears them; DTR is 002, RTS 004."""
    SerialLink(terminal[1], Line(baudrate=2400, dtr=dtr, rts=rts)).close()
    told = {bits: request for request, bits in ioctls if request in (termios.TIOCMBIS, termios.TIOCMBIC)}
    assert told[struct.pack("I", 0x002)] == (termios.TIOCMBIS if dtr else termios.TIOCMBIC)
    assert told[struct.pack("I", 0x004)] == (termios.TIOCMBIS if rts else termios.TIOCMBIC)


@pytest.mark.parametrize(("baudrate", "speed"), [(600, termios.B600), (2400, termios.B2400), (9600, termios.B9600)])
def test_raw_no_flow_control_and_the_drivers_speed(terminal: tuple[int, str], baudrate: int, speed: int) -> None:
    link = SerialLink(terminal[1], Line(baudrate=baudrate))
    iflag, oflag, cflag, lflag, ispeed, ospeed, _ = termios.tcgetattr(terminal[0])
    assert (ispeed, ospeed) == (speed, speed)
    assert not iflag & (termios.IXON | termios.IXOFF | termios.ICRNL | termios.INLCR | termios.ISTRIP)
    assert not oflag & termios.OPOST
    assert not lflag & (termios.ICANON | termios.ECHO | termios.ISIG)
    assert not cflag & termios.CRTSCTS
    link.close()


def test_a_speed_that_has_no_constant(terminal: tuple[int, str]) -> None:
    """19230 baud (ES51922): the kernel is told the number itself (TCSETS2)."""
    link = SerialLink(terminal[1], Line(baudrate=19230, bytesize=7, parity="O"))
    assert not termios.tcgetattr(terminal[0])[2] & termios.PARENB  # a pty is opened 8N1, knowingly
    os.write(terminal[0], bytes(range(256)))
    got = b""
    while len(got) < 256:
        got += link.read(1.0)
    assert got == bytes(range(256))
    link.close()


def test_a_real_line_is_told_its_bits_and_parity(terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """What a pty refuses is asked for on any other port; and the refusal is told."""
    monkeypatch.setattr("meterlink.link.serial.is_pty", lambda _: False)
    asked: list[list[Any]] = []
    true = termios.tcsetattr

    def listen(fd: int, when: int, mode: list[Any]) -> None:
        asked.append(mode)
        true(fd, when, mode)

    monkeypatch.setattr(termios, "tcsetattr", listen)
    with pytest.raises(LinkLost, match="cannot be opened with 19200 baud 7O1: try another adapter"):
        SerialLink(terminal[1], Line(baudrate=19200, bytesize=7, parity="O"))
    cflag = asked[0][2]
    assert cflag & termios.CSIZE == termios.CS7
    assert cflag & (termios.PARENB | termios.PARODD) == termios.PARENB | termios.PARODD
    SerialLink(terminal[1], OPTO).close()  # nothing was left open or locked


def test_parity_is_checked_by_the_kernel(terminal: tuple[int, str]) -> None:
    """POSIX.1-2017, 11.2.2: INPCK on, IGNPAR and PARMRK off: a character with a parity error is read as 00."""
    fd = os.open(terminal[1], os.O_RDWR | os.O_NOCTTY)
    mode = termios.tcgetattr(fd)
    mode[0] |= termios.IGNPAR | termios.PARMRK
    termios.tcsetattr(fd, termios.TCSANOW, mode)
    check_parity(fd)
    assert termios.tcgetattr(fd)[0] & (termios.INPCK | termios.IGNPAR | termios.PARMRK) == termios.INPCK
    os.close(fd)


def test_what_comes_while_the_receiver_settles_is_dropped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each frame holds the second at which it was sent."""
    monkeypatch.setattr("meterlink.link.serial.is_pty", lambda _: False)
    with VirtualTerminal(tmp_path / "meter", stream=lambda t: struct.pack("d", t), rate_hz=200) as meter:
        began = time.monotonic()
        link = SerialLink(str(meter.path), Line(baudrate=2400, settle_s=0.2))
        got = b""
        while len(got) < 8:
            got += link.read(1.0)
        link.close()
    assert struct.unpack("d", got[:8])[0] >= began + 0.2


def test_unplugged_while_the_receiver_settles(terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """The wait of a minute ends at once."""
    monkeypatch.setattr("meterlink.link.serial.is_pty", lambda _: False)
    meter = VirtualTerminal(Path(terminal[1]).with_name("x"))  # never plugged in
    meter.unplug()

    def gone(self: SerialLink, wait_s: float) -> bytes:
        raise LinkLost("went away")

    monkeypatch.setattr(SerialLink, "read", gone)
    began = time.monotonic()
    with pytest.raises(LinkLost, match="went away"):
        SerialLink(terminal[1], Line(baudrate=2400, settle_s=60.0))
    assert time.monotonic() - began < 30
    fd = os.open(terminal[1], os.O_RDWR | os.O_NOCTTY)  # it was given back
    os.close(fd)


def test_a_port_in_use(terminal: tuple[int, str]) -> None:
    link = SerialLink(terminal[1], OPTO)
    with pytest.raises(LinkLost, match="in use by another program: end it"):
        SerialLink(terminal[1], OPTO)
    link.close()
    SerialLink(terminal[1], OPTO).close()


def test_a_real_port_is_closed_to_every_other_program(
    terminal: tuple[int, str], ioctls: list[tuple[int, Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meterlink.link.serial.is_pty", lambda _: False)
    SerialLink(terminal[1], OPTO).close()
    assert (termios.TIOCEXCL,) in ioctls


@pytest.mark.parametrize(
    ("path", "message"),
    [
        ("/dev/ttyNotThere7", "is not there: plug it in, or see what is there with: meterlink ports"),
        ("/dev/null", "is no serial port"),
    ],
)
def test_ports_that_cannot_be_opened(path: str, message: str) -> None:
    with pytest.raises(LinkLost, match=message):
        SerialLink(path, OPTO)


def test_a_file_is_no_port(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("not a meter")
    with pytest.raises(LinkLost, match="is no serial port"):
        SerialLink(str(file), OPTO)
    assert file.read_text() == "not a meter"


def test_a_port_that_this_user_may_not_open(tmp_path: Path) -> None:
    """The refusal is the system's; root is refused nothing, so the error itself is handed in."""
    file = tmp_path / "ttyUSB0"
    file.touch()
    told = explain(str(file), OPTO, serial.SerialException(errno.EACCES, "Permission denied"))
    group = file.group()
    assert "may not be opened by this user: install the udev rules" in told
    assert (f"join the group {group}" in told) == (group != "root")


@pytest.mark.parametrize("code", [errno.ENODEV, errno.EIO])
def test_a_port_whose_device_is_gone(code: int, tmp_path: Path) -> None:
    (tmp_path / "ttyUSB0").touch()
    told = explain(str(tmp_path / "ttyUSB0"), OPTO, serial.SerialException(code, os.strerror(code)))
    assert "plug the cable in anew" in told


def test_which_ports_are_pseudo_terminals(terminal: tuple[int, str], tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to(terminal[1])
    assert is_pty(terminal[1])
    assert is_pty(str(tmp_path / "by-id"))
    assert not is_pty("/dev/null")
    assert not is_pty(str(tmp_path / "nothing"))


def test_nobody_takes_the_bytes(terminal: tuple[int, str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.link.serial.WRITE_S", 0.05)
    link = SerialLink(terminal[1], OPTO)
    with pytest.raises(LinkLost, match="took no bytes"):
        link.write(bytes(1 << 17))
    link.close()
