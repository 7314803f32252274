"""Pedals: reports of the HID specification, gestures by hypothesis, lines by a fake port, keys by a simulated bus."""

from __future__ import annotations

import os
import pty
import time
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.errors import LinkLost
from meterlink.inputs import switches as switches_module
from meterlink.inputs.gestures import Foot, Timing
from meterlink.inputs.machine import Clash, Pedal
from meterlink.inputs.reports import Keys, name_of
from meterlink.inputs.settings import PedalSettings
from meterlink.inputs.switches import Contacts, Keyboard
from meterlink.service.clock import SystemClock
from meterlink.service.footwork import Footwork
from meterlink.service.input_messages import FootDown, InputChanged, Pressed
from tests.inputs.rigs import TerminalServer
from tests.link.simulated_bus import SimulatedBus
from tests.link.usb_devices import HidDevice

TIMING = Timing()


@pytest.mark.parametrize(
    ("report", "down"),
    [  # HID 1.11, appendices B.1 and C; HID Usage Tables 1.12, section 10, table 12; from memory
        ("00 00 05 00 00 00 00 00", {"b"}),
        ("00 00 00 00 00 00 00 00", set()),
        ("00 00 04 06 00 00 00 00", {"a", "c"}),
        ("02 00 04 00 00 00 00 00", {"left-shift", "a"}),
        ("00 00 68 00 00 00 00 00", {"f13"}),
        ("00 00 01 01 01 01 01 01", set()),  # roll-over tells nothing
    ],
)
def test_boot_reports(report: str, down: set[str]) -> None:
    keys = Keys()
    keys.report(bytes.fromhex(report))
    assert {name_of(u) for u in keys.down} == down


def test_each_keystroke_is_a_press_and_a_release() -> None:
    keys = Keys()
    assert keys.report(bytes.fromhex("0000050000000000")) == (frozenset({5}), frozenset())
    assert keys.report(bytes.fromhex("0000050000000000")) == (frozenset(), frozenset())
    assert keys.report(bytes.fromhex("0000010101010101")) == (frozenset(), frozenset())  # roll-over: b stays down
    assert keys.report(bytes(8)) == (frozenset(), frozenset({5}))
    assert keys.report(b"\x01") == (frozenset(), frozenset())


def play(edges: list[tuple[float, bool]], end: float, double: bool = True) -> list[tuple[str, float]]:
    """Gestures with the times at which they are told; looked at every 10 ms."""
    foot, out, i, t = Foot(TIMING, double), [], 0, 0.0
    while t <= end:
        while i < len(edges) and edges[i][0] <= t:
            out += [(g, t) for g in foot.edge(edges[i][1], edges[i][0])]
            i += 1
        out += [(g, t) for g in foot.passed(t)]
        t = round(t + 0.01, 6)
    return out


def names(told: list[tuple[str, float]]) -> list[str]:
    return [name for name, _ in told]


def test_the_three_gestures() -> None:
    assert names(play([(0.1, True), (0.2, False)], 1.0)) == ["tap"]
    assert names(play([(0.1, True), (0.2, False), (0.35, True), (0.45, False)], 1.5)) == ["double"]
    assert names(play([(0.1, True), (0.9, False)], 1.5)) == ["long"]
    assert names(play([(0.1, True), (0.2, False), (0.7, True), (0.8, False)], 1.5)) == ["tap", "tap"]


def test_when_they_are_told() -> None:
    """A tap after the double tap's time has passed; without double taps at the release; a long press while held."""
    ((_, at),) = play([(0.1, True), (0.2, False)], 1.0)
    assert at == pytest.approx(0.2 + TIMING.double_s, abs=0.03)
    ((_, at),) = play([(0.1, True), (0.2, False)], 1.0, double=False)
    assert at == pytest.approx(0.2 + TIMING.bounce_s, abs=0.02)
    ((_, at),) = play([(0.1, True), (2.0, False)], 1.9)
    assert at == pytest.approx(0.1 + TIMING.long_s, abs=0.02)


def test_a_contact_that_bounces_is_one_press() -> None:
    """Changes inside of 20 ms (5 to 20 ms: common practice, no source)."""
    bounce = [(0.100 + i * 0.003, i % 2 == 0) for i in range(5)] + [(0.200 + i * 0.003, i % 2 == 1) for i in range(5)]
    assert names(play(bounce, 1.0)) == ["tap"]


