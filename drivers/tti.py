"""Aim-TTi supplies: short words with the channel's digit, replies with a head or a unit letter.

Source: Aim-TTi MX180T manual p. 35 (reply formats); Tenma 72-6851 manual pp. 18, 29 (the TSX set). LSR? is
cleared by reading and tells events, so no polling round asks it: the mode is never claimed.
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
    """What belongs to the model: its channels ("" = words without a digit) and the order of its LSR bits."""

    channels: tuple[str, ...]
    limits: tuple[tuple[int, str], ...]  # LSR bit -> limit entered
    trips: int  # LSR bits that mean tripped


MANY_BITS = ((0b01, "cv"), (0b10, "cc"))  # dual and triple types, from memory
MODELS = {
    "MX180T": Set(("1", "2", "3"), MANY_BITS, 0b1100),
    "CPX400D": Set(("1", "2"), MANY_BITS, 0b1100),
    "QL355": Set(("1",), MANY_BITS, 0b1100),
    "TSX": Set(("",), ((0b01, "cc"), (0b10, "cv")), 0b100),  # Tenma 72-6851 manual p. 18
}
DEFAULT = "MX180T"

INFO = Info(
    name="tti",
    title="Aim-TTi supplies",
    instruments=("Aim-TTi MX180T", "Aim-TTi CPX400D", "Aim-TTi QL355", "Aim-TTi TSX, Tenma 72-6851"),
    published="Aim-TTi MX180T manual p. 35; Tenma 72-6851 manual pp. 18, 29",
    kind="supply",
    sure="partly from memory",
    notes="From memory: V1? and I1? with their heads, CR LF after a reply, set commands, digits of the settings, the "
    "LSR bit order of MX, CPX and QL types, and the TSX words without a digit (V?, I?, VO?, IO?, OP?). The mode is "
    "not polled: only LSR? tells limits, as events that reading clears.",
    wiring="RS-232 with XON/XOFF, or USB as a virtual serial port",
    line=Line(baudrate=9600),
    poll_s=1.0,
    models=tuple(MODELS),
)

TAKE = until(b"\n")
QUERY = re.compile(r"(V|I|OP|OVP|OCP|LSR)([1-9]?)(O?)\?|POWER\?|\*IDN\?")
MEASURED = re.compile(r"([0-9]+\.[0-9]+)([VAW])")
HEADED = re.compile(r"(V|I|VP|CP)([1-9]?) ([0-9]+\.[0-9]+|OFF)")
HEADS = {"V": ("V", "voltage"), "I": ("A", "current")}
MEASURES = {"V": "voltage", "A": "current", "W": "power"}


def _model(model: str | None) -> Set:
    name = model or DEFAULT
    if name not in MODELS:
        raise BadFrame(f"no model {name!r}; there are {', '.join(MODELS)}")
    return MODELS[name]


def _split(data: bytes, what: str) -> list[str]:
    if not data.endswith(b"\n") or not data.isascii():
        raise BadFrame(f"{what} are no lines of ASCII: {data.hex()}")
    return [line.strip("\r ") for line in data.decode("ascii").split("\n")[:-1]]


@lru_cache(maxsize=64)
def _queries(asked: bytes) -> tuple[str, ...]:
    return tuple(_split(asked, "queries"))


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn reply lines into readings.

    Takes   the joined replies (LF or CR LF ended) and the joined queries. Without the queries a measured value
            has no channel; OP1?'s bare digit needs its query.
    Gives   measured voltage, current (power from POWER?) with on or off where OP? was asked; set values with
            the flag setting. V, A, W.
    Raises  BadFrame, and nothing else.
    Source  MX180T manual p. 35.
    """
    _model(model)
    replies = _split(frame, "replies")
    queries = ("",) * len(replies) if asked is None else _queries(asked)
    if len(queries) != len(replies) or not replies:
        raise BadFrame(f"{len(queries)} queries, {len(replies)} replies: {frame.hex()}")
    pairs = list(zip(queries, replies, strict=True))
    power = {_channel(q): _on(r, frame) for q, r in pairs if q.startswith("OP")}
    return [_one(q, r, power, frame) for q, r in pairs if not q.startswith("OP")]


@lru_cache(maxsize=64)
def _channel(query: str) -> str | None:
    """The channel a query names: "1" for the words without a digit; None without a query."""
    if not query:
        return None
    found = QUERY.fullmatch(query)
    if not found:
        raise BadFrame(f"no query of this set: {query!r}")
    return found[2] or "1"


def _on(reply: str, frame: bytes) -> str:
    if reply not in ("0", "1"):
        raise BadFrame(f"output is neither 0 nor 1: {frame.hex()}")
    return "on" if reply == "1" else "off"


@lru_cache(maxsize=64)
def _wanted(query: str) -> str:
    """The unit of the measured value that answers a query: "" for any, "-" for none."""
    found = QUERY.fullmatch(query)
    if not found:
        return ""
    if found[1] in HEADS:
        return HEADS[found[1]][0] if found[3] else "-"
    return "W"


