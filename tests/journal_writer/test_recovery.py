"""What a power cut leaves at the end is moved aside and told; what was changed afterwards stops the start."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink import records
from meterlink.errors import JournalBroken, JournalFailed
from meterlink.journal import synced
from meterlink.journal.disk import REAL
from meterlink.journal.recovery import UNSYNCED_MAX
from meterlink.journal.writer import Writer

from .disks import Faulty
from .oracle import MIDNIGHT, NOON, lines_of, lost_note, note, reading

NAME = "2026-11-25.jsonl"
RIGHT_HEAD = b'{"prev":"?","seq":5,"at":"2026-11-25T12:00:00.000000Z","kind":"weather",'


def written(folder: Path, count: int = 4, day2: int = 0) -> bytes:
    """A journal of so many records; gives the bytes of its first segment."""
    writer = Writer(folder)
    for i in range(count + day2):
        writer.append(note(f"n{i} µ") if i % 2 else reading(f"{i:02x}"), NOON if i < count else MIDNIGHT)
    writer.close()
    return (folder / NAME).read_bytes()


def reopened(folder: Path) -> list[records.Recovered]:
    """Start again as the service does; gives what was told."""
    writer = Writer(folder)
    told = writer.due
    if told:
        with pytest.raises(RuntimeError, match=r"the record of \S+torn-\d comes before any other"):
            writer.append(note("too early"), NOON)
    for record in told:
        writer.append(record, NOON)
    writer.commit()
    assert writer.due == []
    writer.append(note("goes on"), NOON)
    writer.close()
    return told


def test_the_last_line_cut_at_every_byte(tmp_path: Path) -> None:
    """Every whole record stays, and the journal goes on. Derived here: an append may be cut at any byte (write(2))."""
    data = written(tmp_path / "whole")
    last = data[:-1].rfind(b"\n") + 1
    for cut in range(last, len(data) + 1):
        folder = tmp_path / str(cut)
        folder.mkdir()
        (folder / NAME).write_bytes(data[:cut])
        told = reopened(folder)
        torn = data[last:cut]
        if cut in (last, len(data)):
            assert told == []
        else:
            assert told == [
                records.Recovered(
                    segment=NAME,
                    bytes=len(torn),
                    sha256=hashlib.sha256(torn).hexdigest(),
                    moved_to=f"{NAME}.torn-1",
                )
            ]
            assert (folder / f"{NAME}.torn-1").read_bytes() == torn
        whole = data if cut == len(data) else data[:last]
        assert (folder / NAME).read_bytes().startswith(whole)
        assert len(lines_of(folder)) == whole.count(b"\n") + len(told) + 1


@pytest.mark.parametrize(
    "tail",
    [
        pytest.param(bytes(4096), id="nul"),
        pytest.param(bytes(900_000), id="many nul"),
        pytest.param(bytes(100) + b"\n", id="nul and lf"),
        pytest.param(b"\n", id="blank line"),
        pytest.param(RIGHT_HEAD + b'"text":"\xff\xfe"}\n', id="right head, no UTF-8"),
        pytest.param(b"{}\n", id="no record"),
        pytest.param(b'{"prev":"00","seq":5}\n', id="half a head"),
        pytest.param(b"\xff\xfe\n\n\n{{{\n", id="several lines of garbage"),
        pytest.param(b"[" * 100_000 + b"\n", id="deep"),
    ],
)
def test_a_tail_that_is_not_valid(tmp_path: Path, tail: bytes) -> None:
    data = written(tmp_path)
    head = hashlib.sha256(data[data[:-1].rfind(b"\n") + 1 : -1]).hexdigest()
    tail = tail.replace(b"?", head.encode())
    (tmp_path / NAME).write_bytes(data + tail)
    (told,) = reopened(tmp_path)
    assert (told.bytes, told.sha256) == (len(tail), hashlib.sha256(tail).hexdigest())
    assert (tmp_path / told.moved_to).read_bytes() == tail
    assert (tmp_path / NAME).read_bytes().startswith(data)
    assert len(lines_of(tmp_path)) == 6


def test_a_last_line_with_a_right_head_that_is_no_json(tmp_path: Path) -> None:
    data = written(tmp_path)
    lost_note(tmp_path)
    (tmp_path / NAME).write_bytes(data[:-30] + bytes(10) + data[-20:])
    (told,) = reopened(tmp_path)
    assert told.bytes == len(data) - data[:-1].rfind(b"\n") - 1
    assert len(lines_of(tmp_path)) == 5


def test_a_hole_before_whole_lines_is_torn_only_where_nothing_was_synced(tmp_path: Path) -> None:
    """Blocks may reach the disk out of order; farther from the end than UNSYNCED_MAX all had been synced."""
    data = written(tmp_path / "near", 40)
    lost_note(tmp_path / "near")
    third = data.find(b"\n", data.find(b"\n") + 1) + 1
    holed = data[: third + 50] + bytes(700) + data[third + 750 :]
    (tmp_path / "near" / NAME).write_bytes(holed)
    (told,) = reopened(tmp_path / "near")
    assert (tmp_path / "near" / told.moved_to).read_bytes() == holed[third:]
    assert len(lines_of(tmp_path / "near")) == 4

    folder = tmp_path / "far"
    writer = Writer(folder)
    for _ in range(UNSYNCED_MAX // 50_000 + 3):
        writer.append(note("x" * 50_000), NOON)
    writer.close()
    data = (folder / NAME).read_bytes()
    holed = data[:60_000] + bytes(700) + data[60_700:]
    (folder / NAME).write_bytes(holed)
    with pytest.raises(JournalBroken, match=rf"^{NAME}, line 2: .*; nothing was touched"):
        Writer(folder)
    assert (folder / NAME).read_bytes() == holed


def swapped(lines: list[bytes]) -> list[bytes]:
    return [lines[0], lines[2], lines[1], *lines[3:]]


@pytest.mark.parametrize(
    ("change", "line"),
    [
        pytest.param(lambda ls: [ls[0], ls[1].replace(b"n1", b"n2"), *ls[2:]], 3, id="changed"),
        pytest.param(lambda ls: [ls[0], *ls[2:]], 2, id="missing"),
        pytest.param(swapped, 2, id="swapped"),
        pytest.param(lambda ls: [ls[0], ls[1][:-40], *ls[2:]], 2, id="cut in the middle"),
        pytest.param(lambda ls: [ls[0], ls[0], *ls[1:]], 2, id="twice"),
        pytest.param(lambda ls: ls[1:], 1, id="first missing"),
        pytest.param(lambda ls: [*ls[:-1], ls[-1].replace(b'"seq":6', b'"seq":7')], 6, id="number"),
        pytest.param(lambda ls: [*ls[:-2], ls[-2].replace(b'"GC-03"', b'"GC-04"'), ls[-1]], 6, id="last but one"),
    ],
)
@pytest.mark.parametrize("torn", [b"", b'{"prev":'], ids=["whole end", "torn end"])
def test_a_broken_chain_stops_the_start_and_nothing_is_touched(
    tmp_path: Path, change: object, line: int, torn: bytes
) -> None:
    lines = written(tmp_path, 6).split(b"\n")[:-1]
    data = b"".join(part + b"\n" for part in change(lines)) + torn  # type: ignore[operator]
    (tmp_path / NAME).write_bytes(data)
    with pytest.raises(JournalBroken, match=rf"^{NAME}, line {line}: .*meterlink run --new-journal"):
        Writer(tmp_path)
    assert (tmp_path / NAME).read_bytes() == data
    assert sorted(p.name for p in tmp_path.iterdir()) == [NAME, "journal.lock"]


def test_a_missing_segment_or_end_of_one_stops_the_start(tmp_path: Path) -> None:
    data = written(tmp_path, 3, day2=2)
    (tmp_path / NAME).write_bytes(data[: data[:-1].rfind(b"\n") + 1])
    with pytest.raises(JournalBroken, match=r"^2026-11-26\.jsonl, line 1: its prev is not"):
        Writer(tmp_path)
    (tmp_path / NAME).write_bytes(data[:-5])
    with pytest.raises(JournalBroken, match=rf"^{NAME}: its last line is no whole record"):
        Writer(tmp_path)
    (tmp_path / NAME).unlink()
    with pytest.raises(JournalBroken, match=r"^2026-11-26\.jsonl, line 1"):
        Writer(tmp_path)


@pytest.mark.parametrize(
    ("harm", "said"),
    [
        (lambda f: (f / NAME).unlink(), r"2026-11-26\.jsonl, line 1: its prev is not"),
        (lambda f: (f / "2026-11-26.jsonl").unlink(), r"2026-11-27\.jsonl, line 1: its prev is not"),
        (lambda f: cut(f / NAME), r"2026-11-26\.jsonl, line 1: its prev is not"),
        (lambda f: bent(f / NAME), rf"{NAME}, line 1: its prev is not"),
        (lambda f: os.truncate(f / NAME, 1 << 40), rf"{NAME}: its last line is no whole record"),
        (lambda f: os.truncate(f / "2026-11-27.jsonl", 1 << 40), r"2026-11-27\.jsonl, line 4: does not end in LF"),
    ],
    ids=["the first gone", "the second gone", "cut off", "first line changed", "endless", "the newest endless"],
)
def test_older_segments_must_join(tmp_path: Path, harm: Callable[[Path], None], said: str) -> None:
    """A bench that went on without its first days had forgotten its boards, and said so to nobody."""
    writer = Writer(tmp_path)
    for at in (NOON, MIDNIGHT, MIDNIGHT + timedelta(days=1)):
        for i in range(3):
            writer.append(note(f"n{i}"), at)
    writer.close()
    harm(tmp_path)
    before = {p.name: (p.stat().st_size, p.open("rb").read(1 << 20)) for p in tmp_path.iterdir()}
    with pytest.raises(JournalBroken, match=rf"^{said}.*nothing was touched"):
        Writer(tmp_path)
    assert {p.name: (p.stat().st_size, p.open("rb").read(1 << 20)) for p in tmp_path.iterdir()} == before


def cut(segment: Path) -> None:
    segment.write_bytes(b"".join(segment.read_bytes().splitlines(keepends=True)[:-1]))


def bent(segment: Path) -> None:
    segment.write_bytes(segment.read_bytes().replace(b"0000", b"0001", 1))


def test_only_the_last_segment_is_read_wholly(tmp_path: Path) -> None:
    """An early line that was changed is verify's to find, not the start's: a start must not read a year."""
    data = written(tmp_path, 400, day2=2)
    assert len(data) > 3 * (1 << 16) // 2
    (tmp_path / NAME).write_bytes(data.replace(b"3.301,", b"3.302,", 1))
    assert reopened(tmp_path) == []


def test_torn_at_the_begin_of_a_segment(tmp_path: Path) -> None:
    """The chain goes on from the segment before; the emptied one is written again."""
    written(tmp_path, 3, day2=1)
    lost_note(tmp_path)
    path = tmp_path / "2026-11-26.jsonl"
    path.write_bytes(path.read_bytes()[:-9])
    writer = Writer(tmp_path)
    (told,) = writer.due
    assert told.segment == "2026-11-26.jsonl"
    assert writer.next_seq == 4
    writer.append(told, MIDNIGHT)
    writer.close()
    assert len(lines_of(tmp_path)) == 4
    assert path.read_bytes().count(b"\n") == 1
    assert reopened(tmp_path) == []


def test_all_of_the_first_segment_torn_and_no_record_of_it_yet(tmp_path: Path) -> None:
    tmp_path.joinpath(NAME).write_bytes(bytes(700))
    Writer(tmp_path).close()  # moved aside, and the process ended before it told
    assert (tmp_path / NAME).read_bytes() == b""
    assert [r.bytes for r in reopened(tmp_path)] == [700]
    assert reopened(tmp_path) == []


def test_torn_ends_are_numbered_and_each_is_told_once(tmp_path: Path) -> None:
    written(tmp_path)
    for i in range(1, 4):
        with (tmp_path / NAME).open("ab") as file:
            file.write(b"{" * i)
        Writer(tmp_path).close()  # killed before it told
        with (tmp_path / NAME).open("ab") as file:
            file.write(b"[" * i)
        told = reopened(tmp_path)
        assert [r.moved_to for r in told] == [f"{NAME}.torn-{2 * i - 1}", f"{NAME}.torn-{2 * i}"]
    assert len(lines_of(tmp_path)) == 4 + 6 + 3


def test_a_start_that_ended_before_the_cut_is_gone_on_with(tmp_path: Path) -> None:
    """The torn end has its name already and still stands in the segment: one file, one record."""
    data = written(tmp_path)
    (tmp_path / NAME).write_bytes(data + b'{"prev')
    (tmp_path / f"{NAME}.torn-1").write_bytes(b'{"prev')
    assert [r.moved_to for r in reopened(tmp_path)] == [f"{NAME}.torn-1"]
    assert len(lines_of(tmp_path)) == 6

    (tmp_path / f"{NAME}.torn-2.part").write_bytes(b"a copy that was not finished, and is longer")
    with (tmp_path / NAME).open("ab") as file:
        file.write(b"{")
    assert [(r.moved_to, r.bytes) for r in reopened(tmp_path)] == [(f"{NAME}.torn-2", 1)]


def test_empty_segments_are_passed_over_and_used(tmp_path: Path) -> None:
    """A crash between a segment's begin and its first record."""
    data = written(tmp_path)
    (tmp_path / "2026-11-26.jsonl").touch()
    disk = Faulty(REAL)
    writer = Writer(tmp_path, disk=disk)
    assert (writer.next_seq, writer.segment) == (5, "2026-11-26.jsonl")
    for n in (1, 2):  # the write, then the fdatasync: each is cut back to the empty segment
        writer.append(note("refused"), MIDNIGHT)
        disk.arm(n)
        with pytest.raises(JournalFailed):
            writer.commit()
        assert (tmp_path / "2026-11-26.jsonl").read_bytes() == b""
    writer.append(note("next"), MIDNIGHT)
    writer.close()
    assert (tmp_path / NAME).read_bytes() == data
    assert len(lines_of(tmp_path)) == 5


