"""Random tampering with a journal: everything is found, against a head that was noted before; and without one
everything but what touches the newest line alone."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.journal_reader.chains import all_lines, check
from tests.journal_reader.generate import small


def tampered(lines: list[bytes], dice: random.Random) -> tuple[str, int, list[bytes]]:
    """Gives what was done, the first line (from 0) that it touched, and the lines."""
    out = list(lines)
    at = dice.randrange(len(out) - 1)
    kind = dice.choice(("byte", "digit", "delete", "swap", "double", "cut", "join", "move", "empty"))
    if kind in ("byte", "digit"):
        line = bytearray(out[at])
        where = [i for i, b in enumerate(line) if kind == "byte" or chr(b).isdigit()]
        i = dice.choice(where)
        choice = [b for b in (range(256) if kind == "byte" else b"0123456789") if b not in (line[i], 0x0A)]
        line[i] = dice.choice(choice)
        out[at] = bytes(line)
    elif kind == "delete":
        del out[at : at + dice.randint(1, 3)]
    elif kind == "swap":
        other = dice.choice([i for i in range(len(out)) if i != at])
        out[at], out[other] = out[other], out[at]
        at = min(at, other)
    elif kind == "double":
        out.insert(at, dice.choice(out))
    elif kind == "cut":
        out[at] = out[at][: dice.randrange(len(out[at]))]
    elif kind == "join":
        out[at : at + 2] = [out[at] + out[at + 1]]
    elif kind == "move":
        line = out.pop(at)
        to = dice.choice([i for i in range(len(out) + 1) if i != at])
        out.insert(to, line)
        at = min(at, to)
    else:
        out[at] = b""
    return kind, at, out


def only_the_newest(lines: list[bytes], changed: list[bytes]) -> bool:
    """Whether all but the newest line that is left stands as it was: no chain can show what became of that one."""
    return changed[:-1] == lines[: len(changed) - 1]


@pytest.mark.parametrize("count", [150, pytest.param(2000, marks=[pytest.mark.full, pytest.mark.timeout(600)])])
def test_all_tampering_is_found_and_edits_are_named(tmp_path: Path, count: int) -> None:
    folder = tmp_path / "journal"
    small(folder, boards=1)
    (segment,) = folder.glob("*.jsonl")
    lines = all_lines(folder)
    head = check(folder).head
    for seed in range(count):
        kind, at, changed = tampered(lines, random.Random(seed))
        segment.write_bytes(b"".join(line + b"\n" for line in changed))
        chain_only = seed % 2 == 0
        report = check(folder, chain_only=chain_only, trusted=head)
        assert not report.ok, f"seed {seed}: {kind} at line {at + 1} passed"
        if not only_the_newest(lines, changed):
            assert not check(folder, chain_only=chain_only).ok, f"seed {seed}: {kind} passed without a head"
        if kind in ("byte", "digit", "cut", "empty") or (kind == "join" and not chain_only):
            assert report.faults[0].line == at + 1, f"seed {seed}: {kind}: {report.faults[0]}"
