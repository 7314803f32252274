"""TPI 190-series multimeters: ASCII lines, sent by themselves.

Source: TPI 196 instruction manual, pp. 37-38; TPI 192 / 190-series manual, p. 32. Over range is not documented there.
"""

from __future__ import annotations

import re
from functools import lru_cache

from construct import Byte as OneByte
from construct import Const, GreedyRange, OneOf, Struct, Terminated

from meterlink.driver import PREFIX, BadFrame, Coupling, Framer, Info, Line, LineFrames, Reading, State, count, number

INFO = Info(
    name="tpi",
    title="TPI 190-series text lines",
    instruments=("TPI 192", "TPI 196", "TPI 190 series"),
    published="TPI 196 manual, pp. 37-38; TPI 192 / 190-series manual, p. 32",
    sure="partly from memory",
    notes="Lines, codes and three example lines are printed. Over range is not: a value of letters (OL, OVER) is taken "
    "for it. From memory: the cable's DTR/RTS levels. Which units go with which function is the printed table. The "
    "flag key says that compare, relative or record is on; numbers after the unit are readings of the channels left "
    "and right, with the main unit after a compare word (flag limit), else as function unknown. Voltage, current and "
    "resistance must have five digits and a point, as in the printed lines: a line that lost a character is refused",
    wiring="the maker's isolated cable; DTR on, RTS off is assumed to feed it",
    line=Line(baudrate=19200, dtr=True, rts=False),
    rate_hz=2.0,
    silence_s=0.2,
)
# function code: function, coupling, and the units as sent
OHMS = ("Ohm", "kOhm", "MOhm")
CODES: dict[str, tuple[str, Coupling | None, tuple[str, ...]]] = {
    "DCV": ("voltage", "dc", ("mV", "V")),
    "ACV": ("voltage", "ac", ("V",)),
    "DIO": ("diode", None, ("V",)),
    "OHM": ("resistance", None, OHMS),
    "BEP": ("continuity", None, OHMS),
    "CAP": ("capacitance", None, ("uF", "mF")),
    "FRQ": ("frequency", None, ("Hz", "kHz")),
    "DCA": ("current", "dc", ("uA", "mA", "A")),
    "ACA": ("current", "ac", ("uA", "mA", "A")),
    "AC": ("current", "ac", ("A",)),  # a current adaptor, 1 to 3
    "DC": ("current", "dc", ("A",)),
    "TMP": ("temperature", None, ("tC", "tF")),
    "IND": ("inductance", None, ("mH",)),
}
FIVE = ("DCV", "ACV", "OHM", "DCA", "ACA")  # so in every printed example; a lost digit shows
SENT = {"kOhm": "Kohm", "MOhm": "Mohm", "kHz": "Khz"}  # as the manual spells them, where it is not as here
UCUM = {"tC": ("Cel", ""), "tF": ("[degF]", "")}
SUFFIXES = ("Ohm", "V", "A", "F", "Hz", "H")
NUMBER = r"([+-]?) ?(\d{1,6}(?:\.\d{1,5})?)"
PRINTABLE = bytes(range(0x20, 0x7F))
LETTERS = re.compile(r"[+-]? ?\.?(?:[A-Z]\.?[A-Z]+|0\.?L)\.?")
DIGITS = re.compile(NUMBER)
EVENT = re.compile(r"3 +(RANGE|REC|REL|COMP|HOLD)( +(AUTO|MANUAL|ON|OFF|AVG))?( +[+-]?[0-9.]+)* *")
SOURCE = re.compile(rf"(?:2 +)?mA ([0ABC2]) +{NUMBER} ?mA +{NUMBER} *%? *")
MAIN = re.compile(
    r"(?:([12]) +)?(?P<code>DCV|ACV|DIO|OHM|BEP|CAP|FRQ|DCA|ACA|TMP|IND|(?:AC|DC) ?[123]) +"
    r"(?P<value>[+-]? ?[^ ]+) +(?P<unit>[A-Za-z]+)(?: +(?P<word>[A-Z]+))?(?P<subs>(?: +[+-]?[0-9.]+){0,2}) *"
)

FRAME = Struct(
    "text" / GreedyRange(OneOf(OneByte, range(0x20, 0x7F))),
    Const(b"\r\n"),
    Terminated,
)


