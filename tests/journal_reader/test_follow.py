"""Follow: every line once, in order, however it comes."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.journal.follow import Follower
from tests.journal_reader.chains import all_lines
from tests.journal_reader.generate import Maker, World


def came(follower: Follower) -> list[bytes]:
    return [line for batch in follower.look() for line in batch]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(1, 400), max_size=40), st.data())
def test_lines_in_pieces_across_segments(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[int], data: st.DataObject
) -> None:
    source = tmp_path_factory.mktemp("source")
    maker = Maker(source)
    for _ in range(3):
        World(maker).begin()
        maker.save()
        maker.wait(86_400)
    target = tmp_path_factory.mktemp("target")
    follower = Follower(target, 1)
    got: list[bytes] = []
    for path in sorted(source.glob("*.jsonl")):
        rest = path.read_bytes()
        while rest:
            n = data.draw(st.sampled_from([*pieces, len(rest)]))
            with (target / path.name).open("ab") as file:
                file.write(rest[:n])
            rest = rest[n:]
            if data.draw(st.booleans()):
                got += came(follower)
    got += came(follower)
    assert got == all_lines(source)
    assert came(follower) == []


def test_from_now_and_from_a_record(journal: Path) -> None:
    lines = all_lines(journal)
    for seq in (1, 2, 100, len(lines), len(lines) + 1):
        assert came(Follower(journal, seq)) == lines[seq - 1 :]
    follower = Follower(journal)
    assert came(follower) == []
    with sorted(journal.glob("*.jsonl"))[-1].open("ab") as file:
        file.write(b'{"a":1}\n{"b"')
        file.flush()
        assert came(follower) == [b'{"a":1}']
        file.write(b":2}\n")
    assert came(follower) == [b'{"b":2}']


def test_from_now_behind_half_a_line(journal: Path) -> None:
    last = sorted(journal.glob("*.jsonl"))[-1]
    with last.open("ab") as file:
        file.write(b'{"half"')
        file.flush()
        follower = Follower(journal)
        file.write(b":1}\n")
    assert came(follower) == [b'{"half":1}']


def test_a_segment_that_is_cut_back_goes_on(journal: Path) -> None:
    """The writer withdraws what the disk refused; its numbers are given out again."""
    last = sorted(journal.glob("*.jsonl"))[-1]
    follower = Follower(journal)
    size = last.stat().st_size
    with last.open("ab") as file:
        file.write(b'{"refused":1}\n')
    assert came(follower) == [b'{"refused":1}']
    os.truncate(last, size)
    assert came(follower) == []
    with last.open("ab") as file:
        file.write(b'{"instead":1}\n')
    assert came(follower) == [b'{"instead":1}']


def test_an_empty_folder_waits_for_the_first_segment(tmp_path: Path) -> None:
    follower = Follower(tmp_path)
    assert came(follower) == []
    World(maker := Maker(tmp_path)).begin()
    maker.save()
    assert came(follower) == all_lines(tmp_path)


def test_the_command_flushes_each_line_and_ends_quietly(journal: Path) -> None:
    command = [
        sys.executable, "-W", "ignore", "-c",
        "import sys; from meterlink.cli import main; sys.argv[0] = 'meterlink'; main.main()",
        "journal", "follow", "--from", "1", "--dir", str(journal.parent),
    ]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stderr is not None
        expected = all_lines(journal)
        got = [child.stdout.readline()[:-1] for _ in expected]
        assert got == expected
        child.stdout.close()  # the consumer goes away
        assert child.wait(20) == 0, "it sees that without a further line"
        assert child.stderr.read() == b""
