"""Check sheets: every error with its line, the order with skip rules, and that no file breaks the loader."""

from __future__ import annotations

import hashlib
import random
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import tomlfile
from meterlink.bench import sheet as sheets
from meterlink.bench.draft import draft
from meterlink.bench.ledger import Ledger
from meterlink.bench.progress import progress
from meterlink.bench.sheet import OnlyIf, Sheet
from meterlink.errors import BadInput
from meterlink.reading import FUNCTIONS

from .journals import Story

DEMO = resources.files("meterlink.demo").joinpath("ic-8-rev-c.toml").read_bytes()
GOOD = b"""model = "IC-8 rev C"
title = "dead board"

[rails."+3V3"]
nominal = 3.3

[[point]]
name = "+3V3"
where = "C412 top side, left pad"
function = "resistance"
rail = "+3V3"
low = 180
high = 420.5

[[point]]
name = "C412"
function = "diode"
only_if = { point = "+3V3", verdict = "short" }

[[point]]
name = "F1"
function = "continuity"
expect = "short"
short = 2

[[point]]
name = "+3V3 on"
function = "voltage"
coupling = "dc"
low = 3.135
high = 3.465
caution = "24 V, limit 0.3 A"
"""


def parse(data: bytes) -> tuple[Sheet | None, list[str]]:
    return sheets.check(tomlfile.parse(data, "s.toml"))


def good(data: bytes) -> Sheet:
    sheet, problems = parse(data)
    assert problems == []
    assert sheet is not None
    return sheet


def test_a_sheet(tmp_path: Path) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(GOOD)
    sheet = sheets.load(path)
    assert (sheet.model, sheet.title, sheet.path) == ("IC-8 rev C", "dead board", str(path))
    assert sheet.sha256 == hashlib.sha256(GOOD).hexdigest()
    assert sheet.rails["+3V3"].nominal == 3.3
    first, second, third, last = sheet.points
    assert (first.low, first.high, first.unit, first.expect, first.powered) == (180.0, 420.5, "Ohm", "band", False)
    assert (second.expect, second.only_if) == ("known-good", OnlyIf("+3V3", "short"))
    assert (third.expect, third.short) == ("short", 2.0)
    assert (last.unit, last.coupling, last.powered, last.caution) == ("V", "dc", True, "24 V, limit 0.3 A")