def with_a_last_line(folder: Path, rest: str) -> bytes:
    """A journal with one more line, chained to the one before it."""
    data = written(folder)
    head = hashlib.sha256(data[data[:-1].rfind(b"\n") + 1 : -1]).hexdigest()
    line = f'{{"prev":"{head}","seq":5,"at":"2026-11-25T12:00:00.000000Z",{rest}\n'.encode()
    (folder / NAME).write_bytes(data + line)
    return data + line


def test_a_record_of_a_kind_that_is_not_known_is_whole(tmp_path: Path) -> None:
    """It is no torn end, and is gone on with. Source: docs/journal.md."""
    data = with_a_last_line(tmp_path, '"kind":"weather","sky":"grey"}')
    writer = Writer(tmp_path)
    assert (writer.due, writer.next_seq) == ([], 6)
    writer.close()
    assert (tmp_path / NAME).read_bytes() == data


def test_a_last_record_that_the_format_has_not_stops_the_start(tmp_path: Path) -> None:
    """Somebody edited it, or a later format wrote it: whoever chained on to it would make it wrong for good."""
    data = with_a_last_line(tmp_path, '"kind":"finding","what":"polished"}')
    for _ in range(2):
        with pytest.raises(JournalBroken, match=rf"^{NAME}, line 5: is no record of format 1.*nothing was touched"):
            Writer(tmp_path)
    assert (tmp_path / NAME).read_bytes() == data


