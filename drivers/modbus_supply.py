"""Supply modules on Modbus RTU: one read of a block of registers a round; the register map is data.

Source: MODBUS over Serial Line V1.02 (RTU framing 2.5.1, CRC 6.2.2), MODBUS Application Protocol V1.1b3
(6.3, 6.6, 6.12, 7); Ruideng DPS5005 protocol V1.2; float registers: Zhongjia product page. Frames are cut by
length: a USB adapter destroys the silences that RTU cuts by.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from decimal import Decimal
from functools import lru_cache
from math import isfinite
from typing import Any, NamedTuple

from construct import Array, Const, Int8ub, Int16ub, Int16ul, Rebuild, Struct, Terminated, len_, this

from meterlink.driver import (
    Answer,
    BadFrame,
    Control,
    Dialogue,
    Info,
    Line,
    Query,
    Reading,
    Setting,
    count,
    heard,
)

READ, WRITE, WRITE_MANY = 0x03, 0x06, 0x10
EXCEPTIONS = {1: "function", 2: "address", 3: "value", 4: "device failure", 6: "busy"}  # MODBUS V1.1b3, 7
PAUSE_S = 0.005  # at least 3.5 characters of silence: 4.0 ms at 9600 bit/s; Ruideng asks for about 5 ms
SLAVE = 1
OVER_VOLTAGE = 0x52  # preset 0's level, from memory

FRAME = Struct(  # a reply to function 03 without an exception
    "slave" / Int8ub,
    "function" / Const(READ, Int8ub),
    "length" / Rebuild(Int8ub, 2 * len_(this.registers)),
    "registers" / Array(this.length // 2, Int16ub),
    "crc" / Int16ul,
    Terminated,
)


class Map(NamedTuple):
    """A register map: where the block begins and how long it is, and where each value stands in it.

    decimals    places of V, A, W for integer registers; None for floats, low word first
    at          (function, set value) -> register address, in their order
    output, mode, protection   register addresses, None where the sheet has none
    """

    first: int
    length: int
    decimals: dict[str, int] | None
    at: dict[tuple[str, bool], int]
    output: int | None = None
    mode: int | None = None
    protection: int | None = None
    most: tuple[str, str] = ("50", "5")


INTEGERS = {
    ("voltage", True): 0,
    ("current", True): 1,
    ("voltage", False): 2,
    ("current", False): 3,
    ("power", False): 4,
}
MODELS = {
    "DPS5005": Map(0, 10, {"V": 2, "A": 3, "W": 2}, INTEGERS, 9, 8, 7),
    "DPH5005": Map(0, 10, {"V": 2, "A": 3, "W": 2}, INTEGERS, 9, 8, 7),
    "DPS5015": Map(0, 10, {"V": 2, "A": 2, "W": 1}, INTEGERS, 9, 8, 7, ("50", "15")),
    "DPS5020": Map(0, 10, {"V": 2, "A": 2, "W": 1}, INTEGERS, 9, 8, 7, ("50", "20")),
    "float": Map(
        4,
        10,
        None,
        {("voltage", False): 4, ("current", False): 6, ("voltage", True): 10, ("current", True): 12},
    ),
}
DEFAULT = "DPS5005"
UNITS = {"voltage": "V", "current": "A", "power": "W"}
PROTECTION = {1: "ovp", 2: "ocp", 3: "opp"}

INFO = Info(
    name="modbus_supply",
    title="Supply modules on Modbus RTU",
    instruments=("Ruideng DPS5005, DPS5015, DPS5020, DPH5005", "supplies with float registers, low word first (float)"),
    published="MODBUS over Serial Line V1.02 and Application Protocol V1.1b3; Ruideng DPS5005 protocol V1.2",
    kind="supply",
    sure="partly from memory",
    notes="Framing and CRC are an open standard, checked by computation. From memory: the Ruideng register list "
    "(DPH5005 taken as the DPS5005's) and the decimals of the 15 and 20 A types. Flags ovp, ocp, opp with tripped "
    "tell the protection. The float map's control bits are not published: it is read, not switched. RD60xx: no map.",
    wiring="switch COMM on in the settings screen (power on holding the arrow key); address 1. Some firmware locks "
    "its keys while it is polled",
    line=Line(baudrate=9600),
    poll_s=0.5,
    models=tuple(MODELS),
)


def _shifted(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


CRC = tuple(map(_shifted, range(256)))


def crc(data: bytes) -> bytes:
    """CRC-16/MODBUS as it goes on the wire, low byte first (MODBUS over Serial Line V1.02, 6.2.2)."""
    register = 0xFFFF
    for byte in data:
        register = register >> 8 ^ CRC[(register ^ byte) & 0xFF]
    return register.to_bytes(2, "little")


def sealed(data: bytes) -> bytes:
    """A frame: the bytes and their CRC."""
    return data + crc(data)


def reply_length(head: bytes) -> int | None:
    """Length of the reply that begins so, or None while too little came. Raises BadFrame on an unknown function.

    Source  MODBUS Application Protocol V1.1b3, 6.3, 6.6, 6.12, 7.
    """
    if len(head) < 3:
        return None
    if head[1] & 0x80:
        return 5
    if head[1] == READ:
        return 5 + head[2]
    if head[1] in (WRITE, WRITE_MANY):
        return 8
    raise BadFrame(f"function {head[1]:02X} was not asked: {head.hex()}")


def take(request: bytes) -> Callable[[bytes], int | None]:
    """The Take of one request: noise before the reply goes with it only into a frame that decode refuses."""

    def length(held: bytes) -> int | None:
        if len(held) < 3:
            return None
        fits = held[0] == request[0] and held[1] & 0x7F == request[1]
        n = reply_length(held) if fits else len(held)
        return n if n is not None and len(held) >= n else None

    return length


def _model(model: str | None) -> Map:
    name = model or DEFAULT
    if name not in MODELS:
        raise BadFrame(f"no model {name!r}; there are {', '.join(MODELS)}")
    return MODELS[name]


def reading_request(first: int, length: int) -> bytes:
    """Function 03: so many registers from an address."""
    return sealed(struct.pack(">BBHH", SLAVE, READ, first, length))


@lru_cache(maxsize=64)
def _sound(asked: bytes) -> bool:
    return len(asked) >= 8 and asked[-2:] == crc(asked[:-2])


def _checked(frame: bytes, asked: bytes) -> bytes:
    """The reply without its CRC. Raises BadFrame: CRC, length, another slave or function, an exception."""
    if len(frame) < 5 or frame[-2:] != crc(frame[:-2]):
        raise BadFrame(f"the CRC is wrong: {frame.hex()}")
    if not _sound(asked):
        raise BadFrame(f"the query's CRC is wrong: {asked.hex()}")
    if frame[0] != asked[0] or frame[1] & 0x7F != asked[1]:
        raise BadFrame(f"no reply to {asked.hex()}: {frame.hex()}")
    if reply_length(frame) != len(frame):
        raise BadFrame(f"{len(frame)} bytes, the reply names another length: {frame.hex()}")
    if frame[1] & 0x80:
        name = EXCEPTIONS.get(frame[2], "unknown")
        raise BadFrame(f"the supply answers exception {frame[2]:02X} ({name}): {frame.hex()}")
    return frame[:-2]


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn the reply to one function 03 request into readings.

    Takes   the reply and its request: the reply names no register.
    Gives   those of set and measured volts, amperes (and watts) that stand in the registers read, channel "1";
            measured ones with on, off, cv, cc, tripped where those registers were read too.
    Raises  BadFrame, and nothing else; also for an exception reply.
    Source  MODBUS V1.1b3, 6.3; register maps as in MODELS.
    """
    here = _model(model)
    if asked is None:
        raise BadFrame(f"the query is needed, a reply names no register: {frame.hex()}")
    body = _checked(frame, asked)
    if asked[1] != READ:
        raise BadFrame(f"function {asked[1]:02X} brings no reading: {frame.hex()}")
    first, length = struct.unpack_from(">HH", asked, 2)
    if len(asked) != 8 or body[2] != 2 * length or len(body) != 3 + 2 * length:
        raise BadFrame(f"{length} registers were asked: {frame.hex()}")
    registers = struct.unpack_from(f">{length}H", body, 3)
    flags = _flags(first, registers, here, frame)
    out: list[Reading] = []
    width = 1 if here.decimals else 2
    for (function, setting), at in here.at.items():
        n = at - first
        if 0 <= n <= length - width:
            out.append(_reading(function, registers[n : n + width], here, ("setting",) if setting else flags, frame))
    if not out:
        raise BadFrame(f"none of these registers is a value: {asked.hex()}")
    return out


