"""The least hand-written decoders of the families that stream, as bench_decode.py measures drivers against.

Each does what a careful script for one meter would: check the frame's shape, read digits and sign, look function, unit
and power of ten up, and give a Reading of function, value and unit. They know no coupling, flags, resolution or display
text, and refuse no impossible combination of marks. Anything refused raises ValueError or LookupError. The tables are
those of the drivers' sources, written down a second time.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal

from meterlink.reading import Reading

Minimal = Callable[[bytes, "bytes | None", "str | None"], list[Reading]]
STRIP = bytes(b & 0x7F for b in range(256))  # a port opened 8N1 leaves the parity bit in place
DATA = bytes(range(0x30, 0x40))

GLYPHS = {0x7D: "0", 5: "1", 0x5B: "2", 0x1F: "3", 0x27: "4", 0x3E: "5", 0x7E: "6", 0x15: "7", 0x7F: "8", 0x3F: "9",
          0x68: "L", 0: " "}  # fmt: skip


def fs9721(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if frame.hex()[::2] != "123456789abcde":
        raise ValueError
    f, get = frame, GLYPHS.get
    digits = (
        get((f[1] & 7) << 4 | f[2] & 15, "?")
        + get((f[3] & 7) << 4 | f[4] & 15, "?")
        + get((f[5] & 7) << 4 | f[6] & 15, "?")
        + get((f[7] & 7) << 4 | f[8] & 15, "?")
    )
    point = 1 if f[3] & 8 else 2 if f[5] & 8 else 3 if f[7] & 8 else 4
    if f[12] & 4:
        function, unit = ("diode" if f[9] & 1 else "voltage"), "V"
    elif f[11] & 4:
        function, unit = ("continuity" if f[10] & 1 else "resistance"), "Ohm"
    elif f[12] & 8:
        function, unit = "current", "A"
    elif f[11] & 8:
        function, unit = "capacitance", "F"
    elif f[12] & 2:
        function, unit = "frequency", "Hz"
    elif f[10] & 4:
        function, unit = "duty", "%"
    else:
        function, unit = "unknown", "1"
    power = -3 if f[10] & 8 else 3 if f[9] & 2 else 6 if f[10] & 2 else -6 if f[9] & 8 else -9 if f[9] & 4 else 0
    number = digits.strip()
    value = Decimal(f"{'-' if f[1] & 8 else ''}{number}E{power + point - 4}") if number.isdigit() else None
    return [Reading(function=function, value=value, unit=unit)]


FS9922_POWER = {0: 0, 1 << 17: -9, 1 << 15: -6, 1 << 14: -3, 1 << 13: 3, 1 << 12: 6}
FS9922 = {
    0x80: ("voltage", "V"), 0x480: ("diode", "V"), 0x40: ("current", "A"), 0x20: ("resistance", "Ohm"),
    0x820: ("continuity", "Ohm"), 0x10: ("gain", "1"), 0x08: ("frequency", "Hz"), 0x04: ("capacitance", "F"),
    0x02: ("temperature", "Cel"), 0x01: ("temperature", "[degF]"), 0x200: ("duty", "%"),
}  # fmt: skip
FS9922_PLACES = {0x30: 0, 0x31: 3, 0x32: 2, 0x33: 1, 0x34: 1, 0: 0, 1: 3, 2: 2, 3: 1, 4: 1}


def fs9922(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if len(frame) != 14 or frame[12:] != b"\r\n" or frame[5] != 0x20 or frame[0] not in b"+-":
        raise ValueError
    status = int.from_bytes(frame[7:11], "big")
    function, unit = FS9922[status & 0xEFF]
    digits = frame[1:5]
    if not digits.isdigit():
        return [Reading(function=function, value=None, unit=unit)]
    exponent = FS9922_POWER[status & 0x2F000] - FS9922_PLACES[frame[6]]
    return [Reading(function=function, value=Decimal(f"{frame[:5].decode()}E{exponent}"), unit=unit)]


def fs9922_hid(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if len(frame) != 8:
        raise ValueError
    status = int.from_bytes(frame[3:7], "big")
    function, unit = FS9922[status & 0xEFF]
    digits = frame[1:3].hex()
    if not digits.isdigit():
        return [Reading(function=function, value=None, unit=unit)]
    exponent = FS9922_POWER[status & 0x2F000] - FS9922_PLACES[frame[0] & 7]
    return [Reading(function=function, value=Decimal(f"{digits}E{exponent}"), unit=unit)]


Ranges = dict[int, tuple[str, str, tuple[int, ...]]]


def judged(either: Ranges, zero: Ranges, one: Ranges) -> Ranges:
    """Ranges by function byte, with 0x80 where the judge bit is set."""
    return {**either, **{code | 0x80: row for code, row in (either | one).items()}, **zero}


ES51922 = judged(
    {
        0x3B: ("voltage", "V", (-4, -3, -2, -1, -5)), 0x33: ("resistance", "Ohm", (-2, -1, 0, 1, 2, 3, 4)),
        0x36: ("capacitance", "F", tuple(range(-12, -4))), 0x31: ("diode", "V", (-4,)),
        0x35: ("continuity", "Ohm", (-2,)), 0x3D: ("current", "A", (-8, -7)), 0x3F: ("current", "A", (-6, -5)),
        0x30: ("current", "A", (-3,)), 0x39: ("current", "A", (-4, -3, -2, -1, 0)),
    },
    {0x32: ("duty", "%", (-1,) * 8), 0x34: ("temperature", "[degF]", (-1,) * 8)},
    {0x32: ("frequency", "Hz", (-2, -1, 0, 0, 1, 2, 3, 4)), 0x34: ("temperature", "Cel", (-1,) * 8)},
)  # fmt: skip

VBAR: Ranges = {0x3D: ("current", "A", (-2, -1)), 0x3F: ("current", "A", (-3, -2))}
ES51922 |= {code | 0x100: row for code, row in (ES51922 | judged(VBAR, {}, {})).items()}


def es51922(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    frame = frame.translate(STRIP)
    if len(frame) != 14 or frame[12:] != b"\r\n" or frame[:12].translate(None, DATA):
        raise ValueError
    function, unit, powers = ES51922[frame[6] | (frame[7] & 8) << 4 | (frame[11] & 4) << 6]
    value = None
    if not frame[7] & 1:
        value = Decimal(f"{'-' if frame[7] & 4 else ''}{frame[1:6].decode()}E{powers[frame[0] & 15]}")
    return [Reading(function=function, value=value, unit=unit)]


ES51978 = judged(
    {
        0x3B: ("voltage", "V", (-4, -3, -2, -1, 0)), 0x3D: ("current", "A", (-7, -6)), 0x39: ("current", "A", (-5, -4)),
        0x3F: ("current", "A", (-2,)), 0x33: ("resistance", "Ohm", (-1, 0, 1, 2, 3, 4)), 0x31: ("diode", "V", (-3,)),
        0x35: ("continuity", "Ohm", (-1,)), 0x36: ("capacitance", "F", tuple(range(-12, -4))),
    },
    {0x32: ("rotation", "/min", (1, 2, 3, 4, 5, 6))},
    {0x32: ("frequency", "Hz", (0, 1, 2, 3, 4, 5))},
)  # fmt: skip
ES51986 = judged(
    {
        0x3B: ("voltage", "V", (-4, -3, -2, -1, 0)), 0x3D: ("current", "A", (-7, -6)), 0x3F: ("current", "A", (-5, -4)),
        0x30: ("current", "A", (-3, -2)), 0x33: ("resistance", "Ohm", (-1, 0, 1, 2, 3, 4)),
        0x31: ("diode", "V", (-3,)), 0x35: ("continuity", "Ohm", (-1,)),
        0x36: ("capacitance", "F", tuple(range(-12, -4))),
    },
    {},
    {0x32: ("frequency", "Hz", (0, 1, 2, 3, 4))},
)  # fmt: skip


def block(table: Ranges, frame: bytes) -> list[Reading]:
    frame = frame.translate(STRIP)
    if len(frame) != 11 or frame[9:] != b"\r\n" or frame[:9].translate(None, DATA):
        raise ValueError
    function, unit, powers = table[frame[5] | (frame[6] & 8) << 4]
    value = None
    if not frame[6] & 1:
        value = Decimal(f"{'-' if frame[6] & 4 else ''}{frame[1:5].decode()}E{powers[frame[0] & 15]}")
    return [Reading(function=function, value=value, unit=unit)]


def es51978(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    return block(ES51978, frame)


def es51986(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    return block(ES51986, frame)


# annunciator code: function, unit, power of ten to it
STX16 = {
    code: (function, unit, int(power))
    for code, function, unit, power in map(
        str.split,
        """\
