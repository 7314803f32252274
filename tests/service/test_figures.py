"""The figures of hands-free keeping through the whole service: pseudo-terminal in, journal out.

The same hands, truth and judgement as `python -m tests.touches`; only that the readings travel as frames through a
pseudo-terminal, a driver, the loop and the journal. The service's clock is a fake one: it stands at the time of the
reading that was sent last, and the next is sent when that one was heard. So the machine's other work is in no figure.
"""

from __future__ import annotations

import os
import pty
import sys
import threading
import tty
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any, ClassVar

import pytest

import tests.touches as touches
from meterlink import records, registry
from meterlink.folders import bench_folder
from meterlink.journal.reader import entries
from meterlink.link.opening import open_link
from meterlink.reading import Reading
from meterlink.service import wire
from meterlink.service.clock import Moment
from meterlink.service.config import load
from meterlink.service.loop import Service
from meterlink.service.supervisor import Health
from meterlink.settle import Settled
from tests.service.conftest import until
from tests.settle.hands import KINDS, Sample, Touch, session

BEGAN = datetime(2026, 11, 25, tzinfo=timezone.utc)


class StandingClock:
    """Stands at `t` monotonic seconds until it is set."""

    def __init__(self) -> None:
        self.t = 0.0

    def now(self) -> Moment:
        t = self.t
        return Moment(t, BEGAN + timedelta(seconds=t))


class FromJournal:
    """In the place of Settle: gives the keeps of the journal at the readings with which they were kept."""

    keeps: ClassVar[dict[int, Settled]] = {}

    def feed(self, reading: Reading, t: float, seq: int) -> list[Settled]:
        return [self.keeps[seq]] if seq in self.keeps else []


def sessions(n: int, each: int) -> list[tuple[str, list[Touch], list[Sample]]]:
    """Sessions of every kind in turn on a meter whose readings an FS9721 can show (4000 counts)."""
    out, i = [], 0
    while len(out) < n:
        kind = KINDS[len(out) % len(KINDS)]
        done, samples = session(kind, f"service/{i}", each)
        i += 1
        try:
            for s in samples:
                registry.find("fs9721").build(s.reading)
        except ValueError:
            continue  # a display of more digits
        out.append((kind, done, samples))
    return out


def play(master: int, samples: list[Sample], clock: StandingClock, health: Health) -> None:
    """Each reading's frame at its time; the next when the service has heard it."""
    build = registry.find("fs9721").build
    for n, s in enumerate(samples, 1):
        clock.t = s.t
        os.write(master, build(s.reading) or b"")
        until(lambda n=n: health.readings == n, what=f"reading {n}", every_s=0.0002)


def run(tmp_path: Path, samples: list[Sample]) -> list[Any]:
    """One service for one session; gives its journal's entries."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    folders = bench_folder(tmp_path)
    tmp_path.mkdir()
    folders.config.write_text(f'[instruments.meter]\ndriver = "fs9721"\nport = "{os.ttyname(slave)}"\n')
    clock = StandingClock()
    service = Service(load(folders.config, folders), folders, open_link, lambda effect: None, clock)
    thread = threading.Thread(target=service.run)
    thread.start()
    try:
        health = service.supervisors["meter"].health
        until(lambda: health.state == "open", what="the port")
        wire.call(folders.socket, "job open", job="GC-2611")
        wire.call(folders.socket, "board take", board="GC-01", count_in=True)
        play(master, samples, clock, health)
        wire.call(folders.socket, "status")
    finally:
        service.stop("test")
        thread.join(20)
        os.close(master)
        os.close(slave)
    return list(entries(folders.journal))


@pytest.mark.parametrize(
    ("n", "each"), [(14, 4), pytest.param(140, 10, marks=[pytest.mark.full, pytest.mark.timeout(3600)])]
)
def test_the_touch_figures_hold_through_the_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n: int, each: int
) -> None:
    monkeypatch.setattr(touches, "Settle", FromJournal)
    total = touches.Tally()
    for i, (_, done, samples) in enumerate(sessions(n, each)):
        log = run(tmp_path / str(i), samples)
        index = {x.seq: k for k, x in enumerate(x for x in log if isinstance(x.record, records.Reading))}
        assert len(index) == len(samples)
        FromJournal.keeps = {}
        for x in log:
            if isinstance(x.record, records.Kept):
                r, last = x.record, index[x.record.readings[1]]
                shown = samples[last].reading
                FromJournal.keeps[last] = Settled(
                    t=0.0, seq=last, function=r.function, coupling=None, value=records.decimal(r.value),
                    unit=r.unit, resolution=shown.resolution, state=r.state, n=r.n, spread=None,
                    first=index[r.readings[0]], last=last,
                )  # fmt: skip
        touches.judge(done, samples, total)
        for touch in done:
            total.add(touch)
    table = touches.figures(total, 0.0)[:-1]  # the decision time is measured without a service
    for f in table:
        sys.stderr.write(f"\n{f.figure:23} must be {f.required:20} is {f.value:18} {'pass' if f.passed else 'FAIL'}")
    assert total.stray == 0
    if n >= 50:
        assert all(f.passed for f in table)
    else:  # too few touches for the parts per thousand
        assert total.due - total.kept_due <= 1 and total.off <= 1 and total.kept >= 30
