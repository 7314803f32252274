"""A user's TOML file with the line of every key, so that an error can name the line to correct.

tomllib tells the line of a syntax error only. A document that it has accepted is walked once more here: the
walk knows strings, comments and brackets, and needs no other grammar, because the grammar was checked before.
A file may be a stranger's, and is read where the bench waits for it: what would take long is refused before it does
(tomllib needs time with the square of a key's parts), and of what is wrong no more than MOST is looked for.
Source: TOML 1.0.0 (toml.io), sections Keys, String, Table, Array of Tables.
"""

from __future__ import annotations

import difflib
import math
import re
import sys
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from meterlink.errors import BadInput
from meterlink.plainfile import content

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

BEYOND = "a whole number of more than 64 bits is nothing to compare with: write it as it is measured"
KeyPath = tuple["str | int", ...]
Test = Callable[[Any], "str | None"]  # what is wrong with a value, or None
Keys = Mapping[str, Test]

LONGEST = 1 << 18  # bytes; a sheet of a thousand points has less than half of that
PARTS = 8  # of a dotted key; ours have three
DEEPEST = 16  # tables and arrays in each other; ours have four
FEW = 40  # known words of as many letters that an unknown one is compared with
MOST = 50  # problems of one file
_KEY = r"""(?:[A-Za-z0-9_-]+|"(?:[^"\\\n]|\\.)*"|'[^'\n]*')"""
_DOTTED = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_BETWEEN = re.compile(r"(?:[ \t\r\n]|\#[^\n]*)*")
_HEADER = re.compile(rf"\[(\[?)[ \t]*({_DOTTED})[ \t]*\]\]?")
_ASSIGN = re.compile(rf"({_DOTTED})[ \t]*=")
_PIECE = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|\'{3}.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|\#[^\n]*|[\[\]{}\n]|[^"'\#\[\]{}\n]+''',
    re.DOTALL,
)

# what a dotted key cannot stand in; each matches to its end, or to that of the line or the text
_QUOTED = re.compile(
    r'''"""(?:\\.|[^\\])*?(?:"{3,5}|\Z)|\'{3}.*?(?:\'{3,5}|\Z)'''
    r"""|"(?:\\.|[^"\\\n])*(?:"|(?=\n)|\Z)|'[^'\n]*(?:'|(?=\n)|\Z)|\#[^\n]*""",
    re.DOTALL,
)
_LONG_KEY = re.compile(rf"(?<![\w-])[\w-]+(?:[ \t]*\.[ \t]*[\w-]+){{{PARTS}}}")
_LONG_NUMBER = re.compile(r"[0-9_]{1000}")


class TomlFile(msgspec.Struct, frozen=True):
    """A file that is TOML: its bytes, its table and the line (from 1) of each key."""

    path: str
    data: bytes
    table: dict[str, Any]
    lines: dict[KeyPath, int]

    def line(self, *key: str | int) -> int:
        """The line of a key, or of the nearest table that holds it (inside a value: the value's key)."""
        for end in range(len(key), 0, -1):
            if key[:end] in self.lines:
                return self.lines[key[:end]]
        return 1

    def problem(self, key: KeyPath, what: str) -> str:
        """One line: FILE:LINE: key: what; of a key or word that goes on and on its begin."""
        name = ".".join(str(part) for part in key if isinstance(part, str))
        return f"{self.path}:{self.line(*key)}: {_begin(name, 100)}: {_begin(what, 1000)}"


def read(path: Path, *, follow: bool = True) -> TomlFile:
    """Read a TOML file; `follow`: through a link, as plainfile has it.

    Raises  BadInput with file and line for one that is not there, no file (a pipe holds up whoever reads it), longer
            than LONGEST, not UTF-8 or not TOML.
    """
    return parse(content(path, LONGEST, follow=follow), str(path))


