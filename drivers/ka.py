"""KA and KD supplies: short words without a terminator, replies of fixed length, one raw status byte.

Source: RND 320-KA "Single channel remote control syntax V3.0"; Tenma 72-2685 manual p. 5 (V2.0); Korad KC3405
command reference. The status byte has neither frame nor check, so a round asks it twice, around the
values: only a mode that stands in both is told.
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
    exactly,
    heard,
)


class Set(NamedTuple):
    """What belongs to the model: status bits by channel, the words that switch, and the line end."""

    cv_bits: tuple[int, ...]  # set = CV, clear = CC, while the output is on
    on_bits: tuple[int, ...]
    switch: str  # {c} channel, {on} 0 or 1
    end: str = ""


MODELS = {
    "V3.0": Set((0,), (6,), "OUT{on}"),
    "V3.0-LF": Set((0,), (6,), "OUT{on}", "\n"),
    "V2.0": Set((0,), (6,), "OUT{on}"),
    "V2.0-dual": Set((0, 1), (6, 6), "OUT{on}"),
    "KC3405": Set((0, 1, 2, 3), (4, 5, 6, 7), "OUT{c}:{on}"),
}
DEFAULT = "V3.0"

INFO = Info(
    name="ka",
    title="KA / KD supplies, words without a terminator",
    instruments=(
        "RND 320-KA3005P (V3.0)",
        "Korad KA3005P (V3.0)",
        "Tenma 72-2685, 72-2705 (V2.0)",
        "Velleman (V2.0)",
        "Korad KC3405 (KC3405)",
    ),
    published="RND 320-KA remote control syntax V3.0; Tenma 72-2685 manual p. 5; Korad KC3405 command reference",
    kind="supply",
    sure="partly from memory",
    notes="From memory: 9600 8N1, reply lengths, the V2.0 status bits, the digits of a KC3405 reply (taken as those of "
    "the KA), and which firmware wants LF after a command (model V3.0-LF). OVP1 and OCP1 switch protections that "
    "are set at the panel: no command sets their level.",
    wiring="USB as a virtual serial port, or RS-232",
    line=Line(baudrate=9600),
    poll_s=1.0,
    models=tuple(MODELS),
)

PAUSE_S = 0.06  # response time 50 ms (Tenma 72-2685 manual p. 5)
QUERY = re.compile(r"(VSET|ISET|VOUT|IOUT)([1-4])\?\n?|STATUS\?\n?")
SHAPE = {"V": re.compile(rb"[0-9]{2}\.[0-9]{2}"), "I": re.compile(rb"[0-9]\.[0-9]{3}")}


def _model(model: str | None) -> Set:
    name = model or DEFAULT
    if name not in MODELS:
        raise BadFrame(f"no model {name!r}; there are {', '.join(MODELS)}")
    return MODELS[name]


@lru_cache(maxsize=64)
def _queries(asked: bytes) -> tuple[tuple[str, str], ...]:
    """The (word, channel) of each joined query; STATUS has the channel ""."""
    text = asked.decode("latin-1")
    found = list(QUERY.finditer(text))
    if not found or "".join(m[0] for m in found) != text:
        raise BadFrame(f"no queries of this set: {asked.hex()}")
    return tuple((m[1] or "STATUS", m[2] or "") for m in found)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn replies of fixed length into readings.

    Takes   the joined replies (5 characters a value, 1 byte a status) and the joined queries. No reply speaks
            for itself: set and measured values look alike.
    Gives   voltage and current in V and A, set values with the flag setting, measured ones with on, off, cv, cc
            of the status bytes asked in the same round. Output off: neither cv nor cc.
    Raises  BadFrame, and nothing else.
    Source  RND 320-KA remote control syntax V3.0; status layouts by model.
    """
    this = _model(model)
    if asked is None:
        raise BadFrame(f"the query is needed, set and measured values look alike: {frame.hex()}")
    values: list[tuple[str, str, bytes]] = []
    statuses: list[int] = []
    at = 0
    for word, channel in _queries(asked):
        part = frame[at : at + (1 if word == "STATUS" else 5)]
        at += len(part)
        if word == "STATUS" and part:
            statuses.append(part[0])
        elif word != "STATUS" and SHAPE[word[0]].fullmatch(part):
            values.append((word, channel, part))
        else:
            raise BadFrame(f"{part!r} is no answer to {word}{channel}?: {frame.hex()}")
    if at != len(frame):
        raise BadFrame(f"{len(frame) - at} bytes too many: {frame.hex()}")
    return [_reading(word, channel, part.decode("ascii"), statuses, this) for word, channel, part in values]