def _one(query: str, reply: str, power: dict[str | None, str], frame: bytes) -> Reading:
    channel = _channel(query)
    flags: tuple[str, ...] = ()
    headed = HEADED.fullmatch(reply)
    if headed and headed[1] in HEADS and headed[3] != "OFF":
        if query and query != f"{headed[1]}{headed[2]}?":
            raise BadFrame(f"{query} does not answer {reply!r}: {frame.hex()}")
        unit, function = HEADS[headed[1]]
        channel, digits, flags = headed[2] or "1", headed[3], ("setting",)
    elif measured := MEASURED.fullmatch(reply):
        unit, digits = measured[2], measured[1]
        function = MEASURES[unit]
        if unit != (_wanted(query) or unit):
            raise BadFrame(f"{query} does not answer {reply!r}: {frame.hex()}")
        flags = (power[channel],) if channel in power else ()
    else:
        raise BadFrame(f"{reply!r} is no value with a head or a unit: {frame.hex()}")
    value = Decimal(digits)
    return Reading(
        function=function,
        value=value,
        unit=unit,
        coupling="dc",
        resolution=count(-len(digits.partition(".")[2])),
        flags=flags,
        display=f"{digits} {unit}",
        channel=channel,
    )


def _round(model: str | None) -> tuple[Query, ...]:
    words = ("V{}O?", "I{}O?", "V{}?", "I{}?", "OP{}?")
    channels = _model(model).channels
    return tuple(Query(ask=f"{word.format(c)}\n".encode(), take=TAKE) for c in channels for word in words)


def identity(held: bytes) -> int | None:
    """*IDN?'s reply and all that came before it: an answer that was late goes with it."""
    found = re.search(rb"[^\n]*,[^\n]*,[^\n]*,[^\n]*\n", held)
    return found.end() if found else None


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """Measured and set values and the output's state of every channel, once a second."""
    opening = (Query(ask=b"*IDN?\n", take=identity),)
    return Dialogue(decode, model, round_=_round(model), every_s=1.0, opening=opening)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a set that shows these readings replies to one query; what is not shown is zero and off."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    query = asked.decode("ascii", "replace").strip()
    if query == "*IDN?":
        return f"THURLBY THANDAR, {model or DEFAULT}, 0, 1.00-1.00\r\n".encode()
    found = QUERY.fullmatch(query)
    if not found or found[1] not in ("V", "I", "OP", "OVP", "LSR"):
        return b""
    mine = [r for r in readings if r.channel == (found[2] or "1")]
    levels = [r for r in mine if "over-voltage" in r.flags]
    mine = [r for r in mine if r not in levels]
    if found[1] == "LSR":
        return f"{_model(model).trips if any('tripped' in r.flags for r in mine) else 0}\r\n".encode()
    if found[1] == "OVP":
        return f"VP{found[2]} {levels[0].value if levels else 'OFF'}\r\n".encode()
    if found[1] == "OP":
        return b"1\r\n" if any("on" in r.flags for r in mine) else b"0\r\n"
    unit, function = HEADS[found[1]]
    wanted = [r for r in mine if r.function == function and ("setting" in r.flags) != bool(found[3])]
    value = wanted[0].value if wanted and wanted[0].value is not None else Decimal("0.000")
    return (f"{value}{unit}\r\n" if found[3] else f"{found[1]}{found[2]} {value}\r\n").encode()


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The joined replies of one round."""
    return b"".join(answer(query.ask, shown, model) for query in _round(model))


def control(model: str | None = None, channel: str = "1") -> Control:
    """One channel's commands (set commands from memory; none brings a reply, so read back what was set).

    Raises  BadFrame for a model that is not known or a channel that is not there.
    """
    this = _model(model)
    digit = "" if this.channels == ("",) and channel == "1" else channel
    if digit not in this.channels:
        raise BadFrame(f"no channel {channel}: this set has {', '.join(c or '1' for c in this.channels)}")

    def say(word: str, step: str, most: str) -> Setting:
        return Setting(
            unit="A" if word == "I" else "V",
            step=Decimal(step),
            most=Decimal(most),
            say=lambda v: (Query(ask=f"{word}{digit} {v}\n".encode(), pause_s=0.05),),
        )

    def parse(asked: bytes, reply: bytes) -> Answer:
        queries, replies = _split(asked, "queries"), _split(reply, "replies")
        found = QUERY.fullmatch(queries[0]) if len(queries) == len(replies) == 1 else None
        if not found:
            raise BadFrame(f"one reply to one query is wanted: {reply.hex()}")
        text = replies[0]
        if found[1] == "OP":
            return Answer(on=_on(text, reply) == "on")
        if found[1] == "LSR":
            if not re.fullmatch("[0-9]{1,3}", text):
                raise BadFrame(f"LSR? answers an integer: {reply.hex()}")
            bits = int(text)
            return Answer(tripped=bool(bits & this.trips), entered=tuple(w for b, w in this.limits if bits & b))
        if found[1] == "OVP":
            headed = HEADED.fullmatch(text)
            if not headed or headed[1] != "VP":
                raise BadFrame(f"OVP? answers VP and a level: {reply.hex()}")
            return Answer(over_voltage=None if headed[3] == "OFF" else Decimal(headed[3]))
        return heard(decode(reply, asked, model))

    def ask(*words: str) -> tuple[Query, ...]:
        return tuple(Query(ask=f"{word.format(digit)}\n".encode(), take=TAKE) for word in words)

    return Control(
        voltage=say("V", "0.01", "99.99"),
        current=say("I", "0.001", "99.999"),
        over_voltage=say("OVP", "0.1", "99.9"),
        switch=lambda on: (Query(ask=f"OP{digit} {int(on)}\n".encode(), pause_s=0.05),),
        parse=parse,
        settings=ask("V{}?", "I{}?", "OVP{}?"),
        measured=ask("V{}O?", "I{}O?"),
        output_state=ask("OP{}?", "LSR{}?"),
    )
