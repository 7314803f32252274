"""The machine's clock is set while a meter sends: each step stands in the journal before the first that it moved.

Seen under a clock that was set back and forth: readings that had come before a step were recorded behind it, and an
honest journal was told to have stepped back without a word.
"""

from __future__ import annotations

import random
import threading
import time
from datetime import datetime, timedelta, timezone
from pathlib import Path

from meterlink import registry
from meterlink.folders import bench_folder
from meterlink.link.opening import open_link
from meterlink.service.clock import Moment
from meterlink.service.config import load
from meterlink.service.loop import Service
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal
from tests.journal_reader.chains import all_lines, check
from tests.service.conftest import until


class SetBackAndForth:
    """Set by an hour right after every eighth reading has come: before the loop takes that reading."""

    def __init__(self) -> None:
        self.ahead, self.readings = timedelta(0), 0

    def now(self) -> Moment:
        moment = Moment(time.monotonic(), datetime.now(timezone.utc) + self.ahead)
        if threading.current_thread().name == "instrument meter":
            self.readings += 1
            if self.readings % 8 == 0:
                self.ahead = timedelta(hours=1) - self.ahead
        return moment


def test_a_step_stands_before_what_it_moved(tmp_path: Path) -> None:
    folders, clock = bench_folder(tmp_path), SetBackAndForth()
    folders.config.write_text(f'[instruments.meter]\ndriver = "fs9721"\nport = "{tmp_path / "port"}"\n')
    handheld = Handheld(registry.find("fs9721"), random.Random(1), 40.0)
    with VirtualTerminal(tmp_path / "port", stream=handheld.frame, rate_hz=40.0):
        service = Service(load(folders.config, folders), folders, open_link, lambda effect: None, clock)
        thread = threading.Thread(target=service.run)
        thread.start()
        until(lambda: clock.readings > 60, what="readings")
        service.stop("test")
        thread.join(20)
    report = check(folders.journal)
    assert report.ok and report.notes == []
    assert report.kinds["clock"] > 4 and len(all_lines(folders.journal)) > 30