def _reading(word: str, channel: str, digits: str, statuses: Sequence[int], this: Set) -> Reading:
    n = int(channel) - 1
    if n >= len(this.cv_bits):
        raise BadFrame(f"this model has no channel {channel}")
    unit = word[0].replace("I", "A")
    if word.endswith("SET"):
        flags: tuple[str, ...] = ("setting",)
    else:
        told = {state_flags(status, n, this) for status in statuses}
        flags = told.pop() if len(told) == 1 else ()
    return Reading(
        function="voltage" if unit == "V" else "current",
        value=Decimal(digits),
        unit=unit,
        coupling="dc",
        resolution=count(-len(digits.partition(".")[2])),
        flags=flags,
        display=f"{digits} {unit}",
        channel=channel,
    )


def state_flags(status: int, n: int, this: Set) -> tuple[str, ...]:
    """on or off, and while on cv or cc, of channel n (from 0)."""
    if not status >> this.on_bits[n] & 1:
        return ("off",)
    return ("on", "cv" if status >> this.cv_bits[n] & 1 else "cc")


def _ask(text: str, this: Set) -> Query:
    return Query(
        ask=(text + this.end).encode(), take=exactly(1 if text == "STATUS?" else 5), wait_s=0.5, pause_s=PAUSE_S
    )


def _round(model: str | None) -> tuple[Query, ...]:
    this = _model(model)
    words = ("VSET{}?", "ISET{}?", "VOUT{}?", "IOUT{}?")
    values = [_ask(word.format(n + 1), this) for n in range(len(this.cv_bits)) for word in words]
    return (_ask("STATUS?", this), *values, _ask("STATUS?", this))


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """Status, all values, and status again, once a second."""
    return Dialogue(decode, model, round_=_round(model), every_s=1.0)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a set that shows these readings replies to one query; what is not shown is zero and off."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    this = _model(model)
    try:
        ((word, channel),) = _queries(asked)
    except (BadFrame, ValueError):
        return b""
    if word == "STATUS":
        status = 0
        for r in readings:
            n = int(r.channel or "1") - 1
            status |= ("on" in r.flags) << this.on_bits[n] | ("cv" in r.flags) << this.cv_bits[n]
        return bytes([status])
    unit = word[0].replace("I", "A")
    wanted = [
        r.value
        for r in readings
        if r.channel == channel and r.unit == unit and ("setting" in r.flags) == word.endswith("SET")
    ]
    value = wanted[0] if wanted and wanted[0] is not None else Decimal(0)
    return (f"{value:05.2f}" if unit == "V" else f"{value:.3f}").encode()


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The joined replies of one round."""
    return b"".join(answer(query.ask, shown, model) for query in _round(model))


def control(model: str | None = None, channel: str = "1") -> Control:
    """One channel's commands. OUT1 switches on. No command brings a reply: read back what was set.

    Raises  BadFrame for a model that is not known or a channel that is not there, and for one whose OUT switches
            several channels at once (one status bit for all, from memory): the others are not limited.
    """
    this = _model(model)
    if len(this.on_bits) > 1 and "{c}" not in this.switch:
        raise BadFrame("OUT switches every channel of this set, also those that are not limited: it is only read")
    if channel not in {str(n + 1) for n in range(len(this.cv_bits))}:
        raise BadFrame(f"no channel {channel}: this model has {len(this.cv_bits)}")

    def send(text: str) -> tuple[Query, ...]:
        return (Query(ask=(text + this.end).encode(), pause_s=PAUSE_S),)

    def parse(asked: bytes, reply: bytes) -> Answer:
        queries = _queries(asked)
        if len(queries) != 1:
            raise BadFrame(f"one reply to one query is wanted: {reply.hex()}")
        if queries[0][0] == "STATUS":
            if len(reply) != 1:
                raise BadFrame(f"STATUS? answers one byte: {reply.hex()}")
            flags = state_flags(reply[0], int(channel) - 1, this)
            return Answer(on="on" in flags, mode="cv" if "cv" in flags else "cc" if "cc" in flags else None)
        return heard(decode(reply, asked, model))

    c = channel
    return Control(
        voltage=Setting(unit="V", step=count(-2), most=Decimal("99.99"), say=lambda v: send(f"VSET{c}:{v:05.2f}")),
        current=Setting(unit="A", step=count(-3), most=Decimal("9.999"), say=lambda v: send(f"ISET{c}:{v:.3f}")),
        switch=lambda on: send(this.switch.format(c=c, on=int(on))),
        parse=parse,
        settings=(_ask(f"VSET{c}?", this), _ask(f"ISET{c}?", this)),
        measured=(_ask(f"VOUT{c}?", this), _ask(f"IOUT{c}?", this)),
        output_state=(_ask("STATUS?", this),),
    )
