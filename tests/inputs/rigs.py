"""A whole bench whose inputs are in the test's hand: contacts on a fake line, keyboards on a simulated bus, a player.

with bench_with(folder, PEDAL, ...) as bench:      a service process, started as `meterlink run`
with TerminalServer() as line:                     contacts: line.url is the pedal's port, line.tap("CTS")
bench.usb("scanner", "reports", *typed("ab-12\\r"))  key reports, with keyboards={"scanner": (vendor, product)}
bench.played()                                     the sounds that the player was given, in order
"""

from __future__ import annotations

import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from multiprocessing.connection import Connection, Listener
from pathlib import Path
from typing import Any

from serial import rfc2217

from meterlink import records, registry
from meterlink.demo.technician import Ear
from meterlink.errors import Unreachable
from meterlink.folders import Folders, bench_folder
from meterlink.journal.reader import entries
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal
from tests.inputs.bus_service import KEY
from tests.inputs.keyboards import UP, USAGE, down
from tests.service.conftest import Service, until

ROOT = Path(__file__).parents[2]
TAP_S = 0.08  # how long a foot is down in a tap: longer than a bounce, shorter than a long press
Act = Callable[[], object]
B = down(*USAGE["b"])
CONTACT = """
[pedal]
kind = "contact"
port = "{port}"
switches = {{ CTS = "gestures" }}
timing = {{ double_s = 0.4, long_s = {long_s} }}
"""
KEYBOARD = """
[pedal]
kind = "keyboard"
port = "05F3:00FF"
switches = {{ b = "gestures" }}
timing = {{ double_s = 0.4, long_s = {long_s} }}
"""
APART_S = 0.6  # a foot that is up for longer than double_s: the next press is a gesture of its own
HEAD = """
bench = "test bench"
operator = "demo"
[keep]
span_s = {span_s}
slip_s = 0
[instruments.handheld]
driver = "fs9721"
port = "{port}"
"""


class Line:
    """A serial port's far end as rfc2217.PortManager asks for it: a contact passes RTS on while it is closed."""

    def __init__(self) -> None:
        self.baudrate, self.bytesize, self.parity, self.stopbits = 9600, 8, "N", 1
        self.rts = self.dtr = self.rtscts = self.xonxoff = self.break_condition = False
        self.closed: set[str] = set()

    def on(self, name: str) -> bool:
        return self.rts and name in self.closed

    cts = property(lambda self: self.on("CTS"))
    dsr = property(lambda self: self.on("DSR"))
    cd = property(lambda self: self.on("DCD"))
    ri = property(lambda self: False)

    def reset_input_buffer(self) -> None:
        """Nothing is buffered."""

    def reset_output_buffer(self) -> None:
        """Nothing is buffered."""


class TerminalServer:
    """A terminal server on loopback, by RFC 2217 (pyserial's PortManager), with foot switches on its one line.

    mute    it answers nothing any more, and the connection stays: a server that hangs
    """

    def __init__(self) -> None:
        self.line = Line()
        self.mute = False
        self._lock = threading.RLock()
        self._listening: socket.socket | None = None
        self._peer: socket.socket | None = None
        self._manager: Any = None
        self._number = 0

    @property
    def url(self) -> str:
        return f"rfc2217://127.0.0.1:{self._number}"

    def plug(self) -> TerminalServer:
        """On the network, under the same number each time."""
        self._listening = socket.create_server(("127.0.0.1", self._number))
        self._number = self._listening.getsockname()[1]
        threading.Thread(target=self._serve, args=(self._listening,), daemon=True).start()
        return self

    def unplug(self) -> None:
        """Off the network: the connection ends, a new one is refused."""
        with self._lock:
            for one in (self._listening, self._peer):
                if one is not None:
                    with suppress(OSError):
                        one.shutdown(socket.SHUT_RDWR)
                    one.close()
            self._listening = self._peer = self._manager = None

    def press(self, name: str) -> None:
        """Close a contact and keep it closed."""
        self._set(self.line.closed | {name})

    def release(self, name: str) -> None:
        self._set(self.line.closed - {name})

    def _set(self, closed: set[str]) -> None:
        with self._lock:
            self.line.closed = closed
            if self._manager and not self.mute:
                self._manager.check_modem_lines()

    def _serve(self, listening: socket.socket) -> None:
        while True:
            try:
                peer, _ = listening.accept()
            except OSError:
                return
            with self._lock:
                self._peer = peer
                self._manager = rfc2217.PortManager(self.line, self)
            with suppress(OSError):
                while data := peer.recv(1024):
                    with self._lock:
                        if self.mute or self._manager is None:
                            continue
                        for _ in self._manager.filter(data):
                            pass  # characters for the line: nothing listens there
                        self._manager.check_modem_lines()  # RTS may have come on
            with self._lock:
                self._manager = None
            peer.close()

    def write(self, data: bytes) -> None:
        """What PortManager sends."""
        with suppress(OSError):
            if self._peer is not None:
                self._peer.sendall(data)

    def __enter__(self) -> TerminalServer:
        return self.plug()

    def __exit__(self, *_: object) -> None:
        self.unplug()


