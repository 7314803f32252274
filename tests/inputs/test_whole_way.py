"""Foot and scanner at a bench started as `meterlink run`: contacts, key reports and bytes in; journal and sound out.

Nothing here asks the service for what a foot or a scanner does, and nothing looks into it: the journal's files, the
text of `meterlink status`, the log of `run` and the sounds that the player was given are what people see and hear.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path

import pytest

from meterlink.demo.technician import is_flowing
from meterlink.virtual.supply import Load, ScpiEnd, VirtualSupply
from meterlink.virtual.terminal import VirtualTerminal
from tests.inputs.keyboards import typed
from tests.inputs.rigs import APART_S, WholeBench, bench_with, bench_with_pedal, sheet_of
from tests.service.conftest import until

SCANNER = (0x1209, 0x0002)
SERIAL = '[scanner]\nkind = "serial"\nport = "{port}"\n'
TYPING = '[scanner]\nkind = "keyboard"\nport = "1209:0002"\nprefix = "#"\n'
KINDS = ["contact", "keyboard"]
ONE_NOW = ["contact", pytest.param("keyboard", marks=pytest.mark.long)]
MISSING = re.compile("is not there|cannot be reached")


def heard(bench: WholeBench, name: str, since: int) -> None:
    """The player was given this sound after the first `since` ones."""
    until(lambda: name in bench.played()[since:], what=f"the sound {name}")


def status_line(bench: WholeBench, name: str) -> str:
    """What `meterlink status` prints of an input."""
    return next(line for line in bench.command("status").splitlines() if line.startswith(name))


def job(bench: WholeBench, path: Path) -> None:
    """A board on the bench, at the first of three points."""
    bench.call("job open", job="GC-2611", sheet=sheet_of(path / "sheet.toml", "P1", "P2", "P3"))
    bench.call("board receive", board="GC-01")
    bench.call("board take", board="GC-01")
    assert bench.at() == ("GC-01", "P1")


@pytest.mark.parametrize("kind", KINDS)
def test_a_foot_keeps_takes_back_and_steps_on(kind: str, tmp_path: Path) -> None:
    with bench_with_pedal(kind, tmp_path / "bench") as (bench, pedal):
        bench.start()
        job(bench, tmp_path)
        bench.wait_open("pedal")
        bench.touch(0.523)
        before = len(bench.played())
        pedal.tap()
        until(lambda: bench.at() == ("GC-01", "P2"), what="the tap to keep and step on")
        (kept,) = bench.journal("kept")
        assert (kept.board, kept.point, kept.by) == ("GC-01", "P1", "pedal")
        assert kept.value == pytest.approx(0.523, abs=0.005)
        heard(bench, "ok", before)

        before = len(bench.played())
        pedal.double_tap()
        until(lambda: bench.at() == ("GC-01", "P1"), what="the double tap to step back")
        assert len(bench.journal("void")) == 1 and len(bench.journal("kept")) == 1
        heard(bench, "taken-back", before)

        pedal.long_press()
        assert bench.at() == ("GC-01", "P2")
        assert len(bench.journal("void")) == 1 and len(bench.journal("kept")) == 1  # stepped on without a reading


@contextmanager
def supply_at(path: Path) -> Iterator[tuple[VirtualSupply, str]]:
    """A virtual supply with a shorted rail, and its table."""
    supply = VirtualSupply(Load(rail_ohm=Decimal("0.7")))
    with VirtualTerminal(path, answer=ScpiEnd(supply).feed):
        yield supply, f'[instruments.supply]\ndriver = "scpi_supply:E36xx"\nport = "{path}"\ncontrol = true\n'


@pytest.mark.parametrize("kind", ONE_NOW)
def test_a_press_stops_an_injection_and_does_nothing_else(kind: str, tmp_path: Path) -> None:
    with (
        supply_at(tmp_path / "supply") as (supply, table),
        bench_with_pedal(kind, tmp_path / "b", table, long_s=60.0) as (bench, pedal),
    ):
        bench.start()
        job(bench, tmp_path)
        bench.wait_open("pedal")
        until(lambda: all(i["state"] == "open" for i in bench.call("status")["instruments"]), what="the supply")
        mark = bench.ear.heard
        bench.call("supply inject", rail="+3V3", volts=1.0, amperes=1.5, nominal=3.3, hold_s=25.0, confirm=True)
        bench.ear.wait(is_flowing, mark, what="current")
        assert supply.on
        pedal.press()
        until(lambda: not supply.on, 5.0, what="the output to be off while the foot is still down")
        until(lambda: bench.journal("supply")[-1].event == "off", what="the record of it")
        pedal.release()
        time.sleep(APART_S)  # its gesture is over
        assert bench.journal("kept", "void") == [] and bench.at() == ("GC-01", "P1")
        bench.touch(0.523)
        pedal.tap()
        until(lambda: bench.journal("kept"), what="the next tap to keep")
        (kept,) = bench.journal("kept")
        assert kept.by == "pedal" and bench.at() == ("GC-01", "P2") and bench.journal("void") == []


def unplug_and_plug(bench: WholeBench, name: str, unplug: Callable[[], object], plug: Callable[[], object]) -> None:
    """A loss and its end are said: sound, log and the text of `meterlink status`."""
    before, said = len(bench.played()), len(bench.log())
    unplug()
    until(lambda: bench.input_state(name) == "lost", what="the loss")
    until(lambda: {"refused", "alarm"} & set(bench.played()[before:]), what="the loss to be heard")
    until(lambda: name in bench.log()[said:], what="the loss in the log")
    until(lambda: MISSING.search(status_line(bench, name)), what="status to say that it is not there", every_s=0.1)
    assert "lost" in status_line(bench, name)
    before, said = len(bench.played()), len(bench.log())
    plug()
    bench.wait_open(name)
    until(lambda: bench.played()[before:], what="its return to be heard")
    until(lambda: name in bench.log()[said:], what="its return in the log")
    assert "lost" not in bench.command("status")


@pytest.mark.parametrize("kind", ONE_NOW)
def test_a_pedal_that_is_unplugged_is_said_and_works_again(kind: str, tmp_path: Path) -> None:
    with bench_with_pedal(kind, tmp_path / "bench") as (bench, pedal):
        bench.start()
        job(bench, tmp_path)
        bench.wait_open("pedal")
        pedal.press()  # held while it goes: no press
        unplug_and_plug(bench, "pedal", pedal.unplug, pedal.plug)
        pedal.release()
        bench.touch(0.523)
        assert bench.journal("kept") == [] and bench.at() == ("GC-01", "P1")
        pedal.tap()
        until(lambda: bench.at() == ("GC-01", "P2"), what="the tap after it")


@pytest.mark.parametrize("kind", ONE_NOW)
def test_a_pedal_that_is_missing_at_the_start_is_said(kind: str, tmp_path: Path) -> None:
    with bench_with_pedal(kind, tmp_path / "bench", plugged=False) as (bench, pedal):
        bench.start()
        until(lambda: {"refused", "alarm"} & set(bench.played()), what="it to be heard")
        assert "pedal" in bench.log()
        assert "lost" in status_line(bench, "pedal") and MISSING.search(status_line(bench, "pedal"))
        pedal.plug()
        bench.wait_open("pedal")


# -- the scanner


Scan = Callable[[str], object]


@contextmanager
def serial_scanner(root: Path) -> Iterator[tuple[WholeBench, Scan, Callable[[], object], Callable[[], object]]]:
    with (
        VirtualTerminal(root / "scanner") as terminal,
        bench_with(root / "bench", SERIAL.format(port=root / "scanner")) as bench,
    ):
        yield bench, lambda text: terminal.send(f"{text}\r\n".encode()), terminal.unplug, terminal.plug


@contextmanager
def typing_scanner(root: Path) -> Iterator[tuple[WholeBench, Scan, Callable[[], object], Callable[[], object]]]:
    with bench_with(root / "bench", TYPING, keyboards={"scanner": SCANNER}) as bench:
        yield (
            bench,
            lambda text: bench.usb("scanner", "reports", *typed(f"#{text}\r")),
            lambda: bench.usb("scanner", "unplug"),
            lambda: bench.usb("scanner", "plug"),
        )


SCANNERS = {"serial": serial_scanner, "typing": typing_scanner}


@pytest.mark.parametrize("kind", SCANNERS)
def test_a_scan_takes_the_board_that_it_names(kind: str, tmp_path: Path) -> None:
    """Lower case too: ab-12 and sn-3 are marks, not keys that take another job's board or step the point."""
    with SCANNERS[kind](tmp_path) as (bench, scan, unplug, plug):
        bench.start()
        bench.call("job open", job="GC-2612")
        for mark in ("AB", "B-2", "ab-1"):
            bench.call("board receive", board=mark)
        bench.call("job open", job="GC-2611", sheet=sheet_of(tmp_path / "sheet.toml", "P1", "P2"))
        for mark in ("GC-01", "ab-12", "sn-3"):
            bench.call("board receive", board=mark)
        bench.wait_open("scanner")
        before = len(bench.played())
        for mark in ("ab-12", "sn-3", "GC-01"):
            scan(mark)
            until(lambda m=mark: bench.at() == (m, "P1"), what=f"{mark} to be on the bench")  # type: ignore[misc]
        heard(bench, "stepped", before)
        assert [b.board for b in bench.journal("board") if b.event == "taken"] == ["ab-12", "sn-3", "GC-01"]
        assert {b.job for b in bench.journal("board") if b.event == "taken"} == {"GC-2611"}
        assert bench.journal("finding", "kept", "void") == []

        unplug_and_plug(bench, "scanner", unplug, plug)
        scan("sn-3")
        until(lambda: bench.at()[0] == "sn-3", what="the scan after it")
        assert bench.stop() == 0
        assert kind == "serial" or "scanner: given back" in bench.log()  # the kernel's driver has it again


def test_a_scan_that_is_no_mark_is_refused_aloud(tmp_path: Path) -> None:
    with typing_scanner(tmp_path) as (bench, scan, _, _):
        bench.start()
        job(bench, tmp_path)
        bench.call("board receive", board="GC-02")
        bench.wait_open("scanner")
        before = len(bench.played())
        bench.usb("scanner", "reports", *typed("GC-02\r"))  # a code that is not ours: it has no prefix
        heard(bench, "refused", before)
        assert "prefix" in bench.log() and bench.at() == ("GC-01", "P1")
        bench.usb("scanner", "reports", *typed("\r\r"))  # an Enter with nothing before it takes nothing
        scan("GC-02")
        until(lambda: bench.at() == ("GC-02", "P1"), what="the next scan")
        assert [b.board for b in bench.journal("board") if b.event == "taken"] == ["GC-01", "GC-02"]
        heard(bench, "stepped", before)
        assert bench.played()[before:].count("refused") == 1
