"""A supply that is not there: an electrical model of its output, and instrument ends that speak for it.

The model is Ohm's law with limits: constant voltage while the load takes less than the limit, else constant
current (or a foldback line), and an over-voltage trip. Everything is pure: no clock, no port; a pseudo-terminal
or a test feeds bytes to an end and gets the reply. Not modelled: inductance, capacitance, warming.
"""

from __future__ import annotations

import re
import struct
from collections import deque
from decimal import Decimal
from typing import Literal

import msgspec

from meterlink.errors import Refused


class Load(msgspec.Struct, frozen=True, kw_only=True):
    """What hangs at the terminals: the rail and the leads to it, both in ohms."""

    rail_ohm: Decimal
    leads_ohm: Decimal = Decimal(0)

    @property
    def ohm(self) -> Decimal:
        return self.rail_ohm + self.leads_ohm

    @classmethod
    def short(cls, milliohm: Decimal, leads_milliohm: Decimal = Decimal(0)) -> Load:
        """A shorted rail."""
        return cls(rail_ohm=milliohm / 1000, leads_ohm=leads_milliohm / 1000)

    @classmethod
    def healthy(cls, volts: Decimal, amperes: Decimal) -> Load:
        """A rail that takes so many amperes at so many volts."""
        return cls(rail_ohm=volts / amperes)


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """At the terminals: V, A, and the mode while the output is on."""

    voltage: Decimal
    current: Decimal
    mode: Literal["cv", "cc"] | None = None


class VirtualSupply:
    """One output. `load` may be replaced at any time: that is how a short clears.

    foldback  None, or the share (0..1) of the current limit that is left at zero volts
    """

    def __init__(
        self,
        load: Load,
        *,
        max_voltage: Decimal = Decimal(30),
        max_current: Decimal = Decimal(5),
        foldback: Decimal | None = None,
    ) -> None:
        self.load = load
        self.max_voltage = max_voltage
        self.max_current = max_current
        self.foldback = foldback
        self.set_v = Decimal(0)
        self.set_a = Decimal(0)
        self.protect_v = max_voltage * Decimal("1.1")
        self.on = False
        self.tripped = False

    def set_voltage(self, volts: Decimal) -> None:
        """Raises Refused outside 0..max_voltage."""
        self.set_v = self._within(volts, self.max_voltage, "V")

    def set_current(self, amperes: Decimal) -> None:
        """Raises Refused outside 0..max_current."""
        self.set_a = self._within(amperes, self.max_current, "A")

    def protection(self, volts: Decimal) -> None:
        """Over-voltage level. Raises Refused outside 0..1.1 max_voltage."""
        self.protect_v = self._within(volts, self.max_voltage * Decimal("1.1"), "V")

    def output(self, on: bool) -> None:
        """Switch; a tripped output stays off until the trip is cleared."""
        self.on = on and not self.tripped

    def clear(self) -> None:
        """Clear a trip; the output stays off."""
        self.tripped = False

    def measure(self) -> Measured:
        """Where the load line meets the output's line; trips first when that is above the protection."""
        point = self._point()
        if self.on and point.voltage > self.protect_v:
            self.on, self.tripped = False, True
            point = self._point()
        return point

    def _point(self) -> Measured:
        if not self.on:
            return Measured(voltage=Decimal(0), current=Decimal(0))
        ohm = self.load.ohm
        if ohm * self.set_a >= self.set_v:
            amperes = self.set_v / ohm if ohm else Decimal(0)
            return Measured(voltage=self.set_v if ohm else Decimal(0), current=amperes, mode="cv")
        amperes = self.set_a
        if self.foldback is not None:
            # The limit runs from foldback * set_a at 0 V to set_a at the set voltage; the load has u = i * ohm
            least = self.foldback * self.set_a
            amperes = least / (1 - (self.set_a - least) * ohm / self.set_v)
        return Measured(voltage=amperes * ohm, current=amperes, mode="cc")

    @staticmethod
    def _within(value: Decimal, most: Decimal, unit: str) -> Decimal:
        if not value.is_finite() or not 0 <= value <= most:
            raise Refused(f"{value} {unit} is outside 0..{most} {unit}")
        return value


ERRORS = {
    -104: "Data type error",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -350: "Queue overflow",
}  # SCPI-1999 vol. 2, 21.8


