"""A serial port by pyserial: real ones, USB adapters, and pseudo-terminals (which have no line and no modem pins).

Source: pyserial 3.5, serialposix.py: DTR and RTS set on an unopened port are applied at open; an unplugged port is
readable and gives nothing (SerialException), or gives EIO. POSIX.1-2017, 11.2.2 (INPCK).
"""

from __future__ import annotations

import errno
import fcntl
import os
import select
import termios
import time
from contextlib import suppress
from pathlib import Path

import serial

from meterlink.errors import LinkLost
from meterlink.reading import Line

PTY_MAJORS = range(136, 144)  # Linux admin-guide/devices.txt: Unix98 pseudo-terminal slaves
CHUNK = 4096  # the kernel's line buffer
WRITE_S = 2.0
CHARACTER_SIZES = {5: termios.CS5, 6: termios.CS6, 7: termios.CS7, 8: termios.CS8}
GONE = (errno.ENODEV, errno.ENXIO, errno.EIO)


class SerialLink:
    """An open serial port; exclusive, no flow control."""

    def __init__(self, path: str, line: Line) -> None:
        """Open it with the driver's settings and modem levels, wait settle_s and drop what came by then.

        A pseudo-terminal carries bytes, not characters on a line: it takes neither 7 bits nor parity, and it has
        no opto cable to feed. It is opened 8N1 and not waited for.

        Raises  LinkLost saying what is wrong with the port and what to do.
        """
        pty = is_pty(path)
        port = serial.Serial()
        port.port = path
        port.baudrate = line.baudrate
        port.bytesize = serial.EIGHTBITS if pty else line.bytesize
        port.parity = serial.PARITY_NONE if pty else line.parity
        port.stopbits = serial.STOPBITS_ONE if pty else line.stopbits
        port.exclusive = True
        port.timeout = 0
        port.write_timeout = WRITE_S
        port.dtr, port.rts = line.dtr, line.rts
        self._port = port
        self._path = path
        try:
            port.open()
            if not pty:
                # flock, which pyserial takes, binds only those who ask for it; this one refuses every later open
                fcntl.ioctl(port.fileno(), termios.TIOCEXCL)
                self._verify(line)
            if port.parity != serial.PARITY_NONE:
                check_parity(port.fileno())
            if line.settle_s and not pty:
                self._drop(line.settle_s)
        except (OSError, ValueError, termios.error) as error:
            self.close()
            raise LinkLost(explain(path, line, error)) from error
        except BaseException:
            self.close()
            raise

    def read(self, wait_s: float) -> bytes:
        try:
            ready, _, _ = select.select([self._port.fileno()], [], [], max(wait_s, 0.0))
            data: bytes = self._port.read(CHUNK) if ready else b""
        except (OSError, termios.error) as error:
            raise LinkLost(f"{self._path} went away: is the cable still plugged in? ({error})") from error
        return data

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except serial.SerialTimeoutException as error:
            raise LinkLost(f"{self._path} took no bytes for {WRITE_S:g} s: plug the cable in anew") from error
        except (OSError, termios.error) as error:
            raise LinkLost(f"{self._path} went away: is the cable still plugged in? ({error})") from error

    def close(self) -> None:
        with suppress(OSError):  # it is gone already; there is nothing left to give back
            self._port.close()

    def _verify(self, line: Line) -> None:
        """The kernel takes settings that the adapter cannot do without a word, and shows what it made of them."""
        want = CHARACTER_SIZES[line.bytesize] | (termios.CSTOPB if line.stopbits == 2 else 0)
        want |= {"N": 0, "E": termios.PARENB, "O": termios.PARENB | termios.PARODD}[line.parity]
        mask = termios.CSIZE | termios.CSTOPB | termios.PARENB | (termios.PARODD if line.parity != "N" else 0)
        if termios.tcgetattr(self._port.fileno())[2] & mask != want:
            raise ValueError("the adapter made something else of it")

    def _drop(self, wait_s: float) -> None:
        """Wait for the receiver that DTR and RTS feed, dropping what comes; an unplugged cable ends the wait."""
        end = time.monotonic() + wait_s
        while (left := end - time.monotonic()) > 0:
            self.read(left)
        self._port.reset_input_buffer()


def check_parity(fd: int) -> None:
    """Have the kernel check parity: a character with a wrong one is read as 00, which no 7-bit protocol sends.

    pyserial switches the check off; with it, noise on the line cannot pass as another digit.
    """
    mode = termios.tcgetattr(fd)
    mode[0] = (mode[0] | termios.INPCK) & ~(termios.IGNPAR | termios.PARMRK)
    termios.tcsetattr(fd, termios.TCSANOW, mode)


def is_pty(path: str) -> bool:
    """Whether the path leads to a pseudo-terminal's slave."""
    try:
        return os.major(Path(path).stat().st_rdev) in PTY_MAJORS
    except OSError:
        return False


def explain(path: str, line: Line, error: Exception) -> str:
    """Why a port cannot be opened, and what to do; one line."""
    code = error.args[0] if isinstance(error, termios.error) else getattr(error, "errno", None)
    there = Path(path)
    if code == errno.ENOENT or not there.exists():
        return f"{path} is not there: plug it in, or see what is there with: meterlink ports"
    if code in (errno.EACCES, errno.EPERM):
        return f"{path} may not be opened by this user: {remedy(there)}"
    if code in (errno.EBUSY, errno.EAGAIN):
        return f"{path} is in use by another program: end it (fuser -v {path} names it), or give another port"
    if code in GONE:
        return f"{path} does not answer: plug the cable in anew ({error})"
    if not there.is_char_device() or (isinstance(error, serial.SerialException) and code is None):
        return f"{path} is no serial port: see their names with: meterlink ports"
    setting = f"{line.baudrate} baud {line.bytesize}{line.parity}{line.stopbits}"
    return f"{path} cannot be opened with {setting}: try another adapter or setting ({error})"


def remedy(path: Path) -> str:
    """What gives this user the right to open a device file."""
    try:
        group = path.group()
    except (KeyError, OSError):
        group = "its group"
    if group == "root":
        return "install the udev rules (docs/connecting.md)"
    return f"install the udev rules, or join the group {group} and log in anew (docs/connecting.md)"
