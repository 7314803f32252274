"""Text for the page: escaped, and numbers with the digits that the instrument showed.

Invariant: nothing from a journal reaches the page but through `esc`.
"""

from __future__ import annotations

import html
import re
import unicodedata
from decimal import ROUND_UP, Decimal
from hashlib import sha256

from meterlink import records

_PREFIXES = ((9, "G"), (6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "u"), (-9, "n"), (-12, "p"))  # UCUM
DIGITS = 20  # no display has more
_PREFIXED = ("V", "A", "Ohm", "F", "H", "Hz", "W", "S", "s")
# they turn the reading direction of what follows: a mark could be made to read as another one
_TURNING = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def esc(text: object) -> str:
    """Text as HTML text or attribute value. Line breaks stay; other controls become a replacement mark."""
    return html.escape("".join(map(_clean, str(text))), quote=True)


def _clean(c: str) -> str:
    if c in "\n\t\u2028\u2029":
        return " " if c == "\t" else "\n"
    return "\N{REPLACEMENT CHARACTER}" if c in _TURNING or unicodedata.category(c) in ("Cc", "Cs") else c


def file_name(job: str) -> str:
    """A file's name for a job's mark, of letters, digits, dot, minus and underscore alone.

    A mark that had to be changed for it gets eight digits of its SHA-256, so that two marks never share a file.
    """
    plain = re.sub(r"[^A-Za-z0-9_.-]+", "-", job).strip(".-")[:80]
    if plain and plain == job:
        return plain
    return f"{plain or 'job'}-{sha256(job.encode('utf-8', 'surrogatepass')).hexdigest()[:8]}"


def quantity(value: float, unit: str, resolution: float | None = None) -> str:
    """A value and its prefixed unit: every digit of the record, and zeros up to the resolution (3.300 V).

    Not HTML yet. Takes base units; the resolution is one count of the display. Thousandths take no prefix (0.521 V).
    """
    number = Decimal(repr(value)).normalize()
    last = _last(number)
    if resolution and (step := Decimal(repr(resolution)).normalize()) > 0:
        last = _last(step)
        if number.adjusted() - last < DIGITS:
            number = number.quantize(Decimal(1).scaleb(min(last, _last(number))))
    power, prefix = 0, ""
    if unit in _PREFIXED and number and (number.adjusted() > 2 or last < -3):
        fit = [p for p in _PREFIXES if p[0] >= last] or _PREFIXES[-1:]  # 0.47 mV to 10 uV is not "470 uV"
        power, prefix = next((p for p in fit if p[0] <= number.adjusted()), fit[-1])
    scaled = number.scaleb(-power)
    return f"{scaled:f} {prefix}{unit}" if -12 < scaled.adjusted() < 15 else f"{scaled} {prefix}{unit}"


def uncertainty(u: records.Uncertainty, unit: str) -> str:
    """An expanded uncertainty in two digits, rounded up, and its factor; not HTML yet. Source: JCGM 100:2008 7.2.6."""
    exact = Decimal(repr(u.expanded))
    shown = exact.quantize(Decimal(1).scaleb(exact.adjusted() - 1), ROUND_UP) if exact else exact
    return f"{quantity(float(shown), unit)} (k = {u.k:g})"


def _last(number: Decimal) -> int:
    """The power of ten of the last digit."""
    return int(number.as_tuple().exponent)


def value(kept: records.Kept) -> str:
    """What a keep shows, not HTML yet: its value, or in words why there is none."""
    if kept.value is not None:
        return quantity(kept.value, kept.unit, kept.resolution)
    return {"over": "over range", "under": "under range", "blank": "no number"}.get(kept.state, kept.state)


def measured(kept: records.Kept) -> str:
    """What was measured: "voltage dc", "resistance"."""
    return " ".join(filter(None, (kept.function, kept.coupling)))


def moment(at: str) -> str:
    """A record's time for the reader: to the second, UTC."""
    return f"{at[:10]} {at[11:19]}" if len(at) > 19 else at