01 temperature Cel 0
02 temperature [degF] 0
03 ratio % 0
04 humidity % 0
05 acidity [pH] 0
06 oxygen % 0
07 concentration g/L -3
08 speed m/s 0
09 speed [kn_i] 0
10 speed m/h 3
11 speed [ft_i]/min 0
12 speed [mi_i]/h 0
13 conductance S -6
14 conductance S -3
15 illuminance lx 0
16 illuminance lm/[sft_i] 0
17 level dB 0
18 voltage V -3
19 fraction [ppm] 0
20 mass g -3
21 flux-density T 0
22 pressure bar 0
23 pressure [psi] 0
27 rotation /min 0
31 frequency Hz 0
33 frequency Hz 3
34 voltage V 0
35 current A -6
36 current A 0
37 current A -3
38 resistance Ohm 0
39 resistance Ohm 3
40 resistance Ohm 6
41 inductance H -3
42 inductance H 0
43 capacitance F -9
44 capacitance F -6
45 gain 1 0
46 diode V 0
47 power W 0
48 power W 3
49 voltage V -3
50 voltage V 0
51 current A -6
52 current A 0
53 current A -3
67 frequency Hz 6
68 inductance H -6
74 duration s -3
75 duration s -6
76 duration s 0
84 flow m3/min 0
85 flow [cft_i]/min 0
86 pressure bar -3
87 pressure Pa 0
88 pressure Pa 3
92 acceleration m/s2 0
93 speed m/s -3
94 length m -3
95 speed m/s -2
96 length [in_i] 0
97 acceleration [ft_i]/s2 0
98 speed [in_i]/s 0
A4 capacitance F -12
B5 flux-density G 0
E3 flux-density T -3
""".splitlines(),
    )
}
BARE = ("unknown", "1", 0)
STX16_LOWER = {"1": ("temperature", "Cel"), "2": ("temperature", "[degF]")}


def stx16(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if len(frame) != 16 or frame[0] != 2 or frame[15] != 13:
        raise ValueError
    text = frame.decode("latin-1")
    function, unit, power = STX16.get(text[3:5], BARE)
    if text[1] == "4":
        if text[2] == "0":
            return []  # the clock
        digits = text[7:15]
        value = Decimal(f"{'-' if text[5] == '1' else ''}{digits}E{power - int(text[6])}") if digits.isdigit() else None
        return [Reading(function=function, value=value, unit=unit)]
    sign, digits = text[1], text[11:15]
    value = Decimal(f"{'-' if sign in '13' else ''}{digits}E{power - int(text[6])}") if digits.isdigit() else None
    out = [Reading(function=function, value=value, unit=unit)]
    if text[2] in STX16_LOWER:
        function, unit = STX16_LOWER[text[2]]
        value = Decimal(f"{'-' if sign in '23' else ''}{text[7:11]}E-{text[5]}")
        out.append(Reading(function=function, value=value, unit=unit))
    return out


TPI = re.compile(
    r"(?:[12] +)?([A-Z]{2,3}) ?[123]? +([+-]? ?[^ ]+) +([A-Za-z]+)(?: +([A-Z]+))?((?: +[+-]?[0-9.]+){0,2}) *\r\n"
)
TPI_SOURCE = re.compile(r"2 +mA [0ABC2] +([+-]?) ?([0-9.]+) ?mA +([+-]?) ?([0-9.]+) *%? *\r\n")
TPI_FUNCTION = {
    "DCV": "voltage", "ACV": "voltage", "DIO": "diode", "OHM": "resistance", "BEP": "continuity", "CAP": "capacitance",
    "FRQ": "frequency", "DCA": "current", "ACA": "current", "AC": "current", "DC": "current", "TMP": "temperature",
    "IND": "inductance",
}  # fmt: skip
TPI_UNIT = {
    "mV": ("V", -3), "V": ("V", 0), "uA": ("A", -6), "mA": ("A", -3), "A": ("A", 0), "Ohm": ("Ohm", 0),
    "Kohm": ("Ohm", 3), "Mohm": ("Ohm", 6), "kOhm": ("Ohm", 3), "MOhm": ("Ohm", 6), "ohm": ("Ohm", 0),
    "uF": ("F", -6), "mF": ("F", -3), "Hz": ("Hz", 0), "Khz": ("Hz", 3), "kHz": ("Hz", 3), "mH": ("H", -3),
    "tC": ("Cel", 0), "tF": ("[degF]", 0),
}  # fmt: skip


def tpi(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    text = frame.decode("ascii")
    if source := TPI_SOURCE.fullmatch(text):
        sign, milliamperes, percent_sign, percent = source.groups()
        return [
            Reading(function="current", value=Decimal(f"{sign}{milliamperes}E-3"), unit="A"),
            Reading(function="ratio", value=Decimal(percent_sign + percent), unit="%"),
        ]
    main = TPI.fullmatch(text)
    if main is None:
        raise ValueError
    code, shown, sent, word, subs = main.groups()
    function, (unit, power) = TPI_FUNCTION[code], TPI_UNIT[sent]
    value = None if "O" in shown else Decimal(f"{shown.replace(' ', '')}E{power}")
    out = [Reading(function=function, value=value, unit=unit)]
    for sub in subs.split():
        if word:
            out.append(Reading(function=function, value=Decimal(f"{sub}E{power}"), unit=unit))
        else:
            out.append(Reading(function="unknown", value=Decimal(sub), unit="1"))
    return out


STREAMS: dict[str, Minimal] = {
    "fs9721": fs9721,
    "fs9922": fs9922,
    "fs9922_hid": fs9922_hid,
    "es51922": es51922,
    "es51978": es51978,
    "es51986": es51986,
    "stx16": stx16,
    "tpi": tpi,
}
