"""The writer on the real disk: chain, segments, the lock, one owner; checked from outside with coreutils."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import threading
from datetime import datetime, timedelta, timezone
from pathlib import Path

import msgspec
import pytest

from meterlink import records
from meterlink.errors import BadInput, JournalFailed, Refused
from meterlink.journal.disk import Disk
from meterlink.journal.recovery import BEGIN, UNSYNCED_MAX
from meterlink.journal.segments import in_order, segment_key, segment_name
from meterlink.journal.writer import Writer

from .oracle import EVENING, MIDNIGHT, NOON, Caller, lines_of, morning, note, reading


@pytest.mark.parametrize(
    ("message", "digest"),
    [  # FIPS 180-4; NIST, "Examples with Intermediate Values", SHA256.pdf (the empty message: from memory)
        (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
        (
            b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
            "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        ),
    ],
)
def test_known_answers(message: bytes, digest: str) -> None:
    assert BEGIN.after(message + b"\n").head == digest
    assert hashlib.sha256(message).hexdigest() == digest


CHAIN = r"""
prev=$(printf '0%.0s' $(seq 64)); n=0
for segment in "$1"/*.jsonl; do
  while IFS= read -r line; do
    case $line in '{"prev":"'"$prev"'","seq":'$((n + 1)),*) ;; *) echo "wrong after $n"; exit 1 ;; esac
    prev=$(printf %s "$line" | sha256sum | cut -c1-64); n=$((n + 1))
  done < "$segment"
done
echo "$n $prev"
"""


@pytest.mark.skipif(not shutil.which("sha256sum"), reason="coreutils' sha256sum is not installed")
@pytest.mark.parametrize("spoil", [False, True])
def test_chain_by_coreutils(tmp_path: Path, spoil: bool) -> None:
    """A shell loop and sha256sum follow the chain over a midnight, and see one digit that was changed."""
    writer = Writer(tmp_path)
    for i in range(20):
        at = NOON if i < 10 else MIDNIGHT
        writer.append(reading(f"{i:02x}") if i % 2 else note(f'U7 \\ "Q" µ %s {i}'), at)
        writer.commit()
    head = writer.head
    writer.close()
    if spoil:
        path = tmp_path / "2026-11-25.jsonl"
        path.write_bytes(path.read_bytes().replace(b"3.301,", b"3.302,", 1))
    run = subprocess.run(["bash", "-c", CHAIN, "-", str(tmp_path)], capture_output=True, text=True)
    assert run.stdout == ("wrong after 2\n" if spoil else f"20 {head}\n")


def test_lines_are_as_the_format_says(tmp_path: Path) -> None:
    writer = Writer(tmp_path / "new" / "journal")
    at = datetime(2026, 11, 25, 14, 30, 0, 5, tzinfo=timezone(timedelta(hours=2)))
    assert writer.append(note("short at C12"), at) == 1
    assert writer.written_seq == 0
    writer.flush()
    assert (writer.written_seq, writer.durable_seq) == (1, 0)
    writer.commit()
    assert (writer.durable_seq, writer.next_seq) == (1, 2)
    data = (tmp_path / "new" / "journal" / "2026-11-25.jsonl").read_bytes()
    assert data == (
        b'{"prev":"' + b"0" * 64 + b'","seq":1,"at":"2026-11-25T12:30:00.000005Z","kind":"finding",'
        b'"job":"GC-2611","board":"GC-03","what":"note","part":null,"text":"short at C12","by":"command",'
        b'"confirms":null,"restores":null,"with":null}\n'
    )
    assert writer.head == hashlib.sha256(data[:-1]).hexdigest()
    assert (tmp_path / "new" / "journal").stat().st_mode & 0o777 == 0o700
    assert (tmp_path / "new" / "journal" / "2026-11-25.jsonl").stat().st_mode & 0o777 == 0o600
    writer.close()
    writer.close()


def test_utc_midnight_begins_a_segment_and_a_clock_that_goes_back_does_not(tmp_path: Path) -> None:
    writer = Writer(tmp_path)
    early = EVENING.astimezone(timezone(timedelta(hours=2)))  # already the 26th on the bench's clock
    for at in (early, MIDNIGHT, EVENING, NOON, MIDNIGHT):
        writer.append(note(at.isoformat()), at)
    writer.commit()
    assert writer.segment == "2026-11-26.jsonl"
    writer.close()
    writer = Writer(tmp_path)
    writer.append(note("back"), NOON)
    writer.append(note("leap"), MIDNIGHT + timedelta(days=40))
    writer.close()
    counts = {p.name: p.read_bytes().count(b"\n") for p in tmp_path.glob("*.jsonl")}
    assert counts == {"2026-11-25.jsonl": 1, "2026-11-26.jsonl": 5, "2027-01-05.jsonl": 1}
    assert len(lines_of(tmp_path)) == 7


def test_an_old_segment_is_synced_before_the_next_begins(tmp_path: Path) -> None:
    """Only so can a torn end stand in the last segment alone."""

    class Watching(Disk):
        def __init__(self) -> None:
            self.log: list[str] = []

        def open(self, path: Path, flags: int) -> int:
            self.log.append(path.name)
            return super().open(path, flags)

        def sync(self, fd: int) -> None:
            self.log.append("sync")
            super().sync(fd)

        def sync_folder(self, folder: Path) -> None:
            self.log.append("sync_folder")
            super().sync_folder(folder)

    disk = Watching()
    writer = Writer(tmp_path, disk=disk)
    disk.log.clear()
    writer.append(reading("aa"), EVENING)
    writer.append(reading("ab"), MIDNIGHT)
    writer.flush()
    assert disk.log == ["2026-11-25.jsonl", "sync_folder", "sync", "2026-11-26.jsonl", "sync_folder"]
    writer.commit()
    writer.commit()
    assert disk.log[5:] == ["sync"]
    writer.close()


def test_no_more_than_the_bound_goes_unsynced(tmp_path: Path) -> None:
    """What recovery takes for a hole in what was not synced is never more than that."""

    class Measuring(Disk):
        unsynced = worst = 0

        def write(self, fd: int, data: bytes | memoryview) -> int:
            self.unsynced += len(data)
            self.worst = max(self.worst, self.unsynced)
            return super().write(fd, data)

        def sync(self, fd: int) -> None:
            self.unsynced = 0
            super().sync(fd)

    disk = Measuring()
    writer = Writer(tmp_path, disk=disk)
    disk.unsynced = disk.worst = 0
    for i in range(60):
        writer.append(note("x" * 40_000), NOON)
        if i % 4 == 0:
            writer.flush()
    writer.flush()
    assert UNSYNCED_MAX // 2 < disk.worst <= UNSYNCED_MAX
    writer.close()
    assert len(lines_of(tmp_path)) == 60


@pytest.mark.parametrize(
    ("change", "at", "says"),
    [
        ({"value": float("nan")}, NOON, "read back otherwise.*nan"),
        ({"resolution": float("-inf")}, NOON, "read back otherwise.*-inf"),
        ({"board": "\ud800"}, NOON, "surrogate"),
        ({}, NOON.replace(tzinfo=None), "has no zone"),
    ],
)
def test_a_record_that_is_no_json_changes_nothing(
    tmp_path: Path, change: dict[str, object], at: datetime, says: str
) -> None:
    writer = Writer(tmp_path)
    writer.append(note("before"), NOON)
    head = writer.head
    with pytest.raises((BadInput, ValueError), match=says):
        writer.append(msgspec.structs.replace(reading("aa"), **change), at)
    assert (writer.next_seq, writer.head) == (2, head)
    writer.append(note("after"), NOON)
    writer.close()
    assert len(lines_of(tmp_path)) == 2


def test_a_record_too_long_for_a_line_changes_nothing(tmp_path: Path) -> None:
    writer = Writer(tmp_path)
    with pytest.raises(BadInput, match="1 MiB is the most: shorten its text"):
        writer.append(note("x" * UNSYNCED_MAX), NOON)
    writer.append(note("x" * (UNSYNCED_MAX - 400)), NOON)
    writer.append(note("after"), NOON)
    writer.close()
    assert len(lines_of(tmp_path)) == 2


def test_second_process_is_refused_and_told_the_first_one(tmp_path: Path) -> None:
    """A real second process holds the lock; when it is killed the lock is free."""
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys; from pathlib import Path; from meterlink.journal.writer import Writer\n"
            "w = Writer(Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()",
            str(tmp_path),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    try:
        assert holder.stdout
        assert holder.stdout.readline() == b"held\n"
        before = sorted(p.name for p in tmp_path.iterdir())
        with pytest.raises(Refused, match=rf"written by process {holder.pid}: stop that service"):
            Writer(tmp_path)
        assert sorted(p.name for p in tmp_path.iterdir()) == before
    finally:
        holder.kill()
        holder.wait()
    writer = Writer(tmp_path)
    with pytest.raises(Refused, match=f"written by process {os.getpid()}"):
        Writer(tmp_path)
    writer.close()
    Writer(tmp_path).close()


def test_entered_twice_raises(tmp_path: Path) -> None:
    class Nosy(Disk):
        writer: Writer | None = None
        said = ""

        def write(self, fd: int, data: bytes | memoryview) -> int:
            if self.writer:
                try:
                    self.writer.append(note("from inside"), NOON)
                except RuntimeError as error:
                    self.said = str(error)
            return super().write(fd, data)

    disk = Nosy()
    writer = disk.writer = Writer(tmp_path, disk=disk)
    writer.append(note("one"), NOON)
    writer.commit()
    assert "entered twice" in disk.said
    writer.close()
    assert len(lines_of(tmp_path)) == 1
    for use in (writer.flush, writer.commit):
        with pytest.raises(RuntimeError, match="closed"):
            use()


def test_second_thread_raises(tmp_path: Path) -> None:
    writer = Writer(tmp_path)
    writer.append(note("one"), NOON)
    said: list[str] = []

    def other() -> None:
        for use in (lambda: writer.append(note("two"), NOON), writer.flush, writer.commit, writer.close):
            with pytest.raises(RuntimeError) as caught:
                use()
            said.append(str(caught.value))

    thread = threading.Thread(target=other)
    thread.start()
    thread.join()
    assert len(said) == 4
    assert all("belongs to the thread" in text for text in said)
    writer.close()
    assert len(lines_of(tmp_path)) == 1


def test_an_interrupt_inside_a_write_leaves_no_half_line(tmp_path: Path) -> None:
    class Interrupted(Disk):
        now = False

        def write(self, fd: int, data: bytes | memoryview) -> int:
            if self.now:
                self.now = False
                super().write(fd, data[:30])
                raise KeyboardInterrupt
            return super().write(fd, data)

    disk = Interrupted()
    writer = Writer(tmp_path, disk=disk)
    writer.append(note("one"), NOON)
    writer.commit()
    writer.append(note("interrupted"), NOON)
    disk.now = True
    with pytest.raises(KeyboardInterrupt):
        writer.commit()
    assert writer.next_seq == 2
    writer.append(note("two"), NOON)
    writer.close()
    assert [json.loads(line)["text"] for line in lines_of(tmp_path)] == ["one", "two"]


def test_a_segment_that_another_hand_put_there_is_not_written(tmp_path: Path) -> None:
    writer = Writer(tmp_path)
    writer.append(note("one"), NOON)
    writer.commit()
    (tmp_path / "2026-11-26.jsonl").write_bytes(b"not ours\n")
    writer.append(note("two"), MIDNIGHT)
    with pytest.raises(JournalFailed, match=r"2026-11-26\.jsonl holds bytes that this writer did not write"):
        writer.commit()
    (tmp_path / "2026-11-26.jsonl").unlink()
    writer.append(note("two"), MIDNIGHT)
    writer.close()
    assert len(lines_of(tmp_path)) == 2


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_is_not_permitted(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(JournalFailed, match="Permission denied"):
        Writer(tmp_path / "journal")


def test_segments_sort_by_date_and_part() -> None:
    names = [segment_name(day, part) for day in ("2026-11-24", "2026-11-25") for part in (1, 2, 3, 10, 999)]
    assert in_order(reversed(names)) == names == sorted(names)
    assert [segment_key(n) for n in names[:2]] == [("2026-11-24", 1), ("2026-11-24", 2)]
    others = [
        "journal.lock",
        "2026-11-25.jsonl.torn-1",
        "2026-11-25.jsonl.sig",
        "2026-11-25p02.jsonl",
        "x.jsonl",
    ]
    assert in_order(others) == []


def test_a_morning(tmp_path: Path) -> None:
    """Two stretches of work by the caller that the fault tests use."""
    caller = Caller(tmp_path, Disk())
    morning(caller, "a")
    morning(caller, "b")
    assert len(caller.check(tmp_path)) == len(caller.acknowledged) == 32
    assert {records.decode(line).kind for line in lines_of(tmp_path)} == {"reading", "finding"}
