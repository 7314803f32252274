"""16 characters between STX and CR, sent by themselves: Lutron-type meters, one frame per display.

Source: [L] Lutron DM-9962SD multimeter manual, p. 17, and the code tables of Lutron BTM-4208SD, TM-947SD, DS-2013SD,
LX-1128SD, WA-2015 and VB-8213; [X] "Extech SW Protocol (All Versions)", 3 pages: old layout, clock record, over range.
"""

from __future__ import annotations

import re

from construct import Bytes, Const, Struct, Terminated

from meterlink.driver import BadFrame, Coupling, FixedFrames, Framer, Info, Line, Reading, State, count, number

INFO = Info(
    name="stx16",
    title="Lutron-type 16-character stream",
    instruments=(
        "Lutron DM-9962SD",
        "Lutron BTM-4208SD TM-947SD TM-946 DS-2013SD LX-1128SD WA-2015 VB-8213",
        "Extech SDL600",
        "Voltcraft PHT-200",
        "OEM twins with the same serial stream",
    ),
    published="Lutron DM-9962SD manual, p. 17; Extech SW Protocol (All Versions)",
    notes="The characters of the over- and under-range arrows are not printed: four equal characters that are no "
    "digits are state over with the flag arrows, whichever way they point; other ones are blank, unreadable. A unit "
    "code that is not in the tables gives the bare number as function unknown with the flag unit-XX; so does 57 (g: "
    "mass or acceleration by model). A held value is not told from a live one. MHz, uH, mH, H and pF stand in [L] only",
    wiring="3.5 mm jack: centre contact to DTR (pin 4), sleeve to RXD (pin 2), 2.2 kOhm between pins 2 and 5; DTR "
    "feeds the line and must be on. Extech lead: tip to pin 2, sleeve to pin 5",
    line=Line(baudrate=9600, dtr=True, rts=False, settle_s=0.5),
    frame_length=16,
    rate_hz=2.0,
    silence_s=0.1,  # a frame lasts 16.7 ms
)


class Unit:
    """What an annunciator code says: function, coupling, UCUM unit, power of ten to it, and the unit as shown."""

    __slots__ = ("coupling", "exponent", "function", "shown", "ucum")

    def __init__(
        self, function: str, ucum: str, exponent: int = 0, shown: str = "", coupling: Coupling | None = None
    ) -> None:
        self.function = function
        self.ucum = ucum
        self.exponent = exponent
        self.shown = shown or ("" if ucum == "1" else ucum)
        self.coupling = coupling


