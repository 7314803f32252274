"""Check sheets: the test points of a board model in probing order, and what is expected at each.

A sheet is a TOML file of our own format (docs/check-sheets.md), checked as a whole before anything is
measured: every error names file, line and key. Nothing in it changes after loading.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

import msgspec

from meterlink import records, tomlfile
from meterlink.bench.ledger import Ledger
from meterlink.errors import BadInput
from meterlink.reading import FUNCTIONS, Coupling
from meterlink.tomlfile import KeyPath, Keys, Problems, TomlFile, nearest

DEAD = ("resistance", "continuity", "diode", "capacitance", "inductance")  # measured without power only
SHORTABLE = ("resistance", "continuity", "diode")  # functions that know short and open
LIVE = (
    "voltage",
    "current",
    "power",
    "frequency",
    "period",
    "duty",
)  # powered unless the sheet says otherwise
NAME_LENGTH = 80
POINTS, RAILS = 2000, 200  # of a sheet, at most


class Rail(msgspec.Struct, frozen=True):
    """A supply rail of the model: its nominal voltage in V."""

    nominal: float


class OnlyIf(msgspec.Struct, frozen=True):
    """A skip rule: the point is probed only if that earlier point got that verdict."""

    point: str
    verdict: records.Verdict


class Point(msgspec.Struct, frozen=True, kw_only=True):
    """One test point. Limits are in the base unit; `range` and `where` are for the technician to read."""

    name: str
    function: str
    unit: str
    expect: records.Expect
    powered: bool
    where: str | None = None
    coupling: Coupling | None = None
    range: str | None = None
    low: float | None = None
    high: float | None = None
    short: float | None = None
    open: float | None = None
    caution: str | None = None
    rail: str | None = None
    only_if: OnlyIf | None = None

    def applies(self, verdicts: Mapping[str, str]) -> bool:
        """Whether the skip rule lets this point be probed, given the verdicts by point name so far."""
        return self.only_if is None or verdicts.get(self.only_if.point) == self.only_if.verdict


class Sheet(msgspec.Struct, frozen=True, kw_only=True):
    """A checked sheet; `sha256` is that of the file's bytes, in hex."""

    model: str
    title: str | None
    rails: dict[str, Rail]
    points: tuple[Point, ...]
    sha256: str
    path: str

    def find(self, name: str) -> Point | None:
        """The point of that name, if there is one."""
        return next((p for p in self.points if p.name == name), None)


def load(path: Path) -> Sheet:
    """Read and check a sheet.

    Raises  BadInput, one line FILE:LINE: key: what and what to do; the first problem of several.
    """
    return _checked(tomlfile.read(path))


def _checked(file: TomlFile) -> Sheet:
    sheet, problems = check(file)
    if sheet is None:
        more = f" (and {len(problems) - 1} more: meterlink sheet check)" if len(problems) > 1 else ""
        raise BadInput(problems[0] + more)
    return sheet


def load_filed(folder: Path, name: str) -> Sheet:
    """A sheet from the bench's own copies, by the name that a record gives, which may be a stranger's: it is looked for
    in that folder alone. Raises BadInput as `load` does."""
    if Path(name).name != name or name in ("", ".", "..") or "\0" in name:
        raise BadInput(f"{name!r} is no name of a sheet that is filed here")
    return _checked(tomlfile.read(folder / name, follow=False))


def of_job(ledger: Ledger, job: str, folder: Path) -> Sheet | None:
    """The sheet that a job was opened with, from the bench's copies; None where it has none, or its copy is gone or
    altered since."""
    name = ledger.job_field(job, "sheet")
    try:
        sheet = load_filed(folder, name) if name else None
    except BadInput:
        return None
    return sheet if sheet and sheet.sha256 == ledger.job_field(job, "sheet_sha256") else None


def check(file: TomlFile) -> tuple[Sheet | None, list[str]]:
    """The sheet that a TOML file holds, or None and every problem found, in the order of the lines."""
    checked = _Sheet(file)
    return checked.check(), checked.problems.lines()


def name_problem(name: str) -> str | None:
    """Why this cannot name a point, a model or a rail, if it cannot."""
    if not name.strip() or len(name) > NAME_LENGTH:
        return f"a name has 1 to {NAME_LENGTH} characters"
    if not name.isprintable():
        return f"{name!r} holds a line break or control character: leave it out"
    return None


def _name(value: Any) -> str | None:
    return tomlfile.text(value) or name_problem(value)


TOP: Keys = {"model": _name, "title": tomlfile.text, "rails": tomlfile.table, "point": tomlfile.tables}
RAIL: Keys = {"nominal": tomlfile.number}
ONLY_IF: Keys = {"point": _name, "verdict": tomlfile.word(*get_args(records.Verdict))}
POINT: Keys = {
    "name": _name,
    "where": tomlfile.text,
    "function": tomlfile.word(*(f for f in FUNCTIONS if f != "unknown")),
    "coupling": tomlfile.word(*get_args(Coupling)),
    "range": tomlfile.text,
    "expect": tomlfile.word(*get_args(records.Expect)),
    "low": tomlfile.number,
    "high": tomlfile.number,
    "short": tomlfile.number,
    "open": tomlfile.number,
    "caution": tomlfile.text,
    "powered": tomlfile.flag,
    "rail": _name,
    "only_if": tomlfile.table,
}


