"""The day of docs/technician.md, act by act: a meter's bytes, a contact on a line, a scanner's port, commands; and what
is heard of each."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from meterlink.demo.world import SHEET
from meterlink.virtual.terminal import VirtualTerminal
from tests.docs.pages import day
from tests.docs.test_bench import run
from tests.inputs.rigs import Pedal, WholeBench, bench_with_pedal
from tests.service.conftest import until

SCANNER = '[scanner]\nkind = "serial"\nport = "{port}"\n'
SHEETS = {"V": "diode", "V dc": "voltage", "Ohm": "resistance", "Ohm of continuity": "continuity"}


class Bench:
    """The bench, and whoever does something at it."""

    def __init__(self, bench: WholeBench, pedal: Pedal, scan: Callable[[str], object]) -> None:
        self.bench, self.pedal, self.scan = bench, pedal, scan
        self.mark = 0

    def does(self, act: str) -> str:
        """Carry it out; gives what a command printed."""
        self.mark = self.bench.ear.heard
        how, _, what = act.partition(" ")
        match how:
            case "$":
                done = run(what, self.bench.folders.root)
                return f"{done.output}{done.exception or ''}"
            case "scan":
                self.scan(what)
            case "touch":
                value, _, unit = what.partition(" ")
                self.bench.handheld.dial(SHEETS[unit])
                self.bench.handheld.touch(float(value))
            case "foot":
                {"tap": self.pedal.tap, "double": self.pedal.double_tap, "long": self.pedal.long_press}[what]()
            case _:
                raise AssertionError(f"nobody does {act!r}")
        return ""

    def hears(self, wanted: str) -> None:
        """One of the effects since says it."""
        point, _, verdict = wanted.partition(": ")

        def says(m: dict[str, Any]) -> bool:
            text = m.get("text", "")
            return wanted in text or (bool(verdict) and text.startswith(point) and text.endswith(verdict))

        self.bench.ear.wait(lambda m: m["event"] == "effect" and says(m), self.mark, what=f"{wanted!r} to be heard")

    def lifts(self) -> None:
        """Into the air, for eight readings: longer than slip_s."""
        self.bench.handheld.lift()
        for _ in range(8):
            mark = self.bench.ear.heard
            self.bench.ear.wait(lambda m: m["event"] == "reading" and not m["contact"], mark, what="air")


@pytest.fixture
def at_work(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    with (
        VirtualTerminal(tmp_path / "scanner") as terminal,
        bench_with_pedal("contact", tmp_path / "bench", SCANNER.format(port=tmp_path / "scanner"), settles=True) as (
            bench,
            pedal,
        ),
    ):
        (bench.folders.root / "ic-8-rev-c.toml").write_bytes(Path(str(SHEET)).read_bytes())
        monkeypatch.chdir(bench.folders.root)
        bench.start()
        for name in ("pedal", "scanner"):
            bench.wait_open(name)
        yield Bench(bench, pedal, lambda text: terminal.send(f"{text}\r".encode()))


@pytest.mark.long
def test_the_day(at_work: Bench) -> None:
    acts = day("docs/technician.md")
    assert len(acts) > 30 and {act.split()[0] for act, _ in acts} == {"$", "scan", "touch", "foot"}
    for act, heard in acts:
        printed = at_work.does(act)
        try:
            if printed:
                assert heard in printed, f"{act}: {printed}"
            else:
                at_work.hears(heard)
        except TimeoutError as error:
            said = [m for m in at_work.bench.ear._messages[at_work.mark :] if m["event"] == "effect"]
            raise AssertionError(f"{act}: {error}; {said}") from error
        if act.startswith("touch"):
            at_work.lifts()
    verified = at_work.bench.command("journal", "verify")
    assert "nothing wrong was found" in verified
    assert until(lambda: at_work.bench.played(), what="sounds")
    assert {"no-board", "short", "ok", "sheet-done", "taken-back", "refused"} <= set(at_work.bench.played())
