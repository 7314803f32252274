"""The bench's supplies: orders checked and begun, what they show told on, and what ends them. Part of the loop."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

from meterlink import records
from meterlink.bench.events import Effect
from meterlink.bench.injection import CAUTIONS, CONFIRMED, ClearWatch, Order, checked
from meterlink.errors import BadInput, Refused
from meterlink.reading import Reading
from meterlink.service.clock import Moment
from meterlink.service.injector import Injecting, InjectionEnded

if TYPE_CHECKING:
    from meterlink.service.loop import Service


class BenchSupply:
    """Owned by the loop. `tell` gives an effect to the ears and a message to the watchers."""

    def __init__(self, service: Service, tell: Callable[[Effect], None]) -> None:
        self._service = service
        self._tell = tell
        self._watch = ClearWatch()
        self.shown: dict[str, dict[str, Any]] = {}
        self.alarm: str | None = None  # an output that could not be confirmed off

    # -- what is asked for

    def request(self, do: str, fields: dict[str, Any], moment: Moment) -> dict[str, Any]:
        """One of the supply's requests. Raises BadInput, Refused."""
        match do:
            case "supply show":
                return {"supplies": self.shown, "alarm": self.alarm}
            case "supply inject":
                return self.inject(fields, moment)
            case "supply off":
                return {"off": self.off(f"the {fields.get('source', 'command')}")}
            case _:
                raise BadInput(f"the service does not know {do!r}")

    def inject(self, fields: dict[str, Any], moment: Moment) -> dict[str, Any]:
        """Begin; raises Refused, BadInput. The cautions have to be confirmed once per job, and that is recorded."""
        service = self._service
        now = service.bench.context
        if now.job is None or now.board is None:
            raise Refused("injecting needs a board: open a job and take a board first")
        if service.scribe.failing:
            raise Refused(f"the journal takes no records ({service.scribe.failing}): nothing is switched on")
        name = self._one(fields.get("instrument"))
        order = checked(self._order(name, fields), service.loaded.config.supply)
        if service.supervisors[name].control is None:
            raise Refused(f"{name} is only read: control = true in the bench's file lets it be switched")
        if not self._confirmed(now.job):
            if fields.get("confirm") is not True:
                raise Refused(f"{CAUTIONS} Confirm with --confirm: once per job, it is recorded")
            note = records.Finding(job=now.job, board=now.board, what="note", part=None, text=CONFIRMED, by=order.by)
            service.scribe.promise((note,), moment)
        self._watch = ClearWatch()
        service.supervisors[name].inject(order)
        return {"instrument": name, "rail": order.rail, "hold_s": order.hold_s}

    def off(self, why: str) -> list[str]:
        """Switch every supply off that may be switched; gives their names."""
        names = [n for n, s in self._service.supervisors.items() if s.control is not None]
        for name in names:
            self._service.supervisors[name].off(why)
        return names

    def stop(self, why: str) -> bool:
        """End an injection that is under way, if there is one."""
        running = [s.injector for s in self._service.supervisors.values() if s.injector]
        for injector in running:
            injector.stop(why)
        return bool(running)

    def _one(self, name: object) -> str:
        specs = self._service.loaded.specs
        supplies = [n for n, s in specs.items() if s.info.kind == "supply"]
        if name is None and len(supplies) == 1:
            return supplies[0]
        if not isinstance(name, str) or name not in supplies:
            raise BadInput(f"name the supply (--supply): this bench has {', '.join(supplies) or 'none'}")
        return name

    def _order(self, name: str, fields: dict[str, Any]) -> Order:
        now, sheet = self._service.bench.context, self._service.bench.sheet
        rail = fields.get("rail")
        if not isinstance(rail, str) or not rail:
            raise BadInput("name the rail that is fed")
        known = sheet.rails.get(rail) if sheet else None
        nominal = fields.get("nominal")
        if known is not None and nominal is not None and Decimal(str(nominal)) != Decimal(repr(known.nominal)):
            raise Refused(f"the sheet says {known.nominal:g} V for {rail}, not {nominal}")
        if known is None and nominal is None:
            raise BadInput(f"the sheet has no rail {rail!r}: give its nominal voltage (--nominal)")
        assert now.job is not None  # inject() looked
        assert now.board is not None
        try:
            return Order(
                instrument=name,
                job=now.job,
                board=now.board,
                rail=rail,
                nominal=Decimal(repr(known.nominal)) if known else Decimal(str(nominal)),
                volts=Decimal(str(fields.get("volts"))),
                amperes=Decimal(str(fields.get("amperes"))),
                hold_s=float(fields.get("hold_s", 10.0)),
                by=str(fields.get("by") or self._service.loaded.config.operator or "command"),
            )
        except (InvalidOperation, ValueError, TypeError) as error:
            raise BadInput("volts, amperes and seconds are numbers") from error

    def _confirmed(self, job: str) -> bool:
        ledger = self._service.bench.ledger
        return any(
            n.record.what == "note" and n.record.text == CONFIRMED
            for board in ledger.jobs[job].boards.values()
            for n in ledger.standing(board.findings)
        )

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
        """Volts and amperes during an injection: told on, and watched for the moment the short clears."""
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
        if self._watch.look(amperes):
            self._tell(Effect("short-cleared", f"{item.order.rail}: the short has cleared, {amperes:g} A now"))

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
        if order is None:
            record = records.Supply(
                instrument=item.instrument,
                event="off",
                voltage=None,
                current_limit=None,
                why="switched off" if ended.off else "off could not be confirmed",
                by="service",
                job=self._service.bench.context.job,
                board=self._service.bench.context.board,
            )
            self._service.promise((record,), item.moment)
        if ended.off:
            self.alarm = None
            if ended.switched_on or order is None:
                self._tell(Effect("stepped", f"{item.instrument} is off: {ended.why}"))
            else:
                self._tell(Effect("refused", f"{item.instrument} was not switched on: {ended.why}"))
        else:
            self.alarm = f"{item.instrument}: OFF COULD NOT BE CONFIRMED ({ended.why}): switch it off by hand"
            self._tell(Effect("alarm", self.alarm))
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
