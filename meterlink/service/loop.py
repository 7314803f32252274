"""The service: one loop owns the bench state and the journal's writer; threads only bring it what came.

Order of every event: decide (bench.handle), append, commit when a record is promised, take in (bench.apply), then
reply, sound and screen. A reading is in the file within FLUSH_S and on the disk within SYNC_S (docs/journal.md).
When the disk does not take what was written, nothing of it is acknowledged or taken in, the alarm sounds once,
and the readings that were dropped are told in a `gap` as soon as the disk takes records again.
"""

from __future__ import annotations

import queue
import shutil
import socket
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from meterlink import __version__, knowngood, records
from meterlink.bench import sheet as sheets
from meterlink.bench.core import Bench
from meterlink.bench.events import Effect, Event, Gone, Heard, Outcome
from meterlink.bench.ledger import Ledger
from meterlink.bench.verdict import band_for
from meterlink.errors import BadInput, JournalFailed, MeterlinkError
from meterlink.folders import Folders
from meterlink.journal.reader import entries
from meterlink.journal.writer import Writer
from meterlink.reading import Reading
from meterlink.service import systemd
from meterlink.service.clock import Clock, JumpWatch, Moment, SystemClock
from meterlink.service.config import Loaded
from meterlink.service.requests import Requests
from meterlink.service.snapshot import snapshot, status
from meterlink.service.sockets import Ask, Server, Watchers
from meterlink.service.supervisor import Batch, Changed, Open, Supervisor

FLUSH_S = 0.05  # the promise is 0.1 s
SYNC_S = 0.5  # the promise is 1 s
LATER_S = 1.0  # between tries while the disk refuses


