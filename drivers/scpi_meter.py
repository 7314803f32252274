"""SCPI multimeters: what is measured from CONF?, the number from READ? or FETC?.

Source: HP/Agilent 34401A User's Guide, p. 151 (handshake), pp. 159, 165 (output formats); Keysight U1281A/U1282A
Programming Guide U1281-90001, p. 6 (line, delays). Function words, CONF? replies and the overload number are from
memory of the same manuals. Numbers: IEEE 488.2-1992, 8.7.2-8.7.4 (NR1, NR2, NR3); 9.9E37 and 9.91E37: SCPI-99
vol. 1, 7.2.1 (from memory).
"""

from __future__ import annotations

import re
from decimal import Decimal
from functools import lru_cache
from itertools import product

from construct import GreedyBytes, GreedyRange, NullTerminated, Struct, Terminated

from meterlink.driver import BadFrame, Coupling, Dialogue, Info, Line, Query, Reading, State, count, number

INFO = Info(
    name="scpi_meter",
    title="SCPI multimeters",
    instruments=("HP/Agilent/Keysight 34401A", "Keysight U1241 U1251 U1271 U1281 and others of those series"),
    published="HP 34401A User's Guide, pp. 151, 159, 165; Keysight U1281-90001, p. 6",
    sure="partly from memory",
    notes="printed: the handshake, the number format, the handhelds' line and delays. From memory: CONF? replies, "
    "function words, over range as 9.9E37, the 34401A's line. Temperature is taken as degrees Celsius. Named as "
    "scpi_meter:34401A only its own number form and functions are taken, so fewer damaged replies pass; without a "
    "model any number is",
    wiring="34401A: null-modem cable, DTR/DSR handshake (tie DSR true), set its menu to 9600, none, 8 bits; "
    "handhelds: IR-USB cable; or usbtmc: and tcp: ports",
    line=Line(baudrate=9600, stopbits=2, settle_s=0.2),
    links=("usbtmc", "tcp"),
    poll_s=0.4,
    rate_hz=2.5,
    models=("34401A", "handheld"),
)
END = b"\r\n"
# the last word of a CONF? function that says what is measured -> function, unit
WORDS: dict[str, tuple[str, str]] = {
    "VOLT": ("voltage", "V"),
    "CURR": ("current", "A"),
    "RES": ("resistance", "Ohm"),
    "FRES": ("resistance", "Ohm"),
    "FREQ": ("frequency", "Hz"),
    "PER": ("period", "s"),
    "CONT": ("continuity", "Ohm"),
    "DIOD": ("diode", "V"),
    "CAP": ("capacitance", "F"),
    "TEMP": ("temperature", "Cel"),
}
# what a 34401A has of it, and the form of its numbers (p. 159): required of "scpi_meter:34401A"
EXACT = ("VOLT", "VOLT:AC", "VOLT:RAT", "CURR", "CURR:AC", "RES", "FRES", "FREQ", "PER", "CONT", "DIOD")
FORM = re.compile(r"[+-]\d\.\d{8}E[+-]\d\d", re.ASCII)
COUPLED = ("voltage", "current")
COUPLING: dict[str, Coupling] = {"AC": "ac", "DC": "dc", "ACDC": "acdc", "DCAC": "acdc", "AC+DC": "acdc"}
NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,2})?", re.ASCII)
NUMBERS = re.compile(rf" *{NUMBER.pattern} *(?:, *{NUMBER.pattern} *)*", re.ASCII)
CONFIGURED = re.compile(r'"([A-Z][A-Z0-9:+]*)(?:[ ,]([A-Za-z0-9+\-., :]*))?"')
INFINITE, NOT_A_NUMBER = Decimal("9.9E37"), Decimal("9.91E37")
LARGEST = Decimal("1E30")  # no instrument shows more
ERROR = re.compile(r'\*E|ERR|[+-]\d+,"')