def test_order_and_skip_rules() -> None:
    sheet = good(GOOD)

    def names(verdicts: dict[str, str | None]) -> tuple[str, ...]:
        return progress(Ledger(), None, sheet, "before", fresh=verdicts).pending

    assert names({}) == ("+3V3", "F1", "+3V3 on")
    assert names({"+3V3": "ok"}) == ("F1", "+3V3 on")
    assert names({"+3V3": "short"}) == ("C412", "F1", "+3V3 on")
    assert names({"+3V3": "short", "C412": "short", "F1": None}) == ("+3V3 on",)
    assert sheet.find("nowhere") is None


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        (b'model = "IC-8 rev C"', b"", "s.toml:1: model: it is missing"),
        (b'model = "IC-8 rev C"', b"model = 8", 's.toml:1: model: put it in quotes ("8")'),
        (b"title =", b"tittle =", "s.toml:2: tittle: there is no such key; did you mean title?"),
        (b"nominal = 3.3", b"nominal = '3.3'", "s.toml:5: rails.+3V3.nominal: it takes a number"),
        (b"nominal = 3.3", b"nominal = 0", "s.toml:5: rails.+3V3.nominal: no rail has 0 V"),
        (b"nominal = 3.3", b"volts = 3.3", "s.toml:4: rails.+3V3.nominal: it is missing"),
        (b'name = "+3V3"', b'name = " "', "s.toml:8: point.name: it is empty"),
        (b'name = "+3V3"\n', b'name = "a\\nb"\n', "s.toml:8: point.name: 'a\\nb' holds a line break"),
        (b'name = "+3V3"\n', b"name = '" + b"n" * 81 + b"'\n", "s.toml:8: point.name: a name has 1 to 80"),
        (b'"resistance"', b'"resistence"', "s.toml:10: point.function: 'resistence' is not known; did you"),
        (b'"resistance"', b'["resistance"]', "s.toml:10: point.function: ['resistance'] is not known"),
        (b'rail = "+3V3"', b'rail = "+3V"', "s.toml:11: point.rail: '+3V' is not a rail of this sheet; did"),
        (b"low = 180", b"low = true", "s.toml:12: point.low: it takes a number"),
        (b"low = 180", b"low = nan", "s.toml:12: point.low: nan is nothing to compare with"),
        (b"low = 180", b"low = -inf", "s.toml:12: point.low: -inf is nothing to compare with"),
        (b"low = 180", b"low = 421", "s.toml:12: point.low: 421 is above high 420.5: swap"),
        (b"low = 180\nhigh = 420.5", b'expect = "band"', "s.toml:12: point.expect: a band needs low, high or both"),
        (b"low = 180", b"low = 180\npowered = true", "s.toml:13: point.powered: resistance is measured on"),
        (b'point = "+3V3", v', b'point = "+3V4", v', "s.toml:18: point.only_if: no point before this one is called"),
        (b'point = "+3V3", v', b'point = "F1", v', "s.toml:18: point.only_if: no point before this one is called"),
        (b'verdict = "short"', b'verdict = "shorted"', "s.toml:18: point.only_if.verdict: 'shorted' is not known"),
        (b', verdict = "short"', b"", "s.toml:18: point.only_if.verdict: it is missing"),
        (b'name = "F1"', b'name = "C412"', "s.toml:21: point.name: 'C412' is in line 16 already"),
        (b'expect = "short"', b'expect = "closed"', "s.toml:23: point.expect: 'closed' is not known; known: band"),
        (b"short = 2", b"short = 0", "s.toml:24: point.short: 0 is no limit"),
        (b"short = 2", b"short = 2\nhigh = 3", 's.toml:25: point.high: expect = "short" needs no band'),
        (b"short = 2", b"short = 2\nopen = 1", "s.toml:24: point.short: 2 is above open 1"),
        (b'coupling = "dc"', b'coupling = "DC"', "s.toml:29: point.coupling: 'DC' is not known; "),
        (b"high = 3.465", b"short = 0.1", "s.toml:31: point.short: a voltage has no such limit"),
        (b"high = 3.465", b"powered = 'yes'", "s.toml:31: point.powered: it takes true or false"),
        (b"low = 3.135\nhigh = 3.465", b'expect = "open"', "s.toml:30: point.expect: a voltage is never open"),
        (b'function = "voltage"\n', b"", "s.toml:26: point.function: it is missing"),
    ],
)  # fmt: skip
def test_problems_name_their_line(old: bytes, new: bytes, problem: str, tmp_path: Path) -> None:
    """One thing wrong in a good sheet: one line, at the right place."""
    assert GOOD.count(old) >= 1
    data = GOOD.replace(old, new, 1)
    sheet, problems = parse(data)
    assert sheet is None
    assert problems[0].startswith(problem)
    assert all("\n" not in p for p in problems)
    path = tmp_path / "s.toml"
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught:
        sheets.load(path)
    assert str(caught.value).startswith(f"{path.parent}/{problem}")


def test_no_points() -> None:
    assert parse(b'model = "x"')[1] == ["s.toml:1: point: it is missing: add it"]
    assert parse(b'model = "x"\npoint = []')[1][0].startswith("s.toml:2: point: it takes one table each")
    assert parse(b'model = "x"\npoint = [1]')[1][0].startswith("s.toml:2: point: it takes one table each")


def test_all_problems_are_found_in_order() -> None:
    data = GOOD.replace(b'"dc"', b'"d"').replace(b"low = 180", b"loww = 180").replace(b"nominal", b"volts")
    _, problems = parse(data)
    places = [problem.split(": ")[:2] for problem in problems]
    assert places == [
        ["s.toml:4", "rails.+3V3.nominal"],
        ["s.toml:5", "rails.+3V3.volts"],
        ["s.toml:12", "point.loww"],
        ["s.toml:29", "point.coupling"],
    ]


@pytest.mark.parametrize("function", [f for f in FUNCTIONS if f != "unknown"])
def test_every_function_has_a_unit(function: str) -> None:
    (point,) = good(f'model = "x"\n[[point]]\nname = "P"\nfunction = "{function}"'.encode()).points
    assert point.unit == FUNCTIONS[function][0]


def test_the_demo_s_sheet() -> None:
    sheet = good(DEMO)
    assert (sheet.model, len(sheet.points)) == ("IC-8 rev C", 8)
    assert [p.powered for p in sheet.points] == [False] * 7 + [True]
    assert set(sheet.rails) == {"VIN", "+5V", "+3V3"}
    assert all(p.caution for p in sheet.points if p.powered)


# -- drafting


def drafted(story: Story) -> Sheet:
    return good(draft(story.ledger(), "GC-01", None, None, None).encode())


