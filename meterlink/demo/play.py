"""Plays the whole job: virtual instruments, a real service process, the technician's script, the auditor's check."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any

from meterlink import registry
from meterlink.bench.ledger import Ledger
from meterlink.bench.nearest import rank
from meterlink.demo.technician import Ear, is_ended, is_flowing, is_kept, is_shown, is_sound
from meterlink.demo.world import (
    ALONG,
    CASES,
    CUSTOMER,
    GOOD,
    HEALTHY_OHM,
    HOLD_S,
    INJECT_A,
    INJECT_V,
    JOB,
    MARKS,
    MODEL,
    RAIL,
    SAID,
    SHEET,
    Case,
)
from meterlink.errors import BadInput, Refused, Unreachable
from meterlink.folders import Folders
from meterlink.journal.reader import entries
from meterlink.service import wire
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.supply import Load, ScpiEnd, VirtualSupply
from meterlink.virtual.terminal import VirtualTerminal

Say = Callable[[str], None]
HANDLING_S = 0.15  # from point to point

CONFIG = """# The demo's bench: the instruments are programs on pseudo-terminals.
bench = "demo bench"
operator = "demo"

[keep]
# the virtual meter and its hands are faster than real ones, and its probe never slips: a busy machine may hold up all
# that a lift shows and hand it over at once
span_s = 0.1
slip_s = 0

[instruments.handheld]
driver = "fs9721"
port = "{handheld}"
accuracy = "elenco-m1000d"

[instruments.supply]
driver = "scpi_supply:E36xx"
port = "{supply}"
control = true # only in the demo's bench: without it a supply is only read

[sound]
on = false # the demo tells in words; meterlink sound lets them be heard

[supply]
max_volts = 3.3
max_amperes = 2.0
max_watts = 3.0
"""
SHEET_FUNCTIONS = {"F1": "continuity", "+3V3": "resistance", "+3V3 on": "voltage"}


class Bench:
    """The running demo bench: the technician's hands (the meter's probe and dial), ear and voice."""

    def __init__(
        self, folders: Folders, handheld: Handheld, supply: VirtualSupply, ear: Ear, say: Say, rate_hz: float
    ) -> None:
        self.folders = folders
        self.handheld = handheld
        self.supply = supply
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
        shows, function = case.shows(point), SHEET_FUNCTIONS.get(point, "diode")
        self.handheld.dial(function)
        mark = self.ear.heard
        self.handheld.touch(shows.value, shows.charge_s)
        if shows.by_pedal:
            self.ear.wait(is_shown(function), mark, what=f"the meter to show {function}")
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
    # a quiet display: two points along the rail are one count apart, and the story is told of that count
    handheld = Handheld(spec, random.Random(2611), rate_hz, noise=0.6)
    folders.root.mkdir(parents=True, exist_ok=True)
    ports = {name: folders.root / name for name in ("handheld", "supply")}
    folders.config.write_text(CONFIG.format(**ports), encoding="utf-8")
    supply = VirtualSupply(Load.healthy(Decimal("3.3"), Decimal("0.012")))
    with (
        VirtualTerminal(ports["handheld"], stream=handheld.frame, rate_hz=rate_hz),
        VirtualTerminal(ports["supply"], answer=ScpiEnd(supply).feed),
    ):
        service = subprocess.Popen(
            [sys.executable, "-m", "meterlink", "run", "--dir", str(folders.root)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=(folders.root / "service.log").open("wb"),
        )
        try:
            wait_ready(folders, service)
            yield Bench(folders, handheld, supply, Ear(folders.socket), say, rate_hz)
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
        try:
            morning(bench)
        except TimeoutError as error:
            if failing := bench.do("status")["journal"]["failing"]:
                raise Refused(f"the demo stopped: {failing}") from error
            raise
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
    if case.short_ohm is not None:
        search(bench, case, case.short_ohm)
    else:
        bench.do("find", what="found", part=repair.part, text=repair.found)
        say(f"  found: {repair.part} {repair.found}")
        for part in (repair.part, *repair.also):
            bench.do("find", what=repair.done, part=part)
            say(f"  {repair.done}: {part}")
    for point in repair.again:
        bench.do("point", point=point, source="key")
        if point == "+3V3 on":
            bench.do("keep", source="pedal")
        bench.measure(Case(case.mark, case.story), point)
    bench.do("board state", state=repair.state, text=repair.text)
    if repair.state == "repaired":
        bench.do("board state", state="handed on")


def search(bench: Bench, case: Case, short_ohm: float) -> None:
    """Inject into the shorted rail, touch points along it, take the part off that they lead to, see the short clear."""
    say, repair = bench.say, case.repair
    assert repair is not None  # a board that is searched has a fault
    bench.supply.load = Load(rail_ohm=Decimal(str(short_ohm)))
    say(f"  {RAIL} is short: injecting {INJECT_V:g} V, limited to {INJECT_A:g} A, cautions confirmed")
    mark = bench.ear.heard
    order = {"rail": RAIL, "volts": INJECT_V, "amperes": INJECT_A, "hold_s": HOLD_S, "confirm": True}
    bench.do("supply inject", **order)
    on = bench.ear.wait(is_flowing, mark, what="current to flow")
    say(f"    {on['volts']:.3f} V, {on['amperes']:.3f} A, {on['watts']:.2f} W, {on['ohms'] * 1000:.0f} mOhm (2-wire)")
    bench.handheld.dial("voltage")
    for point, volts in ALONG.items():
        bench.do("point", point=point, source="key")
        mark = bench.ear.heard
        bench.handheld.touch(volts)
        record = bench.ear.wait(is_kept, mark, what=f"{point} to be kept")["record"]
        bench.handheld.lift()
        time.sleep(HANDLING_S)
        say(f"    {point:<8} {record['value']:.3f} V against the return")
    ledger = Ledger().extend(entries(bench.folders.journal, readings=False))
    view = ledger.board(JOB, case.mark)
    assert view is not None  # its keeps were heard
    places = rank(ledger, view, on["amperes"])
    near, beside = places[0], [p.point for p in places[1:] if p.same]
    say(f"    nearest to the short: {near.point}" + (f", not to be told from {', '.join(beside)}" if beside else ""))
    bench.do("find", what="found", part=repair.part, text=repair.found)
    mark = bench.ear.heard
    bench.supply.load = Load(rail_ohm=Decimal(str(HEALTHY_OHM)))
    bench.do("find", what=repair.done, part=repair.part)
    bench.ear.wait(is_sound("short-cleared"), mark, what="the short to clear")
    say(f"  {repair.done}: {repair.part}; the current falls away, the short has cleared; a tap switches the supply off")
    mark = bench.ear.heard
    bench.do("keep", source="pedal")
    bench.ear.wait(is_ended, mark, what="the supply to be off")


def case_points(case: Case) -> list[str]:
    """The points that are measured in the first pass; a board with a short is not switched on."""
    return [p for p in GOOD if p != "+3V3 on" or case.powered]