@given(st.lists(st.tuples(st.floats(0.03, 1.2), st.floats(0.03, 1.2)), max_size=8))
def test_every_press_ends_in_one_gesture(presses: list[tuple[float, float]]) -> None:
    """Taps + long presses + twice the double taps = presses, whatever the rhythm."""
    t, edges = 0.0, []
    for pause, held in presses:
        edges += [(t + pause, True), (t + pause + held, False)]
        t += pause + held
    told = names(play(edges, t + 2))
    assert sum(2 if g == "double" else 1 for g in told) == len(presses)


@given(st.lists(st.tuples(st.floats(0, 0.05), st.booleans()), max_size=60))
def test_chatter_never_raises_and_ends(edges: list[tuple[float, bool]]) -> None:
    t, out = 0.0, []
    for gap, down in edges:
        t += gap
        out.append((t, down))
    foot = Foot(TIMING)
    for at, down in out:
        foot.edge(down, at)
    foot.edge(False, t)
    foot.passed(t + 1)
    foot.passed(t + 2)
    assert not foot.waiting


def test_two_switches_at_once_are_neither() -> None:
    pedal = Pedal({"CTS": "keep", "DSR": "back"}, TIMING)
    told = pedal.change("CTS", True, 0.0) + pedal.change("DSR", True, 0.05)
    assert told == [Clash(("CTS", "DSR"))]
    told = pedal.change("CTS", False, 0.2) + pedal.change("DSR", False, 0.3) + pedal.passed(1.0)
    assert told == []
    assert pedal.change("CTS", True, 2.0) + pedal.change("CTS", False, 2.1) + pedal.passed(2.2) == ["keep"]


def test_unplugged_while_held_is_no_press() -> None:
    pedal = Pedal({"CTS": "gestures"}, TIMING)
    pedal.change("CTS", True, 0.0)
    pedal.passed(0.1)
    pedal.lost()
    assert pedal.passed(5.0) == []


class FakePort:
    """The modem lines of pyserial's Serial, set by the test, on the descriptor of a pseudo-terminal."""

    def __init__(self) -> None:
        self.cts = self.dsr = self.cd = self.ri = False
        self.gone = False
        self.ends = pty.openpty()

    def open(self) -> None:
        assert self.dtr and self.rts  # type: ignore[attr-defined]  # the pedal's contact is fed before it is looked at

    def fileno(self) -> int:
        return self.ends[1]

    def close(self) -> None:
        self.closed = True

    def __getattribute__(self, name: str) -> Any:
        if name in ("cts", "dsr", "cd", "ri") and object.__getattribute__(self, "gone"):
            raise OSError("gone")
        return object.__getattribute__(self, name)


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakePort]:
    one = FakePort()
    monkeypatch.setattr(switches_module.serial, "Serial", lambda: one)
    yield one
    for end in one.ends:
        os.close(end)


def test_modem_lines(port: FakePort) -> None:
    contacts = Contacts("/dev/ttyUSB9")
    assert contacts.changes(0.0) == []
    port.cts = True
    assert contacts.changes(0.0) == [("CTS", True)]
    port.cts, port.cd = False, True
    assert contacts.changes(0.0) == [("CTS", False), ("DCD", True)]
    port.gone = True
    with pytest.raises(LinkLost):
        contacts.changes(0.0)
    contacts.close()


def test_a_foot_that_stands_on_it_while_it_is_plugged_in_is_no_press(port: FakePort) -> None:
    port.cts = True
    contacts = Contacts("serial:/dev/ttyUSB9")
    pedal = Pedal({"CTS": "gestures"}, TIMING)
    assert contacts.changes(0.0) == []
    port.cts = False
    told = [x for name, down in contacts.changes(0.0) for x in pedal.change(name, down, 5.0)]
    assert told + pedal.passed(9.0) == []
    port.cts = True
    assert contacts.changes(0.0) == [("CTS", True)]


def test_a_port_without_modem_lines_says_so() -> None:
    ends = pty.openpty()
    try:
        with pytest.raises(LinkLost, match="no modem lines"):
            Contacts(os.ttyname(ends[1]))
    finally:
        for end in ends:
            os.close(end)


