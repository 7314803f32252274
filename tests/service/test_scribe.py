"""The loop's promises to the journal on a standing clock and a disk that fails: gaps, alarms, clock steps."""

from __future__ import annotations

import errno
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest

from meterlink import records
from meterlink.errors import JournalFailed
from meterlink.journal.disk import REAL
from meterlink.journal.reader import entries
from meterlink.journal.verify import Verification
from meterlink.journal.writer import Writer
from meterlink.service import clock
from meterlink.service.clock import JumpWatch, Moment, SystemClock
from meterlink.service.inbox import WAIT_S
from meterlink.service.scribe import FLUSH_S, LATER_S, SYNC_S, Scribe
from tests.journal_writer.disks import Faulty

AT = datetime(2026, 11, 25, 12, tzinfo=timezone.utc)


def moment(t: float) -> Moment:
    return Moment(t, AT + timedelta(seconds=t))


def reading(t: float) -> records.Reading:
    return records.Reading(
        instrument="meter", t=t, function="diode", coupling=None, value=0.5, unit="V", resolution=0.001, state="ok",
        flags=[], display="0.500 V", channel=None, job=None, board=None, point=None, raw="",
    )  # fmt: skip


class Desk:
    """A scribe with its disk, and what it told."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.disk = Faulty(REAL)
        self.took: list[Any] = []
        self.alarms: list[str] = []
        writer = Writer(folder, disk=self.disk)
        self.scribe = Scribe(writer, lambda seq, at, r: self.took.append((seq, r)), self.alarms.append)

    def records(self) -> list[Any]:
        return [x.record for x in entries(self.folder)]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path / "journal")


def test_the_promised_times() -> None:
    """In the file within 0.1 s of arrival, on the disk 1 s later (docs/journal.md): the waits add up to less."""
    assert FLUSH_S + WAIT_S < 0.1
    assert SYNC_S + FLUSH_S + WAIT_S < 1.0


def test_a_reading_is_flushed_then_synced(desk: Desk) -> None:
    desk.scribe.stream(reading(0.0), moment(0.0))
    writer = desk.scribe.writer
    desk.scribe.due(moment(FLUSH_S / 2))
    assert writer.written_seq == 0
    desk.scribe.due(moment(FLUSH_S))
    assert (writer.written_seq, writer.durable_seq) == (1, 0)
    desk.scribe.due(moment(SYNC_S))
    assert writer.durable_seq == 1


def test_a_full_disk_drops_counts_and_tells_a_gap(desk: Desk) -> None:
    """Keeps are refused loudly, once; the readings that were lost meanwhile are in a gap, and the chain holds."""
    scribe = desk.scribe
    scribe.stream(reading(0.0), moment(0.0))
    desk.disk.arm(1, forever=True, code=errno.ENOSPC)
    with pytest.raises(JournalFailed):
        scribe.promise([records.Clock(step=1.0)], moment(0.1))
    for i in range(5):
        assert scribe.stream(reading(0.2 + i / 100), moment(0.2 + i / 100)) is None
    with pytest.raises(JournalFailed):
        scribe.promise([records.Clock(step=2.0)], moment(0.3))
    assert len(desk.alarms) == 1 and desk.took == [] and scribe.failing
    desk.disk.disarm()
    scribe.due(moment(0.3 + LATER_S))
    assert scribe.failing is None
    scribe.promise([records.Clock(step=3.0)], moment(2.0))
    gap, clock = desk.records()[-2:]
    assert isinstance(gap, records.Gap) and (gap.instrument, gap.count) == ("meter", 6)
    assert gap.from_ <= gap.to and clock.step == 3.0
    assert [r.step for _, r in desk.took] == [3.0]
    scribe.writer.close()
    assert Verification(sorted(desk.folder.glob("*.jsonl")), chain_only=True).run().ok


@pytest.mark.parametrize("code", [errno.EIO, errno.ENOSPC])
@pytest.mark.parametrize("n", range(1, 8))
def test_whatever_fails_nothing_counts_that_is_not_there(desk: Desk, n: int, code: int) -> None:
    """The Nth operation fails once; what was taken in is in the file, and what is in the file verifies."""
    desk.disk.arm(n, code=code)
    for i in range(6):
        try:
            desk.scribe.stream(reading(i), moment(i * 2.0))
            desk.scribe.promise([records.Clock(step=float(i))], moment(i * 2.0 + 0.1))
        except JournalFailed:
            continue
        desk.scribe.due(moment(i * 2.0 + 1.0))
    desk.scribe.writer.close()
    there = [r.step for r in desk.records() if isinstance(r, records.Clock)]
    assert {r.step for _, r in desk.took} <= set(there) and 5.0 in there
    assert Verification(sorted(desk.folder.glob("*.jsonl")), chain_only=True).run().ok


def test_a_step_of_the_clock_is_told_and_slow_drift_is_not() -> None:
    watch = JumpWatch(moment(0))
    drift = 0.0
    for i in range(100):
        drift += 0.0005  # NTP slews by at most 0.5 ms/s (adjtimex(2), from memory)
        assert watch.step(Moment(float(i), AT + timedelta(seconds=i + drift))) is None
    assert watch.step(Moment(100.0, AT + timedelta(seconds=100 + drift - 3600))) == pytest.approx(-3600, abs=0.01)
    assert watch.step(Moment(101.0, AT + timedelta(seconds=101 + drift - 3600))) is None


def test_a_machine_that_is_busy_between_both_clocks_has_not_stepped(monkeypatch: pytest.MonkeyPatch) -> None:
    held_up = iter([0.0, 0.7])
    monkeypatch.setattr(clock.time, "monotonic", lambda: next(held_up, 0.7))
    assert SystemClock().now().t == 0.7
