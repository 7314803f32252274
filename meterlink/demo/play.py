"""Plays the whole job: virtual instruments, a real service process, the technician's script, the auditor's check."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from meterlink import registry
from meterlink.demo.technician import Ear, is_kept
from meterlink.demo.world import CASES, CUSTOMER, GOOD, JOB, MARKS, MODEL, SAID, SHEET, Case
from meterlink.errors import BadInput, Unreachable
from meterlink.folders import Folders
from meterlink.service import wire
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal

Say = Callable[[str], None]
HANDLING_S = 0.15  # from point to point; the slip_s of CONFIG is shorter still

CONFIG = """# The demo's bench: the instruments are programs on pseudo-terminals.
bench = "demo bench"
operator = "demo"

[keep]
# the virtual meter and its hands are faster than real ones
span_s = 0.1
slip_s = 0.1

[instruments.handheld]
driver = "fs9721"
port = "{handheld}"
accuracy = "elenco-m1000d"
"""
SHEET_FUNCTIONS = {"F1": "continuity", "+3V3": "resistance", "+3V3 on": "voltage"}


class Bench:
    """The running demo bench: the technician's hands (the meter's probe and dial), ear and voice."""

    def __init__(self, folders: Folders, handheld: Handheld, ear: Ear, say: Say, rate_hz: float) -> None:
        self.folders = folders
        self.handheld = handheld
        self.ear = ear
        self.say = say
        self.period_s = 1 / rate_hz

    def do(self, do: str, **fields: Any) -> dict[str, Any]:
        """Ask the service, as a command or the pedal does."""
        return wire.call(self.folders.socket, do, **fields)

    def rest(self, readings: int) -> None:
        """Let the meter show so many readings; a real hand needs longer to reach the next point."""
        time.sleep(readings * self.period_s)

    def measure(self, case: Case, point: str) -> dict[str, Any]:
        """Touch a point and hold still until it is kept, or tap where the hands cannot tell."""
        shows = case.shows(point)
        self.handheld.dial(SHEET_FUNCTIONS.get(point, "diode"))
        mark = self.ear.heard
        self.handheld.touch(shows.value, shows.charge_s)
        if shows.by_pedal:
            self.rest(4)
            self.do("keep", source="pedal")
        message = self.ear.wait(is_kept, mark, what=f"{point} of {case.mark} to be kept")
        self.handheld.lift()
        time.sleep(HANDLING_S)
        record: dict[str, Any] = message["record"]
        value = "0L" if record["value"] is None else f"{record['value']:g} {record['unit']}"
        how = "tap" if shows.by_pedal else "hands-free"
        self.say(f"  {point:<8} {record['function']:<11} {value:>10}  {record['verdict'] or '-':<7} {how}")
        return record


@contextmanager
def running(folders: Folders, rate_hz: float, say: Say) -> Iterator[Bench]:
    """The virtual instruments and the service on them; ends both."""
    spec = registry.find("fs9721")
    handheld = Handheld(spec, random.Random(2611), rate_hz)
    folders.root.mkdir(parents=True, exist_ok=True)
    port = folders.root / "handheld"
    folders.config.write_text(CONFIG.format(handheld=port), encoding="utf-8")
    with VirtualTerminal(port, stream=handheld.frame, rate_hz=rate_hz):
        service = subprocess.Popen(
            [sys.executable, "-m", "meterlink", "run", "--dir", str(folders.root)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=(folders.root / "service.log").open("wb"),
        )
        try:
            wait_ready(folders, service)
            yield Bench(folders, handheld, Ear(folders.socket), say, rate_hz)
        finally:
            service.terminate()
            service.wait(20)


def wait_ready(folders: Folders, service: subprocess.Popen[bytes], limit_s: float = 20.0) -> None:
    """Until the service answers and every instrument is heard. Raises Unreachable with the service's last words."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if service.poll() is not None:
            break
        try:
            instruments = wire.call(folders.socket, "status")["instruments"]
            if all(i["frames"] for i in instruments):
                return
        except Unreachable:
            pass  # not there yet
        time.sleep(0.02)
    log = (folders.root / "service.log").read_text(errors="replace").strip().split("\n")
    raise Unreachable(f"the demo's service did not come up: {log[-1]}")


def play(folders: Folders, rate_hz: float, say: Say, then: Callable[[Bench], None] | None = None) -> None:
    """The technician's morning, then what else is wanted while the bench still runs.

    Raises  MeterlinkError or TimeoutError where something did not happen.
    """
    if folders.journal.is_dir() and any(folders.journal.glob("*.jsonl")):
        raise BadInput(f"{folders.root} holds a journal already: name another folder (--dir)")
    with running(folders, rate_hz, say) as bench:
        morning(bench)
        if then:
            then(bench)


def stay(bench: Bench) -> None:
    """Leave the bench running until Ctrl-C; the probes lie in the air."""
    bench.say(f"the bench runs on: try  meterlink status --dir {bench.folders.root}   (Ctrl-C ends it)")
    try:
        while True:
            time.sleep(3600)
    except KeyboardInterrupt:
        bench.say("ending the bench")


def morning(bench: Bench) -> None:
    """Boards come in, are measured, repaired or put aside."""
    say = bench.say
    say(f"A crate of {MODEL} boards from a {CUSTOMER}, dead after a storm. The slip says {SAID}.")
    bench.do("job open", job=JOB, customer=CUSTOMER, expected=SAID, sheet=str(SHEET))
    for mark in MARKS:
        bench.do("board receive", board=mark)
    say(f"{len(MARKS)} boards counted in: the count differs from the slip, so a note explains it.")
    bench.do("job note", text=f"crate holds {len(MARKS)}, slip says {SAID}; customer told by telephone")
    for case in CASES:
        board(bench, case)


def board(bench: Bench, case: Case) -> None:
    """One board down the sheet, then its repair."""
    say = bench.say
    say(f"{case.mark}: {case.story}")
    time.sleep(HANDLING_S)
    bench.do("board take", board=case.mark, source="pedal")
    for point in case_points(case):
        if point == "+3V3 on":
            bench.do("keep", source="pedal")  # the bench asked: is the power on?
        bench.measure(case, point)
    repair = case.repair
    if repair is None:
        bench.do("board state", state="tested good")
        return
    bench.do("find", what="found", part=repair.part, text=repair.found)
    say(f"  found: {repair.part} {repair.found}")
    if repair.done:
        bench.do("find", what=repair.done, part=repair.part)
        say(f"  {repair.done}: {repair.part}")
    for point in repair.again:
        bench.do("point", point=point, source="key")
        if point == "+3V3 on":
            bench.do("keep", source="pedal")
        bench.measure(Case(case.mark, case.story), point)
    bench.do("board state", state=repair.state, text=repair.text)
    if repair.state == "repaired":
        bench.do("board state", state="handed on")


def case_points(case: Case) -> list[str]:
    """The points that are measured in the first pass; a board with a short is not switched on."""
    return [p for p in GOOD if p != "+3V3 on" or case.powered]
