"""Manson-type supplies: commands and value lines of fixed digit columns.

Source: Manson HCS-3602-USB user manual p. 16; Voltcraft PPS-11360 data sheet p. 1, PPS-11810 p. 4; B&K
Precision 1688B user manual p. 28; PeakTech 1565 manual p. 32. GETD names the mode but not whether the
output is on, so a reading of no volts and no amperes claims no mode.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache

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
    number,
    until,
)

# Decimals of amperes in the three-digit fields, by model: the same digits mean another value (Manson p. 16).
AMPS = {
    "HCS-3602": 1, "HCS-3600": 1, "HCS-3604": 1, "HCS-3100": 1, "HCS-3150": 1, "HCS-3200": 1, "HCS-3202": 1,
    "HCS-3102": 2, "HCS-3104": 2, "HCS-3204": 2, "PPS-11360": 2,
}  # fmt: skip
DEFAULT = "HCS-3602"

INFO = Info(
    name="manson",
    title="Manson-type supplies, fixed digit columns",
    instruments=(
        "Manson HCS-3100 HCS-3102 HCS-3104 HCS-3150 HCS-3200 HCS-3202 HCS-3204 HCS-3600 HCS-3602 HCS-3604",
        "Voltcraft PPS-11360",
        "B&K Precision 1688B (a 36xx model)",
        "PeakTech 1565 (a 36xx model)",
    ),
    published="Manson HCS-3602-USB manual p. 16; B&K 1688B manual p. 28; PeakTech 1565 manual p. 32",
    kind="supply",
    sure="partly from memory",
    notes="Commands and columns are printed. From memory: 9600 8N1. The Voltcraft sheet reads set amperes with two "
    "decimals where Manson reads one: name the model. On or off is not told by any printed query. The addressed "
    "set of the PeakTech 1885 is not spoken.",
    wiring="USB types are a virtual serial port; else a straight RS-232 lead",
    line=Line(baudrate=9600),
    poll_s=0.5,
    models=tuple(AMPS),
)

MODES = {"0": ("cv",), "1": ("cc",)}
COMMAND = re.compile(rb"(?:VOLT|CURR|SOVP)[0-9]{3}\r|SOUT[01]\r")
ANSWERS = re.compile(rb"(?:(?:[0-9]+\r)*OK\r)+")
TAKE = until(b"OK\r")
ROUND = (Query(ask=b"GETD\r", take=TAKE), Query(ask=b"GETS\r", take=TAKE))


def _amps(model: str | None) -> int:
    name = model or DEFAULT
    if name not in AMPS:
        raise BadFrame(f"no model {name!r}: the decimals of its amperes are not known; there are {', '.join(AMPS)}")
    return AMPS[name]


def _lines(frame: bytes) -> list[list[str]]:
    """The value lines of each reply. Raises BadFrame when anything else stands in between."""
    if not ANSWERS.fullmatch(frame):
        raise BadFrame(f"not digits CR ... OK CR: {frame.hex()}")
    return [answer.split() for answer in frame.decode("ascii").split("OK\r")[:-1]]


@lru_cache(maxsize=64)
def _commands(asked: bytes) -> tuple[str, ...]:
    if not asked.endswith(b"\r") or not asked.isascii():
        raise BadFrame(f"no commands that end with CR: {asked.hex()}")
    return tuple(asked.decode("ascii").split("\r")[:-1])


def _pairs(frame: bytes, asked: bytes | None) -> list[tuple[str, list[str]]]:
    replies = _lines(frame)
    if asked is None:
        if [len(line) for line in replies[0]] != [9] or len(replies) != 1:
            raise BadFrame(f"only GETD's nine digits speak for themselves, the query is needed: {frame.hex()}")
        return [("GETD", replies[0])]
    queries = _commands(asked)
    if len(queries) != len(replies):
        raise BadFrame(f"{len(queries)} commands, {len(replies)} replies: {frame.hex()}")
    return list(zip(queries, replies, strict=True))


def _field(command: str, lines: list[str], length: int, frame: bytes) -> str:
    if len(lines) != 1 or len(lines[0]) != length:
        raise BadFrame(f"{command} answers {length} digits: {frame.hex()}")
    return lines[0]


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn the replies of GETD and GETS into readings.

    Takes   the joined replies, and the joined commands that brought them; GETD's reply alone needs none.
    Gives   GETD: voltage and current with cv or cc; GETS: both set values, with the flag setting. Channel "1".
    Raises  BadFrame, and nothing else.
    Source  Manson HCS-3602-USB manual p. 16.
    """
    amps = _amps(model)
    out: list[Reading] = []
    for command, lines in _pairs(frame, asked):
        if command == "GETD":
            digits = _field(command, lines, 9, frame)
            if digits[8] not in MODES:
                raise BadFrame(f"status {digits[8]} is neither 0 (CV) nor 1 (CC): {frame.hex()}")
            flags = (
                MODES[digits[8]] if digits[:8].strip("0") else ()
            )  # an output that is off shows zeros and a mode too
            out += [_reading("voltage", digits[:4], -2, flags), _reading("current", digits[4:8], -2, flags)]
        elif command == "GETS":
            digits = _field(command, lines, 6, frame)
            out += [
                _reading("voltage", digits[:3], -1, ("setting",)),
                _reading("current", digits[3:], -amps, ("setting",)),
            ]
        else:
            raise BadFrame(f"{command} brings no reading: {frame.hex()}")
    return out