def cr_lf(data: bytes) -> bytes:
    return data.replace(b"\n", b"\r\n")


def a_page_of_nul(data: bytes) -> bytes:
    """Four kilobytes a hundred before the end."""
    at = len(data) - 100_000
    return data[:at] + bytes(4096) + data[at + 4096 :]


@pytest.mark.parametrize("change", [cr_lf, a_page_of_nul])
@pytest.mark.parametrize("noted", [True, False], ids=["with the note", "copied without it"])
def test_what_no_power_cut_does_takes_nothing_away(tmp_path: Path, change: object, noted: bool) -> None:
    """A text editor's line ends, a hole among records that had been synced."""
    data = written(tmp_path, 600)
    assert len(data) > 150_000
    changed = change(data)  # type: ignore[operator]
    (tmp_path / NAME).write_bytes(changed)
    if not noted:
        (tmp_path / "journal.lock").unlink()
    for _ in range(2):
        with pytest.raises(JournalBroken, match=r"nothing was touched.*meterlink run --new-journal"):
            Writer(tmp_path)
    assert (tmp_path / NAME).read_bytes() == changed
    assert sorted(p.name for p in tmp_path.iterdir()) == [NAME, "journal.lock"]


def test_one_line_with_cr_lf_is_not_torn(tmp_path: Path) -> None:
    data = written(tmp_path, 1)
    (tmp_path / "journal.lock").unlink()
    (tmp_path / NAME).write_bytes(cr_lf(data))
    with pytest.raises(JournalBroken, match="nothing was touched"):
        Writer(tmp_path)


