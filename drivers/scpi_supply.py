"""SCPI supplies: the same words, and for each maker another place where the mode stands.

Source: SCPI-1999.0 and IEEE 488.2 (from memory); GW Instek PSU manual pp. 107, 142; Keithley 2303 manual
p. 7-12; Agilent E36xx and Rigol DP800 guides (from memory). Only CONDition registers are asked: reading an
event register would clear it (GW Instek).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

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
    until,
)


class Set(NamedTuple):
    """What belongs to the model. In a query {c} stands for the channel.

    queries   of one channel's round;  select  goes before each where the channel is the set's state
    cv, cc    (query, bit values) that tell the mode;  trips  likewise for "a protection has switched off"
    """

    channels: int
    queries: tuple[str, ...]
    select: str = ""
    opening: str = ""
    cv: tuple[str, int] = ("", 0)
    cc: tuple[tuple[str, int], ...] = ()
    trips: tuple[str, int] = ("", 0)
    suffix: str = ""  # the channel after a word: " CH{c}"
    source: str = ""  # before a set value: "SOUR{c}:"

    def registers(self) -> tuple[str, ...]:
        """The queries that ask a status register."""
        return self.cv[0], self.trips[0], *(query for query, _ in self.cc)


VALUES = ("MEAS:VOLT?", "MEAS:CURR?", "VOLT?", "CURR?", "OUTP?")
QUES, OPER = "STAT:QUES:COND?", "STAT:OPER:COND?"
ISUM = "STAT:QUES:INST:ISUM{c}:COND?"
# On the E36xx a bit names what is NOT regulated: bit 0 voltage, so CC; bit 1 current, so CV; both: neither.
MODELS = {
    "plain": Set(1, VALUES),
    "E36xx": Set(1, (*VALUES, QUES, "VOLT:PROT:TRIP?"), opening="SYST:REM", cv=(QUES, 2), cc=((QUES, 1),)),
    "E364x-dual": Set(2, (*VALUES, ISUM), select="INST:NSEL {c};:", opening="SYST:REM", cv=(ISUM, 2), cc=((ISUM, 1),)),
    "E3631A": Set(3, (*VALUES, ISUM), select="INST:NSEL {c};:", opening="SYST:REM", cv=(ISUM, 2), cc=((ISUM, 1),)),
    "GW-PSU": Set(1, (*VALUES, OPER, QUES), cv=(OPER, 256), cc=((OPER, 1024), (QUES, 512)), trips=(QUES, 2048)),
    "Keithley-2303": Set(1, (*VALUES, OPER), cc=((OPER, 8),), trips=(OPER, 16 | 64)),
    "DP811": Set(
        1,
        ("MEAS:ALL? CH{c}", "SOUR{c}:VOLT?", "SOUR{c}:CURR?", "OUTP? CH{c}", "OUTP:MODE? CH{c}"),
        suffix=" CH{c}",
        source="SOUR{c}:",
    ),
    "DP832": Set(
        3,
        ("MEAS:ALL? CH{c}", "SOUR{c}:VOLT?", "SOUR{c}:CURR?", "OUTP? CH{c}", "OUTP:MODE? CH{c}"),
        suffix=" CH{c}",
        source="SOUR{c}:",
    ),
}
DEFAULT = "plain"

INFO = Info(
    name="scpi_supply",
    title="SCPI DC supplies",
    instruments=(
        "any set with MEAS:VOLT?, MEAS:CURR?, VOLT?, CURR?, OUTP? (plain: no mode)",
        "Agilent E3640A-E3645A, E3632A-E3634A (E36xx), E3646A-E3649A (E364x-dual), E3631A",
        "GW Instek PSU (GW-PSU)",
        "Keithley 2303",
        "Rigol DP811, DP832",
    ),
    published="SCPI-1999.0; GW Instek PSU manual pp. 107, 142; Keithley 2303 manual p. 7-12",
    kind="supply",
    sure="partly from memory",
    notes="From memory: the standards' words, E36xx and DP800 queries and bits, GW's CV and CC bits (its QUES bits are "
    "printed), and :COND? on the Keithley, whose page names event bits. E36xx models begin with SYST:REM, without "
    "which RS-232 commands fail: it locks the panel. Models with several channels select one in each query "
    "(INST:NSEL): the panel's chosen channel changes. Xantrex XPD is left out: only its status word is known.",
    wiring="RS-232 (E36xx: null-modem cable, DTR/DSR handshake, 8N2), USB as a virtual serial port, USBTMC, or TCP",
    line=Line(baudrate=9600),
    links=("usbtmc", "tcp"),
    poll_s=1.0,
    models=tuple(MODELS),
)

TAKE = until(b"\n")
WORDS = {
    "MEAS:VOLT?": ("voltage",),
    "MEAS:CURR?": ("current",),
    "MEAS:POW?": ("power",),
    "MEAS:ALL?": ("voltage", "current", "power"),
    "VOLT?": ("voltage",),
    "CURR?": ("current",),
    "APPL?": ("voltage", "current"),
}
SET_WORDS = ("VOLT?", "CURR?", "APPL?")
OUTPUT = {"0": False, "1": True, "OFF": False, "ON": True}
UNITS = {"voltage": "V", "current": "A", "power": "W"}
NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-]?[0-9]{1,3})?")  # NRf, IEEE 488.2 8.7.2-8.7.4
INTEGER = re.compile(r"\+?[0-9]{1,5}")
PLACES = (  # where a query names its channel
    re.compile(r"INST:NSEL (?P<c>[1-9]);:(?P<word>.+)"),
    re.compile(r"(?P<word>[^ ]+\?) CH(?P<c>[1-9])"),
    re.compile(r"(?P<word>[^ ]+\?) \(@(?P<c>[1-9])\)"),
    re.compile(r"SOUR(?P<c>[1-9]):(?P<word>.+)"),
)
INFINITY, NOT_A_NUMBER = Decimal("9.9E37"), Decimal("9.91E37")  # SCPI-1999 vol. 1, 7.2.1.4 and 7.2.1.5


def _model(model: str | None) -> Set:
    name = model or DEFAULT
    if name not in MODELS:
        raise BadFrame(f"no model {name!r}; there are {', '.join(MODELS)}")
    return MODELS[name]


def split_query(query: str) -> tuple[str, str]:
    """The word and the channel of a query: "INST:NSEL 2;:VOLT?" is ("VOLT?", "2"); "1" where none is named."""
    channel = "1"
    for place in PLACES:
        if found := place.fullmatch(query):
            channel, query = found["c"], found["word"]
            break
    return re.sub("ISUM[1-9]:", "ISUM{c}:", query), channel


def _lines(data: bytes, what: str) -> list[str]:
    if not data.endswith(b"\n") or not data.isascii():
        raise BadFrame(f"{what} are no lines of ASCII: {data.hex()}")
    lines = data.decode("ascii").split("\n")
    lines.pop()
    return [line.strip(" \r\t") for line in lines]


@lru_cache(maxsize=64)
def _queried(asked: bytes) -> tuple[tuple[str, str], ...]:
    """The word and the channel of each query."""
    return tuple(map(split_query, _lines(asked, "queries")))


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn reply lines into readings.

    Takes   the joined replies and the joined queries, a line each; a bare number needs its query.
    Gives   measured volts, amperes, watts with on, off, cv, cc, tripped where the round asked for them, and set
            values with the flag setting; one resolution count only where the number is written without
            exponent (digits of an NR3 are padding). 9.9E37 is over, 9.91E37 blank and unreadable.
    Raises  BadFrame, and nothing else.
    Source  SCPI-1999.0; status registers by model.
    """
    here = _model(model)
    if asked is None:
        raise BadFrame(f"the query is needed, a number does not say what it is: {frame.hex()}")
    replies, queries = _lines(frame, "replies"), _queried(asked)
    if len(replies) != len(queries):
        raise BadFrame(f"{len(queries)} queries, {len(replies)} replies: {frame.hex()}")
    values: list[tuple[str, str, str]] = []
    states: dict[str, dict[str, str]] = {}
    for (word, channel), reply in zip(queries, replies, strict=True):
        if word in WORDS:
            values.append((word, channel, reply))
        else:
            states.setdefault(channel, {})[word] = reply
    flags = {channel: _flags(state, here, frame) for channel, state in states.items()}
    out: list[Reading] = []
    for word, channel, reply in values:
        out += _values(word, channel, reply, flags, frame)
    return out