class Stop(msgspec.Struct, frozen=True):
    """End in order."""

    why: str


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
        self._queue: queue.Queue[Batch | Changed | Ask | Stop] = queue.Queue()
        self.watchers = Watchers()
        self.writer = Writer(folders.journal)
        self.failing: str | None = None  # why the disk refuses, while it does
        self.dropped: dict[str, int] = {}
        self._lost_since: dict[str, list[str]] = {}
        self.last_keep: dict[str, Any] | None = None
        self.known: dict[str, Any] = {}
        self.bench = Bench(
            Ledger().extend(entries(folders.journal, readings=False)),
            hands_free=tuple(
                n for n, c in loaded.config.instruments.items() if c.hands_free and loaded.specs[n].info.kind == "meter"
            ),
            rules=loaded.config.keep,
            accuracy=self._uncertainty,
            bands=self._band,
        )
        self._load_sheets()
        self._requests = Requests(loaded.config.operator, self._keep_sheet)
        self.supervisors = {
            name: Supervisor(
                name, loaded.specs[name], one.port, loaded.lines[name], self._queue.put, open_link, self.clock
            )
            for name, one in loaded.config.instruments.items()
        }
        self._jumps = JumpWatch(self.clock.now())
        self._unsynced_since: float | None = None
        self._waiting_since: float | None = None
        self._try_again_at = 0.0

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
        systemd.notify("READY=1")
        try:
            why = self._serve()
        finally:
            systemd.notify("STOPPING=1")
            for supervisor in self.supervisors.values():
                supervisor.stop()
            for supervisor in self.supervisors.values():
                supervisor.join(2.0)
        self._promise((records.Stop(why=why),), self.clock.now())
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
                self._promise((records.Clock(step=step),), now)
            for item in batch:
                match item:
                    case Stop(why):
                        self._flush(now)
                        return why
                    case Batch():
                        self._readings(item)
                    case Changed():
                        self._changed(item)
                    case Ask():
                        self._ask(item, now)
            self._due(now)
            systemd.alive()

    def _wait(self) -> list[Batch | Changed | Ask | Stop]:
        """What came, oldest first; waits until something comes or is due."""
        items = []
        try:
            items.append(self._queue.get(timeout=FLUSH_S))
            while len(items) < 1000:
                items.append(self._queue.get_nowait())
        except queue.Empty:
            pass
        return items

    # -- what comes

    def _readings(self, batch: Batch) -> None:
        for reading in batch.readings:
            heard = Heard(batch.instrument, reading, batch.moment.t)
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
        self._promise((record,), item.moment)
        self._state_message()

    def _ask(self, ask: Ask, now: Moment) -> None:
        do = ask.request["do"]
        if do == "status":
            ask.reply({"ok": True, **status(self, now)})
        elif do == "watch":
            ask.reply({"ok": True, "watch": self.watchers.add({"event": "state", **snapshot(self)})})
        else:
            try:
                event = self._requests.event(ask.request, now)
                outcome, seqs = self._event(event, now)
            except MeterlinkError as error:
                # imported late: the exit codes are the command line's, and this is its answer
                from meterlink.cli.main import exit_code

                ask.reply({"ok": False, "error": str(error), "code": exit_code(error)})
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

    def _event(self, event: Event, moment: Moment) -> tuple[Outcome, list[int]]:
        """Through the bench, onto the disk, then heard. Raises what the bench refuses, or JournalFailed."""
        if self.failing and not self._mend(moment):
            if isinstance(event, Heard):
                self._drop(event.instrument, moment)
                return Outcome(), []
            raise JournalFailed(self.failing)
        outcome = self.bench.handle(event, self.writer.next_seq)
        seqs: list[int] = []
        if not outcome.records:
            pass
        elif isinstance(event, Heard):
            seqs = self._stream(outcome, event, moment)
        else:
            seqs = self._promise(outcome.records, moment, raising=True)
        self._effects(outcome)
        if len(outcome.records) > isinstance(event, Heard):
            self._state_message()
        return outcome, seqs

    def _stream(self, outcome: Outcome, event: Heard, moment: Moment) -> list[int]:
        """A reading, and what it led to: the rest is promised."""
        seq = self.writer.append(outcome.records[0], moment.at)
        self._waiting_since = self._waiting_since or moment.t
        self._unsynced_since = self._unsynced_since or moment.t
        rest = outcome.records[1:]
        return [seq, *(self._promise(rest, moment, raising=True) if rest else [])]

    # -- the journal

    def _promise(self, batch: tuple[records.Record, ...], moment: Moment, raising: bool = False) -> list[int]:
        """Append and commit; only then take in. Gives the seqs, none when the disk refused."""
        try:
            seqs = [self.writer.append(r, moment.at) for r in batch]
            self.writer.commit()
        except JournalFailed as error:
            self._failed(error, moment)
            if raising:
                raise
            return []
        self._waiting_since = self._unsynced_since = None
        for seq, record in zip(seqs, batch, strict=True):
            self.bench.apply(seq, records.timestamp(moment.at), record)
            line = {"seq": seq, **msgspec.to_builtins(record)}
            if isinstance(record, records.Kept):
                self.last_keep = line
            self.watchers.tell({"event": "record", "record": line})
        return seqs

    def _due(self, now: Moment) -> None:
        """Flush and sync what the promises ask for."""
        if self.failing:
            self._mend(now)
            return
        try:
            if self._unsynced_since is not None and now.t - self._unsynced_since >= SYNC_S:
                self.writer.commit()
                self._waiting_since = self._unsynced_since = None
            elif self._waiting_since is not None and now.t - self._waiting_since >= FLUSH_S:
                self.writer.flush()
                self._waiting_since = None
        except JournalFailed as error:
            self._failed(error, now)

    def _flush(self, now: Moment) -> None:
        try:
            self.writer.commit()
        except JournalFailed as error:
            self._failed(error, now)

    def _failed(self, error: JournalFailed, moment: Moment) -> None:
        """Nothing of what waited is on the disk: no contact may stand on it."""
        for name, n in error.dropped.items():
            self._drop(name, moment, n)
        self.bench.reset()
        self._waiting_since = self._unsynced_since = None
        self._try_again_at = moment.t + LATER_S
        if self.failing is None:
            self._effects(Outcome((), (Effect("alarm", f"nothing is kept: {error}"),)))
        self.failing = str(error)
        self._state_message()

    def _drop(self, instrument: str, moment: Moment, n: int = 1) -> None:
        at = records.timestamp(moment.at)
        self.dropped[instrument] = self.dropped.get(instrument, 0) + n
        self._lost_since.setdefault(instrument, [at, at])[1] = at

    def _mend(self, now: Moment) -> bool:
        """Try whether the disk takes records again, with the gaps as the first of them."""
        if now.t < self._try_again_at:
            return False
        self._try_again_at = now.t + LATER_S
        gaps = [
            records.Gap(
                instrument=name,
                count=self.dropped[name],
                from_=since,
                to=to,
                why=self.failing or "the disk refused",
            )
            for name, (since, to) in self._lost_since.items()
        ]
        try:
            for gap in gaps:
                self.writer.append(gap, now.at)
            self.writer.commit()
        except JournalFailed as error:
            self.failing = str(error)
            return False
        self.failing = None
        self.dropped.clear()
        self._lost_since.clear()
        self._effects(Outcome((), (Effect("stepped", "the journal takes records again"),)))
        return True

    # -- what is told

    def _effects(self, outcome: Outcome) -> None:
        for effect in outcome.effects:
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

    def _uncertainty(self, instrument: str, reading: Reading) -> records.Uncertainty | None:
        profile = self.loaded.profiles.get(instrument)
        return profile.uncertainty(reading) if profile else None

    def _band(self, model: str | None, point: sheets.Point) -> records.Band | None:
        return band_for(point, self._known_good(model, point))

    def _known_good(self, model: str | None, point: sheets.Point) -> Any:
        return knowngood.look_up(self.folders.known_good, model, point) if model else None

    def _keep_sheet(self, sheet: sheets.Sheet) -> str:
        """Keep a copy of a sheet with the bench: a job goes on with the sheet it was opened with."""
        self.folders.sheets.mkdir(parents=True, exist_ok=True)
        name = f"{Path(sheet.path).stem}-{sheet.sha256[:8]}.toml"
        copy = self.folders.sheets / name
        if not copy.exists():
            shutil.copyfile(sheet.path, copy)
        return name

    def _load_sheets(self) -> None:
        """The sheets of the jobs that are open; one that is gone or altered is passed over with a word."""
        ledger = self.bench.ledger
        for job in ledger.jobs:
            name = ledger.job_field(job, "sheet")
            if not name or not ledger.is_open(job):
                continue
            try:
                sheet = sheets.load(self.folders.sheets / name)
                if sheet.sha256 != ledger.job_field(job, "sheet_sha256"):
                    raise BadInput(f"{name} was altered since job {job} was opened")
                self.bench.sheets[name] = sheet
            except BadInput as error:
                self._tell(Effect("refused", f"job {job} goes on without its sheet: {error}"))
