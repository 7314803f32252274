"""Many sets on one real service, each with its own fault: at which call, which error, once or from then on.

The links are fake and the sets are `Peer`s; everything between them and the journal is the running program: the
supervisors' threads, the loop, the writer, the socket.
"""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec

from meterlink.bench.events import Effect
from meterlink.control import Control
from meterlink.errors import LinkLost, MeterlinkError
from meterlink.folders import Folders, bench_folder
from meterlink.framing import Dialogue, Query
from meterlink.journal.reader import entries
from meterlink.reading import BadFrame, Info, Line, Reading
from meterlink.registry import Spec
from meterlink.service import wire
from meterlink.service.config import Config, Instrument, Loaded
from meterlink.service.loop import Service
from tests.injection.peer import CONTROL, Peer
from tests.service.conftest import until

BEGINS = CONTROL.output_state[0].ask  # the first query of an injection; no polling round has it
WAIT_S = 0.15  # how long the sets may take to answer


class Fault(msgspec.Struct, frozen=True):
    """At the `at`-th call (from 1) of `site` since the injection began; every later call too if `lasting`."""

    site: str
    at: int
    error: Callable[[], BaseException]
    lasting: bool

    def __str__(self) -> str:
        return f"{type(self.error()).__name__} at {self.site} {self.at}{' and on' if self.lasting else ''}"


