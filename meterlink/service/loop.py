"""The service: one loop owns the bench state and the journal's writer; threads only bring it what came.

Order of every event: decide (bench.handle), append, commit when a record is promised, take in (bench.apply), then
reply, sound and screen. What the disk refuses was never decided: no contact may stand on lost readings.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import msgspec

from meterlink import records
from meterlink.bench.events import Effect, Event, Gone, Heard, Outcome, Press, Resume, SoundName, TakeBoard
from meterlink.bench.ledger import Ledger
from meterlink.bench.starting import put_right
from meterlink.errors import BadInput, JournalFailed, MeterlinkError, NoBoard, RailFed
from meterlink.exits import FAULT, exit_code
from meterlink.folders import Folders, runtime_folder
from meterlink.journal.losses import Losses
from meterlink.journal.reader import entries
from meterlink.journal.writer import Writer
from meterlink.service import building, systemd
from meterlink.service.attendance import Attendance
from meterlink.service.clock import Clock, JumpWatch, Moment, SystemClock
from meterlink.service.config import Loaded
from meterlink.service.hung import HangWatch
from meterlink.service.inbox import Inbox, Item, Stop
from meterlink.service.injector import Injecting, InjectionEnded, Promise
from meterlink.service.input_messages import FootDown, InputChanged, InputRefused, Pressed, Scanned
from meterlink.service.introductions import begin, instrument_record
from meterlink.service.neighbours import Neighbours
from meterlink.service.requests import Requests, same_board, text
from meterlink.service.scribe import Scribe
from meterlink.service.sealer import Signed
from meterlink.service.sealing import Sealing
from meterlink.service.shelf import Shelf
from meterlink.service.snapshot import reading_message, snapshot, status
from meterlink.service.sockets import Ask, Server, Watchers
from meterlink.service.supervisor import Batch, Changed, Open
from meterlink.service.supplies import BenchSupply

ENDING_S = 4.0  # what switching off, and all that has to be waited for at the end, may take together
ASIDE = ("status", "watch")  # requests that change nothing: they say nothing aloud


class Service:
    """Build it (that takes the lock and recovers the journal), `run()` it until `stop()`."""

    def __init__(
        self,
        loaded: Loaded,
        folders: Folders,
        open_link: Open,
        tell: Callable[[Effect], None],
        clock: Clock | None = None,
        sound_problem: Callable[[], str | None] = lambda: None,
        say: Callable[[str], None] | None = None,
    ) -> None:
        self.loaded = loaded
        self.folders = folders
        self._tell = tell
        self.sound_problem = sound_problem
        self._say = say or (lambda text: None)
        self.attendance = Attendance()
        self.clock = clock or SystemClock()
        self._inbox = Inbox()
        self.watchers = Watchers()
        self.writer = Writer(folders.journal)
        self.scribe = Scribe(self.writer, self._took, self._failed, self._mended)
        key = loaded.config.seal.key if loaded.config.seal else None
        self._sealing = Sealing(
            self.scribe, key, self._inbox.put, self._say, lambda why: self.effect(Effect("refused", why))
        )
        self.last_keep: dict[str, Any] | None = None
        self.shelf = Shelf(loaded, folders, lambda text: self.effect(Effect("refused", text)))
        self._losses = Losses()
        ledger = Ledger().extend(self._losses.watch(entries(folders.journal, readings=False)))
        self.bench = building.bench(loaded, self.shelf, ledger)
        self._requests = Requests(lambda: self.bench.operator, self.shelf.keep)
        self.supervisors = building.supervisors(loaded, self._inbox.put, open_link, self.clock)
        self.supply = BenchSupply(self, self.effect)
        self.inputs = building.inputs(loaded, self._inbox.put, self.clock)
        self.neighbours = Neighbours([folders.root / n for n in loaded.config.neighbours], own=folders.journal)
        self._end_by: float | None = None
        self._spent = False  # the foot's present press has switched a supply off already
        self._jumps = JumpWatch(self.clock.now())
        self._hangs = HangWatch(self.supervisors.values())

    # -- life

    def run(self) -> None:
        """Serve until stop(). Raises JournalFailed only where not even the start can be written."""
        runtime_folder(self.folders)
        server = Server(self.folders.socket, self._inbox.put, self.watchers)  # refuses where another one answers
        try:
            self._run()
        finally:
            server.end()
            self.writer.close()

    def _run(self) -> None:
        now = self.clock.now()
        for line in (*self._losses.lines(), *begin(self.writer, self.loaded, now)):
            self._say(line)
        self.supply.doubt.begin(now)
        right = put_right(self.bench.ledger, self.bench.sheets)
        if right.records and self.promise(right.records, now):
            self.effect(right.effects[0])
        for supervisor in self.supervisors.values():
            supervisor.start()
        for one in self.inputs.values():
            one.start()
        self.neighbours.start()
        self._sealing.start()
        systemd.notify("READY=1")
        try:
            why = self._serve()
        finally:
            systemd.notify("STOPPING=1")
            for one in self.inputs.values():
                one.stop()
            self.neighbours.stop()
            self._sealing.stop()
            for supervisor in self.supervisors.values():
                supervisor.stop()
            end = self._end_by or time.monotonic() + ENDING_S
            for thread in (*self.supervisors.values(), *self.inputs.values()):  # a keyboard is given back to the kernel
                thread.join(max(0.05, end - time.monotonic()))
        self._flooded(self.clock.now(), ending=True)
        stopped = self.promise((records.Stop(why=why),), self.clock.now())
        self.supply.doubt.end(self.clock.now())
        if not stopped:
            raise JournalFailed(self.scribe.failing or "")  # the journal does not say that this run ended in order

    def stop(self, why: str) -> None:
        """Ask the loop to end in order; safe from a signal handler or a thread."""
        self._inbox.put(Stop(why))

    def _serve(self) -> str:
        while True:
            batch = self._inbox.take()
            now = self.clock.now()
            for item in batch:
                if isinstance(item, Stop):
                    self._ending(item.why)
                    return item.why
                self._stepped(getattr(item, "moment", now))
                self._take(item, now)
            self._stepped(now)
            self.scribe.due(now)
            self._hangs.look()
            self._flooded(now)
            self._sealing.due()
            self.supply.doubt.due(now)
            if word := self.neighbours.cleared():
                self.effect(Effect("refused", f"{word}: it was taken here too; set its state on one of them"))
            systemd.alive()

    def _stepped(self, moment: Moment) -> None:
        """A step of the machine's clock is recorded before what came at this moment: it may have waited since."""
        if step := self._jumps.step(moment):
            self.promise((records.Clock(step=step),), moment)

    def _take(self, item: Item, now: Moment) -> None:
        match item:
            case Promise():
                item.answer(self.promise((item.record,), now))
            case Injecting():
                self.supply.measured(item)
            case InjectionEnded():
                self.supply.ended(item)
                self._quietly(Resume(), now)
            case Batch():
                self._readings(item)
            case Changed():
                self._changed(item)
            case FootDown():  # a gesture is known only later: off does not wait for it
                self._spent |= self.supply.stop("the pedal")
            case Pressed():
                self._pressed(item)
            case Scanned():
                self._quietly(TakeBoard(item.text, self.bench.operator, "scanner"), item.moment)
            case InputChanged():
                self._input_changed(item)
            case InputRefused():
                self._spent = False
                self.effect(Effect("refused", f"{item.input}: {item.why}"))
            case Ask():
                self._ask(item, now)
            case Signed():
                self._sealing.signed(item, now)
            case Stop():
                pass  # the loop has looked

    def _ending(self, why: str) -> None:
        """Before the end every injection is switched off; its last records are still taken."""
        for supervisor in self.supervisors.values():
            supervisor.stop()
        self._end_by, alive = time.monotonic() + ENDING_S, True
        while alive and time.monotonic() < self._end_by:
            alive = any(s.is_alive() for s in self.supervisors.values() if s.switch)  # what it put last is taken below
            for item in self._inbox.take():
                match item:
                    case Promise():
                        item.answer(self.promise((item.record,), self.clock.now()))
                    case InjectionEnded():
                        self.supply.ended(item)
                    case _:
                        pass  # readings of the last moment: the meters stop with us

    # -- what comes

    def _readings(self, batch: Batch) -> None:
        if line := self.attendance.heard(batch.instrument):
            self.effect(Effect("stepped", line))
        for reading in batch.readings:
            heard = Heard(batch.instrument, reading, batch.moment.t)
            self.supply.heard(batch.instrument, reading)
            try:
                self._event(heard, batch.moment)
            except JournalFailed:
                continue  # counted and told where it was met
            except Exception as error:  # noqa: BLE001 - what a driver gave cannot be recorded: its own meter ends
                self.supervisors[batch.instrument].broken(f"a reading that cannot be recorded: {error!r}")
                return
            self.watchers.tell(reading_message(self.bench, heard))

    def _flooded(self, now: Moment, *, ending: bool = False) -> None:
        """Tell what one instrument sent beyond what the bench takes; no contact may stand on lost readings."""
        for gap in self._inbox.gaps(now, ending=ending) if not self.scribe.failing else ():
            self.bench.handle(Gone(gap.instrument), self.writer.next_seq)
            if self.promise((gap,), now):
                self._inbox.told(gap)
                self._say(f"{gap.instrument}: {gap.count} readings dropped: {gap.why}")

    def _changed(self, item: Changed) -> None:
        record = instrument_record(self.loaded, item, self.supervisors[item.instrument].port)
        if item.event != "silent":
            self.bench.handle(Gone(item.instrument), self.writer.next_seq)
        self.promise((record,), item.moment)
        if told := self.attendance.changed(item, f"{record.driver} at {record.port}"):
            line, loud = told
            sound: SoundName = "stepped" if item.event == "found" else "refused"
            self.effect(Effect(sound, line)) if loud else self._say(line)
        self._state_message()

    def _pressed(self, item: Pressed) -> None:
        """The foot asks; while the supply injects, any press switches it off and does nothing else."""
        spent, self._spent = self._spent, False
        if not spent and not self.supply.stop("the pedal"):
            self._quietly(Press(item.action, "pedal", item.moment.t), item.moment)

    def _quietly(self, event: Event, moment: Moment) -> None:
        """An event that nobody waits for an answer to: what the bench refuses is heard."""
        failing = self.scribe.failing
        try:
            self._event(event, moment)
        except MeterlinkError as error:
            if failing or not isinstance(error, JournalFailed):  # else the alarm has just sounded
                self.refuse(error)

    def _input_changed(self, item: InputChanged) -> None:
        """A pedal or scanner that is lost is told as loudly as any fault, and that it is back as well."""
        self._spent = False
        if item.state == "lost":
            self.effect(Effect("refused", f"the {item.input} is lost: {item.why}"))
        else:
            self.effect(Effect("stepped", f"the {item.input} is there"))
        self._state_message()

    def _ask(self, ask: Ask, now: Moment) -> None:
        do, failing = ask.request["do"], self.scribe.failing
        try:
            if do == "supply off":
                self.supply.off(ask, now)  # answered when it was seen off
            else:
                ask.reply({"ok": True, **self._answer(do, ask.request, now)})
        except MeterlinkError as error:
            ask.reply({"ok": False, "error": str(error), "code": exit_code(error)})
            if (failing or not isinstance(error, JournalFailed)) and do not in ASIDE:  # else the alarm has just sounded
                self.refuse(error)
        except Exception as error:  # noqa: BLE001 - no request, however it is made, ends the bench
            ask.reply({"ok": False, "error": f"{do}: a fault of its own: {error!r}", "code": FAULT})
            self.effect(Effect("refused", f"{do}: a fault of its own ({type(error).__name__})"))

    def _answer(self, do: str, fields: dict[str, Any], now: Moment) -> dict[str, Any]:
        """What a request is answered. Raises what refuses it."""
        match do:
            case "status":
                return status(self, now)
            case "watch":
                return {"watch": self.watchers.add({"event": "state", **snapshot(self)})}
            case "seal":
                return {"seq": self._sealing.request(fields, now)}
            case "refused":
                self.effect(Effect("refused", str(text(fields, "why"))))
                return {"text": [], "records": []}
            case _:
                return self._act(do, fields, now)

    def _act(self, do: str, fields: dict[str, Any], now: Moment) -> dict[str, Any]:
        """A request that is recorded, or that switches the supply."""
        source = fields.get("source", "command")
        if do in ("keep", "back", "next") and self.supply.stop(f"the {source}"):  # before all else: it stops
            return {"text": ["the supply is being switched off"], "records": []}
        same_board(fields, self.bench.context.board)
        if do.startswith("supply "):
            return {"text": [], "records": [], **self.supply.request(do, fields, now)}
        outcome, seqs = self._event(self._requests.event(fields, now), now)
        return {
            "text": [e.text for e in outcome.effects],
            "records": [{"seq": seq, **msgspec.to_builtins(r)} for seq, r in zip(seqs, outcome.records, strict=True)],
        }

    def _event(self, event: Event, moment: Moment) -> tuple[Outcome, list[int]]:
        """Through the bench, onto the disk, then heard. Raises what the bench refuses, or JournalFailed.

        The gaps of a disk that takes records again come before the number that the event's first record gets is known.
        """
        if self.scribe.failing and not self.scribe.mend(moment) and not isinstance(event, Heard | Resume):
            raise JournalFailed(self.scribe.failing)
        try:
            outcome = self.neighbours.checked(self.bench.handle(event, self.writer.next_seq))
        except RailFed:
            self.supply.stop("another board was asked for while its rail was fed")
            raise
        out = outcome.records
        seqs: list[int] = []
        if out and isinstance(out[0], records.Reading):
            seq = self.scribe.stream(out[0], moment)
            if seq is None:
                self._not_kept(outcome)
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
        """Records that are nobody's request: gives whether they were written; a refusal has been told."""
        try:
            self.scribe.promise(batch, moment)
        except JournalFailed:
            return False
        except BadInput as error:
            self.refuse(error)
            return False
        return True

    def _took(self, seq: int, at: str, record: records.Record) -> None:
        self.bench.apply(seq, at, record)
        self.supply.took(record)
        self._sealing.took(record)
        if isinstance(record, records.Job | records.Void):  # a job may stand again whose sheet was not read
            self.bench.sheets.update(self.shelf.of_jobs(self.bench.ledger, self.bench.sheets))
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

    def _mended(self) -> None:
        """The disk takes records again: no contact may stand on the readings that it did not take."""
        self.bench.reset()
        self.effect(Effect("stepped", "the journal takes records again"))
        self._state_message()

    def _not_kept(self, outcome: Outcome) -> None:
        """A reading while the disk refuses: what it would have led to is refused aloud."""
        if len(outcome.records) > 1:
            self.effect(Effect("refused", f"not kept: {self.scribe.failing}"))
        else:
            for effect in outcome.effects:
                self.effect(effect)

    # -- what is told

    def refuse(self, error: MeterlinkError) -> None:
        """A refusal is heard, a touch or tap without a board apart from others."""
        self.effect(Effect("no-board" if isinstance(error, NoBoard) else "refused", str(error)))

    def effect(self, effect: Effect) -> None:
        """To the ears and to those who watch."""
        self._tell(effect)
        self.watchers.tell({"event": "effect", "sound": effect.sound, "text": effect.text})

    def _state_message(self) -> None:
        if len(self.watchers):
            self.watchers.tell({"event": "state", **snapshot(self)})