class ScpiEnd:
    """Speaks as a single-output E36xx does (scpi_supply:E36xx, plain).

    The error queue is first in, first out and holds `depth` entries; when it is full the newest entry becomes
    -350 and what follows is lost (SCPI-1999 vol. 2, 21.8).
    """

    def __init__(self, supply: VirtualSupply, depth: int = 20) -> None:
        self.supply = supply
        self.depth = depth
        self.errors: deque[int] = deque()
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        """Bytes to the instrument in any cut -> its replies."""
        *lines, rest = (self._held + data).split(b"\n")
        self._held = rest[-512:]
        return b"".join(self._line(line.decode("latin-1").strip()) for line in lines)

    def _line(self, text: str) -> bytes:
        if not text:
            return b""
        found = re.fullmatch(r"(?:INST:NSEL 1;:)?([*A-Z:]+\??)(?: (.*))?", text.upper())
        if not found:
            return self._fail(-113)
        word, argument = found[1], found[2]
        if word.endswith("?"):
            reply = self._query(word)
            return self._fail(-113) if reply is None else f"{reply}\r\n".encode()
        return self._command(word, argument)

    def _query(self, word: str) -> str | None:
        s = self.supply
        point = s.measure()
        if word == "SYST:ERR?":
            code = self.errors.popleft() if self.errors else 0
            return f'{code:+d},"{ERRORS.get(code, "No error")}"'
        status = 0 if point.mode is None else 2 if point.mode == "cv" else 1
        return {
            "*IDN?": "METERLINK,VIRTUAL SUPPLY,0,1",
            "MEAS:VOLT?": f"{point.voltage:+.8E}",
            "MEAS:CURR?": f"{point.current:+.8E}",
            "VOLT?": f"{s.set_v:+.8E}",
            "CURR?": f"{s.set_a:+.8E}",
            "OUTP?": str(int(s.on)),
            "VOLT:PROT?": f"{s.protect_v:+.8E}",
            "VOLT:PROT:TRIP?": str(int(s.tripped)),
            "STAT:QUES:COND?": f"{status:+d}",
        }.get(word)

    def _command(self, word: str, argument: str | None) -> bytes:
        s = self.supply
        if word in ("SYST:REM", "SYST:LOC"):
            return b""
        if word == "*CLS":
            self.errors.clear()
            return b""
        if word == "VOLT:PROT:CLE":
            s.clear()
            return b""
        if word not in ("VOLT", "CURR", "VOLT:PROT", "OUTP"):
            return self._fail(-113)
        if argument is None:
            return self._fail(-109)
        if word == "OUTP":
            if argument not in ("0", "1", "ON", "OFF"):
                return self._fail(-104)
            s.output(argument in ("1", "ON"))
            return b""
        if not re.fullmatch(r"[+-]?[0-9]+(\.[0-9]*)?(E[+-]?[0-9]{1,2})?", argument):
            return self._fail(-104)
        try:
            {"VOLT": s.set_voltage, "CURR": s.set_current, "VOLT:PROT": s.protection}[word](Decimal(argument))
        except Refused:
            return self._fail(-222)
        return b""

    def _fail(self, code: int) -> bytes:
        if len(self.errors) < self.depth:
            self.errors.append(code)
        else:
            self.errors[-1] = -350
        return b""


class KaEnd:
    """Speaks the KA set, V3.0: no terminator, so a command is known by its fixed form."""

    FORM = re.compile(rb"VSET1:(\d\d\.\d\d)|ISET1:(\d\.\d{3})|OUT([01])|(VSET1|ISET1|VOUT1|IOUT1|STATUS|\*IDN)\?")

    def __init__(self, supply: VirtualSupply) -> None:
        self.supply = supply
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        """Bytes to the instrument in any cut -> its replies. What is no command is passed over in silence."""
        self._held += data
        out, end = b"", 0
        for found in self.FORM.finditer(self._held):
            out += self._act(found)
            end = found.end()
        self._held = self._held[end:][-11:]
        return out

    def _act(self, found: re.Match[bytes]) -> bytes:
        s = self.supply
        volts, amperes, on, query = (g.decode("ascii") if g else "" for g in found.groups())
        try:
            if volts:
                s.set_voltage(Decimal(volts))
            elif amperes:
                s.set_current(Decimal(amperes))
            elif on:
                s.output(on == "1")
        except Refused:
            return b""  # the set keeps what it had, and says nothing
        point = s.measure()
        status = s.on << 6 | 1 << 4 | (point.mode == "cv")
        return {
            "VSET1": f"{s.set_v:05.2f}".encode(),
            "ISET1": f"{s.set_a:.3f}".encode(),
            "VOUT1": f"{point.voltage:05.2f}".encode(),
            "IOUT1": f"{point.current:.3f}".encode(),
            "STATUS": bytes([status]),
            "*IDN": b"RND 320-KA3005P V1.3",
        }.get(query, b"")