FRAME = Struct("lines" / GreedyRange(NullTerminated(GreedyBytes, term=b"\n")), Terminated)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn the replies of one round into the readings of its number line.

    Takes   reply lines, ended by LF or CR LF: a quoted CONF? reply, a line of one or more numbers, either alone.
            Lines that answer nothing (a key was pressed) are passed over.
    Gives   a reading for each number; without a CONF? reply function "unknown", unit "1"; none for CONF? alone.
    Raises  BadFrame for an error reply, for bytes that are no reply, and where a reply that was asked for is missing.
    Source  34401A User's Guide, p. 159 (several readings are comma separated).
    """
    try:
        text = frame.decode("ascii")
    except UnicodeDecodeError as error:
        raise BadFrame(f"no ASCII: {frame[:80].hex(' ')}") from error
    configured: Configured | None = None
    numbers: list[str] = []
    for line in map(str.strip, text.split("\n")):
        if line.startswith('"'):
            configured = _configured(line, model) or configured
        elif NUMBERS.fullmatch(line):
            numbers = line.split(",")
        elif ERROR.match(line):
            raise BadFrame(f"the meter answers with an error: {line[:60]!r}")
    if asked:
        if configured is None and b"CONF?" in asked:
            raise BadFrame(f"no reply to CONF?: {frame[:80]!r}")
        if not numbers and (b"READ?" in asked or b"FETC?" in asked):
            raise BadFrame(f"no number in {frame[:80]!r}")
    if model == "34401A" and not all(map(FORM.fullmatch, numbers)):
        raise BadFrame(f"a 34401A writes SD.DDDDDDDDESDD: {frame[:80]!r}")
    if configured is None and not numbers:
        raise BadFrame(f"neither a reply to CONF? nor a number: {frame[:80]!r}")
    return [_reading(part, *(configured or UNKNOWN)) for part in numbers]


Configured = tuple[str, str, "Coupling | None", "Decimal | None"]  # function, unit, coupling, resolution
UNKNOWN: Configured = ("unknown", "1", None, None)


@lru_cache(maxsize=256)
def _configured(line: str, model: str | None) -> Configured | None:
    """What a CONF? reply says; None for a quoted line that is none."""
    match = CONFIGURED.fullmatch(line)
    if match is None or (model == "34401A" and match[1] not in EXACT):
        return None
    rest = [part for part in re.split(r"[ ,]+", match[2] or "") if part]
    words = [*match[1].split(":"), *(part.upper() for part in rest if not NUMBER.fullmatch(part))]
    numbers = [part for part in rest if NUMBER.fullmatch(part)]
    function, unit = next((WORDS[word] for word in words if word in WORDS), ("unknown", "1"))
    if "RAT" in words:
        function, unit = "ratio", "1"
    coupling: Coupling | None = None
    if function in COUPLED:
        couplings = {COUPLING[word] for word in words if word in COUPLING}
        coupling = "acdc" if len(couplings) > 1 else next(iter(couplings), "dc")
    resolution = Decimal(numbers[1]) if len(numbers) == 2 else None  # range, resolution
    return function, unit, coupling, resolution if resolution and 0 < resolution < LARGEST else None


def _reading(text: str, function: str, unit: str, coupling: Coupling | None, resolution: Decimal | None) -> Reading:
    value: Decimal | None = Decimal(text)
    state: State = "ok"
    flags: tuple[str, ...] = ()
    assert value is not None  # Decimal() gives one
    if value.adjusted() > LARGEST.adjusted():
        if abs(value) == INFINITE:
            state, flags = "over", ("negative",) if value < 0 else ()
        elif value == NOT_A_NUMBER:
            state = "blank"
        else:
            raise BadFrame(f"{text} is no value of a meter")
        value = None
    return Reading(
        function=function,
        coupling=coupling,
        value=value,
        unit=unit,
        resolution=resolution,
        state=state,
        flags=flags,
    )


def _line(held: bytes, answers: re.Pattern[bytes]) -> int | None:
    """The length up to the end of the first line that answers or reports an error."""
    at = 0
    while (end := held.find(b"\n", at)) >= 0:
        text = held[at:end].strip()
        if answers.match(text) or ERROR.match(text.decode("latin-1")):
            return end + 1
        at = end + 1
    return None


QUOTED, NUMERIC = re.compile(rb'"'), re.compile(rb"[+-.0-9]")


def _round(model: str | None) -> tuple[Query, ...]:
    handheld = model == "handheld"
    return (
        Query(ask=b"CONF?" + END, take=lambda held: _line(held, QUOTED), pause_s=0.2 if handheld else 0.0),
        Query(
            ask=(b"FETC?" if handheld else b"READ?") + END,
            take=lambda held: _line(held, NUMERIC),
            wait_s=1.5 if handheld else 5.0,  # READ? waits for a measurement, 100 power line cycles at most
            pause_s=0.2 if handheld else 0.0,  # U1281-90001, p. 6
        ),
    )


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """A fresh conversation. A 34401A on RS-232 takes commands after SYSTem:REMote only (error 550 before it)."""
    opening = () if model == "handheld" else (Query(ask=b"SYST:REM" + END, pause_s=0.1),)
    return Dialogue(decode, model, round_=_round(model), opening=opening, every_s=INFO.poll_s or 0.0)


def answer(asked: bytes, reading: Reading, model: str | None = None) -> bytes:
    """The reply to one query, in 34401A's forms; none to a command or to another query."""
    query = asked.strip().upper()
    if query == b"CONF?":
        return _word(reading, model).encode() + END
    if query in (b"READ?", b"FETC?"):
        return _number(reading).encode() + END
    if query == b"SYST:ERR?":
        return b'+0,"No error"' + END
    return b"HEWLETT-PACKARD,34401A,0,0-0-0" + END if query == b"*IDN?" else b""


