"""Fluke 8808A and 45: a reply, then a prompt; nothing may be sent before the prompt came back.

Source: Fluke 8808A Users Manual, July 2007, ch. 4 (pp. 4-8, 4-15); what the sheet marks M is from memory. A round asks
the function before and after the value, so that a turned knob never labels the old number.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache
from typing import NamedTuple

from meterlink.driver import BadFrame, Coupling, Dialogue, Info, Line, Query, Reading, count

FUNCTIONS: dict[str, tuple[str, Coupling | None, str]] = {
    "VDC": ("voltage", "dc", "V"),
    "VAC": ("voltage", "ac", "V"),
    "VACDC": ("voltage", "acdc", "V"),
    "ADC": ("current", "dc", "A"),
    "AAC": ("current", "ac", "A"),
    "AACDC": ("current", "acdc", "A"),
    "OHMS": ("resistance", None, "Ohm"),
    "WIRE4": ("resistance", None, "Ohm"),
    "FREQ": ("frequency", None, "Hz"),
    "DIODE": ("diode", None, "V"),
    "CONT": ("continuity", None, "Ohm"),
}
# Format 2's unit texts and the functions they can stand behind
UNIT_TEXTS = {
    "VDC": ("VDC", "VACDC", "DIODE"),
    "VAC": ("VAC", "VACDC"),
    "ADC": ("ADC", "AACDC"),
    "AAC": ("AAC", "AACDC"),
    "OHMS": ("OHMS", "WIRE4", "CONT"),
    "HZ": ("FREQ",),
    "DB": ("VDC", "VAC", "VACDC"),
}
PLAIN = {"VDC": "VDC", "VAC": "VAC", "ADC": "ADC", "AAC": "AAC", "OHMS": "OHMS", "HZ": "FREQ"}
DECIBEL: tuple[str, Coupling | None, str] = ("level", None, "dB")
UNKNOWN: tuple[str, Coupling | None, str] = ("unknown", None, "1")
MODIFIERS = ((1, "min"), (2, "max"), (4, "hold"), (32, "rel"), (64, "compare"))
DB, DB_POWER = 8, 16
FLAGS = [tuple(flag for bit, flag in MODIFIERS if modifiers & bit) for modifiers in range(128)]

INFO = Info(
    name="fluke_ascii",
    title="Fluke 8808A / 45 command set",
    instruments=("Fluke 8808A", "Fluke 45"),
    published="Fluke 8808A Users Manual, July 2007, ch. 4",
    sure="partly from memory",
    notes="Number form, the prompt rule and VAL? are printed. From memory: the prompts' characters, echo, FUNC words, "
    "format 2 and its units, MOD bits, over range +1E+9, two values with a comma. dB readings have no reference "
    "level in a reply; dB power and a function that is not in the list are blank with the flag unreadable. Not the "
    "language of the 8840A.",
    wiring="RS-232, null-modem lead; 9600 8N1 from the factory, echo off",
    line=Line(baudrate=9600),
    poll_s=0.5,
)

PROMPT = re.compile(rb"(?:=>|\?>|!>)\r\n")
REPLY = r"(?:(?![=?!]>\r)([^\r\n]*)\r\n)?([=?!]>)\r\n"  # a value line is no prompt
NUMBER = re.compile(r"([+-]?[0-9]+(?:\.([0-9]+))?E([+-]?[0-9]{1,2}))(?: ([A-Z]+))?")
NAMES = ("FUNC1?", "FUNC2?")
VALUES = {"": ("1", "2")} | {  # query -> the displays whose values it may bring
    f"{word}{which}?": displays
    for word in ("VAL", "MEAS")
    for which, displays in (("", ("1", "2")), ("1", ("1", "2")), ("2", ("2",)))
}
OVER = Decimal("1E9")


def _take(held: bytes) -> int | None:
    found = PROMPT.search(held)
    return found.end() if found else None


WORDS = ("FUNC1?", "FUNC2?", "MOD?", "VAL?", "FUNC1?")
ROUND = tuple(Query(ask=f"{word}\r\n".encode(), take=_take, wait_s=3.0) for word in WORDS)
OPENING = (Query(ask=b"*IDN?\r\n", take=lambda held: _after_identity(held), wait_s=3.0),)


def _after_identity(held: bytes) -> int | None:
    """*IDN?'s reply with its prompt and all that came before it: an answer that was late goes with it."""
    found = re.search(rb"[^\n]*,[^\n]*,[^\n]*,[^\n]*\r\n(?:=>|\?>|!>)\r\n", held)
    return found.end() if found else None


