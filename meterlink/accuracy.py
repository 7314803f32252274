"""Accuracy profiles: what the maker's manual says of a meter, as the uncertainty of a reading.

A profile is a TOML file (docs/accuracy.md): for each function and range percent of reading, percent of range,
counts. The limits +-a that follow are taken as rectangular: u = a / sqrt(3), U = k u with k = 2. Counts of
the maker hold for the number as shown, its rounding included; a statement without counts gets the display's
own rounding added, u = q / sqrt(12).
Source: JCGM 100:2008 4.3.7 (rectangular), 5.1.2 (combination), 6.2.1 (k = 2), F.2.2.1 (resolution).
"""

from __future__ import annotations

import math
from importlib import resources
from pathlib import Path
from typing import Any, get_args

import msgspec

from meterlink import records, tomlfile
from meterlink.errors import BadInput
from meterlink.reading import FUNCTIONS, Coupling, Reading
from meterlink.tomlfile import Keys, Problems, TomlFile, nearest

K = 2.0


class Range(msgspec.Struct, frozen=True, kw_only=True):
    """One line of the manual's table. Base units; None: the manual does not say, or it does not matter.

    upto, above   the range's upper end, and the least value for which the statement holds
    resolution    one count on this range
    reading, range, counts   percent of reading, percent of `upto`, counts of the last digit
    """

    function: str
    upto: float
    coupling: Coupling | None = None
    above: float = 0.0
    resolution: float | None = None
    reading: float = 0.0
    range: float = 0.0
    counts: float = 0.0

    def limits(self, value: float, count: float | None) -> float | None:
        """The half-width a of the maker's limits at this value; None if it counts digits of unknown size."""
        if self.counts and count is None:
            return None
        return abs(value) * self.reading / 100 + self.upto * self.range / 100 + self.counts * (count or 0.0)


class Profile(msgspec.Struct, frozen=True, kw_only=True):
    """One meter's statements and the document they stand in."""

    instrument: str
    manual: str
    ranges: tuple[Range, ...]
    note: str | None = None

    @property
    def source(self) -> str:
        """What a record says of where its uncertainty comes from."""
        return f"{self.instrument}: {self.manual}"

    @staticmethod
    def load(path: Path) -> Profile:
        """Read and check a profile. Raises BadInput, one line: FILE:LINE: key: what and what to do."""
        return check(tomlfile.read(path))

    def uncertainty(self, reading: Reading) -> records.Uncertainty | None:
        """The expanded uncertainty (k = 2) of one reading, in its unit.

        Takes   a reading; its resolution, where the protocol tells it, says which range the meter is on.
        Gives   None for a reading without a number, and where the manual has no statement for this function,
                range or value: nothing is guessed.
        """
        if reading.value is None or reading.state != "ok":
            return None
        value = float(reading.value)
        count = None if reading.resolution is None else float(reading.resolution)
        found = self._range(reading, abs(value), count)
        if found is None:
            return None
        count = found.resolution if count is None else count
        half = found.limits(value, count)
        if half is None:
            return None
        variance = half**2 / 3
        if not found.counts and count is not None:
            variance += count**2 / 12
        return records.Uncertainty(expanded=K * math.sqrt(variance), k=K, from_=self.source)

    def _range(self, reading: Reading, size: float, count: float | None) -> Range | None:
        """The range the meter is on: the one with this count, else the lowest that holds the value."""
        fits = [
            r
            for r in self.ranges
            if r.function == reading.function
            and r.coupling in (None, reading.coupling)
            and r.above <= size <= r.upto
            and (r.resolution is None or count is None or math.isclose(r.resolution, count, rel_tol=1e-9))
        ]
        return min(fits, key=lambda r: r.upto, default=None)


def find_profile(name: str, folder: Path) -> Profile:
    """The profile of that name: a path, one in the bench's folder, or one that comes with the program.

    Raises  BadInput with the names there are.
    """
    if name.endswith(".toml") and ("/" in name or Path(name).exists()):
        return Profile.load(Path(name).expanduser())
    own = {p.stem: p for p in sorted(folder.glob("*.toml"))}
    if name in own:
        return Profile.load(own[name])
    for item in resources.files("meterlink.profiles").iterdir():
        if item.name == f"{name}.toml":
            return check(tomlfile.parse(item.read_bytes(), item.name))
    known = sorted({*own, *bundled()})
    raise BadInput(f"there is no accuracy profile {name!r}; {nearest(name, known)}")


def bundled() -> list[str]:
    """The names of the profiles that come with the program."""
    files = resources.files("meterlink.profiles").iterdir()
    return sorted(item.name.removesuffix(".toml") for item in files if item.name.endswith(".toml"))


def _amount(value: Any) -> str | None:
    return tomlfile.number(value) or (None if value >= 0 else f"{value!r} is below 0: correct it")


def _above_zero(value: Any) -> str | None:
    return tomlfile.number(value) or (None if value > 0 else f"it is above 0, not {value!r}: correct it")


TOP: Keys = {
    "instrument": tomlfile.text,
    "manual": tomlfile.text,
    "note": tomlfile.text,
    "range": tomlfile.tables,
}
RANGE: Keys = {
    "function": tomlfile.word(*FUNCTIONS),
    "coupling": tomlfile.word(*get_args(Coupling)),
    "upto": _above_zero,
    "above": _amount,
    "resolution": _above_zero,
    "reading": _amount,
    "range": _amount,
    "counts": _amount,
}


def check(file: TomlFile) -> Profile:
    """The profile that a TOML file holds. Raises BadInput as `load` does."""
    problems = Problems(file)
    top = problems.keys((), file.table, TOP, ("instrument", "manual", "range"))
    ranges = []
    for i, table in enumerate(top.pop("range", [])):
        line: dict[str, Any] = problems.keys(("range", i), table, RANGE, ("function", "upto"))
        if not any(line.get(key) for key in ("reading", "range", "counts")):
            problems.note(("range", i), "it says nothing: add reading, range or counts")
        ranges.append(line)
    if problems:
        raise BadInput(problems.lines()[0])
    return Profile(**top, ranges=tuple(Range(**{k: _float(v) for k, v in r.items()}) for r in ranges))


def _float(value: Any) -> Any:
    return float(value) if isinstance(value, int) else value
