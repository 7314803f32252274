"""A bench in the test's hands: two meters, a foot switch, a scanner, a screen's keys, commands; its service's life.

Each way in is the real one: frames and scans are bytes on pseudo-terminals, the foot is a contact on a line (RFC 2217
on loopback), keys are the requests that a screen sends, commands run through the command line. What comes out is looked
at where a person or a view looks: what those hear who watch, the journal's files, what commands print.

Nothing sleeps: the clock stands until it is set, and each step waits for the sign that the service has dealt with it.
"""

from __future__ import annotations

import io
import json
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from decimal import Decimal
from pathlib import Path
from typing import Any

from meterlink import registry
from meterlink.cli.main import command
from meterlink.errors import MeterlinkError, Unreachable
from meterlink.exits import exit_code
from meterlink.folders import bench_folder
from meterlink.reading import Reading
from meterlink.service import wire
from tests.inputs.rigs import TerminalServer
from tests.rules.bench_process import Shared

LIMIT_S = 20.0  # the longest that anything may take on a machine that does other work too
CONFIG = """
bench = "rules"
operator = "anna"
[pedal]
kind = "contact"
port = "{pedal}"
switches = {{ CTS = "gestures" }}
[scanner]
kind = "serial"
port = "{root}/scanner"
[instruments.red]
driver = "fs9721"
port = "{root}/red"
[instruments.blue]
driver = "fs9721"
port = "{root}/blue"
"""
UNITS = {"diode": ("V", "0.001"), "voltage": ("V", "0.001"), "resistance": ("Ohm", "0.1")}
BOUNCE_S, DOUBLE_S = 0.02, 0.30  # the pedal's timing as docs/technician.md has it
Message = dict[str, Any]


def until(condition: Callable[[], Any], what: str, every_s: float = 0.0005) -> Any:
    end = time.monotonic() + LIMIT_S
    while not (found := condition()):
        assert time.monotonic() < end, f"waited {LIMIT_S:g} s for {what}"
        time.sleep(every_s)
    return found


def is_heard(message: Message) -> bool:
    """It is a sound that answers somebody; a device's loss that is told again, for another reason, answers nobody."""
    return bool(message["event"] == "effect" and not re.match(r"the (pedal|scanner) is lost", message["text"]))


class Port:
    """A device's end of a serial line under a name that stays: plugged in and out."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ends: tuple[int, int] | None = None

    def plug(self) -> None:
        master, slave = pty.openpty()
        tty.setraw(slave)
        new = self.path.with_name(self.path.name + ".new")
        new.symlink_to(os.ttyname(slave))
        new.replace(self.path)
        self._ends = master, slave

    def unplug(self) -> None:
        self.path.unlink(missing_ok=True)
        for end in self._ends or ():
            os.close(end)
        self._ends = None

    @property
    def plugged(self) -> bool:
        return self._ends is not None

    def send(self, data: bytes) -> None:
        assert self._ends is not None
        os.write(self._ends[0], data)


class Ear:
    """One who watches: every message of the service, in order."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.settimeout(LIMIT_S)
        self._socket.connect(str(path))
        self._socket.sendall(b'{"do":"watch"}\n')
        self._lines = self._socket.makefile("rb")
        self._lines.readline()
        self.messages: list[Message] = []

    def until(self, wanted: Callable[[Message], bool], what: str) -> Message:
        """Listen on until this is heard; what came before it is in `messages` too."""
        while True:
            try:
                line = self._lines.readline()
            except TimeoutError:
                raise AssertionError(f"waited {LIMIT_S:g} s for {what}; heard {self.messages[-5:]}") from None
            if not line:
                raise Unreachable(f"the service ended before {what}")
            self.messages.append(json.loads(line))
            if wanted(self.messages[-1]):
                return self.messages[-1]

    def taken(self) -> list[Message]:
        """What was heard since the last time."""
        out, self.messages = self.messages, []
        return out

    def end(self) -> None:
        self._lines.close()
        self._socket.close()