UNITS = {
    "00": Unit("unknown", "1"),
    "01": Unit("temperature", "Cel"),
    "02": Unit("temperature", "[degF]"),
    "03": Unit("ratio", "%"),
    "04": Unit("humidity", "%", shown="%RH"),
    "05": Unit("acidity", "[pH]", shown="pH"),
    "06": Unit("oxygen", "%", shown="%O2"),
    "07": Unit("concentration", "g/L", -3, "mg/L"),
    "08": Unit("speed", "m/s"),
    "09": Unit("speed", "[kn_i]", shown="knots"),
    "10": Unit("speed", "m/h", 3, "km/h"),
    "11": Unit("speed", "[ft_i]/min", shown="ft/min"),
    "12": Unit("speed", "[mi_i]/h", shown="mile/h"),
    "13": Unit("conductance", "S", -6, "uS"),
    "14": Unit("conductance", "S", -3, "mS"),
    "15": Unit("illuminance", "lx", shown="lux"),
    "16": Unit("illuminance", "lm/[sft_i]", shown="ft-cd"),
    "17": Unit("level", "dB"),
    "18": Unit("voltage", "V", -3, "mV", "dc"),
    "19": Unit("fraction", "[ppm]", shown="ppm"),
    "20": Unit("mass", "g", -3, "mg"),
    "21": Unit("flux-density", "T"),
    "22": Unit("pressure", "bar"),
    "23": Unit("pressure", "[psi]", shown="psi"),
    "27": Unit("rotation", "/min", shown="rpm"),
    "31": Unit("frequency", "Hz"),
    "33": Unit("frequency", "Hz", 3, "kHz"),
    "34": Unit("voltage", "V", coupling="dc"),
    "35": Unit("current", "A", -6, "uA", "dc"),
    "36": Unit("current", "A", coupling="dc"),
    "37": Unit("current", "A", -3, "mA", "dc"),
    "38": Unit("resistance", "Ohm"),
    "39": Unit("resistance", "Ohm", 3, "kOhm"),
    "40": Unit("resistance", "Ohm", 6, "MOhm"),
    "41": Unit("inductance", "H", -3, "mH"),
    "42": Unit("inductance", "H"),
    "43": Unit("capacitance", "F", -9, "nF"),
    "44": Unit("capacitance", "F", -6, "uF"),
    "45": Unit("gain", "1"),
    "46": Unit("diode", "V"),
    "47": Unit("power", "W"),
    "48": Unit("power", "W", 3, "kW"),
    "49": Unit("voltage", "V", -3, "mV", "ac"),
    "50": Unit("voltage", "V", coupling="ac"),
    "51": Unit("current", "A", -6, "uA", "ac"),
    "52": Unit("current", "A", coupling="ac"),
    "53": Unit("current", "A", -3, "mA", "ac"),
    "67": Unit("frequency", "Hz", 6, "MHz"),
    "68": Unit("inductance", "H", -6, "uH"),
    "74": Unit("duration", "s", -3, "ms"),
    "75": Unit("duration", "s", -6, "us"),
    "76": Unit("duration", "s"),
    "84": Unit("flow", "m3/min", shown="CMM"),
    "85": Unit("flow", "[cft_i]/min", shown="CFM"),
    "86": Unit("pressure", "bar", -3, "mbar"),
    "87": Unit("pressure", "Pa"),
    "88": Unit("pressure", "Pa", 3, "kPa"),
    "92": Unit("acceleration", "m/s2"),
    "93": Unit("speed", "m/s", -3, "mm/s"),
    "94": Unit("length", "m", -3, "mm"),
    "95": Unit("speed", "m/s", -2, "cm/s"),
    "96": Unit("length", "[in_i]", shown="inch"),
    "97": Unit("acceleration", "[ft_i]/s2", shown="ft/s2"),
    "98": Unit("speed", "[in_i]/s", shown="inch/s"),
    "A4": Unit("capacitance", "F", -12, "pF"),
    "B5": Unit("flux-density", "G", shown="gauss"),
    "E3": Unit("flux-density", "T", -3, "mT"),
}
LOWER = {"1": "01", "2": "02"}  # old layout, D13 -> the lower display's code
NEW = re.compile(r"4([1-9A-C])([0-9A-F]{2})([01])([0-7])([ -~\x80-\xff]{8})")
OLD = re.compile(r"([0-3])([0-2])([0-9A-F]{2})([0-3])([0-3])([ -~\x80-\xff]{4})([ -~\x80-\xff]{4})")
CLOCK = re.compile(r"40[0-9]{2}(0[1-9]|1[0-2])(0[1-9]|[12][0-9]|3[01])([01][0-9]|2[0-3])[0-5][0-9][0-5][0-9]")