def _reading(function: str, digits: str, exponent: int, flags: tuple[str, ...]) -> Reading:
    unit = "V" if function == "voltage" else "A"
    value = Decimal(f"{digits}E{exponent}")
    return Reading(
        function=function,
        value=value,
        unit=unit,
        coupling="dc",
        resolution=count(exponent),
        flags=flags,
        display=f"{value} {unit}",
        channel="1",
    )


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """Displayed and set values, twice a second."""
    _amps(model)
    return Dialogue(decode, model, round_=ROUND, every_s=0.5)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a set that shows these readings replies to GETD, GETS, GOVP or a command; what is not shown is zero."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    if COMMAND.fullmatch(asked):
        return b"OK\r"
    if asked not in (b"GETS\r", b"GETD\r", b"GOVP\r"):
        return b""
    setting = asked != b"GETD\r"
    level = asked == b"GOVP\r"
    chosen = {
        r.function: r for r in readings if ("setting" in r.flags) == setting and ("over-voltage" in r.flags) == level
    }

    def digits(function: str, width: int, decimals: int) -> str:
        value = chosen[function].value if function in chosen else None
        return f"{min(int((value or Decimal(0)).scaleb(decimals)), 10**width - 1):0{width}d}"  # its digits end there

    if level:
        return f"{digits('voltage', 3, 1)}\rOK\r".encode()
    if setting:
        return f"{digits('voltage', 3, 1)}{digits('current', 3, _amps(model))}\rOK\r".encode()
    cc = any("cc" in r.flags for r in chosen.values())
    return f"{digits('voltage', 4, 2)}{digits('current', 4, 2)}{int(cc)}\rOK\r".encode()


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The joined replies of one round."""
    return b"".join(answer(query.ask, shown, model) for query in ROUND)


def control(model: str | None = None, channel: str = "1") -> Control:
    """The set's commands. SOUT has the inverse sense: 0 switches on, 1 off (PeakTech 1885 manual p. 52).

    Raises  BadFrame for a model that is not known or a channel that is not there.
    """
    amps = _amps(model)
    if channel != "1":
        raise BadFrame(f"this set has one channel, 1, not {channel}")

    def say(word: str, decimals: int) -> Setting:
        step = count(-decimals)
        return Setting(
            unit="A" if word == "CURR" else "V",
            step=step,
            most=999 * step,
            say=lambda v: (Query(ask=f"{word}{int(v.scaleb(decimals)):03d}\r".encode(), take=TAKE),),
        )

    def parse(asked: bytes, reply: bytes) -> Answer:
        pairs = _pairs(reply, asked)
        if len(pairs) != 1:
            raise BadFrame(f"one reply to one command is wanted: {reply.hex()}")
        command, lines = pairs[0]
        if command in ("GETD", "GETS"):
            return heard(decode(reply, asked, model))
        if command == "GOVP":
            return Answer(over_voltage=number(False, _field(command, lines, 3, reply), -1))
        if lines:
            raise BadFrame(f"{command} answers OK alone: {reply.hex()}")
        return Answer(done=True)

    return Control(
        voltage=say("VOLT", 1),
        current=say("CURR", amps),
        over_voltage=say("SOVP", 1),
        switch=lambda on: (Query(ask=b"SOUT0\r" if on else b"SOUT1\r", take=TAKE),),
        parse=parse,
        settings=(ROUND[1], Query(ask=b"GOVP\r", take=TAKE)),
        measured=(ROUND[0],),
    )