def _values(word: str, channel: str, reply: str, flags: dict[str, tuple[str, ...]], frame: bytes) -> list[Reading]:
    functions = WORDS[word]
    parts = reply.strip('"').split(",")
    if len(parts) != len(functions):
        raise BadFrame(f"{reply!r} is no answer to {word}: {frame.hex()}")
    shown = ("setting",) if word in SET_WORDS else flags.get(channel, ())
    out = []
    for function, text in zip(functions, parts, strict=True):
        if not NUMBER.fullmatch(text):
            raise BadFrame(f"{reply!r} is no answer to {word}: {frame.hex()}")
        out.append(_reading(function, text, shown, channel))
    return out


def _reading(function: str, text: str, flags: tuple[str, ...], channel: str) -> Reading:
    value = Decimal(text)
    unit = UNITS[function]
    if abs(value) >= INFINITY:
        blank = value == NOT_A_NUMBER
        return Reading(
            function=function,
            value=None,
            unit=unit,
            coupling="dc",
            state="blank" if blank else "over",
            flags=(*flags, "unreadable") if blank else flags,
            channel=channel,
        )
    _, point, decimals = text.partition(".")
    plain = bool(point) and "E" not in decimals and "e" not in decimals
    return Reading(
        function=function,
        value=value,
        unit=unit,
        coupling="dc",
        resolution=count(-len(decimals)) if plain else None,
        flags=flags,
        display=f"{value} {unit}" if plain else None,
        channel=channel,
    )


