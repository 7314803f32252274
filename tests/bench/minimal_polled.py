"""The least hand-written decoders of the polled families, as bench_decode.py measures drivers against.

Like those of minimal_streams.py: check the replies' shape, and give a Reading of function, value and unit for each
value. A script knows its one meter, so these know the order of one polling round; they read no output state, mode or
modifier that a value does not need.
"""

from __future__ import annotations

import re
import struct
from decimal import Decimal

from meterlink.reading import Reading
from tests.bench.minimal_streams import STRIP, Minimal

WORDS = {
    "VOLT": ("voltage", "V"), "CURR": ("current", "A"), "RES": ("resistance", "Ohm"), "FRES": ("resistance", "Ohm"),
    "FREQ": ("frequency", "Hz"), "PER": ("period", "s"), "CONT": ("continuity", "Ohm"), "DIOD": ("diode", "V"),
    "CAP": ("capacitance", "F"), "TEMP": ("temperature", "Cel"),
}  # fmt: skip
SCPI = re.compile(rb'"([A-Z]+)(:[A-Z]+)?[^"]*"\r\n(.*)\r\n')
INFINITE = Decimal("9.9E37")


def scpi_meter(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    match = SCPI.fullmatch(frame)
    if match is None:
        raise ValueError
    function, unit = ("ratio", "1") if match[2] == b":RAT" else WORDS[match[1].decode()]
    out = []
    for part in match[3].decode().split(","):
        value = Decimal(part)
        out.append(Reading(function=function, value=None if abs(value) >= INFINITE else value, unit=unit))
    return out


POLL14 = {
    **{(mode, unit): row for mode in ("DC", "AC") for unit, row in {
        "mV": ("voltage", "V", -3), "V": ("voltage", "V", 0), "uA": ("current", "A", -6), "mA": ("current", "A", -3),
        "A": ("current", "A", 0)}.items()},
    ("OH", "Ohm"): ("resistance", "Ohm", 0), ("OH", "kOhm"): ("resistance", "Ohm", 3),
    ("OH", "KOhm"): ("resistance", "Ohm", 3), ("OH", "MOhm"): ("resistance", "Ohm", 6),
    ("CA", "pF"): ("capacitance", "F", -12), ("CA", "nF"): ("capacitance", "F", -9),
    ("CA", "uF"): ("capacitance", "F", -6), ("CA", "mF"): ("capacitance", "F", -3),
    ("FR", "Hz"): ("frequency", "Hz", 0), ("FR", "HZ"): ("frequency", "Hz", 0), ("FR", "kHz"): ("frequency", "Hz", 3),
    ("FR", "KHz"): ("frequency", "Hz", 3), ("FR", "KHZ"): ("frequency", "Hz", 3), ("FR", "MHz"): ("frequency", "Hz", 6),
    ("DI", "mV"): ("diode", "V", -3), ("DI", "V"): ("diode", "V", 0), ("TE", "C"): ("temperature", "Cel", 0),
    ("TC", "C"): ("temperature", "Cel", 0), ("HF", ""): ("gain", "1", 0), ("DB", "dB"): ("level", "dB", 0),
    ("DB", ""): ("level", "dB", 0),
}  # fmt: skip


def poll14(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if len(frame) != (56 if model == "4x14" else 14):
        raise ValueError
    text = frame.translate(STRIP).decode()
    out = []
    for at in range(0, min(len(text), 42), 14):  # the fourth record is the time
        record = text[at : at + 14]
        if record[13] != "\r":
            raise ValueError
        if at and record.isspace():
            continue
        function, unit, power = POLL14[record[:2], record[9:13].strip()]
        number = record[2:9].strip()
        value = None if "L" in number else Decimal(f"{number}E{power}")
        out.append(Reading(function=function, value=value, unit=unit))
    return out


HIOKI = {"DCV": ("voltage", "V"), "ACV": ("voltage", "V")}
HIOKI_RANGES = {"0.06": -2, "0.6": -1, "6": 0, "60": 1, "600": 2}
COUNT = re.compile("[+-]?[0-9]+")


def hioki(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    main, second, counts, counts2, main_after, second_after, end = frame.decode("ascii").split("\r\n")
    if main != main_after or second != second_after or end:
        raise ValueError
    full, places = (6000, 3) if model and model.startswith("DT425") else (60000, 4)
    out = []
    for configuration, text in ((main, counts), (second, counts2)):
        if configuration == "EXE ERR":
            continue
        word, _, full_range = configuration.partition(",")
        (function, unit), power = HIOKI[word], HIOKI_RANGES[full_range]
        if not COUNT.fullmatch(text):
            raise ValueError
        value = None if abs(int(text)) > full else Decimal(f"{text}E{power - places}")
        out.append(Reading(function=function, value=value, unit=unit))
    return out


FLUKE_ROUND = b"FUNC1?\r\nFUNC2?\r\nMOD?\r\nVAL?\r\nFUNC1?\r\n"
FLUKE = re.compile(
    r"(\w+)\r\n=>\r\n(?:(\w+)\r\n=>|!>)\r\n(\d{1,3})\r\n=>\r\n"
    r"([+-][0-9.]+E[+-]\d+)(?: \w+)?(?:,([+-][0-9.]+E[+-]\d+)(?: \w+)?)?\r\n=>\r\n\1\r\n=>\r\n"
)
FLUKE_FUNCTION = {
    "VDC": ("voltage", "V"), "VAC": ("voltage", "V"), "VACDC": ("voltage", "V"), "ADC": ("current", "A"),
    "AAC": ("current", "A"), "AACDC": ("current", "A"), "OHMS": ("resistance", "Ohm"), "WIRE4": ("resistance", "Ohm"),
    "FREQ": ("frequency", "Hz"), "DIODE": ("diode", "V"), "CONT": ("continuity", "Ohm"),
}  # fmt: skip
FLUKE_OVER = Decimal("1E9")


def fluke_ascii(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    match = FLUKE.fullmatch(frame.decode("ascii"))
    if match is None or asked != FLUKE_ROUND:
        raise ValueError
    word, second, modifiers, number, number2 = match.groups()
    function, unit = ("level", "dB") if int(modifiers) & 8 else FLUKE_FUNCTION[word]
    value = Decimal(number)
    out = [Reading(function=function, value=None if abs(value) >= FLUKE_OVER else value, unit=unit)]
    if number2:
        function, unit = FLUKE_FUNCTION[second]
        value = Decimal(number2)
        out.append(Reading(function=function, value=None if abs(value) >= FLUKE_OVER else value, unit=unit))
    return out


VOLTS, AMPERES, WATTS = ("voltage", "V"), ("current", "A"), ("power", "W")
SUPPLY = {
    "MEAS:VOLT?": (VOLTS,), "MEAS:CURR?": (AMPERES,), "VOLT?": (VOLTS,), "CURR?": (AMPERES,),
    "MEAS:ALL? CH1": (VOLTS, AMPERES, WATTS), "SOUR1:VOLT?": (VOLTS,), "SOUR1:CURR?": (AMPERES,),
}  # fmt: skip


def scpi_supply(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if asked is None or frame[-1:] != b"\n":
        raise ValueError
    out = []
    for query, reply in zip(asked.decode("ascii").split("\n"), frame.decode("ascii").split("\n"), strict=True):
        if meant := SUPPLY.get(query):
            for (function, unit), number in zip(meant, reply.split(","), strict=True):
                value = Decimal(number.strip())
                out.append(Reading(function=function, value=None if abs(value) >= INFINITE else value, unit=unit))
    return out


MANSON = re.compile(rb"([0-9]{4})([0-9]{4})[01]\rOK\r([0-9]{3})([0-9]{3})\rOK\r")
MANSON_HUNDREDTHS = ("HCS-3102", "HCS-3104", "HCS-3204", "PPS-11360")


def manson(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    match = MANSON.fullmatch(frame)
    if match is None or asked != b"GETD\rGETS\r":
        raise ValueError
    volts, amperes, set_volts, set_amperes = (field.decode() for field in match.groups())
    places = 2 if model in MANSON_HUNDREDTHS else 1
    return [
        Reading(function="voltage", value=Decimal(f"{volts}E-2"), unit="V"),
        Reading(function="current", value=Decimal(f"{amperes}E-2"), unit="A"),
        Reading(function="voltage", value=Decimal(f"{set_volts}E-1"), unit="V"),
        Reading(function="current", value=Decimal(f"{set_amperes}E-{places}"), unit="A"),
    ]


def tti(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if asked is None or frame[-1:] != b"\n":
        raise ValueError
    out = []
    for query, reply in zip(asked.decode("ascii").split("\n"), frame.decode("ascii").split("\r\n"), strict=True):
        if query[:2] == "OP" or not query:
            continue
        function, unit = VOLTS if query[0] == "V" else AMPERES
        if query[-2] == "O":
            number, last = reply[:-1], reply[-1]
            if last != unit:
                raise ValueError
        else:
            head, _, number = reply.partition(" ")
            if f"{head}?" != query:
                raise ValueError
        out.append(Reading(function=function, value=Decimal(number), unit=unit))
    return out


KA_NUMBER = re.compile(rb"[0-9]{1,2}\.[0-9]{2,3}")


def ka(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    if asked is None:
        raise ValueError
    out = []
    at = 0
    for query in asked.replace(b"\n", b"").split(b"?")[:-1]:
        if query == b"STATUS":
            at += 1
            continue
        part = frame[at : at + 5]
        at += 5
        if len(part) != 5 or not KA_NUMBER.fullmatch(part):
            raise ValueError
        function, unit = VOLTS if query[0] == 0x56 else AMPERES
        out.append(Reading(function=function, value=Decimal(part.decode()), unit=unit))
    if at != len(frame):
        raise ValueError
    return out


def _crc_row(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


CRC = [_crc_row(byte) for byte in range(256)]
DPS = ((0, "voltage", "V", -2), (1, "current", "A", -3), (2, "voltage", "V", -2), (3, "current", "A", -3),
       (4, "power", "W", -2))  # fmt: skip
FLOATS = ((4, "voltage", "V"), (6, "current", "A"), (10, "voltage", "V"), (12, "current", "A"))


def modbus_supply(frame: bytes, asked: bytes | None, model: str | None) -> list[Reading]:
    crc = 0xFFFF
    for byte in frame:
        crc = crc >> 8 ^ CRC[(crc ^ byte) & 0xFF]
    if crc or len(frame) != 25 or frame[:3] != b"\x01\x03\x14":  # the CRC over a frame with its CRC is 0
        raise ValueError
    words = struct.unpack_from(">10H", frame, 3)
    out = []
    if model == "float":
        for at, function, unit in FLOATS:
            (value,) = struct.unpack(">f", struct.pack(">HH", words[at - 3], words[at - 4]))
            out.append(Reading(function=function, value=Decimal(f"{value:.7g}"), unit=unit))
        return out
    for at, function, unit, power in DPS:
        out.append(Reading(function=function, value=Decimal(words[at]).scaleb(power), unit=unit))
    return out


POLLED: dict[str, Minimal] = {
    "scpi_meter": scpi_meter,
    "poll14": poll14,
    "hioki": hioki,
    "fluke_ascii": fluke_ascii,
    "scpi_supply": scpi_supply,
    "manson": manson,
    "tti": tti,
    "ka": ka,
    "modbus_supply": modbus_supply,
}