class _Sheet:
    """One file being checked: walks it once, in order."""

    def __init__(self, file: TomlFile) -> None:
        self.file = file
        self.problems = Problems(file)
        self.seen: dict[str, int] = {}  # point name -> its line

    def check(self) -> Sheet | None:
        top = self.problems.keys((), self.file.table, TOP, ("model", "point"))
        rails = {}
        for name, table in top.get("rails", {}).items():
            at = ("rails", name)
            if what := _name(name) or tomlfile.table(table):
                self.problems.note(at, what)
                continue
            rail = self.problems.keys(at, table, RAIL, RAIL)
            if rail.get("nominal") == 0:
                self.problems.note((*at, "nominal"), "no rail has 0 V: write its nominal voltage in V")
            rails[name] = Rail(rail.get("nominal", 0.0))
        tables = top.get("point", [])
        if len(tables) > POINTS or len(rails) > RAILS:
            what = f"a sheet has at most {POINTS} points and {RAILS} rails: split it"
            self.problems.note(("point", POINTS) if len(tables) > POINTS else ("rails",), what)
            return None
        points = [self.point(("point", i), table, rails) for i, table in enumerate(tables) if not self.full()]
        if self.problems:
            return None
        return Sheet(
            model=top["model"],
            title=top.get("title"),
            rails=rails,
            points=tuple(p for p in points if p is not None),
            sha256=hashlib.sha256(self.file.data).hexdigest(),
            path=self.file.path,
        )

    def full(self) -> bool:
        """More problems are not looked for."""
        return len(self.problems) >= tomlfile.MOST

    def point(self, at: KeyPath, table: dict[str, Any], rails: Mapping[str, Rail]) -> Point | None:
        before = len(self.problems)
        p = self.problems.keys(at, table, POINT, ("name", "function"))
        only_if = self.only_if((*at, "only_if"), p["only_if"]) if "only_if" in p else None
        if "name" in p:
            if p["name"] in self.seen:
                line = self.seen[p["name"]]
                self.problems.note((*at, "name"), f"{p['name']!r} is in line {line} already: give it another name")
            self.seen.setdefault(p["name"], self.file.line(*at, "name"))
        if "rail" in p and p["rail"] not in rails:
            known = nearest(p["rail"], rails) if rails else "the sheet has no [rails]"
            self.problems.note((*at, "rail"), f"{p['rail']!r} is not a rail of this sheet; {known}")
        if len(self.problems) > before:
            return None
        p["expect"] = p.get("expect") or ("band" if "low" in p or "high" in p else "known-good")
        p["powered"] = p.get("powered", p["function"] in LIVE)
        self.limits(at, p)
        if len(self.problems) > before:
            return None
        return Point(**{**p, "only_if": only_if}, unit=FUNCTIONS[p["function"]][0])

    def only_if(self, at: KeyPath, table: dict[str, Any]) -> OnlyIf | None:
        rule = self.problems.keys(at, table, ONLY_IF, ONLY_IF)
        if len(rule) < 2:
            return None
        if rule["point"] not in self.seen:
            known = nearest(rule["point"], self.seen) if self.seen else "this is the first point"
            self.problems.note(at, f"no point before this one is called {rule['point']!r}; {known}")
        return OnlyIf(rule["point"], rule["verdict"])

    def limits(self, at: KeyPath, p: dict[str, Any]) -> None:
        """What the keys of one point must be to each other."""
        function, expect = p["function"], p["expect"]
        for low, high in (("low", "high"), ("short", "open")):
            if low in p and high in p and p[low] > p[high]:
                self.problems.note((*at, low), f"{p[low]:g} is above {high} {p[high]:g}: swap or correct them")
        for key in ("short", "open"):
            if key in p and function not in SHORTABLE:
                self.problems.note((*at, key), f"a {function} has no such limit: remove it")
            elif key in p and p[key] <= 0:
                self.problems.note((*at, key), f"{p[key]:g} is no limit: write one above 0")
        if expect in ("short", "open"):
            if function not in SHORTABLE:
                self.problems.note((*at, "expect"), f"a {function} is never {expect}: use another function")
            for key in ("low", "high"):
                if key in p:
                    self.problems.note((*at, key), f'expect = "{expect}" needs no band: remove it')
        if expect == "band" and "low" not in p and "high" not in p:
            self.problems.note((*at, "expect"), "a band needs low, high or both: add them")
        if p["powered"] and function in DEAD:
            self.problems.note((*at, "powered"), f"{function} is measured on a board without power: remove the key")