def _flags(first: int, registers: Sequence[int], here: Map, frame: bytes) -> tuple[str, ...]:
    def of(at: int | None, most: int) -> int | None:
        value = registers[at - first] if at is not None and 0 <= at - first < len(registers) else None
        if value is not None and value > most:
            raise BadFrame(f"register {at:04X} is {value}, at most {most}: {frame.hex()}")
        return value

    on, mode, trip = of(here.output, 1), of(here.mode, 1), of(here.protection, 3)
    flags: tuple[str, ...] = () if on is None else ("on",) if on else ("off",)
    if on and mode is not None:
        flags += (("cv", "cc")[mode],)
    return (*flags, "tripped", PROTECTION[trip]) if trip else flags


def _reading(function: str, words: Sequence[int], here: Map, flags: tuple[str, ...], frame: bytes) -> Reading:
    unit = UNITS[function]
    if here.decimals:
        exponent = -here.decimals[unit]
        value, resolution = Decimal(f"{words[0]}E{exponent}"), count(exponent)
        return Reading(
            function=function,
            value=value,
            unit=unit,
            coupling="dc",
            resolution=resolution,
            flags=flags,
            display=f"{value} {unit}",
            channel="1",
        )
    shown = shortest(words[0] | words[1] << 16)
    if shown is None:
        raise BadFrame(f"{function} is no number: {frame.hex()}")
    return Reading(function=function, value=shown, unit=unit, coupling="dc", flags=flags, channel="1")


