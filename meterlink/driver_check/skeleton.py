"""What `meterlink driver new` writes: a made-up meter's driver that passes its checks, to be changed line by line."""

from __future__ import annotations

from pathlib import Path

from meterlink.errors import BadInput
from meterlink.link.recording import EXPECTED, SUFFIX
from meterlink.registry import NAME
from meterlink.wholefile import not_written

DRIVER = '''\
"""NAME: 14 bytes sent by themselves. So far a made-up meter: replace each table by your meter's document.

Source: sheet NAME (made up), clauses 1 to 3.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import product

from construct import Bitwise, BitsInteger, Const, Nibble, Struct, Terminated

from meterlink.driver import BadFrame, Coupling, FixedFrames, Framer, Info, Line, Reading, count, number

INFO = Info(
    name="NAME",
    title="Made-up 14-byte meter",
    instruments=("Maker Model",),
    published="sheet NAME (made up)",
    sure="from memory",
    notes="made up: nothing of it is a real meter yet",
    wiring="optical cable fed from the modem lines: DTR on, RTS off",
    line=Line(baudrate=2400),  # clause 1
    frame_length=14,
    rate_hz=2.0,
)
INDEX = "123456789abcde"  # clause 2.1: the high half of byte i (from 0) is i + 1
FUNCTIONS: dict[int, tuple[str, Coupling | None, str]] = {  # clause 2.2
    1: ("voltage", "dc", "V"),
    2: ("voltage", "ac", "V"),
    3: ("resistance", None, "Ohm"),
}
NEGATIVE, OVER = 0b0001, 0b0010  # clause 3.4

# The same frame as a description: `driver check` holds decode against it
FRAME = Bitwise(
    Struct(
        *(field for i in range(1, 15) for field in (Const(i, Nibble), f"low{i}" / BitsInteger(4))),
        Terminated,
    )
)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one frame into its one reading.

    Takes   14 bytes, index halves 1 to E; low halves: function, five digits, decimals, flags, six zeros.
    Gives   value in volts or ohms, digits as shown; None and state "over" above the range.
    Raises  BadFrame, and nothing else, for any other bytes.
    Source  clauses 2 and 3.
    """
    if frame.hex()[::2] != INDEX:
        raise BadFrame(f"index halves are not 1 to E: {frame.hex(' ')}")
    code, d1, d2, d3, d4, d5, decimals, flags, *rest = (b & 0xF for b in frame)
    digits = "".join(map(str, (d1, d2, d3, d4, d5)))
    if code not in FUNCTIONS or len(digits) != 5 or decimals > 4 or flags > 3 or any(rest):
        raise BadFrame(f"function {code}, digits {digits}, decimals {decimals}, flags {flags}: {frame.hex(' ')}")
    function, coupling, unit = FUNCTIONS[code]
    value: Decimal | None = number(bool(flags & NEGATIVE), digits, -decimals)
    display = f"{value} {unit}"
    if flags & OVER:
        value, display = None, f"OL {unit}"
    return [
        Reading(
            function=function,
            coupling=coupling,
            value=value,
            unit=unit,
            resolution=count(-decimals),
            state="over" if value is None else "ok",
            display=display,
        )
    ]


def build(reading: Reading, model: str | None = None) -> bytes:
    """The frame that shows a reading. Raises ValueError for one that no display shows."""
    shown = (reading.function, reading.coupling, reading.unit)
    code = next((code for code, meant in FUNCTIONS.items() if meant == shown), None)
    decimals = -int(reading.resolution.as_tuple().exponent) if reading.resolution else 0
    sign, digits, exponent = (count(-decimals) if reading.value is None else reading.value).as_tuple()
    if code is None or not 0 <= decimals <= 4 or exponent != -decimals or len(digits) > 5:
        raise ValueError(f"no frame shows {reading}")
    flags = OVER if reading.value is None else NEGATIVE * sign
    low = (code, *(0,) * (5 - len(digits)), *digits, decimals, flags, *(0,) * 6)
    return bytes((i + 1) << 4 | n for i, n in enumerate(low))


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(14, decode, model, starts=frozenset(range(0x10, 0x20)))


# What `driver check` builds, decodes and compares
SHAPES = [
    Reading(
        function=function,
        coupling=coupling,
        value=number(negative, digits, -decimals),
        unit=unit,
        resolution=count(-decimals),
    )
    for (function, coupling, unit), negative, digits, decimals in product(
        FUNCTIONS.values(), (False, True), ("12345", "00000", "99999"), range(5)
    )
]
'''
RECORDING = """\
# driver: NAME
# instrument: Maker Model
# source: built by hand from the tables of sheet NAME (made up), clauses 2 and 3
0.000 < 11 20 35 40 50 60 73 81 90 a0 b0 c0 d0 e0
0.500 < 12 22 33 40 51 60 72 80 90 a0 b0 c0 d0 e0
1.000 < 13 21 32 43 54 65 71 80 90 a0 b0 c0 d0 e0
1.200 = 1234.5 Ohm
1.500 < 13 29 39 49 59 69 74 82 90 a0 b0 c0 d0 e0
"""
READINGS = """\
{"function":"voltage","coupling":"dc","value":-5.0,"unit":"V","resolution":0.001,"state":"ok","display":"-5.000 V"}
{"function":"voltage","coupling":"ac","value":230.10,"unit":"V","resolution":0.01,"state":"ok","display":"230.10 V"}
{"function":"resistance","coupling":null,"value":1234.5,"unit":"Ohm","resolution":0.1,"state":"ok"}
{"function":"resistance","coupling":null,"value":null,"unit":"Ohm","resolution":0.0001,"state":"over"}
"""


def write(name: str, folder: Path) -> list[Path]:
    """Write a driver with that name and its recording below the folder.

    Gives   the files, in the order in which they are to be looked at.
    Raises  BadInput for a name that is no name, a file that is there already, or a folder that cannot be written.
    """
    if not NAME.fullmatch(name):
        raise BadInput(f"{name!r} is no driver name: lower-case letters, digits and underscores, a letter first")
    place = folder / "captures" / name / f"example{SUFFIX}"
    texts = {folder / f"{name}.py": DRIVER, place: RECORDING, place.with_suffix(EXPECTED): READINGS}
    for path in texts:
        if path.exists():
            raise BadInput(f"{path} is there already: choose another name, or take it away")
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            path.write_text(text.replace("NAME", name), "utf-8")
    except OSError as error:
        raise not_written(folder, error, "name another folder (--to)") from error
    return list(texts)
