"""Pedal and scanner threads: whatever happens to their device is a loss that is told, and they open it again."""

from __future__ import annotations

import os
import pty
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from meterlink.errors import BadInput, LinkLost
from meterlink.inputs.readers import TypingReader
from meterlink.inputs.settings import PedalSettings, ScannerSettings
from meterlink.inputs.switches import BootReports
from meterlink.service import input_supervisor
from meterlink.service.clock import SystemClock
from meterlink.service.footwork import Footwork
from meterlink.service.input_messages import FootDown, InputChanged, InputRefused, Pressed, Scanned
from meterlink.service.input_supervisor import InputSupervisor
from meterlink.service.scanning import Scanning
from tests.inputs.keyboards import KeyboardDevice, typed
from tests.link.simulated_bus import SimulatedBus
from tests.service.conftest import until

PEDAL = PedalSettings(kind="contact", port="p", switches={"CTS": "keep", "DSR": "back"})
SCANNER = ScannerSettings(kind="serial", port="p")


class Device:
    """A pedal and a scanner that does what its script says: a value, or something to raise."""

    def __init__(self, script: list[Any]) -> None:
        self.script = script
        self.closed = 0

    def changes(self, wait_s: float) -> Any:
        return self._next([])

    def read(self, wait_s: float) -> Any:
        return self._next(b"")

    def _next(self, nothing: Any) -> Any:
        one = self.script.pop(0) if self.script else nothing
        if isinstance(one, BaseException):
            raise one
        return one

    def close(self) -> None:
        self.closed += 1


Make = Callable[[Callable[[], Any], Callable[[Any], None]], "InputSupervisor[Any]"]
KINDS: dict[str, Make] = {
    "pedal": lambda open_, put: Footwork(PEDAL, put, SystemClock(), open_),
    "scanner": lambda open_, put: Scanning(SCANNER, put, SystemClock(), open_),
}


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(input_supervisor, "BACK_OFF_S", (0.01, 0.02))


@pytest.fixture
def running() -> Iterator[list[InputSupervisor[Any]]]:
    threads: list[InputSupervisor[Any]] = []
    yield threads
    for one in threads:
        one.stop()
        one.join(5.0)
        assert not one.is_alive() and one.state == "closed"


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "failure",
    [LinkLost("unplugged"), BadInput("no port"), KeyError("x"), OSError("bad"), ValueError("odd"), AssertionError("?"),
     MemoryError("full"), RecursionError("deep"), UnicodeDecodeError("utf-8", b"x", 0, 1, "bad")],
    ids=lambda e: type(e).__name__,
)  # fmt: skip
@pytest.mark.parametrize("at", ["open", "look", "nonsense"])
def test_every_failure_is_a_loss_and_it_comes_back(
    kind: str, failure: Exception, at: str, running: list[InputSupervisor[Any]]
) -> None:
    opens: list[Any] = [Device([])] if at != "open" else [failure, Device([])]
    if at == "look":
        opens.insert(0, Device([failure]))
    if at == "nonsense":
        opens.insert(0, Device([object()]))  # a device that gives something of another type

    def open_() -> Any:
        one = opens.pop(0)
        if isinstance(one, Exception):
            raise one
        return one

    messages: list[Any] = []
    thread = KINDS[kind](open_, messages.append)
    running.append(thread)
    thread.start()
    until(lambda: not opens and thread.state == "open", what="it to be open again")
    changes = [m for m in messages if isinstance(m, InputChanged)]
    assert [m.state for m in changes] == (["lost", "open"] if at == "open" else ["open", "lost", "open"])
    lost = next(m for m in changes if m.state == "lost")
    assert lost.input == kind and lost.why
    assert at == "nonsense" or (str(failure) in lost.why or repr(failure) in lost.why)
    assert thread.why is None


@pytest.mark.parametrize("kind", KINDS)
def test_a_loss_is_told_once_for_each_reason(kind: str, running: list[InputSupervisor[Any]]) -> None:
    reasons = iter(["not there"] * 5 + ["no permission"] * 3 + ["not there"] * 3)
    tries: list[str] = []

    def open_() -> Any:
        tries.append(next(reasons, "not there"))
        raise LinkLost(tries[-1])

    messages: list[Any] = []
    thread = KINDS[kind](open_, messages.append)
    running.append(thread)
    thread.start()
    until(lambda: len(tries) > 12, what="many tries")
    assert [m.why for m in messages] == ["not there", "no permission"]
    assert (thread.state, thread.why) == ("lost", "not there")


def test_a_device_is_given_back_after_a_loss_and_at_the_end(running: list[InputSupervisor[Any]]) -> None:
    first, second = Device([[("CTS", True)], KeyError("x")]), Device([])
    opens = [first, second]
    messages: list[Any] = []
    thread = Footwork(PEDAL, messages.append, SystemClock(), lambda: opens.pop(0))
    thread.start()
    until(lambda: not opens and thread.state == "open", what="the second")
    assert first.closed == 1
    thread.stop()
    thread.join(5.0)
    assert second.closed == 1 and thread.state == "closed"
    assert not [m for m in messages if isinstance(m, Pressed)]  # held while it was lost: no press


