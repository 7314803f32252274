"""The bench's supplies: orders checked and begun, what they show told on, and what ends them. Part of the loop."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from meterlink import records
from meterlink.bench.desk import mark
from meterlink.bench.events import Effect
from meterlink.bench.fence import clean
from meterlink.bench.injection import CAUTIONS, CONFIRMED, NUMBERS_BELOW, ClearWatch, Order, checked
from meterlink.errors import BadInput, Refused
from meterlink.reading import Reading
from meterlink.service.clock import Moment
from meterlink.service.doubt import Doubt
from meterlink.service.injector import Injecting, InjectionEnded

if TYPE_CHECKING:
    from meterlink.service.loop import Service
    from meterlink.service.sockets import Ask


class BenchSupply:
    """Owned by the loop. `tell` gives an effect to the ears and a message to the watchers."""

    def __init__(self, service: Service, tell: Callable[[Effect], None]) -> None:
        self._service = service
        self._tell = tell
        self._watches: dict[str, ClearWatch] = {}
        self._fed: dict[str, Order] = {}  # the order of each supply that was last said to be carried out
        self.shown: dict[str, dict[str, Any]] = {}
        self.doubt = Doubt(service, tell)

    @property
    def alarm(self) -> str | None:
        """Outputs that could not be confirmed off, in words, or None."""
        return self.doubt.alarm

    # -- what is asked for

    def request(self, do: str, fields: dict[str, Any], moment: Moment) -> dict[str, Any]:
        """One of the supply's requests that are answered at once. Raises BadInput, Refused."""
        match do:
            case "supply show":
                return {"supplies": self.shown, "alarm": self.alarm}
            case "supply inject":
                return self.inject(fields, moment)
            case _:
                raise BadInput(f"the service does not know {do!r}")

    def inject(self, fields: dict[str, Any], moment: Moment) -> dict[str, Any]:
        """Begin; raises Refused, BadInput. The cautions have to be confirmed for each board, and that is recorded."""
        service = self._service
        now = service.bench.context
        if now.job is None or now.board is None:
            raise Refused("injecting needs a board: open a job and take a board first")
        if now.powered:
            raise Refused(f"the power of {now.board} is confirmed on: take it away and confirm that (meterlink power)")
        if service.scribe.failing:
            raise Refused(f"the journal takes no records ({service.scribe.failing}): nothing is switched on")
        name = self._one(fields.get("instrument"))
        order = checked(self._order(name, now.job, now.board, fields), service.loaded.config.supply)
        supervisor = service.supervisors[name]
        if supervisor.switch is None:
            raise Refused(f"{name} is only read: control = true in the bench's file lets it be switched")
        if name in self.doubt.alarms:
            raise Refused(f"nothing is switched on while an alarm stands: {self.doubt.alarms[name].text}")
        if supervisor.health.state != "open":
            raise Refused(f"{name} is not connected: {supervisor.health.why}")
        if not self._confirmed(now.job, now.board):
            if fields.get("confirm") is not True:
                raise Refused(f"{CAUTIONS} Confirm for {now.board} with --confirm: once for each board, it is recorded")
            note = records.Finding(
                job=now.job,
                board=now.board,
                what="note",
                part=None,
                text=CONFIRMED,
                by=order.by,
                confirms="injection",
            )
            service.scribe.promise((note,), moment)
        self._watches[name] = ClearWatch()
        supervisor.switch.inject(order)
        return {"instrument": name, "rail": order.rail, "hold_s": order.hold_s}

    def off(self, ask: Ask, moment: Moment) -> None:
        """`supply off`: answered when every supply was seen off; with `by_hand` a person says that it is.

        Raises  BadInput, JournalFailed.
        """
        fields = ask.request
        if fields.get("by_hand") is True:
            said = self.doubt.by_hand(fields.get("instrument"), self._by(fields), moment)
            ask.reply({"ok": True, "records": [], **said})
            return
        why = clean(f"the {fields.get('source') or 'command'}")  # however it is asked for: off is never refused
        self.doubt.off(why, ask.reply, moment)

    def stop(self, why: str) -> bool:
        """End an injection that is under way, if there is one."""
        return bool([n for n, s in self._service.supervisors.items() if s.switch and s.switch.stop(why)])

    @property
    def injecting(self) -> list[str]:
        """Supplies whose injection was asked for and has not ended."""
        return [n for n, s in self._service.supervisors.items() if s.switch and s.switch.injector]

    def took(self, record: records.Record) -> None:
        """What else ends an injection: another board on the bench, or power confirmed on."""
        if not isinstance(record, records.Context):
            return
        for supervisor in self._service.supervisors.values():
            order = supervisor.switch.injector.order if supervisor.switch and supervisor.switch.injector else None
            if supervisor.switch is None or order is None:
                continue
            if (record.job, record.board) != (order.job, order.board):
                supervisor.switch.stop(f"{order.board} is no longer on the bench")
            elif record.powered:
                supervisor.switch.stop(f"the power of {order.board} was confirmed on")

    def _one(self, name: object) -> str:
        specs = self._service.loaded.specs
        supplies = [n for n, s in specs.items() if s.info.kind == "supply"]
        if name is None and len(supplies) == 1:
            return supplies[0]
        if not isinstance(name, str) or name not in supplies:
            raise BadInput(f"name the supply (--supply): this bench has {', '.join(supplies) or 'none'}")
        return name

    def _order(self, name: str, job: str, board: str, fields: dict[str, Any]) -> Order:
        sheet = self._service.bench.sheet
        rail = fields.get("rail")
        if not isinstance(rail, str):
            raise BadInput("name the rail that is fed")
        mark("rail", rail)
        known = sheet.rails.get(rail) if sheet else None
        nominal = number(fields, "nominal") if fields.get("nominal") is not None else None
        if known is not None:
            if nominal is not None and nominal != Decimal(repr(known.nominal)):
                raise Refused(f"the sheet says {known.nominal:g} V for {rail}, not {nominal}")
            nominal = Decimal(repr(known.nominal))
        if nominal is None:
            raise BadInput(f"the sheet has no rail {rail!r}: give its nominal voltage (--nominal)")
        return Order(
            instrument=name,
            job=job,
            board=board,
            rail=rail,
            nominal=nominal,
            volts=number(fields, "volts"),
            amperes=number(fields, "amperes"),
            hold_s=float(number({"hold_s": 10, **fields}, "hold_s")),
            by=self._by(fields),
        )

    def _by(self, fields: dict[str, Any]) -> str:
        return mark("name", str(fields.get("by") or self._service.loaded.config.operator or "command"))

    def _confirmed(self, job: str, board: str) -> bool:
        """The cautions were confirmed for this very board: its cells are off, its capacitors discharged."""
        ledger = self._service.bench.ledger
        view = ledger.board(job, board)
        return view is not None and any(n.record.confirms == "injection" for n in ledger.standing(view.findings))

    # -- what comes

    def heard(self, instrument: str, reading: Reading) -> None:
        """Remember a supply's latest values for `supply show` and the screen."""
        if self._service.loaded.specs[instrument].info.kind != "supply":
            return
        key = f"{'set ' if 'setting' in reading.flags else ''}{reading.function}"
        channel = self.shown.setdefault(f"{instrument}/{reading.channel or '1'}", {})
        channel[key] = records.double(reading.value)
        if "setting" not in reading.flags:
            channel["flags"] = list(reading.flags)

    def measured(self, item: Injecting) -> None:
        """Volts and amperes during an injection: told on, and watched for the moment the short clears. The first ones
        say that the output is on: as its end, its beginning is heard."""
        order = item.order
        if self._fed.get(order.instrument) is not order:
            self._fed[order.instrument] = order
            self._tell(Effect("stepped", f"{order.instrument} is on: {_in_words(order)}"))
        volts, amperes = float(item.show.volts), float(item.show.amperes)
        message = {
            "event": "injection",
            "state": "on",
            "instrument": item.order.instrument,
            "rail": item.order.rail,
            "volts": volts,
            "amperes": amperes,
            "watts": volts * amperes,
            "ohms": volts / amperes if amperes > 0 else None,
            "wires": 2,
            "mode": item.show.mode,
            **self._four_wire(amperes, item.moment),
        }
        self._service.watchers.tell(message)
        if self._watches[item.order.instrument].look(amperes):
            self._tell(Effect("short-cleared", f"{item.order.rail}: the short has cleared, {amperes:.3f} A now"))

    def _four_wire(self, amperes: float, moment: Moment) -> dict[str, Any]:
        """Ohms from a meter that is on volts, in contact, while the supply tells the current."""
        bench = self._service.bench
        for name, settle in bench.settles.items():
            latest = bench.meters.latest.get(name)
            if not settle.in_contact or latest is None or moment.t - latest.t > 2:
                continue
            if latest.reading.function == "voltage" and latest.reading.value is not None and amperes > 0:
                return {"ohms": float(latest.reading.value) / amperes, "wires": 4}
        return {}

    def ended(self, item: InjectionEnded) -> None:
        """It is over; an output that was not confirmed off is an alarm until it is."""
        order, ended = item.order, item.ended
        stood = item.instrument in self.doubt.alarms
        self.doubt.ended(item)
        if not ended.off and order is None and stood:
            return  # tried once more, in vain: the alarm stands as before
        if ended.off and (ended.switched_on or order is None):
            self._tell(Effect("stepped", f"{item.instrument} is off: {ended.why}"))
        elif ended.off:
            self._tell(Effect("refused", f"{item.instrument} was not switched on: {ended.why}"))
        self._service.watchers.tell(
            {
                "event": "injection",
                "state": "ended",
                "instrument": item.instrument,
                "rail": order.rail if order else None,
                "why": ended.why,
                "off": ended.off,
                "switched_on": ended.switched_on,
                "energy_j": ended.energy_j,
            }
        )


def _in_words(order: Order) -> str:
    volts, amperes = float(order.volts), float(order.amperes)
    return f"{order.rail} is fed {volts:g} V, at most {amperes:g} A, for {order.hold_s:g} s"


def number(fields: dict[str, Any], key: str) -> Decimal:
    """A number of a request, as it was written. Raises BadInput for what is none: text, NaN, infinity, true."""
    value = fields.get(key)
    if isinstance(value, (int, float, str)) and not isinstance(value, bool):
        try:
            taken = Decimal(repr(value) if isinstance(value, float) else str(value))
        except (InvalidOperation, ValueError):
            taken = Decimal("NaN")
        if taken.is_finite() and abs(taken) < NUMBERS_BELOW:
            return taken
    raise BadInput(f"{key} is a number, not {str(value)[:20]!r}: volts, amperes, nominal volts and seconds are numbers")