class WholeBench(Service):
    """A service process with a virtual handheld, a player that writes down what it is given, and perhaps keyboards."""

    def __init__(
        self, folders: Folders, handheld: Handheld, keyboards: dict[str, tuple[int, int]], plugged: bool
    ) -> None:
        super().__init__(folders)
        self.handheld = handheld
        self.keyboards = keyboards
        self.plugged = plugged
        self._sounds = folders.root / "played"
        self._listener = Listener(("127.0.0.1", 0), authkey=KEY) if keyboards else None
        self._bus: Connection | None = None
        programs = folders.root / "programs"
        programs.mkdir()
        player = programs / "pw-play"  # the first that meterlink/sound.py looks for
        player.write_text(f'#!/bin/sh\necho "${{1##*/}}" >> "{self._sounds}"\n')
        player.chmod(0o755)
        self._environment = {**os.environ, "PATH": f"{programs}:{os.environ['PATH']}"}

    def launch(self) -> None:
        way = ["meterlink"]
        if self._listener:
            port = self._listener.address[1]
            way = ["tests.inputs.bus_service", str(port), json.dumps([self.plugged, self.keyboards])]
        with (self.folders.root / "service.log").open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", *way, "run", "--dir", str(self.folders.root)],
                stdin=subprocess.DEVNULL,
                stderr=log,
                cwd=ROOT,
                env=self._environment,
            )
        if self._listener:
            self._bus = self._listener.accept()

    def start(self) -> None:
        super().start()
        self.ear = Ear(self.folders.socket)

    def kill(self) -> None:
        super().kill()
        if self._bus:
            self._bus.close()
            self._bus = None

    def usb(self, device: str, method: str, *arguments: Any) -> Any:
        """Do something to a keyboard on the service's bus (tests/inputs/keyboards.py)."""
        assert self._bus is not None
        self._bus.send((device, method, arguments))
        return self._bus.recv()

    def played(self) -> list[str]:
        """The sounds' names, oldest first."""
        return [n.removesuffix(".wav") for n in self._sounds.read_text().split()] if self._sounds.exists() else []

    def log(self) -> str:
        """What `meterlink run` said in its terminal."""
        return (self.folders.root / "service.log").read_text()

    def command(self, *words: str) -> str:
        """What a command prints, as a person calls it."""
        done = subprocess.run(
            [sys.executable, "-m", "meterlink", *words, "--dir", str(self.folders.root)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            cwd=ROOT,
            env=self._environment,
        )
        return done.stdout + done.stderr

    def journal(self, *kinds: str) -> list[Any]:
        """The journal's records of these kinds, oldest first."""
        try:
            return [x.record for x in entries(self.folders.journal, readings=False) if x.kind in kinds]
        except Unreachable:
            return []

    def at(self) -> tuple[str | None, str | None]:
        """The board and the point that the journal's last context names."""
        contexts: list[records.Context] = self.journal("context")
        return (contexts[-1].board, contexts[-1].point) if contexts else (None, None)

    def input_state(self, name: str) -> str:
        """What the service says of its pedal or scanner."""
        return str(self.call("status")["inputs"][name]["state"])

    def wait_open(self, name: str) -> None:
        until(lambda: self.input_state(name) == "open", what=f"the {name} to be open")

    def touch(self, value: float) -> None:
        """Land on a node, and wait until the meter shows it."""
        mark = self.ear.heard
        self.handheld.touch(value)
        self.ear.wait(
            lambda m: m["event"] == "reading" and m["value"] is not None and abs(m["value"] - value) < 0.005,
            mark,
            what=f"the meter to show {value}",
        )


class Pedal:
    """One switch in the test's hand, on gestures."""

    def __init__(self, bench: WholeBench, press: Act, release: Act, unplug: Act, plug: Act) -> None:
        self.bench, self.press, self.release, self.unplug, self.plug = bench, press, release, unplug, plug

    def tap(self) -> None:
        self.press()
        time.sleep(TAP_S)  # how long the foot is down
        self.release()

    def double_tap(self) -> None:
        self.tap()
        time.sleep(TAP_S)  # how long the foot is up between the two
        self.tap()

    def long_press(self) -> None:
        """Down until the bench has gone on: that is how a foot's long press ends."""
        before = self.bench.at()
        self.press()
        until(lambda: self.bench.at() != before, what="the long press to step on")
        self.release()


@contextmanager
def bench_with_pedal(
    kind: str, root: Path, tables: str = "", plugged: bool = True, long_s: float = 1.2, settles: bool = False
) -> Iterator[tuple[WholeBench, Pedal]]:
    """A bench, not started, with a pedal of this kind: contact (on a terminal server) or keyboard.

    long_s      twice the usual: this machine does other work too
    settles     as in bench_with
    """
    if kind == "contact":
        with (
            TerminalServer() as line,
            bench_with(root, tables + CONTACT.format(port=line.url, long_s=long_s), settles=settles) as bench,
        ):
            pedal = Pedal(bench, lambda: line.press("CTS"), lambda: line.release("CTS"), line.unplug, line.plug)
            if not plugged:
                line.unplug()
            yield bench, pedal
    else:
        with bench_with(
            root,
            tables + KEYBOARD.format(long_s=long_s),
            keyboards={"pedal": (0x05F3, 0x00FF)},
            plugged=plugged,
            settles=settles,
        ) as bench:
            yield (
                bench,
                Pedal(
                    bench,
                    lambda: bench.usb("pedal", "reports", B),
                    lambda: bench.usb("pedal", "reports", UP),
                    lambda: bench.usb("pedal", "unplug"),
                    lambda: bench.usb("pedal", "plug"),
                ),
            )


@contextmanager
def bench_with(
    root: Path,
    tables: str,
    *,
    keyboards: dict[str, tuple[int, int]] | None = None,
    plugged: bool = True,
    settles: bool = False,
    rate_hz: float = 20.0,
) -> Iterator[WholeBench]:
    """The bench without its service (`start` it); whatever runs at the end is killed.

    keyboards   on its bus, by name; plugged = False: they are not there when the service starts
    settles     touches are kept by themselves; else only the foot keeps (no touch of a test lasts so long)
    """
    root.mkdir(parents=True, exist_ok=True)
    folders = bench_folder(root)
    handheld = Handheld(registry.find("fs9721"), random.Random(7), rate_hz)
    head = HEAD.format(port=root / "handheld", span_s=0.05 if settles else 10.0)
    folders.config.write_text(head + tables, encoding="utf-8")
    with VirtualTerminal(root / "handheld", stream=handheld.frame, rate_hz=rate_hz):
        bench = WholeBench(folders, handheld, keyboards or {}, plugged)
        try:
            yield bench
        finally:
            bench.kill()


def sheet_of(path: Path, *points: str) -> str:
    """A sheet of diode points, each good between 0.2 and 1.5 V; gives its path for `job open`."""
    rows = [f'[[point]]\nname = "{p}"\nfunction = "diode"\nlow = 0.2\nhigh = 1.5\n' for p in points]
    path.write_text('model = "IC-8 rev C"\n' + "\n".join(rows), encoding="utf-8")
    return str(path)