def shortest(bits: int) -> Decimal | None:
    """The shortest decimal that reads back as this IEEE 754 single; None for infinity and NaN.

    Source  C11 5.2.4.2.2, FLT_DIG: any decimal of up to six digits survives the way into a normal single and back, so
            none shorter than these six without their zeros is the same number.
    """
    single = bits.to_bytes(4, "big")
    (value,) = struct.unpack(">f", single)
    if not isfinite(value):
        return None
    for digits in range(6, 10):
        text = f"{value:.{digits}g}"
        try:
            if struct.pack(">f", float(text)) == single:
                return Decimal(text)
        except OverflowError:
            continue
    return None


def _round(model: str | None) -> tuple[Query, ...]:
    here = _model(model)
    request = reading_request(here.first, here.length)
    return (Query(ask=request, take=take(request), pause_s=PAUSE_S),)


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """One block of registers, twice a second."""
    return Dialogue(decode, model, round_=_round(model), every_s=0.5)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a module that shows these readings replies to a function 03 request; the rest is zero and off.

    To a command, function 06, its echo.
    """
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    here = _model(model)
    if len(asked) == 8 and asked[1] == WRITE and asked[-2:] == crc(asked[:-2]):
        return asked
    if len(asked) != 8 or asked[1] != READ or asked[-2:] != crc(asked[:-2]):
        return b""
    registers: dict[int, int] = {}
    for r in readings:
        at = here.at.get((r.function, "setting" in r.flags))
        if "over-voltage" in r.flags and here.decimals:
            at = OVER_VOLTAGE
        if at is None:
            continue
        if here.decimals:
            registers[at] = int((r.value or Decimal(0)).scaleb(here.decimals[r.unit]))
        else:
            bits = int.from_bytes(struct.pack(">f", float(r.value or 0)), "big")
            registers |= {at: bits & 0xFFFF, at + 1: bits >> 16}
        for place, flag in ((here.output, "on"), (here.mode, "cc")):
            if place is not None and flag in r.flags:
                registers[place] = 1
        if here.protection is not None and "tripped" in r.flags:
            registers[here.protection] = next((n for n, flag in PROTECTION.items() if flag in r.flags), 0)
    first, length = struct.unpack_from(">HH", asked, 2)
    values = [registers.get(at, 0) for at in range(first, first + length)]
    return sealed(struct.pack(f">BBB{length}H", asked[0], READ, 2 * length, *values))


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The reply of one round."""
    return answer(_round(model)[0].ask, shown, model)


def control(model: str | None = None, channel: str = "1") -> Control:
    """A Ruideng module's commands (function 06), each answered by its echo; an exception is Answer.error.

    Over-voltage is preset 0's level (register 0052), from memory. Raises BadFrame for the float map, whose
    control bits are not published, and for a channel that is not there.
    """
    here = _model(model)
    if here.decimals is None or here.output is None:
        raise BadFrame("the control bits of the float map are not published: this set is read, never switched")
    if channel != "1":
        raise BadFrame(f"this set has one channel, 1, not {channel}")
    volt_places = here.decimals["V"]

    def write(at: int, value: int) -> tuple[Query, ...]:
        request = sealed(struct.pack(">BBHH", SLAVE, WRITE, at, value))
        return (Query(ask=request, take=take(request), pause_s=PAUSE_S),)

    def read(at: int, length: int) -> Query:
        request = reading_request(at, length)
        return Query(ask=request, take=take(request), pause_s=PAUSE_S)

    def say(at: int, unit: Any, decimals: int, most: Decimal) -> Setting:
        return Setting(unit=unit, step=count(-decimals), most=most, say=lambda v: write(at, int(v.scaleb(decimals))))

    def parse(asked: bytes, reply: bytes) -> Answer:
        if len(asked) < 8:
            raise BadFrame(f"no request of this set: {asked.hex()}")
        if len(reply) == 5 and reply[1:2] == bytes([asked[1] | 0x80]) and reply[-2:] == crc(reply[:-2]):
            return Answer(done=False, error=f"exception {reply[2]:02X} ({EXCEPTIONS.get(reply[2], 'unknown')})")
        body = _checked(reply, asked)
        if asked[1] == WRITE:
            if reply != asked:
                raise BadFrame(f"not the echo of {asked.hex()}: {reply.hex()}")
            return Answer(done=True)
        first, length = struct.unpack_from(">HH", asked, 2)
        if (first, length) == (OVER_VOLTAGE, 1) and len(body) == 5:
            return Answer(over_voltage=Decimal(int.from_bytes(body[3:], "big")).scaleb(-volt_places))
        return heard(decode(reply, asked, model))

    volts, amperes = (Decimal(m) for m in here.most)
    block = read(here.first, here.length)
    return Control(
        voltage=say(here.at["voltage", True], "V", here.decimals["V"], volts),
        current=say(here.at["current", True], "A", here.decimals["A"], amperes),
        over_voltage=say(OVER_VOLTAGE, "V", here.decimals["V"], volts * Decimal("1.1")),
        switch=lambda on: write(9, int(on)),
        parse=parse,
        settings=(read(0, 2), read(OVER_VOLTAGE, 1)),
        measured=(block,),
        output_state=(block,),
    )