def test_more_than_can_wait_for_a_sync_is_never_taken_away(tmp_path: Path) -> None:
    written(tmp_path)
    with (tmp_path / NAME).open("ab") as file:
        file.write(bytes(UNSYNCED_MAX + 1))
    with pytest.raises(JournalBroken, match=f"it is {UNSYNCED_MAX + 1} bytes from the end"):
        Writer(tmp_path)


@given(data=st.binary(max_size=200))
def test_any_bytes_in_the_lock_file_are_read(data: bytes) -> None:
    """Half a note says nothing; only its own check sum makes it one."""
    assert synced.read(data).synced is None


@given(
    pid=st.integers(1, 2**31),
    at=st.one_of(st.none(), st.builds(synced.Synced, st.just("2026-11-25p002.jsonl"), st.integers(0, 2**62))),
    cut=st.integers(0, synced.LENGTH - 1),
    old=st.binary(min_size=synced.LENGTH, max_size=synced.LENGTH),
)
def test_a_note_is_read_back_whole_or_not_at_all(pid: int, at: synced.Synced | None, cut: int, old: bytes) -> None:
    data = synced.line(pid, at)
    assert len(data) == synced.LENGTH
    assert synced.read(data) == synced.Note(pid, at, absent=False)
    half = synced.read(data[:cut] + old[cut:])
    assert half.synced in (None, at)