READ, WRITE, WRITE_MANY = 0x03, 0x06, 0x10
MOST_BYTES = 64  # 32 registers (Ruideng DPS5005 protocol V1.2)


def _crc(data: bytes) -> bytes:
    # written apart from the driver's: the two check each other
    value = 0xFFFF
    for bit in (b >> i & 1 for b in data for i in range(8)):
        value = value >> 1 ^ 0xA001 * (value & 1 ^ bit)
    return struct.pack("<H", value)


def _sealed(data: bytes) -> bytes:
    return data + _crc(data)


class ModbusEnd:
    """Speaks as a DPS5005 does at one address: functions 03, 06, 10, exceptions 01, 02, 03.

    A frame for another address, or with a wrong CRC, gets no answer (MODBUS over Serial Line V1.02).
    """

    VOLTS, AMPERES, OUTPUT, PROTECT = 0x0000, 0x0001, 0x0009, 0x0052

    def __init__(self, supply: VirtualSupply, slave: int = 1) -> None:
        self.supply = supply
        self.slave = slave
        self._held = b""

    def feed(self, data: bytes) -> bytes:
        """Bytes to the instrument in any cut -> its replies."""
        self._held += data
        out = b""
        while len(self._held) >= 8:
            many = self._held[1] == WRITE_MANY and self._held[6] <= MOST_BYTES
            n = 9 + self._held[6] if many else 8
            frame = self._held[:n]
            if len(frame) == n and frame[-2:] == _crc(frame[:-2]):
                self._held = self._held[n:]
                if frame[0] == self.slave:
                    out += self._act(frame)
            elif len(frame) < n and frame[0] == self.slave:
                break
            else:
                self._held = self._held[1:]
        return out

    def registers(self) -> dict[int, int]:
        """What a read sees, by address."""
        s, point = self.supply, self.supply.measure()
        watts = point.voltage * point.current
        values = [s.set_v * 100, s.set_a * 1000, point.voltage * 100, point.current * 1000, watts * 100]
        block = [*map(round, values), 3500, 0, int(s.tripped), int(point.mode == "cc"), int(s.on), 4, 5005, 12]
        return dict(enumerate(block)) | {self.PROTECT: round(s.protect_v * 100)}

    def _act(self, frame: bytes) -> bytes:
        function, (at, n) = frame[1], struct.unpack_from(">HH", frame, 2)
        if function == READ:
            registers = self.registers()
            if not 1 <= n <= 32:
                return self._exception(function, 3)
            if not all(a in registers for a in range(at, at + n)):
                return self._exception(function, 2)
            return _sealed(
                bytes([self.slave, READ, 2 * n]) + b"".join(registers[a].to_bytes(2, "big") for a in range(at, at + n))
            )
        if function == WRITE:
            return self._write({at: n}) or frame
        if function == WRITE_MANY:
            if frame[6] != 2 * n:
                return self._exception(function, 3)
            values = struct.unpack_from(f">{n}H", frame, 7)
            return self._write(dict(enumerate(values, at)), function) or _sealed(frame[:6])
        return self._exception(function, 1)

    def _write(self, values: dict[int, int], function: int = WRITE) -> bytes:
        s = self.supply
        if not set(values) <= {self.VOLTS, self.AMPERES, self.OUTPUT, self.PROTECT}:
            return self._exception(function, 2)
        try:
            for at, value in values.items():
                if at == self.VOLTS:
                    s.set_voltage(Decimal(value).scaleb(-2))
                elif at == self.AMPERES:
                    s.set_current(Decimal(value).scaleb(-3))
                elif at == self.PROTECT:
                    s.protection(Decimal(value).scaleb(-2))
                elif value > 1:
                    return self._exception(function, 3)
                else:
                    s.output(bool(value))
        except Refused:
            return self._exception(function, 3)
        return b""

    def _exception(self, function: int, code: int) -> bytes:
        return _sealed(bytes([self.slave, function | 0x80, code]))
