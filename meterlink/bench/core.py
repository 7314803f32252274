"""The bench core: (event, next seq) in, (records, effects) out.

It reads no clock, opens no file and plays no sound. What it knows of jobs, boards and the current point is the
ledger, a fold of records that are already on the disk: `handle` decides and changes nothing of it, `apply`
takes in what the journal has. A keep that the disk did not take therefore never happened. The same events
give the same records.

Invariant: the first record of a Heard is its reading, with the seq passed in; a keep names the seqs of the
readings it stands on, and belongs to the point that was current when the contact began.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal

import msgspec

from meterlink import records
from meterlink.bench import desk
from meterlink.bench.events import (
    ConfirmPower,
    Effect,
    Event,
    Gone,
    GoTo,
    Heard,
    OpenJob,
    Outcome,
    Press,
    SetStage,
    SoundName,
    TakeBoard,
    Withdraw,
)
from meterlink.bench.ledger import Ledger
from meterlink.bench.nearest import injecting
from meterlink.bench.sheet import Point, Sheet
from meterlink.bench.verdict import judge
from meterlink.errors import BadInput, Refused
from meterlink.reading import Reading
from meterlink.settle import Contact, Lift, Moved, Rules, Settle, Settled, WrongFunction

STALE_S = 3.0  # older than this is not "what the meter shows now"; the slowest meters give a reading in 1.5 s
UNPOWERED = ("resistance", "continuity", "diode")
NOT_LIVE = {"hold", "max", "min", "peak-max", "peak-min"}

Accuracy = Callable[[str, Reading], "records.Uncertainty | None"]
Bands = Callable[["str | None", Point], "records.Band | None"]


class Latest(msgspec.Struct, frozen=True):
    reading: Reading
    t: float
    seq: int


class Bench:
    """One bench. `accuracy` gives a reading's uncertainty by instrument, `bands` what a model's point is held
    against; `hands_free` are the instruments whose contacts are kept by themselves."""

    def __init__(
        self,
        ledger: Ledger,
        *,
        hands_free: tuple[str, ...],
        rules: Rules,
        accuracy: Accuracy,
        bands: Bands,
        sheets: Mapping[str, Sheet] | None = None,
    ) -> None:
        self.ledger = ledger
        self.sheets = dict(sheets or {})
        self.settles = {name: Settle(rules) for name in hands_free}
        self.latest: dict[str, Latest] = {}
        self.outputs: dict[str, bool] = {}  # a supply's output, by instrument and channel
        self._accuracy = accuracy
        self._bands = bands
        self._began: dict[str, records.Context] = {}  # context when the contact began
        self._used: set[str] = set()  # instruments whose present contact the pedal has kept already

    # -- what is current

    @property
    def context(self) -> records.Context:
        return self.ledger.context

    @property
    def sheet(self) -> Sheet | None:
        return self.sheets.get(self.context.sheet) if self.context.sheet else None

    def point(self, context: records.Context | None = None) -> Point | None:
        """The sheet's point that is current (in this context), if there is a sheet and it has it."""
        context = context or self.context
        if self.injecting:
            return None  # the rail is searched for the short: volts at any point, held against nothing
        sheet = self.sheets.get(context.sheet) if context.sheet else None
        return sheet.find(context.point) if sheet and context.point else None

    @property
    def injecting(self) -> bool:
        """A supply's output is on for the board on the bench, as far as the journal says."""
        return injecting(self.ledger.board(self.context.job, self.context.board))

    def unconfirmed(self, point: Point | None) -> str | None:
        """What has to be confirmed before this point is measured, or None. Powered and unpowered points are
        kept apart: the technician says which of the two the board is before the first point of the other."""
        if point is None or point.powered == bool(self.context.powered):
            return None
        return "power is on" if point.powered else "power is off and the capacitors are discharged"

    def band(self, point: Point) -> records.Band | None:
        """What the current job's board is held against at this point."""
        model = self.ledger.job_field(self.context.job, "model") if self.context.job else None
        return self._bands(model, point)

    def reset(self) -> None:
        """Readings were lost: no contact may stand on them."""
        for settle in self.settles.values():
            settle.reset()
        self._began.clear()
        self._used.clear()
        self.latest.clear()

    # -- in

    def apply(self, seq: int, at: str, record: records.Record) -> None:
        """This record is on the disk."""
        self.ledger.apply(seq, at, record)

    def handle(self, event: Event, seq: int) -> Outcome:
        """What the event leads to; `seq` is that of the first record it will write.

        Raises  BadInput, Refused: nothing is recorded; the message is for whoever asked.
        """
        match event:
            case Heard():
                return self._heard(event, seq)
            case Gone(instrument):
                if instrument in self.settles:
                    self.settles[instrument].reset()
                self.latest.pop(instrument, None)
                self.outputs = {k: v for k, v in self.outputs.items() if k.split("/")[0] != instrument}
                self._began.pop(instrument, None)
                return Outcome()
            case Press():
                return self._press(event)
            case ConfirmPower(source):
                return self._confirm(source)
            case Withdraw(of, why, by):
                return self._withdraw(of, why, by)
            case GoTo(point, source):
                return self._go(point, source)
            case SetStage(stage, source):
                return Outcome((self._moved(source, stage=stage),))
            case OpenJob():
                if event.sheet and event.sheet_name:
                    self.sheets[event.sheet_name] = event.sheet
                return desk.open_job(self.ledger, event)
            case TakeBoard():
                return self._take(event)
            case _:
                return desk.handle(self.ledger, event)

    # -- readings and contacts

    def _heard(self, event: Heard, seq: int) -> Outcome:
        r, name, now = event.reading, event.instrument, self.context
        reading = records.Reading(
            instrument=name,
            t=event.t,
            function=r.function,
            coupling=r.coupling,
            value=records.double(r.value),
            unit=r.unit,
            resolution=records.double(r.resolution),
            state=r.state,
            flags=list(r.flags),
            display=r.display,
            channel=r.channel,
            job=now.job,
            board=now.board,
            point=now.point,
            raw=r.raw.hex(),
            asked=r.asked.hex() or None,
        )
        if "setting" not in r.flags:
            if r.channel is None or name not in self.latest or self.latest[name].reading.channel is not None:
                self.latest[name] = Latest(r, event.t, seq)
            if r.channel is not None and {"on", "off", "cv", "cc"} & set(r.flags):
                self.outputs[f"{name}/{r.channel}"] = "off" not in r.flags
        settle = self.settles.get(name)
        if settle is None or r.channel is not None:
            return Outcome((reading,))
        point = self.point(self._began.get(name))
        settle.expect(point.function if point else None)
        out: list[records.Record] = [reading]
        effects: list[Effect] = []
        for e in settle.feed(r, event.t, seq):
            match e:
                case Contact():
                    self._began[name] = now
                    self._used.discard(name)
                    point = self.point(now)
                    settle.expect(point.function if point else None)
                case Lift():
                    self._began.pop(name, None)
                    self._used.discard(name)
                case Settled() if name not in self._used:
                    began = self._began.get(name, now)
                    kept = self._keep(name, r, e, "settled", began)
                    out += kept.records
                    effects += kept.effects
                case Moved():
                    effects.append(Effect("moved", f"{name} moved without lifting; tap to keep"))
                case WrongFunction():
                    wanted = point.function if point else ""
                    effects.append(Effect("wrong-function", f"{name} is on {r.function}, wanted {wanted}"))
                case _:
                    pass
        return Outcome(tuple(out), tuple(effects))

    def _keep(self, name: str, r: Reading, s: Settled, by: records.By, context: records.Context) -> Outcome:
        """One settled or confirmed value as a kept record, or a refusal to be heard."""
        point = self.point(context)
        refusal = self._refusal(point, r)
        if refusal:
            return Outcome((), (refusal,))
        shown = msgspec.structs.replace(r, value=s.value, resolution=s.resolution, state=s.state)
        uncertainty = self._accuracy(name, shown) if s.state == "ok" else None
        band = self.band(point) if point else None
        verdict = judge(records.double(s.value), s.state, r.function, band, uncertainty)
        kept = records.Kept(
            job=context.job,
            board=context.board,
            point=context.point,
            instrument=name,
            function=r.function,
            coupling=r.coupling,
            value=records.double(s.value),
            unit=r.unit,
            resolution=records.double(s.resolution),
            state=s.state,
            readings=(s.first, s.last),
            n=s.n,
            spread=records.double(s.spread),
            uncertainty=uncertainty,
            band=band,
            verdict=verdict,
            by=by,
            stage=context.stage,
        )
        sound: SoundName = "kept" if verdict is None else verdict if verdict in ("ok", "short") else "not-ok"
        text = f"{context.point or 'free'}: {r.display if s.n == 1 else ''}".rstrip(": ")
        effects = [Effect(sound, f"{text} {verdict or 'kept'}".strip())]
        out: list[records.Record] = [kept]
        if point and context.point == self.context.point and context.board == self.context.board:
            step = self._step("sheet" if by == "settled" else by, {point.name: verdict})
            out += step.records
            effects += step.effects
        return Outcome(tuple(out), tuple(effects))

    def _refusal(self, point: Point | None, r: Reading) -> Effect | None:
        """Why this reading must not be kept, as something to hear."""
        if r.function in UNPOWERED and any(self.outputs.values()):
            return Effect("refused", f"{r.function} while the supply's output is on: switch it off first")
        if point is None:
            return None
        other = point.coupling and r.coupling and point.coupling != r.coupling
        if r.function != point.function or r.unit != point.unit or other:
            wanted = " ".join(filter(None, (point.function, point.coupling)))
            return Effect("wrong-function", f"the meter is on {r.function}, {point.name} is measured in {wanted}")
        if must := self.unconfirmed(point):
            return Effect("confirm", f"before {point.name}: confirm that {must}")
        return None

    # -- the pedal's three actions

    def _press(self, event: Press) -> Outcome:
        if event.action == "keep":
            if self.unconfirmed(self.point()):
                return self._confirm(event.source)
            name, latest = self._shown_now(event.t)
            r = latest.reading
            if NOT_LIVE & set(r.flags):
                raise Refused(f"{name} shows a held or recorded value ({', '.join(r.flags)}): release it first")
            if r.state == "blank":
                raise Refused(f"{name} shows no number")
            value = Settled(
                t=latest.t,
                seq=latest.seq,
                function=r.function,
                coupling=r.coupling,
                value=r.value,
                unit=r.unit,
                resolution=r.resolution,
                state=r.state,
                n=1,
                spread=Decimal(0) if r.value is not None else None,
                first=latest.seq,
                last=latest.seq,
            )
            outcome = self._keep(name, r, value, event.source, self.context)
            if outcome.records:
                self._used.add(name)
            elif event.source == "command":
                raise Refused(outcome.effects[0].text)
            return outcome
        if event.action == "back":
            return self._back(event)
        step = self._step(event.source, {})
        if not step.records:
            raise Refused("there is no next point: no sheet is open, or it is at its end")
        return step

    def _shown_now(self, t: float) -> tuple[str, Latest]:
        """The meter that a tap means: the one on the expected function, in contact, latest heard."""
        fresh = {n: x for n, x in self.latest.items() if n in self.settles and t - x.t <= STALE_S}
        if not fresh:
            raise Refused(f"no meter has shown anything for {STALE_S:g} s")
        point = self.point()

        def rank(name: str) -> tuple[bool, bool, float]:
            return (
                point is not None and fresh[name].reading.function == point.function,
                self.settles[name].in_contact,
                fresh[name].t,
            )

        best = max(fresh, key=rank)
        return best, fresh[best]

    def _back(self, event: Press) -> Outcome:
        board = self.ledger.board(self.context.job, self.context.board)
        keeps = self.ledger.standing(board.keeps) if board else []
        if not keeps:
            raise Refused("there is no keep to take back on this board")
        last = keeps[-1]
        void = records.Void(of=last.seq, why="taken back", by=event.source)
        context = self._moved(event.source, point=last.record.point)
        return Outcome((void, context), (Effect("taken-back", f"{last.record.point or 'free'} taken back"),))

    def _confirm(self, source: records.Source) -> Outcome:
        powered = not self.context.powered
        word = "on" if powered else "off"
        return Outcome((self._moved(source, powered=powered),), (Effect("stepped", f"power {word} confirmed"),))

    def _withdraw(self, of: int, why: str, by: str) -> Outcome:
        if not why.strip():
            raise BadInput("a withdrawal needs a reason (--why)")
        if of in self.ledger.voided:
            raise BadInput(f"record {of} is withdrawn already")
        if not 1 <= of <= self.ledger.last_seq:
            raise BadInput(f"there is no record {of}: the last one is {self.ledger.last_seq}")
        if of not in self.ledger.withdrawable:
            raise BadInput(f"record {of} cannot be withdrawn: only keeps, findings, job and board records can")
        return Outcome((records.Void(of=of, why=why, by=by),))

    # -- moving about

    def _take(self, event: TakeBoard) -> Outcome:
        outcome = desk.take_board(self.ledger, event)
        job = event.job or self.context.job
        assert job is not None  # take_board refused otherwise
        view = self.ledger.board(job, event.board)
        stage: records.Stage = "after" if view and self.ledger.worked_on(view) else "before"
        name = self.ledger.job_field(job, "sheet")
        sheet = self.sheets.get(name) if name else None
        point = None
        if sheet:
            done = self.ledger.latest_keeps(view, stage) if view else {}
            verdicts = {p: n.record.verdict for p, n in done.items() if n.record.verdict}
            left = [p for p in sheet.points if p.name not in done and p.applies(verdicts)]
            point = (left[0] if left else sheet.points[0]).name
        context = records.Context(job=job, board=event.board, point=point, sheet=name, source=event.source, stage=stage)
        return Outcome((*outcome.records, context), outcome.effects)

    def _go(self, point: str, source: records.Source) -> Outcome:
        if self.sheet and not self.injecting and not self.sheet.find(point):
            names = ", ".join(p.name for p in self.sheet.points)
            raise BadInput(f"the sheet has no point {point!r}; it has {names}")
        desk.mark("test point", point)
        effect = Effect("stepped", f"at {point}")
        if must := self.unconfirmed(None if self.injecting or not self.sheet else self.sheet.find(point)):
            effect = Effect("confirm", f"before {point}: confirm that {must}")
        return Outcome((self._moved(source, point=point),), (effect,))

    def _step(self, source: str, fresh: Mapping[str, str | None]) -> Outcome:
        """To the sheet's next point, skip rules honoured; `fresh` are verdicts not yet in the ledger."""
        if not self.sheet or self.context.point is None or self.injecting:
            return Outcome()
        board = self.ledger.board(self.context.job, self.context.board)
        keeps = self.ledger.latest_keeps(board, self.context.stage) if board else {}
        verdicts = {p: n.record.verdict for p, n in keeps.items()} | dict(fresh)
        following = self.sheet.after(self.context.point, {p: v for p, v in verdicts.items() if v})
        context = self._moved(source, point=following.name if following else None)
        effects: tuple[Effect, ...] = ()
        if following is None:
            effects = (Effect("stepped", "the sheet is done"),)
        elif must := self.unconfirmed(following):
            effects = (Effect("confirm", f"before {following.name}: confirm that {must}"),)
        return Outcome((context,), effects)

    def _moved(self, source: str, **changed: object) -> records.Context:
        return msgspec.structs.replace(self.context, source=source, **changed)
