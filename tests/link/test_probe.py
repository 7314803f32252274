"""Whose frames come: real drivers, frames on pseudo-terminals, noise; and what listening sends: nothing."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from typer import Typer
from typer.testing import CliRunner

from meterlink import probe
from meterlink.cli.ports import ports
from meterlink.errors import BadInput, LinkLost
from meterlink.link.opening import open_link
from meterlink.probe import FRAMES, Heard, ask, judge, listen, settings
from meterlink.registry import Spec, find
from meterlink.testing import FakeLink
from meterlink.virtual.terminal import VirtualTerminal
from tests.link.simulated_bus import SimulatedBus
from tests.link.usb_devices import Cp2110

METER = find("fs9721")
OTHER = find("es51922")
POLLED = find("scpi_meter")
# sheet fs9721, worked frames: a meter that shows 12.34 V and the like; here only their framing matters
FRAMES_OF_METER = [METER.build(r) or b"" for r in itertools.islice(METER.module.SHAPES, 0, 200, 7)]


def stream(frames: list[bytes]) -> Callable[[float], bytes]:
    turn = itertools.cycle(frames)
    return lambda t: next(turn)


def heard(data: bytes, spec: Spec = METER) -> Heard:
    return judge("/dev/ttyUSB0", spec, spec.info.line, data)


def test_nearly_every_byte_fits() -> None:
    one = heard(b"".join(FRAMES_OF_METER[:5]))
    assert (one.sure, one.frames, one.skipped, one.share) == ("sure", 5, 0, 1.0)
    assert one.line == "2400 8N1, DTR on, RTS off"


def test_the_pieces_at_both_ends_count_for_nothing() -> None:
    data = b"".join(FRAMES_OF_METER[:6])
    for begin in range(14):
        assert heard(data[begin : len(data) - 13 + begin]).sure == "sure"


def test_noise_before_the_first_frame_counts() -> None:
    """More than a frame's length of it is no piece of a frame."""
    one = heard(b"\xff" * 100 + b"".join(FRAMES_OF_METER[:4]))
    assert (one.frames, one.skipped, one.sure) == (4, 100 - 13, "perhaps")


def test_a_few_frames_among_noise_are_a_perhaps() -> None:
    rng = random.Random(7)
    noise = [bytes(rng.choices(range(0xF0, 0x100), k=20)) for _ in range(4)]
    one = heard(b"".join(itertools.chain.from_iterable(zip(FRAMES_OF_METER, noise, strict=False))))
    assert (one.sure, one.frames) == ("perhaps", 4)


def test_nothing_that_fits_is_a_no() -> None:
    assert heard(b"\xff" * 200).sure == "no"
    assert heard(b"").sure == "no"
    assert heard(b"".join(FRAMES_OF_METER[:5]), OTHER).frames == 0


def test_listening_finds_the_meter_and_sends_nothing(tmp_path: Path) -> None:
    came: list[bytes] = []

    def answer(data: bytes) -> bytes:
        came.append(data)
        return b""

    with VirtualTerminal(tmp_path / "meter", stream=stream(FRAMES_OF_METER), rate_hz=40, answer=answer) as meter:
        (found,) = listen(str(meter.path), [METER, POLLED], open_link)
    assert (found.driver, found.sure, found.asked) == ("fs9721", "sure", False)
    assert found.last
    assert came == []


def test_each_line_setting_is_opened_once() -> None:
    opened: list[object] = []

    def fake(port: str, line: object, usb: object) -> FakeLink:
        opened.append(line)
        return FakeLink()

    clock = itertools.count(step=0.5)
    assert list(listen("/dev/ttyUSB0", [METER, OTHER, POLLED], fake, lambda: float(next(clock)))) == []
    assert opened == [METER.info.line, OTHER.info.line]


