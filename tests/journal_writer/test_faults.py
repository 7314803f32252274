"""The Nth operation of the disk fails, once and for good, N = 1, 2, ... until a run ends untouched."""

from __future__ import annotations

import errno
from pathlib import Path
from random import Random

import pytest

from meterlink import records
from meterlink.errors import JournalFailed
from meterlink.journal.disk import REAL, Disk
from meterlink.journal.writer import Writer

from .disks import OPERATIONS, Faulty, Forgetful
from .oracle import (
    MIDNIGHT,
    NOON,
    Caller,
    contents,
    lines_of,
    morning,
    note,
    reading,
)


def tear(place: Path | Forgetful) -> None:
    """A power cut left half a line at the end of the last segment."""
    name = max(n for n in contents(place) if n.endswith(".jsonl"))
    torn = b'{"prev":"0123'
    if isinstance(place, Forgetful):
        place.files[name].do(len(place.files[name].cache), torn)
    else:
        with (place / name).open("ab") as file:
            file.write(torn)


@pytest.mark.parametrize(
    ("torn", "forever", "code"),
    [
        pytest.param(False, False, errno.EIO, id="running, once"),
        pytest.param(False, True, errno.ENOSPC, id="running, for good, full"),
        pytest.param(True, False, errno.ENOSPC, id="recovering, once, full"),
        pytest.param(True, True, errno.EIO, id="recovering, for good"),
    ],
)
def test_every_operation_may_fail(tmp_path: Path, torn: bool, forever: bool, code: int) -> None:
    """On the real disk: acknowledged records are there, the chain holds, what was refused is not there."""
    failed = set()
    for n in range(1, 400):
        folder = tmp_path / str(n)
        disk = Faulty(REAL)
        caller = Caller(folder, disk)
        if torn:
            morning(caller, "before")
            tear(folder)
        disk.arm(n, forever=forever, code=code)
        morning(caller, "faulty")
        disk.disarm()
        failed.update(disk.failed)
        if not forever and not torn:
            present = {records.decode(line).record for line in lines_of(folder) if b"finding" in line}
            assert not present & {r for r in caller.withdrawn if isinstance(r, records.Finding)}
        morning(caller, "after")
        lines = caller.check(folder)
        if torn:
            told = [r for r in map(recorded, lines) if isinstance(r, records.Recovered)]
            assert [r.bytes for r in told if r.moved_to.endswith("torn-1")][:1] == [13]
            assert len({r.moved_to for r in told}) == len(told)
        assert not any("after" in str(r) for r in caller.withdrawn)
        if not disk.failed:
            break
    else:
        raise AssertionError("no run ended untouched")
    assert failed >= {
        "open",
        "write",
        "sync",
        "sync_folder",
        "close",
        "lock",
        "open_folder",
        "held",
        "named",
        "overwrite",
        "names",
        "make_folder",
    }
    if torn or forever:
        assert "truncate" in failed
    if torn:
        assert failed >= {"rename", "read"}


def recorded(line: bytes) -> object:
    return records.decode(line).record


@pytest.mark.parametrize("forever", [False, pytest.param(True, marks=pytest.mark.long)], ids=["once", "for good"])
def test_every_operation_may_fail_and_then_the_power(forever: bool) -> None:
    """On a disk that loses what a failed fdatasync was to keep, and is then switched off."""
    for n in range(1, 400):
        for seed in range(6):
            inner = Forgetful()
            disk = Faulty(inner)
            caller = Caller(Path("journal"), disk)
            morning(caller, "before")
            tear(inner)
            disk.arm(n, forever=forever)
            morning(caller, "faulty")
            disk.disarm()
            caller.gone()
            inner.crash(Random(seed))
            morning(caller, "after")
            caller.check(inner)
        if not disk.failed:
            return
    raise AssertionError("no run ended untouched")


def test_every_operation_of_the_disk_is_met() -> None:
    """The seam holds no operation that the faults above do not reach."""

    class Counting(Faulty):
        def _pass(self, name: str, *args: object) -> object:
            met.add(name)
            return super()._pass(name, *args)

    met: set[str] = set()
    inner = Forgetful()
    caller = Caller(Path("journal"), Counting(inner))
    morning(caller, "before")
    tear(inner)
    morning(caller, "after")
    assert met == set(OPERATIONS)


class Sluggish(Disk):
    """Takes at most a few bytes of each write, and none after `room` is used up."""

    def __init__(self, room: int) -> None:
        self.room = room

    def write(self, fd: int, data: bytes | memoryview) -> int:
        if not self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        taken = super().write(fd, data[: min(7, self.room)])
        self.room -= taken
        return taken