def _flags(state: dict[str, str], here: Set, frame: bytes) -> tuple[str, ...]:
    on: bool | None = None
    bits: dict[str, int] = {}
    text_mode = ""
    tripped = False
    for word, reply in state.items():
        if word == "OUTP?" and reply.upper() in OUTPUT:
            on = OUTPUT[reply.upper()]
        elif word == "OUTP:MODE?" and reply in ("CV", "CC", "UR"):
            text_mode = reply
        elif word == "VOLT:PROT:TRIP?" and reply in ("0", "1"):
            tripped = reply == "1"
        elif word in here.registers() and INTEGER.fullmatch(reply):
            bits[word] = int(reply)
        else:
            raise BadFrame(f"{reply!r} to {word} says nothing of this model: {frame.hex()}")
    cv = bool(bits.get(here.cv[0], 0) & here.cv[1]) or text_mode == "CV"
    cc = text_mode == "CC"
    for word, mask in here.cc:
        cc = cc or bool(bits.get(word, 0) & mask)
    tripped = tripped or bool(bits.get(here.trips[0], 0) & here.trips[1])
    flags: tuple[str, ...] = () if on is None else ("on",) if on else ("off",)
    if on is not False and cv != cc:  # both: unregulated; neither: the set does not tell
        flags += ("cv",) if cv else ("cc",)
    return (*flags, "tripped") if tripped else flags


def _queries(here: Set, words: Sequence[str], channel: str) -> tuple[Query, ...]:
    return tuple(
        Query(ask=f"{(here.select + word).format(c=channel)}\n".encode(), take=TAKE, wait_s=2.0) for word in words
    )


def _round(model: str | None) -> tuple[Query, ...]:
    here = _model(model)
    return tuple(q for n in range(here.channels) for q in _queries(here, here.queries, str(n + 1)))


def identity(held: bytes) -> int | None:
    """*IDN?'s reply and all that came before it: an answer that was late goes with it."""
    found = re.search(rb"[^\n]*,[^\n]*,[^\n]*,[^\n]*\n", held)
    return found.end() if found else None


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """Values and status of every channel, once a second; *IDN? at the start and after a lost round."""
    here = _model(model)
    remote = (Query(ask=f"{here.opening}\n".encode(), pause_s=0.2),) if here.opening else ()
    opening = (*remote, Query(ask=b"*IDN?\n", take=identity, wait_s=2.0))
    return Dialogue(decode, model, round_=_round(model), every_s=1.0, opening=opening)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a set that shows these readings replies to one query; what is not shown is zero and off."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    here = _model(model)
    query = asked.decode("latin-1").strip()
    if query == "*IDN?":
        return b"0,0,0,0\n"
    if query == "SYST:ERR?":
        return b'+0,"No error"\n'
    if "?" not in query:
        return b""
    word, channel = split_query(query)
    levels = [r for r in readings if r.channel == channel and "over-voltage" in r.flags]
    if word == "VOLT:PROT?":
        return (_text(levels[0] if levels else None) + "\n").encode()
    mine = [r for r in readings if r.channel == channel and r not in levels]
    flags = {flag for r in mine for flag in r.flags}
    if word in WORDS:
        found = {r.function: r for r in mine if ("setting" in r.flags) == (word in SET_WORDS)}
        return (",".join(_text(found.get(f)) for f in WORDS[word]) + "\n").encode()
    if word in ("OUTP?", "VOLT:PROT:TRIP?"):
        return b"1\n" if ("on" if word == "OUTP?" else "tripped") in flags else b"0\n"
    if word == "OUTP:MODE?":
        return b"CC\n" if "cc" in flags else b"CV\n" if "cv" in flags else b"UR\n"
    value = 0
    if word == here.cv[0] and "cv" in flags:
        value |= here.cv[1]
    if "cc" in flags:
        value |= sum(mask for place, mask in here.cc if place == word)
    if word == here.trips[0] and "tripped" in flags:
        value |= here.trips[1]
    return f"{value}\n".encode()


