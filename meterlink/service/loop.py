"""The service: one loop owns the bench state and the journal's writer; threads only bring it what came.

Order of every event: decide (bench.handle), append, commit when a record is promised, take in (bench.apply), then
reply, sound and screen. What the disk refuses was never decided: no contact may stand on lost readings.
"""

from __future__ import annotations

import queue
import socket
import time
from collections.abc import Callable
from typing import Any

import msgspec

from meterlink import __version__, records
from meterlink.bench.core import Bench
from meterlink.bench.events import Effect, Event, Gone, Heard, Outcome, Press, TakeBoard
from meterlink.bench.ledger import Ledger
from meterlink.errors import BadInput, JournalFailed, MeterlinkError, Refused
from meterlink.exits import exit_code
from meterlink.folders import Folders
from meterlink.journal.reader import entries
from meterlink.journal.writer import Writer
from meterlink.service import systemd
from meterlink.service.clock import Clock, JumpWatch, Moment, SystemClock
from meterlink.service.config import Loaded
from meterlink.service.footwork import Footwork, PedalTold, Pressed
from meterlink.service.injector import Injecting, InjectionEnded, Promise
from meterlink.service.neighbours import on_another_bench
from meterlink.service.requests import Requests, text, whole
from meterlink.service.scribe import Scribe
from meterlink.service.shelf import Shelf
from meterlink.service.snapshot import snapshot, status
from meterlink.service.sockets import Ask, Server, Watchers
from meterlink.service.supervisor import Batch, Changed, Open, Supervisor
from meterlink.service.supplies import BenchSupply

WAIT_S = 0.02  # the longest that what is due waits for something to come
ENDING_S = 5.0  # what switching off may take at the end


class Stop(msgspec.Struct, frozen=True):
    """End in order."""

    why: str


Item = Batch | Changed | Ask | Pressed | PedalTold | Promise | Injecting | InjectionEnded | Stop


