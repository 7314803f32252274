"""Numbers, times, lengths and depths that no bench writes: every command that reads a journal ends in order, with one
line where it cannot go on, and never with a fault of its own."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import pytest

from tests.hostile.commands import READ, lines, orderly
from tests.hostile.journals import FIELDS, SLOTS, Row, Slot, put, story, write

FEW = (1e308, 5e-324)
DOUBLES = (0.0, -0.0, -1e308, 1.7976931348623157e308, -1.7976931348623157e308, -5e-324, -1.0)
WHOLES = (0, -1, 2**63 - 1, -(2**63))
# tokens of JSON, or nearly, that are no double and no whole number of 64 bits
NONE = ("1e999999", "9" * 5000, "NaN", "[]", "-1e999999", "1e-999999", "Infinity", "9" * 400, "{}", "null", "true", "x")
TIMES = ("", "x", "2026-02-30T00:00:00.000000Z", "9999-12-31T23:59:59.999999Z", "0001-01-01T00:00:00.000000Z")
NO_TIMES = (*TIMES, "2026-11-25T08:00:00Z", "\u0662026-11-25T08:00:00.000000Z", "9" * 30, "as is: 5", "as is: null")


def read(folder: Path, rows: list[Row | bytes], ways: int = 1) -> Iterator[tuple[str, int]]:
    """Every command that reads a journal, on this one, in its first ways. Gives its name and status."""
    segment = write(folder / "journal", rows)
    for name in READ:
        for words in islice(lines(name, "x", segment, folder), ways):
            done = orderly(words)
            assert (
                done.returncode == 0 or done.stderr.count("\nmeterlink: ") + done.stderr.startswith("meterlink: ") == 1
            )
            assert len(done.stderr) < 25_000
            yield name, done.returncode


def every(sort: str, value: object) -> list[Row]:
    """The story with this in each field of a sort."""
    out = []
    for one in story():
        for slot in SLOTS:
            if (slot.kind, slot.sort) == (one["kind"], sort):
                one = put(one, slot.path, value)
        out.append(one)
    return out


def test_the_commands_are_found() -> None:
    assert {"journal verify", "journal show", "board show", "job list", "report", "known-good learn"} <= set(READ)


@pytest.mark.parametrize("value", [*FEW, *(pytest.param(x, marks=pytest.mark.long) for x in DOUBLES)])
def test_the_largest_and_least_doubles(value: float, tmp_path: Path) -> None:
    ended = dict(read(tmp_path, every("number", value)))
    assert ended["journal show"] == ended["report"] == ended["board show"] == 0
    drawn = (tmp_path / "reports" / "x.html").read_text(encoding="utf-8")
    assert "<svg" in drawn and not re.search(r'="[^"]*\b(nan|inf)\b', drawn), "a picture has a place for everything"


@pytest.mark.parametrize("value", [*(pytest.param(x, marks=pytest.mark.long) for x in WHOLES[:-1]), WHOLES[-1]])
def test_the_largest_and_least_whole_numbers(value: int, tmp_path: Path) -> None:
    ended = dict(read(tmp_path, every("whole", value)))
    least = 0 if value > 0 else 1  # no count and no seq is below zero: such a record is refused in one line
    assert (ended["job list"], ended["journal verify"]) == (least, 1)


@pytest.mark.parametrize("expanded", [1e308, 1.7976931348623157e308])
def test_an_uncertainty_near_the_largest_double(expanded: float, tmp_path: Path) -> None:
    rows = [put(one, ("uncertainty", "expanded"), expanded) if one["kind"] == "kept" else one for one in story()]
    ended = dict(read(tmp_path, rows))
    assert ended["journal show"] == ended["journal replay"] == ended["report"] == ended["board show"] == 0
    assert ended["known-good learn"] == 2 and not list((tmp_path / "known-good").glob("*"))


def test_a_difference_beyond_the_largest_double(tmp_path: Path) -> None:
    """Between before and after: computed, and so no number of any record."""
    far = {"before": {"value": -1.7e308, "uncertainty": None}, "after": {"value": 1.7e308, "uncertainty": None}}
    ended = dict(
        read(tmp_path, [one | (far.get(one["stage"], {}) if one["kind"] == "kept" else {}) for one in story()])
    )
    assert ended["report"] == ended["board show"] == 0
    assert "up by inf x" in (tmp_path / "reports" / "x.html").read_text(encoding="utf-8")


@pytest.mark.parametrize("digits", [64, pytest.param(5000, marks=pytest.mark.long)])
def test_a_whole_number_beyond_64_bits(digits: int, tmp_path: Path) -> None:
    for slot in (
        Slot("void", ("of",), "whole"),
        Slot("stop", ("seq",), "whole"),
        Slot("kept", ("readings", 0), "whole"),
    ):
        rows = [put(one, slot.path, f"as is: {'9' * digits}") if one["kind"] == slot.kind else one for one in story()]
        assert dict(read(tmp_path / slot.kind, rows))["journal verify"] == 1


@pytest.mark.parametrize(("kind", "at"), [("board", ""), ("kept", "as is: 5"), ("supply", TIMES[-1]), ("supply", "x")])
def test_a_time_that_is_none(kind: str, at: str, tmp_path: Path) -> None:
    assert dict(read(tmp_path, [{**one, "at": at} if one["kind"] == kind else one for one in story()]))


@pytest.mark.parametrize("field", ["raw", "asked"])
def test_bytes_that_are_not_hex(field: str, tmp_path: Path) -> None:
    ended = dict(read(tmp_path, [one | ({field: "\x1bz"} if one["kind"] == "reading" else {}) for one in story()]))
    assert ended["journal resettle"] == ended["journal verify"] == 1


MEBIBYTE = "y" * (1 << 20)


def test_a_name_of_a_mebibyte_makes_no_error_of_a_mebibyte(tmp_path: Path) -> None:
    rows = [put(one, ("job",), MEBIBYTE) if one["kind"] == "job" else one for one in story()[:3]]
    ended = dict(read(tmp_path, rows))
    assert ended["report"] == ended["job show"] == 2


@pytest.mark.long
def test_a_text_of_a_mebibyte(tmp_path: Path) -> None:
    ended = dict(read(tmp_path, [put(one, ("by",), MEBIBYTE) if one["kind"] == "void" else one for one in story()]))
    assert ended["journal show"] == ended["report"] == 0


@pytest.mark.parametrize("inside", [b'"kind":"job","job":' + b"[" * 100_000, b'"kind":"new","x":' + b'{"a":' * 100_000])
def test_what_is_nested_deep(inside: bytes, tmp_path: Path) -> None:
    assert dict(read(tmp_path, [*story(), inside]))["journal verify"] == 1


def test_a_board_whose_taking_in_was_withdrawn(tmp_path: Path) -> None:
    """Alone, with its keeps still there; then with all that was recorded of it withdrawn."""
    boards = [n for n, one in enumerate(story(), 1) if one.get("board") == "x" and one["kind"] == "board"]
    everything = range(1, len(story()) + 1)
    for number, gone in enumerate((boards, everything)):
        folder = tmp_path / str(number)
        voids = [{"kind": "void", "of": n, "why": "slip", "by": "y"} for n in gone]
        ended = dict(read(folder, [*story(), *voids], ways=2))
        assert ended["board show"] == 0
        shown = orderly(["board", "show", "x", "--dir", str(folder), "--"]).stdout
        assert "is not counted: its taking in was withdrawn" in shown
        assert json.loads(orderly(["board", "show", "x", "--json", "--dir", str(folder), "--"]).stdout)["state"] is None


NUMBERS = [s for s in SLOTS if s.sort in ("whole", "number", "truth")]
BEYOND = [f"as is: {x}" for x in (2**64, 1e308, *NONE[:4])]
ALL = [f"as is: {x}" for x in (*FEW, *DOUBLES, *WHOLES, 2**63, 2**64, -(2**64), *NONE)]


@pytest.mark.parametrize(
    ("values", "ways"), [pytest.param(BEYOND, 1, marks=pytest.mark.long), pytest.param(ALL, 2, marks=pytest.mark.full)]
)
@pytest.mark.parametrize("slot", NUMBERS, ids=str)
def test_each_number_in_turn(slot: Slot, values: list[str], ways: int, tmp_path: Path) -> None:
    for number, value in enumerate(values):
        rows = [put(one, slot.path, value) if one["kind"] == slot.kind else one for one in story()]
        assert dict(read(tmp_path / str(number), rows, ways))


SOME = ("start", "context", "reading", "kept")


@pytest.mark.parametrize(
    "kind", [pytest.param(k, marks=pytest.mark.long if k in SOME else pytest.mark.full) for k in sorted(FIELDS)]
)
def test_each_head_in_turn(kind: str, tmp_path: Path) -> None:
    heads: list[Row] = [{"at": at} for at in NO_TIMES]
    heads += [{"seq": f"as is: {x}"} for x in (0, -1, 2**63, 2**64, "9" * 5000, "1.5", "null")]
    heads += [{"prev": x} for x in ("", "x" * (1 << 20), "as is: 5", "\x1b[2J" * 16)]
    heads += [{"kind": x} for x in ("", "\x1b[2J")]
    for number, head in enumerate(heads):
        assert dict(read(tmp_path / str(number), [{**one, **head} if one["kind"] == kind else one for one in story()]))


@pytest.mark.full
@pytest.mark.parametrize("slot", [s for s in SLOTS if s.sort in ("text", "word")], ids=str)
def test_a_mebibyte_in_each_field(slot: Slot, tmp_path: Path) -> None:
    rows = story()
    first = next(n for n, one in enumerate(rows) if one["kind"] == slot.kind)
    rows[first] = put(rows[first], slot.path, MEBIBYTE)
    assert dict(read(tmp_path, rows, ways=2))
