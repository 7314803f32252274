"""Hioki DT4280 and DT4250 multimeters: counts without a decimal point, and the range they belong to.

Source: Hioki DT4280 Remote Operation Manual rev. 4 (2021), DT4250 Remote Operation Manual ed. 2/3. In auto range
the range may change between two queries: :CONF? is asked before and after, and both must be equal.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from decimal import Decimal
from functools import lru_cache

from meterlink.driver import PREFIX, BadFrame, Dialogue, Info, Line, Query, Reading, count, until

FULL_SCALE = {"DT4281": 60_000, "DT4282": 60_000} | {f"DT425{n}": 6_000 for n in range(1, 7)}
DEFAULT = "DT4281"
FUNCTIONS = {"DCV": ("voltage", "dc", "V"), "ACV": ("voltage", "ac", "V")}  # the literals that are printed

INFO = Info(
    name="hioki",
    title="Hioki DT4280 / DT4250 multimeters",
    instruments=("Hioki DT4281 DT4282", "Hioki DT4251 DT4252 DT4253 DT4254 DT4255 DT4256"),
    published="Hioki DT4280 Remote Operation Manual rev. 4 (2021); DT4250 Remote Operation Manual ed. 2, ed. 3",
    sure="partly from memory",
    notes="Commands, line and reply style are printed. Missing: the table of function words and ranges (only ACV, DCV "
    "are printed) and the counts for abnormal data. A count above the full scale is over. One count is "
    "range / full scale, taken for ranges of 6, 60, 600 only, where the sheet confirms it; the range is taken as a "
    "number after the function's comma (from memory). Anything else is a blank reading with the flag unreadable.",
    wiring="Hioki's optical USB lead; DT4250 series: put line = { baudrate = 9600 } beside the port",
    line=Line(baudrate=19200),
    poll_s=0.5,
    models=tuple(FULL_SCALE),
)

TAKE = until(b"\r\n")
WORDS = (":CONF?", ":CONF2?", ":FETCCNT?", ":FETCCNT2?", ":CONF?", ":CONF2?")
CONFIGURES = {":CONF?": None, ":CONF2?": "2"}  # query -> channel
COUNTS = {":FETCCNT?": None, ":FETCCNT2?": "2"}
ROUND = tuple(Query(ask=f"{word}\r\n".encode(), take=TAKE) for word in WORDS)


def identity(held: bytes) -> int | None:
    """*IDN?'s reply and all that came before it: an answer that was late goes with it."""
    found = re.search(rb"[^\n]*,[^\n]*,[^\n]*,[^\n]*\r\n", held)
    return found.end() if found else None


OPENING = (Query(ask=b"*IDN?\r\n", take=identity),)
ERRORS = ("CMD ERR", "EXE ERR")
COUNT = re.compile(r"[+-]?[0-9]{1,9}")
CONF = re.compile(
    r"(?P<function>[A-Z0-9]+),\+?(?P<range>[0-9]+(?:\.[0-9]*)?(?:E[+-]?[0-9]+)?)(?P<prefix>[numkM]?)(?:V|A|OHM)?"
)


def _full_scale(model: str | None) -> int:
    name = model or DEFAULT
    if name not in FULL_SCALE:
        raise BadFrame(f"no model {name!r}; there are {', '.join(FULL_SCALE)}")
    return FULL_SCALE[name]


def _lines(data: bytes, what: str) -> list[str]:
    if not data.endswith(b"\r\n") or not data.isascii():
        raise BadFrame(f"{what} do not end with CR LF: {data.hex()}")
    return data[:-2].decode("ascii").split("\r\n")


@lru_cache(maxsize=64)
def _queries(asked: bytes) -> tuple[str, ...]:
    queries = _lines(asked, "queries")
    if not set(queries) <= set(WORDS):
        raise BadFrame(f"queries {queries}: {asked.hex()}")
    return tuple(queries)