def test_contacts_on_a_terminal_server() -> None:
    """RFC 2217: the same switches over the network; a closed connection is a loss."""
    with TerminalServer() as server:
        server.press("DSR")
        contacts = Contacts(server.url)
        try:
            assert server.line.rts and server.line.dtr and contacts.changes(0.0) == []
            server.press("CTS")
            assert contacts.changes(5.0) == [("CTS", True)]
            server.release("CTS")
            server.release("DSR")
            assert [*contacts.changes(5.0), *contacts.changes(0.1)] == [("CTS", False), ("DSR", False)]
            server.unplug()
            with pytest.raises(LinkLost, match="went away"):
                until(lambda: contacts.changes(0.05))
        finally:
            contacts.close()
        with pytest.raises(LinkLost, match="cannot be reached"):
            Contacts(server.url)


def test_a_terminal_server_that_hangs_is_a_loss(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its connection stays, its lines never change again: a pedal that does nothing must not be called open."""
    monkeypatch.setattr(switches_module, "ALIVE_S", 0.2)
    with TerminalServer() as server:
        contacts = Contacts(f"{server.url}?timeout=0.5")
        try:
            end = time.monotonic() + 0.6
            while time.monotonic() < end:
                assert contacts.changes(0.05) == []  # it answers: it is there
            server.mute = True
            with pytest.raises(LinkLost, match="went away"):
                until(lambda: contacts.changes(0.05))
        finally:
            contacts.close()


def until(condition: Any, limit_s: float = 10.0) -> None:
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_a_keyboard_pedal_on_the_simulated_bus() -> None:
    """Taken over (the kernel's driver detached), put into the boot protocol, pressed, unplugged while held."""
    device = HidDevice(0x05F3, 0x00FF, 8, codes=(3, 1, 1))
    bus = SimulatedBus(device)
    out: list[Any] = []
    settings = PedalSettings(kind="keyboard", port="05F3:00FF", switches={"b": "gestures"})
    footwork = Footwork(settings, out.append, SystemClock(), lambda: Keyboard(settings.port, bus))
    footwork.start()
    until(lambda: footwork.state == "open")
    assert device.protocol == 0 and not device.kernel_driver  # boot protocol; nobody else gets its keystrokes
    device.report(bytes.fromhex("0000050000000000"))
    device.report(bytes(8))
    until(lambda: len(out) == 3)
    assert isinstance(out[0], InputChanged) and out[0].state == "open"
    assert isinstance(out[1], FootDown)
    assert isinstance(out[2], Pressed) and out[2].action == "keep"
    device.report(bytes.fromhex("0000050000000000"))
    device.unplug()
    until(lambda: footwork.state == "lost")
    footwork.stop()
    footwork.join(5)
    assert len([x for x in out if isinstance(x, Pressed)]) == 1


@pytest.mark.parametrize(
    ("kind", "port_name", "switches", "key", "word"),
    [
        ("contact", "p", {"b": "keep"}, "switches", "no switch 'b'"),
        ("keyboard", "1209:0001", {"CTS": "keep"}, "switches", "no switch 'CTS'"),
        ("contact", "p", {}, "switches", "no switch is bound"),
        ("keyboard", "/dev/ttyUSB0", {"b": "keep"}, "port", "VVVV:PPPP"),
        ("contact", "1209:0001", {"CTS": "keep"}, "port", "no such kind of port"),
        ("contact", "tcp:192.0.2.7:4001", {"CTS": "keep"}, "port", "no modem lines"),
        ("contact", "rfc2217://192.0.2.7", {"CTS": "keep"}, "port", "a host and a port number"),
        ("contact", "rfc2217://192.0.2.7:x", {"CTS": "keep"}, "port", "a host and a port number"),
        ("contact", "socket://192.0.2.7:4001", {"CTS": "keep"}, "port", "no modem lines"),
        ("contact", "spy:///dev/ttyUSB0", {"CTS": "keep"}, "port", "no modem lines"),
    ],
)
def test_settings_that_cannot_be(kind: Any, port_name: str, switches: Any, key: str, word: str) -> None:
    problem = PedalSettings(kind=kind, port=port_name, switches=switches).problem()
    assert problem is not None and problem[0] == key and word in problem[1]


@pytest.mark.parametrize(
    "port_name", ["/dev/ttyUSB1", "serial:/dev/ttyUSB1", "rfc2217://192.0.2.7:4001", "rfc2217://[::1]:1"]
)
def test_settings_that_can_be(port_name: str) -> None:
    assert PedalSettings(kind="contact", port=port_name, switches={"CTS": "gestures"}).problem() is None
