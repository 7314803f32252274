"""Whenever the power or the process goes: every acknowledged record is there, and the chain holds."""

from __future__ import annotations

import errno
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from random import Random

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule

from meterlink import records
from meterlink.errors import JournalFailed
from meterlink.journal.writer import Writer

from .disks import Faulty, Forgetful
from .oracle import EVENING, MIDNIGHT, NOON, Caller, lines_of, note, reading

TIMES = st.sampled_from([NOON, EVENING, MIDNIGHT])


class Life(RuleBasedStateMachine):
    """A journal's life: append, flush, commit, faults, kills and power cuts in any order."""

    @initialize()
    def begin(self) -> None:
        self.inner = Forgetful()
        self.disk = Faulty(self.inner)
        self.caller = Caller(Path("journal"), self.disk)
        self.count = 0

    @precondition(lambda self: self.caller.writer is None)
    @rule()
    def start(self) -> None:
        if not self.caller.start():
            self.inner.kill()
            assert self.disk.failed, "a start failed on a disk that works"

    @precondition(lambda self: self.caller.writer is not None)
    @rule(at=TIMES, streams=st.integers(0, 3), size=st.integers(0, 200))
    def append(self, at: object, streams: int, size: int) -> None:
        for _ in range(streams):
            self.count += 1
            self.caller.append(reading(f"{self.count:08x}"), at)  # type: ignore[arg-type]
        self.count += 1
        self.caller.append(note(f"n{self.count} " + "µ" * size), at)  # type: ignore[arg-type]

    @precondition(lambda self: self.caller.writer is not None)
    @rule()
    def flush(self) -> None:
        self.caller.flush()

    @precondition(lambda self: self.caller.writer is not None)
    @rule()
    def commit(self) -> None:
        self.caller.commit()

    @precondition(lambda self: self.caller.writer is not None)
    @rule()
    def close(self) -> None:
        self.caller.close()

    @rule(n=st.integers(1, 12), forever=st.booleans(), code=st.sampled_from([errno.EIO, errno.ENOSPC]))
    def fault(self, n: int, forever: bool, code: int) -> None:
        self.disk.arm(n, forever=forever, code=code)

    @rule()
    def repaired(self) -> None:
        self.disk.disarm()

    @rule()
    def kill(self) -> None:
        self.caller.gone()
        self.inner.kill()

    @rule(seed=st.integers(0, 2**32))
    def power_cut(self, seed: int) -> None:
        self.caller.gone()
        self.inner.crash(Random(seed))

    @rule(seed=st.integers(0, 2**32))
    def examined(self, seed: int) -> None:
        """Cut the power, start on a disk that works, and look."""
        self.power_cut(seed)
        self.repaired()
        assert self.caller.start()
        self.caller.append(note("looked"), NOON)
        assert self.caller.commit()
        self.caller.check(self.inner)
        self.told_once()

    def told_once(self) -> None:
        """Each torn end has one record that gives its bytes, and each record has its torn end."""
        told = [r for r in (records.decode(line).record for line in lines_of(self.inner)) if is_told(r)]
        torn = {n: f.cache for n, f in self.inner.files.items() if ".torn-" in n and not n.endswith(".part")}
        assert sorted(r.moved_to for r in told) == sorted(torn)
        assert all(r.bytes == len(torn[r.moved_to]) for r in told)

    def teardown(self) -> None:
        if hasattr(self, "inner"):
            self.examined(0)
            if self.caller.writer:
                self.caller.close()


def is_told(record: object) -> bool:
    return isinstance(record, records.Recovered)


Life.TestCase.settings = settings(
    max_examples=60, stateful_step_count=30, deadline=None, suppress_health_check=list(HealthCheck)
)
TestLife = Life.TestCase


class LongLife(Life):
    """The same at full size."""


LongLife.TestCase.settings = settings(
    max_examples=3000, stateful_step_count=60, deadline=None, suppress_health_check=list(HealthCheck)
)
TestLongLife = pytest.mark.full(LongLife.TestCase)
TestLongLife = pytest.mark.timeout(1800)(TestLongLife)