def parse(data: bytes, path: str) -> TomlFile:
    """A TomlFile from its bytes. Raises BadInput as `read` does."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BadInput(f"{path}:{line}: byte {data[error.start]:#04x} is not UTF-8: save it as UTF-8") from error
    if long := _long_key(text):
        raise BadInput(f"{path}:{long}: a key of more than {PARTS} parts: no key here has as many")
    try:
        table = tomllib.loads(text)
        lines = key_lines(text)
    except RecursionError as error:
        raise BadInput(f"{path}:1: brackets are nested too deeply: remove them") from error
    except ValueError as error:  # TOMLDecodeError, and an integer of more digits than Python reads
        if huge := _LONG_NUMBER.search(text):
            line = text.count("\n", 0, huge.start()) + 1
            raise BadInput(f"{path}:{line}: {BEYOND}") from error
        at = re.search(r"\(at line (\d+), column (\d+)\)", str(error))
        line = int(at[1]) if at else text.count("\n") + 1
        what = re.sub(r" \(at .*\)$", "", str(error)).rstrip(".")
        column = f" in column {at[2]}" if at else ""
        raise BadInput(f"{path}:{line}: not TOML: {what}{column}: correct this line") from error
    file = TomlFile(path, data, table, lines)
    if strange := _strange(table):
        raise BadInput(file.problem(*strange))
    return file


def _long_key(text: str) -> int | None:
    """The line of a key with more than PARTS parts, in text that need not be TOML; in time with its length."""
    bare = _QUOTED.sub(lambda m: "s" + "\n" * m[0].count("\n"), text + "\n")
    found = _LONG_KEY.search(bare)
    return bare.count("\n", 0, found.start()) + 1 if found else None


def _strange(table: dict[str, Any]) -> tuple[KeyPath, str] | None:
    """Where a whole number of more than 64 bits stands, which no TOML has (TOML 1.0.0, Integer), or a value deeper than
    any of ours; and which of the two."""
    left: list[tuple[Any, int, Any]] = [((), 0, table)]  # path as (path before, key), so that a step costs one pair
    while left:
        at, depth, value = left.pop()
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            return _path(at), BEYOND
        inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        if inner and depth > DEEPEST:
            return _path(at), "tables are nested too deeply: remove them"
        left += [((at, key), depth + 1, one) for key, one in inner]
    return None


def _path(at: Any) -> KeyPath:
    keys = []
    while at:
        at, key = at
        keys.append(key)
    return tuple(reversed(keys))


def key_lines(text: str) -> dict[KeyPath, int]:
    """The line of each table header and key of a valid TOML document.

    Gives   {("model",): 1, ("point", 0): 3, ("point", 0, "name"): 4, ...}; elements of an array of tables are
            counted from 0. Keys inside inline tables and arrays are not in it.
    """
    lines: dict[KeyPath, int] = {}
    counts: dict[KeyPath, int] = {}  # arrays of tables: index of the latest element
    inside: KeyPath = ()
    at, line = 0, 1

    def note(base: KeyPath, parts: Iterable[str]) -> KeyPath:
        for part in parts:
            base = (*base, part)
            if base in counts:
                base = (*base, counts[base])
            lines.setdefault(base, line)
        return base

    while True:
        between = _BETWEEN.match(text, at)
        assert between is not None  # it matches the empty text
        line += between[0].count("\n")
        at = between.end()
        if header := _HEADER.match(text, at):
            at = header.end()
            *parents, name = _parts(header[2])
            if header[1]:
                array = (*note((), parents), name)
                counts[array] = counts.get(array, -1) + 1
                inside = note(array[:-1], [name])
            else:
                inside = note((), [*parents, name])
        elif assign := _ASSIGN.match(text, at):
            at = assign.end()
            note(inside, _parts(assign[1]))
            depth = 0
            while (piece := _PIECE.match(text, at)) and not (piece[0] == "\n" and depth == 0):
                at = piece.end()
                line += piece[0].count("\n")
                depth += (piece[0] in "[{") - (piece[0] in "]}")
        else:
            return lines


def _begin(text: str, most: int) -> str:
    return text if len(text) <= most else f"{text[:most]}..."


def _parts(dotted: str) -> list[str]:
    """The parts of a dotted key, quotes and escapes resolved."""
    parts = []
    table: Any = tomllib.loads(f"{dotted} = 0")
    while isinstance(table, dict):
        ((part, table),) = table.items()
        parts.append(part)
    return parts


def nearest(word: str, known: Iterable[str]) -> str:
    """What to do about an unknown word: the nearest known one, or all of them. Of many the first alone, and no long one
    is compared: that takes minutes."""
    known = list(known)
    few = [one for one in known[:FEW] if len(one) <= FEW]
    near = difflib.get_close_matches(word, few, 1) if len(word) <= FEW else []
    return f"did you mean {near[0]}?" if near else f"known: {', '.join(known[:FEW])}{', ...' * (len(known) > FEW)}"


class Problems:
    """Checks the tables of one file and collects what is wrong, each with its line."""

    def __init__(self, file: TomlFile) -> None:
        self.file = file
        self._found: list[tuple[int, str]] = []

    def __len__(self) -> int:
        return len(self._found)

    def note(self, key: KeyPath, what: str) -> None:
        """This key is wrong; `what` says how and what to do."""
        if len(self._found) < MOST:
            self._found.append((self.file.line(*key), self.file.problem(key, what)))

    def lines(self) -> list[str]:
        """All problems, in the order of the file's lines."""
        return [text for _, text in sorted(self._found)]

    def keys(self, at: KeyPath, table: dict[str, Any], known: Keys, needed: Iterable[str]) -> dict[str, Any]:
        """Check a table's keys.

        Takes   the tests of the known keys, and the keys that must be there.
        Gives   the values that passed, whole numbers of a `number` key as float.
        """
        good: dict[str, Any] = {}
        for key, value in table.items():
            if len(self) >= MOST:
                break
            if key not in known:
                self.note((*at, key), f"there is no such key; {nearest(key, known)}")
            elif what := known[key](value):
                self.note((*at, key), what)
            else:
                good[key] = float(value) if known[key] is number else value
        for key in needed:
            if key not in table:
                self.note((*at, key), "it is missing: add it")
        return good


def text(value: Any) -> str | None:
    """A text that is not empty."""
    if not isinstance(value, str):
        return f'put it in quotes ("{value}")' if isinstance(value, int | float) else "it takes a text"
    return None if value.strip() else "it is empty: write something or remove the key"


def number(value: Any) -> str | None:
    """A finite number."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"it takes a number in the base unit (0.0047, 4.7e3), not {value!r}"
    try:
        finite = math.isfinite(value)
    except OverflowError:  # an int beyond the doubles
        finite = False
    return None if finite else f"{str(value)[:12]} is nothing to compare with: write a number or remove the key"


def flag(value: Any) -> str | None:
    """true or false."""
    return None if isinstance(value, bool) else "it takes true or false, without quotes"


def table(value: Any) -> str | None:
    """A table."""
    return None if isinstance(value, dict) else "it takes a table"


def tables(value: Any) -> str | None:
    """An array of tables with at least one in it."""
    good = isinstance(value, list) and value and all(isinstance(one, dict) for one in value)
    return None if good else "it takes one table each, in double brackets, and at least one"


def word(*words: str) -> Test:
    """One of these words."""

    def test(value: Any) -> str | None:
        return None if value in words else f"{value!r} is not known; {nearest(str(value), words)}"

    return test