def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Reading]:
    """Turn a count and the configurations around it into the main reading and, where shown, the second.

    Takes   the joined replies (CR LF) and the joined queries.
    Gives   the main display, and channel "2" where the sub display answered. A count without a configuration
            has no unit: blank, unreadable, the count in display.
    Raises  BadFrame, and nothing else; also when the configuration changed between the two queries.
    Source  DT4280 Remote Operation Manual, 5.2 and 5.6 as far as the sheet has them.
    """
    full = _full_scale(model)
    if asked is None:
        raise BadFrame(f"the query is needed, a count does not say of what: {frame.hex()}")
    replies, queries = _lines(frame, "replies"), _queries(asked)
    if len(replies) != len(queries):
        raise BadFrame(f"queries {queries}, {len(replies)} replies: {frame.hex()}")
    configurations: dict[str | None, str] = {}
    for query, reply in zip(queries, replies, strict=True):
        if query not in CONFIGURES:
            continue
        if configurations.setdefault(CONFIGURES[query], reply) != reply:
            raise BadFrame(f"the range changed between the two {query}: {frame.hex()}")
        if COUNT.fullmatch(reply):
            raise BadFrame(f"a count where a configuration was asked, out of step: {frame.hex()}")
    out: list[Reading] = []
    for query, reply in zip(queries, replies, strict=True):
        if query not in COUNTS:
            continue
        channel = COUNTS[query]
        configuration = configurations.get(channel, "")
        if channel and (reply in ERRORS or configuration in ERRORS):
            continue  # no sub display
        if not COUNT.fullmatch(reply):
            raise BadFrame(f"{reply!r} is no count: {frame.hex()}")
        out.append(_reading(int(reply), configuration, channel, full))
    if not out:
        raise BadFrame(f"no count was asked: {asked.hex()}")
    return out


def _reading(counts: int, configuration: str, channel: str | None, full: int) -> Reading:
    meant = _meaning(configuration, full)
    if meant is None:
        return Reading(
            function="unknown",
            value=None,
            unit="1",
            state="blank",
            flags=("unreadable",),
            display=f"{counts} counts, {configuration or 'no range asked'}",
            channel=channel,
        )
    name, coupling, unit, exponent = meant
    over = abs(counts) > full
    return Reading(
        function=name,
        coupling="dc" if coupling == "dc" else "ac",
        value=None if over else Decimal(f"{counts}E{exponent}"),
        unit=unit,
        resolution=count(exponent),
        state="over" if over else "ok",
        channel=channel,
    )


@lru_cache(maxsize=64)
def _meaning(configuration: str, full: int) -> tuple[str, str, str, int] | None:
    """Function, coupling, unit and power of ten of one count; None for what is not printed."""
    found = CONF.fullmatch(configuration)
    function = FUNCTIONS.get(found["function"]) if found else None
    exponent = _exponent(found["range"], found["prefix"], full) if found else None
    return None if function is None or exponent is None else (*function, exponent)


def _exponent(text: str, prefix: str, full: int) -> int | None:
    """Power of ten of one count in a range of 6, 60, 600 ...; None for a range that the rule does not cover."""
    _, digits, exponent = Decimal(text).normalize().as_tuple()
    if digits != (6,) or not isinstance(exponent, int) or abs(exponent) > 9:
        return None
    return exponent + PREFIX[prefix] - (len(str(full)) - 1)


def Driver(model: str | None = None) -> Dialogue:  # noqa: N802 - the contract's name
    """Both displays twice a second, the configuration before and after."""
    _full_scale(model)
    return Dialogue(decode, model, round_=ROUND, every_s=0.5, opening=OPENING)


def answer(asked: bytes, shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """What a meter that shows these readings (volts) replies to one query."""
    readings = [shown] if isinstance(shown, Reading) else list(shown)
    query = asked.decode("latin-1").strip()
    if query == "*IDN?":
        return f"HIOKI,{model or DEFAULT},0,Ver 1.00\r\n".encode()
    if query not in WORDS:
        return b"CMD ERR\r\n"
    mine = [r for r in readings if (r.channel == "2") == ("2" in query)]
    if mine and "unreadable" in mine[0].flags:  # its display holds what came
        counts_text, _, configuration = (mine[0].display or "").partition(" counts, ")
        return f"{configuration if query.startswith(':CONF') else counts_text}\r\n".encode()
    if not mine or mine[0].resolution is None:
        return b"EXE ERR\r\n"
    reading, resolution, full = mine[0], mine[0].resolution, _full_scale(model)
    if query.startswith(":CONF"):
        word = next(w for w, (f, c, _) in FUNCTIONS.items() if (f, c) == (reading.function, reading.coupling))
        return f"{word},{(resolution * full).normalize():f}\r\n".encode()
    counts = full + 1 if reading.value is None else int(reading.value / resolution)
    return f"{counts}\r\n".encode()


def build(shown: Reading | Sequence[Reading], model: str | None = None) -> bytes:
    """The joined replies of one round."""
    return b"".join(answer(query.ask, shown, model) for query in ROUND)