class Rig:
    """One bench folder, its devices, and the services that run on it one after the other."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.folders = bench_folder(root)
        clock = root / "clock"
        clock.write_bytes(bytes(64))
        self.shared = Shared(clock)
        self.shared.t = 1000.0
        self.line = TerminalServer().plug()
        self.pedal_plugged = True
        self.ports = {name: Port(root / name) for name in ("red", "blue", "scanner")}
        for port in self.ports.values():
            port.plug()
        self.folders.config.write_text(CONFIG.format(root=root, pedal=self.line.url), encoding="utf-8")
        self._log = (root / "service.log").open("ab")
        self._forks = subprocess.Popen(
            [sys.executable, "-m", "tests.rules.bench_process", str(clock)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self._log,
            text=True,
        )
        self.pid: int | None = None
        self._ear: Ear | None = None
        self._fences = 0
        self._command: Any = command()
        self._build: Any = registry.find("fs9721").build

    # -- the service's life

    def _order(self, words: str) -> int:
        assert self._forks.stdin is not None
        assert self._forks.stdout is not None
        self._forks.stdin.write(words + "\n")
        self._forks.stdin.flush()
        return int(self._forks.stdout.readline())

    def start(self) -> None:
        """A service that has opened all of its devices that are there."""
        self.fork()
        until(self._answers, "the service to answer", 0.005)
        self._ear = Ear(self.folders.socket)
        for name in ("pedal", "scanner", "red", "blue"):
            self.wait_for(name, "open" if self.there(name) else "lost")
        self.fence()
        self.ear.taken()

    def fork(self, *fault: int) -> None:
        """A service, waited for by nobody; `fault` as bench_process has it."""
        self.pid = self._order(" ".join(map(str, ("start", self.root, *fault))))

    def _answers(self) -> bool:
        try:
            self.call("status")
        except Unreachable:
            return False
        return True

    def stop(self) -> int:
        """End it in order; gives its exit status."""
        return self._end(signal.SIGTERM)

    def kill(self) -> int:
        return self._end(signal.SIGKILL)

    def kill_at(self, do: str, fields: Message) -> None:
        """Kill it with a request under way."""
        with socket.socket(socket.AF_UNIX) as sock:
            sock.connect(str(self.folders.socket))
            sock.sendall(json.dumps({"do": do, **fields}).encode() + b"\n")
            self.kill()

    def _end(self, number: int) -> int:
        assert self.pid is not None
        os.kill(self.pid, number)
        return self.ended()

    def ended(self) -> int:
        """Wait for the end of the service; gives its exit status."""
        code = self._order(f"wait {self.pid}")
        if self._ear:
            self._ear.end()
        self.pid = self._ear = None
        return code

    def close(self) -> None:
        """Everything that still runs or is open."""
        if self.pid is not None:
            self.kill()
        assert self._forks.stdin is not None
        self._forks.stdin.close()
        self._forks.wait(LIMIT_S)
        self.line.unplug()
        for port in self.ports.values():
            port.unplug()
        self._log.close()

    # -- looking

    @property
    def ear(self) -> Ear:
        assert self._ear is not None
        return self._ear

    def fence(self) -> list[Message]:
        """All that the service said up to now: a view's own refusal is heard after it."""
        self._fences += 1
        why = f"fence {self._fences}"
        self.call("refused", why=why)
        self.ear.until(lambda m: m.get("text") == why, why)
        return self.ear.taken()[:-1]

    def heard_something(self) -> None:
        """An act that nobody answers is heard: wait for its effect."""
        if not any(is_heard(m) for m in self.ear.messages):
            self.ear.until(is_heard, "a sound: the act was met with silence (rule 10)")

    def state(self) -> Message:
        """The state message that whoever begins to watch gets."""
        with wire.connected(self.folders.socket) as sock:
            sock.sendall(b'{"do":"watch"}\n')
            with sock.makefile("rb") as lines:
                lines.readline()
                state: Message = json.loads(lines.readline())
        return state

    def call(self, do: str, **fields: Any) -> Message:
        return wire.call(self.folders.socket, do, **fields)

    def command(self, *words: str) -> tuple[int, str]:
        """A command as a person calls it: its exit status and what it printed."""
        printed = io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True)
        with redirect_stdout(printed), redirect_stderr(printed):
            try:
                self._command.main([*words, "--dir", str(self.root)], standalone_mode=False)
            except MeterlinkError as error:
                return exit_code(error), str(error)
        return 0, printed.buffer.getvalue().decode()  # type: ignore[attr-defined]

    def there(self, name: str) -> bool:
        return self.pedal_plugged if name == "pedal" else self.ports[name].plugged

    def wait_for(self, name: str, state: str) -> None:
        """Until the service says that this device is open, or lost."""
        said: Message = {}

        def is_so() -> bool:
            status = self.call("status")
            said.update(status["inputs"], **{i["instrument"]: i for i in status["instruments"]})
            return bool(said[name]["state"] == state)

        try:
            until(is_so, f"the {name} to be {state}", 0.005)
        except AssertionError as error:
            raise AssertionError(f"{error}: {said[name]}") from None

    # -- hands and feet

    def plug(self, name: str) -> None:
        if name == "pedal":
            self.line.plug()
            self.pedal_plugged = True
        else:
            self.ports[name].plug()

    def unplug(self, name: str) -> None:
        if name == "pedal":
            self.line.unplug()
            self.pedal_plugged = False
        else:
            self.ports[name].unplug()

    def reading(self, name: str, function: str, value: str | None, dt: float) -> list[Message]:
        """The meter's next frame, dt seconds after the last: gives what the service said of it."""
        unit, resolution = UNITS[function]
        shown = Reading(
            function=function,
            coupling="dc" if function == "voltage" else None,
            value=None if value is None else Decimal(value),
            unit=unit,
            resolution=Decimal(resolution),
            state="ok" if value is not None else "over",
        )
        self.shared.t += dt
        self.ports[name].send(self.frame(shown))
        self.ear.until(lambda m: m["event"] == "reading" and m["instrument"] == name, f"a reading of {name}")
        return self.ear.taken()

    def frame(self, shown: Reading) -> bytes:
        """The bytes by which a meter shows this."""
        frame: bytes = self._build(shown)
        return frame

    def scan(self, text: str) -> None:
        self.ports["scanner"].send(text.encode() + b"\r")

    def foot(self, pattern: tuple[float, ...], bounce: bool = False) -> None:
        """Press and release the switch in this rhythm, and give it the time to mean something."""
        down = False
        for held in (*pattern, DOUBLE_S):
            down = not down
            for closed in (down, not down, down) if bounce else (down,):
                self._contact(closed)
            self.shared.t += BOUNCE_S
            self._looked()
            self.shared.t += held
            self._looked()

    def _contact(self, closed: bool) -> None:
        before = self.shared.changes
        self.line.press("CTS") if closed else self.line.release("CTS")
        until(lambda: self.shared.changes > before, "the pedal to see its contact")

    def _looked(self) -> None:
        before = self.shared.looks
        until(lambda: self.shared.looks > before + 1, "the pedal to look at its contact")