class Asked(NamedTuple):
    """What follows from the queries alone: the pattern of their replies, and which of its groups say what.

    replies     value line and prompt of each reply as groups, an echo before it passed over
    names       (display, group of its FUNC? value);  values: (displays, group); a prompt is the group after
    """

    replies: re.Pattern[str]
    names: tuple[tuple[str, int], ...]
    modifiers: tuple[int, ...]
    values: tuple[tuple[tuple[str, ...], int], ...]


@lru_cache(maxsize=64)
def _asked(asked: bytes | None, replies: int) -> Asked:
    """Takes the number of replies where the queries are not known. Raises BadFrame for one that brings no reading."""
    queries = [""] * replies if asked is None else asked.decode("latin-1").split("\r\n")
    if not queries or (asked is not None and (queries.pop() or not queries)):
        raise BadFrame(f"no reply, or no queries that end with CR LF: {asked!r}")
    for query in queries:
        if query not in NAMES and query not in VALUES and query != "MOD?":
            raise BadFrame(f"{query} brings no reading")
    at = [(query, 2 * n) for n, query in enumerate(queries)]
    return Asked(
        re.compile("".join((f"(?:{re.escape(query)}\r\n)?" if query else "") + REPLY for query in queries)),
        tuple((query[4], n) for query, n in at if query in NAMES),
        tuple(n for query, n in at if query == "MOD?"),
        tuple((VALUES[query], n) for query, n in at if query in VALUES),
    )


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn one round, or one VAL1?, VAL2?, VAL?, MEAS?, into readings.

    Takes   the joined replies with their prompts, and the joined queries. Format 2 names its unit and needs none.
    Gives   the main display, and channel "2" for the second. Resolution: the last mantissa digit. A number in format 1
            whose FUNC? nobody asked is the function unknown, as the sheet's lone VAL1? is.
    Raises  BadFrame, and nothing else; also for a refused value (prompt ?> or !>), a function that changed.
    Source  8808A Users Manual ch. 4; UNIT_TEXTS and FUNCTIONS.
    """
    # without queries at most two values are a frame, so a third reply need not be looked at
    told = _asked(asked, min(2, len(PROMPT.findall(frame))) if asked is None else 0)
    found = told.replies.fullmatch(frame.decode("latin-1"))
    if not found or not frame.isascii():
        raise BadFrame(f"not a value line with a prompt for each query: {frame.hex()}")
    groups = found.groups("")
    # what stands at a display: None where nobody asked, "" where the answer named none
    names: dict[str, str | None] = {"1": None, "2": None}
    for channel, at in told.names:
        name = groups[at] if groups[at + 1] == "=>" else ""
        if known := names[channel]:
            if name and name != known:
                raise BadFrame(f"the function changed between the two FUNC?: {frame.hex()}")
        else:
            names[channel] = name
    modifiers = 0
    for at in told.modifiers:
        text = groups[at]
        modifiers = int(text) if text.isdigit() and len(text) <= 3 else 128
        if modifiers > 127 or groups[at + 1] != "=>":
            raise BadFrame(f"MOD? answers {text!r} with {groups[at + 1]}: {frame.hex()}")
    values: list[tuple[str, str]] = []
    for displays, at in told.values:
        if groups[at + 1] != "=>":
            raise BadFrame(f"the value was refused with {groups[at + 1]}: {frame.hex()}")
        parts = groups[at].split(",")
        if len(parts) > len(displays):
            raise BadFrame(f"{len(parts)} values where {len(displays)} can stand: {frame.hex()}")
        values += zip(displays, parts)  # noqa: B905 - the second display may show nothing
    if not values or len(values) > 2:
        raise BadFrame(f"no one or two values: {frame.hex()}")
    out = []
    for channel, text in values:
        out.append(_reading(channel, text, names[channel], modifiers, asked is None, frame))
    return out


def _reading(channel: str, text: str, function: str | None, modifiers: int, alone: bool, frame: bytes) -> Reading:
    """One display's reading; function is None where nobody asked for it, and "" where the answer named none."""
    text = text.strip()
    found = NUMBER.fullmatch(text)
    if not found:
        raise BadFrame(f"{text!r} is no number: {frame.hex()}")
    digits, decimals, power_text, unit_text = found.groups()
    if unit_text is None and alone:
        raise BadFrame(f"the query is needed, format 1 names no unit: {frame.hex()}")
    if unit_text is not None and (
        unit_text not in UNIT_TEXTS or (function in FUNCTIONS and function not in UNIT_TEXTS[unit_text])
    ):
        raise BadFrame(f"unit {unit_text} does not stand behind {function}: {frame.hex()}")
    flags: tuple[str, ...] = ()
    other: str | None = channel
    decibel, power = unit_text == "DB", False
    if channel == "1":
        flags, other = FLAGS[modifiers], None
        decibel, power = decibel or bool(modifiers & DB), bool(modifiers & DB_POWER)
    value = Decimal(digits)
    if decibel:
        shown: tuple[str, Coupling | None, str] | None = DECIBEL
    elif function is None and unit_text is None:
        shown = UNKNOWN
    else:
        shown = FUNCTIONS.get(function or PLAIN.get(unit_text or "", ""))
    if shown is None or power:
        return Reading(
            function="unknown",
            value=None,
            unit="1",
            state="blank",
            flags=(*flags, "unreadable"),
            display=text,
            channel=other,
        )
    kind, coupling, unit = shown
    if abs(value) >= OVER:
        return Reading(
            function=kind, coupling=coupling, value=None, unit=unit, state="over", flags=flags, channel=other
        )
    return Reading(
        function=kind,
        coupling=coupling,
        value=value,
        unit=unit,
        resolution=count(int(power_text) - len(decimals or "")),
        flags=flags,
        channel=other,
    )


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """Functions, modifiers and both displays, twice a second."""
    return Dialogue(decode, model, round_=ROUND, every_s=0.5, opening=OPENING)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a meter that shows these readings replies to one query, format 1, echo off."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    query = asked.decode("latin-1").strip()
    if query == "*IDN?":
        return b"FLUKE, 8808A, 0, 1.0\r\n=>\r\n"
    displays = {r.channel or "1": r for r in readings}
    if query in ("FUNC1?", "FUNC2?"):
        if query[4] not in displays:
            return b"!>\r\n"
        r = displays[query[4]]
        word = next((w for w, f in FUNCTIONS.items() if f == (r.function, r.coupling, r.unit)), "VDC")
        return f"{word}\r\n=>\r\n".encode()
    if query == "MOD?":
        flags = displays["1"].flags if "1" in displays else ()
        level = DB if "1" in displays and displays["1"].function == "level" else 0
        return f"{level + sum(bit for bit, flag in MODIFIERS if flag in flags)}\r\n=>\r\n".encode()
    if query == "VAL?" and displays:
        return (",".join(_text(displays[c]) for c in sorted(displays)) + "\r\n=>\r\n").encode()
    return b"?>\r\n"


def _text(reading: Reading) -> str:
    if reading.value is None:
        return "+1E+9"
    sign, digits, exponent = reading.value.as_tuple()
    assert isinstance(exponent, int)  # a reading's value is finite
    return f"{'-' if sign else '+'}{''.join(map(str, digits))}E{exponent:+d}"


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The joined replies of one round."""
    return b"".join(answer(query.ask, shown, model) for query in ROUND)