class Service:
    """Build it (that takes the lock and recovers the journal), `run()` it until `stop()`."""

    def __init__(
        self,
        loaded: Loaded,
        folders: Folders,
        open_link: Open,
        tell: Callable[[Effect], None],
        clock: Clock | None = None,
    ) -> None:
        self.loaded = loaded
        self.folders = folders
        self._tell = tell
        self.clock = clock or SystemClock()
        self._queue: queue.Queue[Item] = queue.Queue()
        self.watchers = Watchers()
        self.writer = Writer(folders.journal)
        self.scribe = Scribe(self.writer, self._took, self._failed)
        self.last_keep: dict[str, Any] | None = None
        self.shelf = Shelf(loaded, folders, lambda text: self.effect(Effect("refused", text)))
        ledger = Ledger().extend(entries(folders.journal, readings=False))
        self.bench = Bench(
            ledger,
            hands_free=tuple(
                n for n, c in loaded.config.instruments.items() if c.hands_free and loaded.specs[n].info.kind == "meter"
            ),
            rules=loaded.config.keep,
            accuracy=self.shelf.uncertainty,
            bands=self.shelf.band,
            sheets=dict(self.shelf.of_open_jobs(ledger)),
        )
        self._requests = Requests(loaded.config.operator, self.shelf.keep)
        self.supervisors = {
            name: Supervisor(
                name,
                loaded.specs[name],
                one.port,
                loaded.lines[name],
                self._queue.put,
                open_link,
                self.clock,
                loaded.controls.get(name),
            )
            for name, one in loaded.config.instruments.items()
        }
        for name in self._left_on():
            self.supervisors[name].must_off = True
        self.supply = BenchSupply(self, self.effect)
        pedal = loaded.config.pedal
        self.footwork = Footwork(pedal, self._queue.put, self.clock) if pedal else None
        self._jumps = JumpWatch(self.clock.now())

    # -- life

    def run(self) -> None:
        """Serve until stop(). Raises JournalFailed only where not even the start can be written."""
        now = self.clock.now()
        for recovered in self.writer.recovered:
            self.writer.append(recovered, now.at)
        self.writer.append(self._start_record(), now.at)
        self.writer.commit()
        server = Server(self.folders.socket, self._queue.put, self.watchers)
        for supervisor in self.supervisors.values():
            supervisor.start()
        if self.footwork:
            self.footwork.start()
        systemd.notify("READY=1")
        try:
            why = self._serve()
        finally:
            systemd.notify("STOPPING=1")
            if self.footwork:
                self.footwork.stop()
            for supervisor in self.supervisors.values():
                supervisor.stop()
            for supervisor in self.supervisors.values():
                supervisor.join(2.0)
        self.promise((records.Stop(why=why),), self.clock.now())
        server.end()
        self.writer.close()

    def stop(self, why: str) -> None:
        """Ask the loop to end in order; safe from a signal handler or a thread."""
        self._queue.put(Stop(why))

    def _serve(self) -> str:
        while True:
            batch = self._wait()
            now = self.clock.now()
            if step := self._jumps.step(now):
                self.promise((records.Clock(step=step),), now)
            for item in batch:
                match item:
                    case Stop(why):
                        self._ending(why)
                        return why
                    case Promise():
                        item.answer(self.promise((item.record,), now))
                    case Injecting():
                        self.supply.measured(item)
                    case InjectionEnded():
                        self.supply.ended(item)
                    case Batch():
                        self._readings(item)
                    case Changed():
                        self._changed(item)
                    case Ask():
                        self._ask(item, now)
            self.scribe.due(now)
            systemd.alive()

    def _ending(self, why: str) -> None:
        """Before the end every injection is switched off; its last records are still taken."""
        self.supply.stop("the service ends")
        end = time.monotonic() + ENDING_S
        running = {name for name, s in self.supervisors.items() if s.injector}
        while running and time.monotonic() < end:
            for item in self._wait():
                match item:
                    case Promise():
                        item.answer(self.promise((item.record,), self.clock.now()))
                    case InjectionEnded():
                        self.supply.ended(item)
                        running.discard(item.instrument)
                    case _:
                        pass  # readings of the last moment: the meters stop with us

    def _wait(self) -> list[Item]:
        """What came, oldest first; waits until something comes or is due."""
        items = []
        try:
            items.append(self._queue.get(timeout=WAIT_S))
            while len(items) < 1000:
                items.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        return items

    # -- what comes

    def _readings(self, batch: Batch) -> None:
        for reading in batch.readings:
            heard = Heard(batch.instrument, reading, batch.moment.t)
            self.supply.heard(batch.instrument, reading)
            try:
                self._event(heard, batch.moment)
            except JournalFailed:
                continue  # counted and told where it was met
            self.watchers.tell(self._reading_message(heard))

    def _changed(self, item: Changed) -> None:
        spec = self.loaded.specs[item.instrument]
        profile = self.loaded.profiles.get(item.instrument)
        record = records.Instrument(
            instrument=item.instrument,
            event=item.event,  # type: ignore[arg-type]
            driver=spec.name,
            driver_version=spec.info.version,
            port=self.supervisors[item.instrument].port,
            accuracy=profile.source if profile else None,
            why=item.why,
        )
        if item.event != "silent":
            self.bench.handle(Gone(item.instrument), self.writer.next_seq)
        self.promise((record,), item.moment)
        self._state_message()

    def _pressed(self, item: Pressed) -> None:
        """The foot asks; while the supply injects, any press switches it off and does nothing else."""
        if self.supply.stop("the pedal"):
            return
        try:
            self._event(Press(item.action, "pedal", item.moment.t), item.moment)  # type: ignore[arg-type]
        except JournalFailed:
            pass  # the alarm has sounded
        except MeterlinkError as error:
            self.effect(Effect("refused", str(error)))

    def _ask(self, ask: Ask, now: Moment) -> None:
        do = ask.request["do"]
        if do == "status":
            ask.reply({"ok": True, **status(self, now)})
        elif do == "watch":
            ask.reply({"ok": True, "watch": self.watchers.add({"event": "state", **snapshot(self)})})
        else:
            try:
                if do == "seal":
                    ask.reply({"ok": True, "seq": self._seal(ask.request, now)})
                    return
                if do.startswith("supply "):
                    ask.reply({"ok": True, "text": [], "records": [], **self._supply(do, ask.request, now)})
                    return
                if do in ("keep", "back", "next") and self.supply.stop(f"the {ask.request.get('source', 'command')}"):
                    ask.reply({"ok": True, "text": ["the supply is being switched off"], "records": []})
                    return
                event = self._requests.event(ask.request, now)
                outcome, seqs = self._event(event, now)
            except MeterlinkError as error:
                ask.reply({"ok": False, "error": str(error), "code": exit_code(error)})
                if not isinstance(error, JournalFailed):  # that alarm has sounded
                    self.effect(Effect("refused", str(error)))
                return
            ask.reply(
                {
                    "ok": True,
                    "text": [e.text for e in outcome.effects],
                    "records": [
                        {"seq": seq, **msgspec.to_builtins(r)} for seq, r in zip(seqs, outcome.records, strict=True)
                    ],
                }
            )

    def _seal(self, fields: dict[str, Any], now: Moment) -> int:
        """Record a signature over the segment's head; gives the record's seq.

        Raises  Refused for a head beyond what is on the disk: it could still be withdrawn, and the seal would lie.
        """
        through = whole(fields, "through", required=True)
        self.scribe.sync(now)
        if through is None or through > self.writer.durable_seq:
            raise Refused(f"record {through} is not on the disk yet: seal again")
        seal = records.Seal(
            head=str(text(fields, "head")), through=through, signature_file=str(text(fields, "signature_file"))
        )
        (seq,) = self.scribe.promise((seal,), now)
        return seq

    def _supply(self, do: str, fields: dict[str, Any], now: Moment) -> dict[str, Any]:
        """The supply's three requests. Raises BadInput, Refused."""
        match do:
            case "supply show":
                return {"supplies": self.supply.shown, "alarm": self.supply.alarm}
            case "supply inject":
                return self.supply.inject(fields, now)
            case "supply off":
                return {"off": self.supply.off(f"the {fields.get('source', 'command')}")}
            case _:
                raise BadInput(f"the service does not know {do!r}")

    def _not_elsewhere(self, event: TakeBoard) -> None:
        """Raises Refused when another bench of the shop has this board."""
        job = event.job or self.bench.context.job
        journals = [self.folders.root / name for name in self.loaded.config.neighbours]
        if job and (where := on_another_bench(journals, job, event.board)):
            raise Refused(f"{where}: set its state there first")

    def _event(self, event: Event, moment: Moment) -> tuple[Outcome, list[int]]:
        """Through the bench, onto the disk, then heard. Raises what the bench refuses, or JournalFailed."""
        if isinstance(event, TakeBoard):
            self._not_elsewhere(event)
        outcome = self.bench.handle(event, self.writer.next_seq)
        out = outcome.records
        seqs: list[int] = []
        if out and isinstance(out[0], records.Reading):
            seq = self.scribe.stream(out[0], moment)
            if seq is None:
                self.bench.reset()
                return Outcome(), []
            seqs, out = [seq], out[1:]
        if out:
            seqs += self.scribe.promise(out, moment)
        for effect in outcome.effects:
            self.effect(effect)
        if out:
            self._state_message()
        return outcome, seqs

    # -- the journal

    def promise(self, batch: tuple[records.Record, ...], moment: Moment) -> bool:
        """Records that are nobody's request: gives whether the disk took them; a refusal has been told."""
        try:
            self.scribe.promise(batch, moment)
        except JournalFailed:
            return False
        return True

    def _took(self, seq: int, at: str, record: records.Record) -> None:
        self.bench.apply(seq, at, record)
        line = {"seq": seq, **msgspec.to_builtins(record)}
        if isinstance(record, records.Kept):
            self.last_keep = line
        self.watchers.tell({"event": "record", "record": line})

    def _failed(self, why: str) -> None:
        """Nothing of what waited is on the disk: no contact may stand on it, and nothing stays switched on."""
        self.bench.reset()
        self.supply.stop("the journal takes no records")
        self.effect(Effect("alarm", f"nothing is kept: {why}"))
        self._state_message()

    # -- what is told

    def effect(self, effect: Effect) -> None:
        """To the ears and to those who watch."""
        self._tell(effect)
        self.watchers.tell({"event": "effect", "sound": effect.sound, "text": effect.text})

    def _reading_message(self, heard: Heard) -> dict[str, Any]:
        r = heard.reading
        settle = self.bench.settles.get(heard.instrument)
        return {
            "event": "reading",
            "instrument": heard.instrument,
            "function": r.function,
            "coupling": r.coupling,
            "value": records.double(r.value),
            "unit": r.unit,
            "state": r.state,
            "flags": r.flags,
            "display": r.display,
            "channel": r.channel,
            "progress": settle.progress if settle else None,
            "contact": settle.in_contact if settle else False,
        }

    def _state_message(self) -> None:
        if len(self.watchers):
            self.watchers.tell({"event": "state", **snapshot(self)})

    # -- what the bench is built on

    def _start_record(self) -> records.Start:
        return records.Start(
            format=records.FORMAT,
            program="meterlink",
            version=__version__,
            bench=self.loaded.config.bench,
            host=socket.gethostname(),
            config_sha256=self.loaded.sha256,
            timezone=time.strftime("%z"),
        )

    def _left_on(self) -> set[str]:
        """Supplies whose last record says on: a service that was killed left them so. Off comes first."""
        last: dict[str, tuple[int, str]] = {}
        for job in self.bench.ledger.jobs.values():
            for board in job.boards.values():
                for n in board.supplies:
                    if n.record.event in ("on", "off"):
                        last[n.record.instrument] = max(last.get(n.record.instrument, (0, "")), (n.seq, n.record.event))
        return {name for name, (_, event) in last.items() if event == "on" and name in self.loaded.controls}