@lru_cache(maxsize=64)
def _unit(text: str) -> tuple[str, str, str]:
    """UCUM unit, prefix, and the spelling of the tables; letters in any case but m and M. Raises KeyError."""
    if text in UCUM:
        return (*UCUM[text], text)
    suffix = next((s for s in SUFFIXES if text.lower().endswith(s.lower())), "")
    prefix = text[: len(text) - len(suffix)]
    prefix = prefix if prefix in ("m", "M") else prefix.lower()
    if not suffix or prefix not in ("", "u", "m", "k", "M"):
        raise KeyError(text)
    return suffix, prefix, prefix + suffix


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one line into its readings.

    Takes   the line with its CR LF.
    Gives   the main display, then the sub displays as channels "left" and "right". A line of the current output (mA 0)
            gives the current with the flags setting and output-0, and the percentage as channel "2". A key event
            gives none. A value of letters is state "over", a mixture is "blank" with the flag "unreadable".
    Raises  BadFrame for other bytes, and for a unit that the function does not have.
    Source  TPI 196 manual, pp. 37-38.
    """
    if not frame.endswith(b"\r\n") or frame[:-2].translate(None, PRINTABLE):
        raise BadFrame(f"no line of text with CR LF: {frame[:60].hex(' ')}")
    text = frame[:-2].decode()
    if EVENT.fullmatch(text):
        return []
    if source := SOURCE.fullmatch(text):
        mode, sign, amps, percent_sign, percent = source.groups()
        output = ("setting", f"output-{mode.lower()}")
        return [
            _number("current", "A", "m", "mA", sign, amps, output, None, "dc"),
            _number("ratio", "%", "", "%", percent_sign, percent, output, "2"),
        ]
    main = MAIN.fullmatch(text)
    if main is None:
        raise BadFrame(f"no line of this meter: {text!r}")
    function, coupling, units = CODES[main["code"].rstrip(" 123")]
    try:
        ucum, prefix, spelt = _unit(main["unit"])
    except KeyError:
        spelt = ""
    if spelt not in units:
        raise BadFrame(f"{main['code']} has no unit {main['unit']}: {text!r}")
    word, subs = main["word"], main["subs"].split()
    if (word or subs) and main[1] != "1":
        raise BadFrame(f"sub displays without the digit 1 before the line: {text!r}")
    shown_unit = UCUM[spelt][0] if spelt in UCUM else spelt
    flags: tuple[str, ...] = ("key",) if main[1] == "1" else ()
    if word:
        flags += (word.lower(),)
    if value := DIGITS.fullmatch(main["value"]):
        if main["code"] in FIVE and (len(value[2]) != 6 or "." not in value[2]):
            raise BadFrame(f"{main['code']} shows five digits and a point: {text!r}")
        out = [_number(function, ucum, prefix, shown_unit, value[1], value[2], flags, None, coupling)]
    else:
        over = LETTERS.fullmatch(main["value"])
        state: State = "over" if over else "blank"
        flags += () if over else ("unreadable",)
        display = f"{main['value'] if over else ''} {shown_unit}".strip()
        out = [
            Reading(
                function=function, coupling=coupling, value=None, unit=ucum, state=state, flags=flags, display=display
            )
        ]
    for channel, sub in zip(("left", "right"), subs, strict=False):
        shown = DIGITS.fullmatch(sub)
        if shown is None:
            raise BadFrame(f"a sub display shows {sub!r}: {text!r}")
        if word:
            out.append(
                _number(function, ucum, prefix, shown_unit, shown[1], shown[2], ("key", "limit"), channel, coupling)
            )
        else:
            out.append(_number("unknown", "1", "", "", shown[1], shown[2], ("key",), channel))
    return out


def _number(
    function: str,
    ucum: str,
    prefix: str,
    shown: str,
    sign: str,
    text: str,
    flags: tuple[str, ...],
    channel: str | None,
    coupling: Coupling | None = None,
) -> Reading:
    whole, _, decimals = text.partition(".")
    exponent = PREFIX[prefix] - len(decimals)
    minus = "-" if sign == "-" else ""
    return Reading(
        function=function,
        coupling=coupling,
        value=number(bool(minus), whole + decimals, exponent),
        unit=ucum,
        resolution=count(exponent),
        flags=flags,
        display=f"{minus}{text} {shown}".strip(),
        channel=channel,
    )


def build(reading: Reading, model: str | None = None) -> bytes:
    """The line of a main display, in the manual's general form. Raises ValueError for one that none shows."""
    if reading.channel is not None or reading.state not in ("ok", "over"):
        raise ValueError(f"no line is made for {reading.function} {reading.state} at {reading.channel}")
    places = 4 if reading.resolution is None else -int(reading.resolution.as_tuple().exponent)
    for code, (function, coupling, units) in CODES.items():
        if (function, coupling) != (reading.function, reading.coupling):
            continue
        for unit in units:
            ucum, prefix, _ = _unit(unit)
            decimals = places + PREFIX[prefix]
            if ucum == reading.unit and 1 <= decimals <= 4:
                text, sign = "OL", " "
                if reading.value is not None:
                    negative, digits, exponent = reading.value.as_tuple()
                    if exponent != -places or len(digits) > 5:
                        raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
                    shown = "".join(map(str, digits)).rjust(5, "0")
                    text = f"{shown[:-decimals]}.{shown[-decimals:]}"
                    sign = "-" if negative else " "
                state = "1" if "key" in reading.flags else "2"
                word = next((f.upper() + " " for f in reading.flags if f not in ("key", "unreadable")), "")
                return f"{state} {code} {sign}{text} {SENT.get(unit, unit)} {word}\r\n".encode()
    raise ValueError(f"no line shows {reading.function} in counts of {reading.resolution} {reading.unit}")


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return LineFrames(decode, model, longest=80)


# every function and unit, 5 digits with 2 to 4 decimals, of both signs, and over range
SHAPES = [
    Reading(
        function=function,
        coupling=coupling,
        value=None if digits is None else number(negative, digits, PREFIX[_unit(unit)[1]] - decimals),
        unit=_unit(unit)[0],
        resolution=None if digits is None else count(PREFIX[_unit(unit)[1]] - decimals),
        state="over" if digits is None else "ok",
    )
    for code, (function, coupling, units) in CODES.items()
    if code not in ("AC", "DC")
    for unit in units
    for decimals, digits, negative in ((4, "12345", True), (3, "00470", False), (2, "23015", False), (2, None, False))
]