def test_short_writes_are_gone_on_with(tmp_path: Path) -> None:
    caller = Caller(tmp_path, Sluggish(100_000))
    morning(caller, "short")
    assert len(caller.check(tmp_path)) == 16
    assert not caller.withdrawn


def test_full_disk_refuses_counts_and_goes_on_when_there_is_room(tmp_path: Path) -> None:
    disk = Sluggish(1500)
    writer = Writer(tmp_path, disk=disk)
    writer.append(note("first"), NOON)
    writer.commit()
    before = (tmp_path / "2026-11-25.jsonl").read_bytes()
    for raw in ("aa", "ab", "ac"):
        writer.append(reading(raw), NOON)
    writer.append(reading("ad", "psu"), NOON)
    writer.append(note("refused"), NOON)
    with pytest.raises(JournalFailed, match=r"No space left on device; free space on its disk") as caught:
        writer.commit()
    assert caught.value.full
    assert caught.value.dropped == {"dmm": 3, "psu": 1}
    assert (tmp_path / "2026-11-25.jsonl").read_bytes() == before
    assert (writer.next_seq, writer.written_seq, writer.durable_seq) == (2, 1, 1)
    disk.room = 10_000
    gap = records.Gap(instrument="dmm", count=3, from_="2026-11-25T12:00:00Z", to="2026-11-25T12:00:00Z", why="full")
    assert writer.append(gap, NOON) == 2
    writer.close()
    assert [records.decode(line).kind for line in lines_of(tmp_path)] == ["finding", "gap"]


def test_failed_fdatasync_closes_the_segment_and_a_new_one_begins() -> None:
    """The cache shows the lost lines, and a second fdatasync succeeds: neither is believed."""
    inner = Forgetful()
    disk = Faulty(inner)
    writer = Writer(Path("journal"), disk=disk)
    writer.append(note("kept"), NOON)
    writer.commit()
    writer.append(reading("aa"), NOON)
    writer.flush()
    writer.append(note("refused"), NOON)
    disk.arm(1, only="sync")
    with pytest.raises(JournalFailed) as caught:
        writer.commit()
    assert disk.failed == ["sync"]
    assert caught.value.dropped == {"dmm": 1}
    assert writer.next_seq == 2
    writer.append(note("kept too"), NOON)
    writer.commit()
    assert writer.segment == "2026-11-25p002.jsonl"
    inner.crash(Random(0))
    texts = [recorded(line).text for line in lines_of(inner)]  # type: ignore[attr-defined]
    assert texts == ["kept", "kept too"]
    writer = Writer(Path("journal"), disk=disk)
    writer.append(note("next day"), MIDNIGHT)
    writer.close()
    assert writer.segment == "2026-11-26.jsonl"
    assert len(lines_of(inner)) == 3


def test_nothing_is_acknowledged_while_the_segment_does_not_read_back() -> None:
    """The device has lost a line that was acknowledged: every commit fails, and says which segment."""
    inner = Forgetful()
    disk = Faulty(inner)
    writer = Writer(Path("journal"), disk=disk)
    for text in ("one", "two"):
        writer.append(note(text), NOON)
        writer.commit()
    file = inner.files["2026-11-25.jsonl"]
    file.device = file.device[:-40] + bytes(40)
    for _ in range(3):
        disk.arm(1, only="sync")
        writer.append(note("refused"), NOON)
        with pytest.raises(JournalFailed):
            writer.commit()
        disk.disarm()
        with pytest.raises(JournalFailed, match=r"after line 1 of 2026-11-25\.jsonl something acknowledged"):
            writer.commit()
        assert writer.durable_seq == 2
    assert set(contents(inner)) == {"journal.lock", "2026-11-25.jsonl"}


def test_a_first_fdatasync_that_fails_uses_up_no_name() -> None:
    inner = Forgetful()
    disk = Faulty(inner)
    writer = Writer(Path("journal"), disk=disk)
    for _ in range(5):
        writer.append(note("refused"), NOON)
        disk.arm(1, forever=True, only="sync" if writer.segment is None else None)
        with pytest.raises(JournalFailed):
            writer.commit()
        disk.disarm()
    writer.append(note("kept"), NOON)
    writer.commit()
    assert [n for n in contents(inner) if n.endswith(".jsonl")] == ["2026-11-25.jsonl"]
    assert len(lines_of(inner)) == 1