class Set:
    """One supply: its peer, its link, its driver and control, all of which meet the faults."""

    def __init__(self, name: str, faults: tuple[Fault, ...] = (), peer: Peer | None = None) -> None:
        self.name, self.faults = name, faults
        self.peer = peer or Peer()
        self.calls: Counter[str] = Counter()
        self.armed = False
        self.healed = False
        self.hangs: threading.Event | None = None  # feed waits for this
        self.gives: Any = None  # what decode gives, whatever comes
        self.out = b""
        module = SimpleNamespace(INFO=INFO, decode=self.decode, Driver=self.driver)
        self.spec = Spec(module, "tests")
        self.control = self._control()

    def meet(self, site: str) -> None:
        if not self.armed or self.healed:
            return
        self.calls[site] += 1
        for fault in self.faults:
            n = self.calls[site]
            if fault.site == site and (n == fault.at or (fault.lasting and n > fault.at)):
                raise fault.error()

    # -- the driver

    def decode(self, frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
        self.meet("decode")
        if self.gives is not None:
            return self.gives  # type: ignore[no-any-return]
        words = {b"MEAS:VOLT?": ("voltage", "V"), b"MEAS:CURR?": ("current", "A")}
        out = []
        for question, line in zip((asked or b"").split(), frame.split(), strict=False):
            if question not in words:
                raise BadFrame("brings no reading")
            function, unit = words[question]
            out.append(Reading(function=function, value=Decimal(line.decode()), unit=unit, channel="1"))
        return out

    def driver(self, model: str | None = None) -> Dialogue:
        self.meet("Driver")
        set_ = self

        class Met(Dialogue):
            def feed(self, data: bytes) -> list[Reading]:
                set_.meet("feed")
                if set_.hangs is not None:
                    set_.hangs.wait(60)
                return super().feed(data)

            def request(self, now: float) -> bytes | None:
                set_.meet("request")
                return super().request(now)

            def silence(self) -> None:
                set_.meet("silence")
                super().silence()

        return Met(self.decode, model, round_=CONTROL.measured, every_s=0.1)

    def _control(self) -> Control:
        def met(site: str, call: Callable[..., Any]) -> Callable[..., Any]:
            def calling(*args: Any) -> Any:
                self.meet(site)
                return call(*args)

            return calling

        def queries(some: tuple[Query, ...]) -> tuple[Query, ...]:
            return tuple(
                msgspec.structs.replace(q, wait_s=WAIT_S, take=met("take", q.take) if q.take else None) for q in some
            )

        def setting(one: Any) -> Any:
            return msgspec.structs.replace(one, say=met("say", lambda v: queries(one.say(v))))

        assert CONTROL.over_voltage is not None
        return Control(
            voltage=setting(CONTROL.voltage),
            current=setting(CONTROL.current),
            over_voltage=setting(CONTROL.over_voltage),
            switch=met("switch", lambda on: queries(CONTROL.switch(on))),
            parse=met("parse", CONTROL.parse),
            settings=queries(CONTROL.settings),
            measured=queries(CONTROL.measured),
            output_state=queries(CONTROL.output_state),
        )

    # -- the link

    def read(self, wait_s: float) -> bytes:
        self.meet("read")
        if not self.out and wait_s:
            time.sleep(min(wait_s, 0.01))  # as long as a port would have waited: no busy loop in the supervisor
        out, self.out = self.out, b""
        return out

    def write(self, data: bytes) -> None:
        self.armed = self.armed or data == BEGINS
        self.meet("write")
        for line in data.splitlines(keepends=True):
            self.out += self.peer.hear(line) or b""
        self.meet("written")

    def close(self) -> None:
        self.out = b""
        self.meet("close")


INFO = Info(
    name="faulty",
    title="a set with faults",
    instruments=("none",),
    published="tests",
    kind="supply",
    line=Line(baudrate=9600),
    poll_s=0.1,
    silence_s=0.05,
)


class Bench:
    """The running service and its sets. `heard` is every effect, `ended` the last word on each injection."""

    def __init__(self, folders: Folders, sets: list[Set], config: Config | None = None) -> None:
        self.folders = folders
        self.sets = {s.name: s for s in sets}
        self.ports = {f"tcp:127.0.0.1:{i + 1}": s for i, s in enumerate(sets)}
        self.heard: list[Effect] = []
        self.error: BaseException | None = None
        instruments = {s.name: Instrument(driver="faulty", port=p, control=True) for p, s in self.ports.items()}
        loaded = Loaded(
            config=msgspec.structs.replace(config or Config(), instruments=instruments),
            sha256=None,
            specs={s.name: s.spec for s in sets},
            lines=dict.fromkeys(self.sets),
            profiles={},
            controls={s.name: s.control for s in sets},
        )
        self.service = Service(loaded, folders, self.open, self.heard.append)
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        try:
            self.service.run()
        except BaseException as error:  # noqa: BLE001 - what `meterlink run` ends with is looked at by the tests
            self.error = error

    def open(self, port: str, line: Line | None, usb: Any) -> Any:
        self.ports[port].meet("open")
        return self.ports[port]

    def start(self) -> None:
        self.thread.start()
        until(self.answers, what="the service to answer")

    def answers(self) -> bool:
        assert self.thread.is_alive(), self.error
        try:
            return all(i["frames"] for i in self.call("status")["instruments"])
        except MeterlinkError:
            return False

    def call(self, do: str, **fields: Any) -> dict[str, Any]:
        return wire.call(self.folders.socket, do, **fields)

    def board(self, mark: str = "GC-06") -> None:
        self.call("job open", job="GC-2611", model="IC-8 rev C")
        self.call("board receive", board=mark, job="GC-2611")
        self.call("board take", board=mark)

    def inject(self, name: str, **changed: Any) -> dict[str, Any]:
        return self.call("supply inject", **{**ORDER, "instrument": name, **changed})

    def alarm(self) -> str:
        return str(self.call("status")["alarm"] or "")

    def records(self, name: str) -> list[Any]:
        rows = entries(self.folders.journal, readings=False)
        return [e.record for e in rows if e.kind == "supply" and e.record.instrument == name]

    def seen_off(self, name: str) -> bool:
        """As the journal tells it: never switched on, or seen off after it."""
        last = [r for r in self.records(name) if r.event in ("on", "off")]
        return not last or (last[-1].event == "off" and last[-1].seen == "set")

    def stop(self) -> None:
        self.service.stop("the test")
        self.thread.join(30)
        assert not self.thread.is_alive()


ORDER: dict[str, Any] = {"rail": "+3V3", "volts": 1.0, "amperes": 1.5, "nominal": 3.3, "hold_s": 0.12, "confirm": True}


@contextmanager
def bench_of(root: Path, *sets: Set, started: bool = True) -> Iterator[Bench]:
    folders = bench_folder(root)
    bench = Bench(folders, list(sets))
    try:
        if started:
            bench.start()
            bench.board()
        yield bench
    finally:
        if bench.thread.is_alive():
            bench.stop()


class Own(BaseException):
    """What nobody catches by its base, and whose words cannot be had."""

    def __str__(self) -> str:
        raise RuntimeError("not even its text")

    __repr__ = __str__


ERRORS: tuple[Callable[[], BaseException], ...] = (
    lambda: KeyError("STATUS"),
    lambda: ValueError("no number"),
    lambda: TypeError("None"),
    lambda: OSError(5, "Input/output error"),
    lambda: LinkLost("pulled out"),
    lambda: BadFrame("no frame"),
    lambda: SystemExit(3),
    lambda: MemoryError(),
    lambda: RecursionError("too deep"),
    lambda: KeyboardInterrupt(),
    lambda: GeneratorExit(),
    lambda: StopIteration(),
    Own,
)
