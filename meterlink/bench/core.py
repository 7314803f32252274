"""The bench core: (event, next seq) in, (records, effects) out.

It reads no clock, opens no file and plays no sound. What it knows of jobs, boards and the current point is the
ledger, a fold of records that are already on the disk: `handle` decides and changes nothing of it, `apply`
takes in what the journal has. A keep that the disk did not take therefore never happened. The same events
give the same records.

Invariant: the first record of a Heard is its reading, with the seq passed in; a keep names the seqs of the
readings it stands on, and belongs to the board and point that were current when the contact began. Records of one
act name the first of them in `with`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal

import msgspec

from meterlink import records
from meterlink.bench import desk, moves, undo
from meterlink.bench.events import (
    ConfirmPower,
    Effect,
    Event,
    Gone,
    GoTo,
    Heard,
    LeaveOut,
    Move,
    OpenJob,
    Outcome,
    Press,
    Resume,
    SetStage,
    Undo,
    Who,
    Withdraw,
)
from meterlink.bench.keeping import Bands, kept_from, refusal, sound_of
from meterlink.bench.ledger import Ledger
from meterlink.bench.meters import Latest, Meters
from meterlink.bench.place import Place
from meterlink.bench.sheet import Sheet
from meterlink.errors import NoBoard, RailFed, Refused
from meterlink.reading import Reading
from meterlink.settle import NOT_LIVE, Contact, Lift, Moved, Rules, Settle, Settled, WrongFunction

Accuracy = Callable[[str, Reading], "records.Uncertainty | None"]


class Bench(Place):
    """One bench. `accuracy` gives a reading's uncertainty by instrument, `bands` what a model's point is held
    against; `meters` are those that a tap may mean, `hands_free` those of them whose contacts are kept by themselves,
    `operator` is who is at the bench until somebody says that it is another."""

    def __init__(
        self,
        ledger: Ledger,
        *,
        meters: tuple[str, ...],
        hands_free: tuple[str, ...],
        rules: Rules,
        accuracy: Accuracy,
        bands: Bands,
        sheets: Mapping[str, Sheet] | None = None,
        operator: str = "command",
    ) -> None:
        super().__init__(ledger, sheets, bands, operator)
        self.settles = {name: Settle(rules) for name in meters}
        self.hands_free = frozenset(hands_free)
        self.meters = Meters(self.settles)
        self.outputs: dict[str, bool] = {}  # a supply's output, by instrument and channel
        self._accuracy = accuracy
        self._began: dict[str, records.Context] = {}  # context when the contact began
        self._used: set[str] = set()  # instruments whose present contact the pedal has kept already
        self._free: set[str] = set()  # instruments that were seen in the air since they came, or we began

    def last_act(self, by: str | None = None) -> str | None:
        """What `undo` would take back, in words."""
        act = undo.last_act(self.ledger, by or self.operator, self._operator)
        return undo.describe(self.ledger, act) if act else None

    def meant(self, t: float) -> str | None:
        """The meter that a tap keeps, and that is shown large."""
        return self.meters.meant(self.point(), t)

    def reset(self) -> None:
        """Readings were lost: no contact may stand on them."""
        for settle in self.settles.values():
            settle.reset()
        self._began.clear()
        self._used.clear()
        self._free.clear()
        self.meters.clear()

    # -- in

    def apply(self, seq: int, at: str, record: records.Record) -> None:
        """This record is on the disk."""
        self.ledger.apply(seq, at, record)

    def handle(self, event: Event, seq: int) -> Outcome:
        """What the event leads to; `seq` is that of the first record it will write.

        Raises  BadInput, Refused: nothing is recorded; the message is for whoever asked.
        """
        if isinstance(event, Heard):
            return self._heard(event, seq)
        outcome = self._decide(event)
        now = self.context
        if self.injecting and any(
            isinstance(r, records.Context) and (r.job, r.board) != (now.job, now.board) for r in outcome.records
        ):
            raise RailFed(f"a rail of board {now.board} was fed and is being switched off: ask again when it is off")
        return Outcome(joined(outcome.records, seq), outcome.effects)

    def _decide(self, event: Event) -> Outcome:
        match event:
            case Gone(instrument):
                return self._gone(instrument)
            case Press(action="keep"):
                return self._tap(event)
            case Press(action="back"):
                return moves.back(self, event)
            case Press():
                return moves.step_on(self, event)
            case LeaveOut():
                return moves.leave_out(self, event)
            case ConfirmPower(source, on):
                return moves.confirm(self, source, on)
            case GoTo(point, source):
                return moves.go(self, point, source)
            case SetStage(stage, source):
                return moves.set_stage(self, stage, source)
            case Resume():
                return moves.resume(self)
            case Who(name, source):
                return moves.who(self, name, source)
            case Undo():
                return undo.undo(self.ledger, self.sheets, event, self._operator)
            case Withdraw():
                return undo.withdraw(self.ledger, self.sheets, event)
            case Move():
                return moves.move(self, event)
            case OpenJob():
                if event.sheet and event.sheet_name:
                    self.sheets[event.sheet_name] = event.sheet
            case _:
                pass  # the desk's
        return desk.handle(self.ledger, self.sheets, event)

    # -- readings and contacts

    def _gone(self, instrument: str) -> Outcome:
        if instrument in self.settles:
            self.settles[instrument].reset()
        self.meters.forget(instrument)
        self.outputs = {k: v for k, v in self.outputs.items() if k.split("/")[0] != instrument}
        self._began.pop(instrument, None)
        self._free.discard(instrument)
        return Outcome()

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
        self.meters.shows(name, Latest(r, event.t, seq))
        if r.channel is not None and "setting" not in r.flags and {"on", "off", "cv", "cc"} & set(r.flags):
            self.outputs[f"{name}/{r.channel}"] = "off" not in r.flags
        settle = self.settles.get(name)
        if settle is None or r.channel is not None:
            return Outcome((reading,))
        point = self.point(self._began.get(name))
        settle.expect(point.function if point else None)
        out: list[records.Record] = []
        effects: list[Effect] = []
        by_itself = name in self.hands_free
        decided = settle.feed(r, event.t, seq)
        if settle.in_air:
            self._free.add(name)
        for e in decided:
            match e:
                case Contact():
                    self._began[name] = now
                    self._used.discard(name)
                    self.meters.touched(name, event.t)
                    point = self.point(now)
                    settle.expect(point.function if point else None)
                case Lift():
                    self._began.pop(name, None)
                    self._used.discard(name)
                    self.meters.touched(name, event.t)
                case Settled() if name in self._used:
                    pass  # the pedal has kept this contact
                case Settled() if by_itself and name not in self._free:
                    # it may have been kept before the service started, and stepped on since
                    effects.append(Effect("refused", f"nobody saw {name} land: lift and touch again, or tap to keep"))
                case Settled() if by_itself:
                    began = self._began.get(name, now)
                    kept = self._keep(name, r, e, "settled", began)
                    out += kept.records
                    effects += kept.effects
                case Moved() if by_itself and self.meant(event.t) == name and now.board is not None:
                    effects.append(Effect("moved", f"{name} moved without lifting; tap to keep"))
                case WrongFunction() if by_itself and self.meant(event.t) == name:
                    wanted = point.function if point else ""
                    effects.append(Effect("wrong-function", f"{name} is on {r.function}, wanted {wanted}"))
                case _:
                    pass
        return Outcome((reading, *joined(tuple(out), seq + 1)), tuple(effects))

    def _keep(self, name: str, r: Reading, s: Settled, by: records.By, context: records.Context) -> Outcome:
        """One settled or confirmed value as a kept record, or a refusal to be heard."""
        now = self.context
        if now.board is None:
            return Outcome((), (Effect("no-board", moves.NO_BOARD),))
        if (context.job, context.board) != (now.job, now.board):
            return Outcome((), (Effect("refused", f"the probe landed before {now.board} was taken: touch again"),))
        point = self.point(context)
        must = self.unconfirmed(point)
        if why := refusal(point, r, must, powered=bool(now.powered), fed=any(self.outputs.values())):
            return Outcome((), (why,))
        shown = msgspec.structs.replace(r, value=s.value, resolution=s.resolution, state=s.state)
        uncertainty = self._accuracy(name, shown) if s.state == "ok" else None
        band = self.band(point) if point else None
        kept = kept_from(name, r, s, by, context, band, uncertainty)
        text = f"{context.point or 'free'}: {r.display if s.n == 1 else ''}".rstrip(": ")
        effects = [Effect(sound_of(kept.verdict), f"{text} {kept.verdict or 'kept'}".strip())]
        out: list[records.Record] = [kept]
        if point and (context.point, context.stage) == (now.point, now.stage):  # else it is no answer to this point
            step = moves.step(self, "sheet" if by == "settled" else by, fresh={point.name: kept.verdict})
            out += step.records
            effects += step.effects
        return Outcome(tuple(out), tuple(effects))

    # -- the pedal's three actions

    def _tap(self, event: Press) -> Outcome:
        """Keep what the meter that is meant shows now."""
        if self.context.board is None:
            raise NoBoard(moves.NO_BOARD)
        if self.unconfirmed(self.point()):
            return moves.confirm(self, event.source, None)
        name, latest = self.meters.shown_now(self.point(), event.t)
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
        began = self._began.get(name, self.context)
        # the board is the one on which the probe landed, the point the one where the foot tapped
        context = msgspec.structs.replace(self.context, job=began.job, board=began.board)
        outcome = self._keep(name, r, value, event.source, context)
        if outcome.records:
            self._used.add(name)
        elif event.source == "command":
            raise Refused(outcome.effects[0].text)
        return outcome


def joined(out: tuple[records.Record, ...], seq: int) -> tuple[records.Record, ...]:
    """The records of one act, the first of which gets `seq`: the others say so in `with`."""
    return out[:1] + tuple(msgspec.structs.replace(r, with_=seq) if hasattr(r, "with_") else r for r in out[1:])