def test_a_press_and_a_clash(running: list[InputSupervisor[Any]]) -> None:
    pedal = PedalSettings(kind="keyboard", port="p", switches={"a": "keep", "b": "back"})
    script = [[("a", True), ("a", False)], [("a", True), ("b", True)], [("a", False), ("b", False)]]
    messages: list[Any] = []
    thread = Footwork(pedal, messages.append, SystemClock(), lambda: Device(list(script)))
    running.append(thread)
    thread.start()
    until(lambda: len(messages) >= 5, what="a press and a clash")
    assert [type(m) for m in messages] == [InputChanged, FootDown, Pressed, FootDown, InputRefused]
    assert messages[2].action == "keep" and "a and b" in messages[4].why


def test_a_press_is_sent_at_its_first_contact(running: list[InputSupervisor[Any]]) -> None:
    """A supply is switched off by it, which does not wait for the release and for a second tap."""
    messages: list[Any] = []
    device = Device([[("RI", True)], [("CTS", True)]])  # RI is bound to nothing
    thread = Footwork(PEDAL, messages.append, SystemClock(), lambda: device)
    running.append(thread)
    thread.start()
    until(lambda: len(messages) == 2, what="the contact")
    assert isinstance(messages[1], FootDown) and not device.script


def test_scans_in_pieces_and_one_that_breaks_off(running: list[InputSupervisor[Any]]) -> None:
    messages: list[Any] = []
    script = [b"ab-", b"12\rsn", b"", b"-3\r", b"\x00\r", b"left ov"]
    thread = Scanning(SCANNER, messages.append, SystemClock(), lambda: Device(list(script)))
    running.append(thread)
    thread.start()
    until(lambda: len(messages) >= 5, what="the last to be dropped", every_s=0.05)
    assert [m.text for m in messages if isinstance(m, Scanned)] == ["ab-12", "sn-3"]
    first, second = [m for m in messages if isinstance(m, InputRefused)]
    assert "no text" in first.why and "broke off" in second.why and second.input == "scanner"


def test_half_a_scan_is_forgotten_with_the_device(running: list[InputSupervisor[Any]]) -> None:
    opens = [Device([b"GC-", LinkLost("unplugged")]), Device([b"02\r"])]
    messages: list[Any] = []
    thread = Scanning(SCANNER, messages.append, SystemClock(), lambda: opens.pop(0))
    running.append(thread)
    thread.start()
    until(lambda: any(isinstance(m, Scanned) for m in messages), what="the scan after it")
    assert [m.text for m in messages if isinstance(m, Scanned)] == ["02"]


def test_a_scanner_that_types_is_taken_over(running: list[InputSupervisor[Any]]) -> None:
    """Its keys reach no other program, lower case arrives as it is, and it is found again after it was unplugged."""
    device = KeyboardDevice(0x1209, 0x0002)
    bus = SimulatedBus(device)
    messages: list[Any] = []
    settings = ScannerSettings(kind="keyboard", port="1209:0002", prefix="#")
    thread = Scanning(settings, messages.append, SystemClock(), lambda: TypingReader(BootReports(settings.port, bus)))
    running.append(thread)
    thread.start()
    until(lambda: thread.state == "open" and device.taken(), what="it to be taken over")
    device.reports(*typed("#ab-12\r"))
    until(lambda: len(messages) == 2, what="the scan")
    assert messages[1].text == "ab-12"
    device.reports(*typed("#GC-"))
    device.unplug()
    until(lambda: thread.state == "lost" and "not there" in str(thread.why), what="the loss")
    device.plug()
    until(lambda: thread.state == "open" and device.taken(), what="it to be back")
    device.reports(*typed("#SN-3\r"))
    until(lambda: [m.text for m in messages if isinstance(m, Scanned)] == ["ab-12", "SN-3"], what="the next scan")


def test_a_serial_scanner(tmp_path: Path, running: list[InputSupervisor[Any]]) -> None:
    master, slave = pty.openpty()
    tty.setraw(slave)
    try:
        messages: list[Any] = []
        settings = ScannerSettings(kind="serial", port=os.ttyname(slave))
        thread = Scanning(settings, messages.append, SystemClock())
        running.append(thread)
        thread.start()
        until(lambda: thread.state == "open", what="the port to be open")
        os.write(master, b"ab-12\r\n")
        until(lambda: any(isinstance(m, Scanned) and m.text == "ab-12" for m in messages), what="the scan")
    finally:
        os.close(slave)
        os.close(master)
    until(lambda: thread.state == "lost", what="the loss")