def test_a_draft_of_what_was_measured() -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "+3V3", 3.0, function="resistance", unit="Ohm")
    story.keep("GC-01", "J2", None, state="over")
    story.void(story.keep("GC-01", "slip", 0.1))
    story.keep("GC-01", "+3V3 on", 3.29, function="voltage", unit="V", coupling="dc")
    story.keep("GC-01", "+3V3", 301.0, function="resistance", unit="Ohm")
    story.keep("GC-01", None, 0.7)
    sheet = drafted(story)
    assert sheet.model == "IC-8 rev C"
    assert [(p.name, p.function, p.coupling, p.expect, p.powered) for p in sheet.points] == [
        ("+3V3", "resistance", None, "known-good", False),
        ("J2", "diode", None, "open", False),
        ("+3V3 on", "voltage", "dc", "known-good", True),
    ]
    text = draft(story.ledger(), "GC-01", None, None, "as found")
    assert "# shown: 301.0 Ohm" in text
    assert all(p.low is None and p.high is None for p in sheet.points)


@pytest.mark.parametrize(
    ("board", "job", "message"),
    [
        ("GC-09", None, "the journal has no board GC-09"),
        ("GC-01", "GC-1", "the journal has no board GC-01 in job GC-1"),
        ("GC-01", None, "is in jobs GC-2611, GC-2612"),
        ("GC-01", "GC-2612", "has no keep at a named point"),
    ],
)
def test_no_draft(board: str, job: str | None, message: str) -> None:
    story = Story()
    story.board("GC-01")
    story.keep("GC-01", "VIN", 0.5)
    story.job("GC-2612", "IC-8 rev C")
    story.board("GC-01", "GC-2612")
    with pytest.raises(BadInput, match=message):
        draft(story.ledger(), board, job, None, None)


NAME = st.text(st.characters(codec="utf-8"), min_size=1, max_size=80)


@given(st.lists(st.tuples(NAME, st.sampled_from(sorted(FUNCTIONS)), st.none() | st.floats(-1e9, 1e9)), max_size=6))
def test_any_draft_is_a_sheet(keeps: list[tuple[str, str, float | None]]) -> None:
    story = Story()
    story.board("GC-01")
    for name, function, value in keeps:
        unit, state = FUNCTIONS[function][0], "ok" if value is not None else "over"
        story.keep("GC-01", name, value, function=function, unit=unit, state=state)
    usable = {n for n, f, _ in keeps if f != "unknown" and sheets.name_problem(n) is None}
    if usable:
        assert {p.name for p in drafted(story).points} == usable
    else:
        with pytest.raises(BadInput):
            drafted(story)


# -- fuzz: a sheet or a BadInput, never another exception

LINES = DEMO.splitlines(keepends=True)
PIECES = [
    b"[", b"]]", b"=", b'"', b"'''", b"\n", b"nan", b"-inf", b"1e999", b"true", b"{}", b"[[point]]", b"point = 3",
    b"\xff", b"\x00", b"low = []", b"9" * 40, b"only_if = {}", b"rails = 1", b'"\\u0000"', b"[point]", b"[rails]",
]  # fmt: skip


def mutate(rng: random.Random) -> bytes:
    """The demo's sheet with a few lines or bytes changed."""
    lines = LINES.copy()
    for _ in range(rng.randint(1, 4)):
        i, kind = rng.randrange(len(lines)), rng.randrange(6)
        if kind == 0:
            del lines[i]
        elif kind == 1:
            lines.insert(i, rng.choice(LINES))
        elif kind == 2:
            lines[i] = rng.choice(lines[i].split(b" = ")) + b" = " + rng.choice(PIECES) + b"\n"
        elif kind == 3:
            at = rng.randrange(len(lines[i]) + 1)
            lines[i] = lines[i][:at] + rng.choice(PIECES) + lines[i][at + 1 :]
        elif kind == 4:
            lines[i] = bytes(b if rng.random() > 0.1 else rng.randrange(256) for b in lines[i])
        else:
            lines = lines[: i + 1]
        if not lines:
            break
    return b"".join(lines)


def fuzz(rounds: int) -> tuple[int, int]:
    sheets_seen = refused = 0
    for seed in range(rounds):
        data = mutate(random.Random(seed))
        try:
            sheet, problems = parse(data)
        except BadInput as error:
            problems, sheet = [str(error)], None
        assert (sheet is None) == bool(problems)
        for problem in problems:
            line = int(problem.split(":")[1])
            assert problem.startswith("s.toml:")
            assert 1 <= line <= data.count(b"\n") + 1
            assert "\n" not in problem
        sheets_seen, refused = sheets_seen + (sheet is not None), refused + (sheet is None)
    return sheets_seen, refused


def test_mutated_sheets() -> None:
    accepted, refused = fuzz(1500)
    assert accepted > 50  # the fuzz reaches past the first check
    assert refused > 500


@pytest.mark.full
def test_many_mutated_sheets() -> None:
    fuzz(100_000)