def build(reading: Reading, model: str | None = None) -> bytes:
    """The joined replies of one round. Raises ValueError for a function that has no word here."""
    return answer(b"CONF?", reading, model) + answer(b"READ?", reading, model)


def _word(reading: Reading, model: str | None) -> str:
    if reading.function == "ratio":
        word = "VOLT:RAT"
    else:
        meant = (reading.function, reading.unit)
        word = next((w for w, what in WORDS.items() if what == meant), "")
        if not word:
            raise ValueError(f"no function word for {reading.function} in {reading.unit}")
    word += {"ac": ":AC", "acdc": ":ACDC"}.get(reading.coupling or "", "")
    if model == "34401A" and word not in EXACT:
        raise ValueError(f"a 34401A has no function {word}")
    if reading.resolution is None:
        return f'"{word}"'
    return f'"{word} {_nr3(reading.resolution * 1_000_000, 6)},{_nr3(reading.resolution, 6)}"'


def _number(reading: Reading) -> str:
    if reading.state == "over":
        return ("-" if "negative" in reading.flags else "+") + "9.90000000E+37"
    return "+9.91000000E+37" if reading.value is None else _nr3(reading.value, 8)


def _nr3(value: Decimal, decimals: int) -> str:
    """SD.DDDDDDDDESDD (34401A User's Guide, p. 159)."""
    mantissa, _, exponent = f"{value:+.{decimals}E}".partition("E")
    return f"{mantissa}E{int(exponent):+03d}"


def _shapes() -> list[Reading]:
    functions = [*dict.fromkeys(WORDS.values()), ("ratio", "1")]
    return [
        Reading(
            function=function,
            unit=unit,
            coupling=coupling,
            value=number(negative, "123456", exponent),
            resolution=count(exponent),
        )
        for (function, unit), exponent, negative in product(functions, (-9, -4, 0), (False, True))
        for coupling in (("dc", "ac") if function in COUPLED else (None,))
    ]


SHAPES = _shapes()
