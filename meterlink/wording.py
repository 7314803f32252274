"""The one wording of numbers, units and times, for every view: one value reads the same wherever it is met.

A value has the digits of its record and zeros up to the count of the display; a limit with more digits than anybody
reads is rounded outward, so that what is said to lie inside never lies outside; a record's time (UTC) is said in the
local time of the machine, with its offset. Pure but for the time zone, which is the system's (TZ).
"""

from __future__ import annotations

import math
from datetime import datetime, timezone
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_UP, Decimal
from typing import Literal

_PREFIXES = ((9, "G"), (6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "u"), (-9, "n"), (-12, "p"))  # UCUM
_PREFIXED = ("V", "A", "Ohm", "F", "H", "Hz", "W", "S", "s")
_NO_NUMBER = {"over": "over range", "under": "under range", "blank": "no number"}
DIGITS = 20  # no display has more
LIMIT_DIGITS = 4  # significant digits of a limit that has more of them
LEAST_DIGITS = 2  # a limit keeps so many, however coarse the display

To = Literal["minutes", "seconds", "milliseconds"]


def quantity(value: float | None, unit: str, resolution: float | None = None, state: str = "ok") -> str:
    """A value and its prefixed unit: every digit of the record, and zeros up to the resolution (3.300 V).

    Takes   base units; the resolution is one count of the display. Thousandths take no prefix (0.521 V).
    Gives   without a number, its state in words.
    """
    if value is None:
        return _NO_NUMBER.get(state, state)
    if not math.isfinite(value):  # computed from values that no meter shows
        return f"{value} {unit}"
    number = Decimal(repr(value)).normalize()
    if resolution and (step := Decimal(repr(resolution)).normalize()) > 0:
        last = _last(step)
        if number.adjusted() - last < DIGITS:
            number = number.quantize(Decimal(1).scaleb(min(last, _last(number))))
        return _prefixed(number, unit, last)
    return _prefixed(number, unit, _last(number))


def limit(value: float, unit: str, side: Literal["low", "high"], resolution: float | None = None) -> str:
    """One end of a band: as it is written up to four digits; a longer one (a learned band, a sum) rounded outward to
    the count of the display where that is known, else to four significant digits."""
    number = Decimal(repr(value)).normalize()
    if number and number.adjusted() - _last(number) >= LIMIT_DIGITS:
        step = Decimal(1).scaleb(number.adjusted() - LIMIT_DIGITS + 1)
        if resolution and (count := Decimal(repr(resolution)).normalize()) > 0:
            step = min(count, Decimal(1).scaleb(number.adjusted() - LEAST_DIGITS + 1))
        way = ROUND_FLOOR if side == "low" else ROUND_CEILING
        number = ((number / step).to_integral_value(way) * step).normalize()
    return _prefixed(number, unit, _last(number))


def band(low: float | None, high: float | None, unit: str, resolution: float | None = None) -> str | None:
    """What lies inside a band, in words; None for a band without ends."""
    if low is not None and high is not None:
        return f"{limit(low, unit, 'low', resolution)} to {limit(high, unit, 'high', resolution)}"
    if low is not None:
        return f"at least {limit(low, unit, 'low', resolution)}"
    return None if high is None else f"at most {limit(high, unit, 'high', resolution)}"


def uncertainty(expanded: float, unit: str) -> str:
    """An expanded uncertainty in two digits, rounded up. Source: JCGM 100:2008 7.2.6."""
    exact = Decimal(repr(expanded))
    shown = exact.quantize(Decimal(1).scaleb(exact.adjusted() - 1), ROUND_UP) if exact else exact
    return _prefixed(shown.normalize(), unit, _last(shown.normalize()))


def local(at: str, to: To = "minutes") -> str:
    """A record's time for a person: local time with its offset, as 2026-11-26 08:12 +01:00.

    Takes   the `at` of a record (UTC). A text that is no time is given as it is.
    """
    try:
        moment = datetime.strptime(at, "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=timezone.utc).astimezone()
    except (ValueError, OverflowError, OSError):
        return at
    text = moment.isoformat(" ", to)
    offset = text[len("2026-11-26 ") :].lstrip("0123456789:.")
    return f"{text.removesuffix(offset)} {offset}"


def offset(at: str) -> str:
    """The offset of local time at a record's time: +01:00."""
    return local(at).rpartition(" ")[2]


def _prefixed(number: Decimal, unit: str, last: int) -> str:
    power, prefix = 0, ""
    if unit in _PREFIXED and number and (number.adjusted() > 2 or last < -3):
        fit = [p for p in _PREFIXES if p[0] >= last] or _PREFIXES[-1:]  # 0.47 mV to 10 uV is not "470 uV"
        power, prefix = next((p for p in fit if p[0] <= number.adjusted()), fit[-1])
    scaled = number.scaleb(-power)
    return f"{scaled:f} {prefix}{unit}" if -12 < scaled.adjusted() < 15 else f"{scaled} {prefix}{unit}"


def _last(number: Decimal) -> int:
    """The power of ten of the last digit."""
    return int(number.as_tuple().exponent)