FRAME = Struct(
    Const(b"\x02"),
    "version" / Bytes(1),  # D14
    "display" / Bytes(1),
    "unit" / Bytes(2),
    "polarity" / Bytes(1),
    "places" / Bytes(1),
    "digits" / Bytes(8),
    Const(b"\r"),
    Terminated,
)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one frame into its readings.

    Takes   16 bytes, STX first, CR last.
    Gives   one reading, of display 1 (channel None) or 2 to 9, A to C (channel); a frame of the old layout gives its
            upper display (channel None) and, where that has a unit, its lower one (channel "2"). A clock record gives
            none. Four arrows are state "over"; anything else that is no digit is "blank", "unreadable".
    Raises  BadFrame for other bytes.
    Source  [L] p. 17; [X].
    """
    text = frame[1:15].decode("latin-1")
    if len(frame) != 16 or frame[0] != 2 or frame[15] != 0x0D:
        raise BadFrame(f"not STX, 14 characters, CR: {frame[:20].hex(' ')}")
    if new := NEW.fullmatch(text):
        display, code, minus, places, digits = new.groups()
        shown = digits[4:] if digits.startswith("0000") else digits  # four digits, or four arrows, behind four zeros
        return [_reading(code, minus == "1", int(places), shown, None if display == "1" else display)]
    if CLOCK.fullmatch(text):
        return []
    if old := OLD.fullmatch(text):
        sign, unit, code, below, above, lower, upper = old.groups()
        out = [_reading(code, sign in "13", int(above), upper, None)]
        if unit in LOWER:
            out.append(_reading(LOWER[unit], sign in "23", int(below), lower, "2"))
        elif lower != "0000":
            raise BadFrame(f"a lower display without a unit shows {lower!r}: {frame.hex(' ')}")
        return out
    raise BadFrame(f"neither layout, nor a clock record: {frame.hex(' ')}")


def _reading(code: str, negative: bool, places: int, digits: str, channel: str | None) -> Reading:
    unit = UNITS.get(code)
    flags: tuple[str, ...] = () if unit else (f"unit-{code}",)
    unit = unit or UNITS["00"]
    exponent = unit.exponent - places
    state: State = "ok"
    value = None
    sign = "-" if negative else ""
    text = ""
    if digits.isascii() and digits.isdigit():
        kept = digits.lstrip("0").rjust(max(4, places + 1), "0")
        value = number(negative, kept, exponent)
        text = f"{sign}{kept[: len(kept) - places]}{'.' if places else ''}{kept[len(kept) - places :]}"
    elif len(digits) == 4 and len(set(digits)) == 1:
        state, text = "over", f"{sign}----"
        flags += ("arrows",)
    else:
        state = "blank"
        flags += ("unreadable",)
    return Reading(
        function=unit.function,
        coupling=unit.coupling,
        value=value,
        unit=unit.ucum,
        resolution=count(exponent),
        state=state,
        flags=flags,
        display=f"{text} {unit.shown}".strip(),
        channel=channel,
    )


def build(reading: Reading, model: str | None = None) -> bytes:
    """The frame of the new layout. Raises ValueError for a reading that none shows; arrows are made of `^`."""
    if reading.resolution is None or reading.state not in ("ok", "over") or reading.channel == "1":
        raise ValueError(f"no frame is made for {reading.function} {reading.state} in counts of {reading.resolution}")
    last = int(reading.resolution.as_tuple().exponent)
    meant = (reading.function, reading.unit, reading.coupling)
    fits = [
        (code, unit.exponent - last)
        for code, unit in UNITS.items()
        if (unit.function, unit.ucum, unit.coupling) == meant and 0 <= unit.exponent - last <= 3
    ]
    if not fits:
        raise ValueError(f"no unit shows {reading.function} in counts of {reading.resolution} {reading.unit}")
    code, places = fits[0]
    sign, text = 0, "0000^^^^"
    if reading.value is not None:
        sign, digits, exponent = reading.value.as_tuple()
        text = "".join(map(str, digits)).rjust(8, "0")
        if exponent != last or len(text) > 8:
            raise ValueError(f"{reading.value} is not shown in counts of {reading.resolution}")
    return f"\x024{reading.channel or 1}{code}{sign}{places}{text}\r".encode()


def Driver(model: str | None = None) -> Framer:  # noqa: N802 - the contract's name
    """A fresh framer."""
    return FixedFrames(16, decode, model, starts=frozenset(b"\x02"))


# every unit, at either display, with 0 and 3 places, of both signs, and over range
SHAPES = [
    Reading(
        function=unit.function,
        coupling=unit.coupling,
        value=None if digits is None else number(negative, digits, unit.exponent - places),
        unit=unit.ucum,
        resolution=count(unit.exponent - places),
        state="over" if digits is None else "ok",
        channel=channel,
    )
    for unit in UNITS.values()
    for places, digits, channel in ((0, "1234", None), (3, "1234", "2"), (2, "12345", None), (1, None, None))
    for negative in (False, True)
]