def _text(reading: Reading | None) -> str:
    if reading is None:
        return "0"
    if reading.value is None:
        return "9.9E37" if reading.state == "over" else "9.91E37"
    return f"{reading.value:f}" if reading.resolution is not None else f"{reading.value:+E}"


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The joined replies of one round."""
    return b"".join(answer(query.ask, shown, model) for query in _round(model))


def control(model: str | None = None, channel: str = "1") -> Control:
    """One channel's commands, each followed by SYST:ERR?: 0 is the acknowledgement.

    Drain `errors` until done before the first command: an old entry would be read as this command's.
    On sets of several channels OUTP without a channel switches all of them (from memory), also those that nobody
    limited: they are not switched. Raises BadFrame for those, and for an unknown model or channel.
    """
    here = _model(model)
    if here.channels > 1 and not here.suffix:
        raise BadFrame("OUTP switches every channel of this set, also those that are not limited: it is only read")
    if channel not in {str(n + 1) for n in range(here.channels)}:
        raise BadFrame(f"no channel {channel}: this model has {here.channels}")
    errors = Query(ask=b"SYST:ERR?\n", take=TAKE, wait_s=2.0)

    def send(text: str) -> tuple[Query, ...]:
        return (Query(ask=f"{(here.select + text).format(c=channel)}\n".encode(), pause_s=0.05), errors)

    def parse(asked: bytes, reply: bytes) -> Answer:
        if asked == errors.ask:
            (text,) = _lines(reply, "replies")[:1] or [""]
            found = re.fullmatch(r'([+-]?[0-9]{1,5}),(".*"|[^,]*)', text)
            if not found:
                raise BadFrame(f"no error and its text: {reply.hex()}")
            return Answer(done=True) if int(found[1]) == 0 else Answer(done=False, error=text)
        queries, replies = _lines(asked, "queries"), _lines(reply, "replies")
        if len(queries) != 1 or len(replies) != 1:
            raise BadFrame(f"one reply to one query is wanted: {reply.hex()}")
        word, _ = split_query(queries[0])
        if word == "VOLT:PROT?":
            if not NUMBER.fullmatch(replies[0]):
                raise BadFrame(f"no level: {reply.hex()}")
            return Answer(over_voltage=Decimal(replies[0]))
        if word in WORDS:
            return heard(decode(reply, asked, model))
        flags = _flags({word: replies[0]}, here, reply)
        on = True if "on" in flags else False if "off" in flags else None
        return Answer(
            on=on,
            mode="cv" if "cv" in flags else "cc" if "cc" in flags else None,
            tripped="tripped" in flags if word in ("VOLT:PROT:TRIP?", here.trips[0]) else None,
        )

    source = here.source
    milli = count(-3)
    state = [word for word in here.queries if split_query(word.format(c=channel))[0] not in WORDS]
    return Control(
        voltage=Setting(unit="V", step=milli, most=Decimal(999), say=lambda v: send(f"{source}VOLT {v}")),
        current=Setting(unit="A", step=milli, most=Decimal(999), say=lambda v: send(f"{source}CURR {v}")),
        over_voltage=Setting(unit="V", step=milli, most=Decimal(999), say=lambda v: send(f"{source}VOLT:PROT {v}")),
        switch=lambda on: send(f"OUTP CH{{c}},{'ON' if on else 'OFF'}" if here.suffix else f"OUTP {int(on)}"),
        parse=parse,
        settings=_queries(here, (f"{source}VOLT?", f"{source}CURR?", f"{source}VOLT:PROT?"), channel),
        measured=_queries(here, [w for w in here.queries if w.startswith("MEAS")], channel),
        output_state=_queries(here, state, channel),
        errors=(errors,),
    )