def killed(folder: Path, times: int, seed: int) -> int:
    """SIGKILL a real writer at random moments; gives how many acknowledgements came out of its pipe.

    A moment is so many acknowledgements and then so many turns of an idle loop (up to a millisecond or two:
    a commit takes a fraction of one), so kills fall before, inside and after the writes and syncs.
    """
    random = Random(seed)
    acknowledged: dict[int, str] = {}
    root = Path(__file__).parents[2]
    for life in range(times):
        child = subprocess.Popen(
            [sys.executable, "-m", "tests.journal_writer.endless", str(folder), f"life{life}"],
            stdout=subprocess.PIPE,
            cwd=root,
        )
        assert child.stdout
        got = [child.stdout.readline() for _ in range(random.randint(0, 40))]
        for _ in range(random.randint(0, 20_000)):
            pass
        child.send_signal(signal.SIGKILL)
        got += child.stdout.readlines()
        child.stdout.close()
        assert child.wait() == -signal.SIGKILL
        for line in got:
            if line.endswith(b"\n"):
                seq, text = line.decode().split()
                assert int(seq) not in acknowledged
                acknowledged[int(seq)] = text
        Writer(folder).close()
        lines = lines_of(folder)
        for number, text in acknowledged.items():
            assert records.decode(lines[number - 1]).record == note(text)
    return len(acknowledged)


def test_sigkill_loses_nothing_that_was_acknowledged(tmp_path: Path) -> None:
    assert killed(tmp_path / "journal", 12, seed=1) > 50


@pytest.mark.full
@pytest.mark.timeout(600)
def test_sigkill_200_times(tmp_path: Path) -> None:
    assert killed(tmp_path / "journal", 200, seed=2) > 1000


def before_the_first_record(inner: Forgetful) -> None:
    """Killed between a segment's begin and the folder's fsync."""
    disk = Faulty(inner)
    writer = Writer(Path("journal"), disk=disk)
    writer.append(note("refused"), NOON)
    disk.arm(1, forever=True, only="sync_folder")
    with pytest.raises(JournalFailed):
        writer.commit()
    assert disk.failed[0] == "sync_folder"


def before_the_sync(inner: Forgetful) -> None:
    """Killed with lines in the segment that were never synced."""
    writer = Writer(Path("journal"), disk=inner)
    for i in range(3):
        writer.append(reading(f"{i:02x}"), NOON)
    writer.flush()


def with_a_torn_end(inner: Forgetful) -> None:
    """Killed inside a write (and the power stayed)."""
    before_the_sync(inner)
    inner.files["2026-11-25.jsonl"].do(len(inner.files["2026-11-25.jsonl"].cache), b'{"prev":"')


def after_a_failed_sync(inner: Forgetful) -> None:
    """Killed while the cache shows lines that no later fdatasync will write."""
    disk = Faulty(inner)
    writer = Writer(Path("journal"), disk=disk)
    for i in range(3):
        writer.append(reading(f"{i:02x}"), NOON)
    writer.flush()
    disk.arm(1, forever=True)
    with pytest.raises(JournalFailed):
        writer.commit()
    assert disk.failed[0] == "sync"
    assert inner.files["2026-11-25.jsonl"].cache.count(b"\n") == 3


@pytest.mark.parametrize("killed_at", [before_the_first_record, before_the_sync, with_a_torn_end, after_a_failed_sync])
@pytest.mark.parametrize("at", [NOON, MIDNIGHT], ids=["same day", "next day"])
def test_a_kill_then_a_commit_then_the_power(killed_at: Callable[[Forgetful], None], at: datetime) -> None:
    """What a killed writer had not synced is made durable, or cut for good, before anything is built on it."""
    for seed in range(40):
        inner = Forgetful()
        killed_at(inner)
        inner.kill()
        caller = Caller(Path("journal"), inner)
        assert caller.start()
        caller.append(note("acknowledged"), at)
        assert caller.commit()
        caller.gone()
        inner.crash(Random(seed))
        assert caller.start()
        assert caller.writer
        assert caller.writer.due == []
        caller.close()
        caller.check(inner)