def test_listening_over_a_bridge() -> None:
    cable = Cp2110()
    bus = SimulatedBus(cable)

    def opened(port: str, line: object, usb: object) -> object:
        link = open_link(port, line, usb, backend=bus)  # type: ignore[arg-type]
        cable.characters(b"".join(FRAMES_OF_METER[: FRAMES + 1]))
        return link

    (found,) = listen("hid:10C4:EA80", [METER], opened)  # type: ignore[arg-type]
    assert (found.driver, found.sure) == ("fs9721", "sure")
    assert cable.outputs == []
    assert cable.claimed == set()


def test_asking_finds_the_instrument_that_answers(tmp_path: Path) -> None:
    reading = POLLED.module.SHAPES[0]
    held = bytearray()

    def answer(came: bytes) -> bytes:
        """Line by line: two commands come as one cut where the machine is busy."""
        held.extend(came)
        *lines, rest = bytes(held).split(b"\n")
        held[:] = rest
        return b"".join(POLLED.answer(line + b"\n", reading) or b"" for line in lines)

    with VirtualTerminal(tmp_path / "meter", answer=answer) as meter:
        (found,) = ask(str(meter.path), [METER, POLLED], open_link)
    assert (found.driver, found.sure, found.asked, found.frames) == ("scpi_meter", "sure", True, FRAMES)


def test_which_drivers_are_tried_where() -> None:
    every = [METER, OTHER, POLLED]
    assert [g for _, g in settings("/dev/ttyUSB0", every)] == [[METER], [OTHER], [POLLED]]
    assert settings("hid:10C4:EA80", every) == settings("/dev/ttyUSB0", every)
    assert settings("tcp:192.0.2.7:5025", every) == [(None, [POLLED])]
    assert settings("usbtmc:2A8D:0001", every) == [(None, [POLLED])]


def test_the_name_of_a_driver_says_nothing_of_its_links() -> None:
    """What INFO says counts: a driver by any name may be tried over USBTMC or TCP, and one called scpi need not."""
    bench = named(POLLED, "bench_dmm", ("usbtmc", "tcp"))
    on_a_line = named(POLLED, "scpi_on_a_line", ())
    network = named(POLLED, "scpi_network", ("tcp",))
    every = [bench, on_a_line, network]
    assert settings("usbtmc:2A8D:0001", every) == [(None, [bench])]
    assert settings("tcp:192.0.2.7:5025", every) == [(None, [bench, network])]


def named(spec: Spec, name: str, links: tuple[Any, ...]) -> Spec:
    """The driver under another name, that tells these links."""
    info = msgspec.structs.replace(spec.info, name=name, links=links)
    return Spec(SimpleNamespace(**{**vars(spec.module), "INFO": info}), "test")


def run(*args: str) -> Any:
    app = Typer()
    app.command()(ports)
    return CliRunner().invoke(app, args)


@pytest.mark.long
def test_the_command_listens(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """For a second at each line setting: this meter sends forty frames in it."""
    monkeypatch.setattr(probe, "MOST_S", 1.0)
    with VirtualTerminal(tmp_path / "meter", stream=stream(FRAMES_OF_METER), rate_hz=40) as meter:
        result = run("--probe", "--json", str(meter.path))
    assert result.exit_code == 0, result.output
    lines = [line for line in result.stdout.splitlines() if line]
    assert '"driver":"fs9721"' in lines[0]
    assert '"sure":"sure"' in lines[0]


@pytest.mark.parametrize("args", [("--ask",), ("--ask", "all"), ("--ask", "--probe", "all", "/dev/ttyUSB0")])
def test_nothing_is_asked_that_was_not_named(args: tuple[str, ...]) -> None:
    result = run(*args)
    assert isinstance(result.exception, BadInput)
    assert "name each port that may be asked" in str(result.exception)


def test_a_port_that_is_not_there() -> None:
    result = run("/dev/ttyNotThere7")
    assert isinstance(result.exception, LinkLost)
    assert "not there" in str(result.exception)
