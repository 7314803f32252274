"""SIGKILL at random moments: every acknowledged keep is in the journal, and the journal verifies."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from meterlink import records
from meterlink.errors import MeterlinkError
from meterlink.journal.reader import entries
from tests.service.conftest import Running, bench_at


def hammer(running: Running, acknowledged: dict[int, str], ending: threading.Event) -> None:
    """Tap as fast as replies come; what was acknowledged is noted outside of the service."""
    n = 0
    while not ending.is_set():
        try:
            running.call("point", point=f"P{n}")
            for record in running.call("keep", source="pedal")["records"]:
                if record["kind"] == "kept":
                    acknowledged[record["seq"]] = record["point"]
            n += 1
        except (MeterlinkError, OSError, ValueError):
            return  # killed in mid-reply: not acknowledged


@pytest.mark.parametrize("times", [3, pytest.param(200, marks=[pytest.mark.full, pytest.mark.timeout(1800)])])
def test_killed_at_random_moments(tmp_path: Path, times: int) -> None:
    rng = random.Random(4711)
    acknowledged: dict[int, str] = {}
    with bench_at(tmp_path / "bench", rate_hz=100.0) as running:
        for i in range(times):
            running.start()
            if i == 0:
                running.call("job open", job="GC-2611")
                running.call("board take", board="GC-01", count_in=True)
            ending = threading.Event()
            hand = threading.Thread(target=hammer, args=(running, acknowledged, ending))
            before = len(acknowledged)
            hand.start()
            moment = time.monotonic() + rng.uniform(0.01, 0.4)
            while time.monotonic() < moment or (len(acknowledged) == before and hand.is_alive()):
                time.sleep(0.001)
            assert running.process is not None
            running.process.kill()
            running.process.wait()
            ending.set()
            hand.join(20)
        running.start()
        running.stop()
    found = {x.seq: x.record.point for x in entries(running.folders.journal) if isinstance(x.record, records.Kept)}
    assert len(acknowledged) >= times
    assert {seq: found.get(seq) for seq in acknowledged} == acknowledged
    verify = subprocess.run(
        [sys.executable, "-m", "meterlink", "journal", "verify", "--dir", str(running.folders.root)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert verify.returncode == 0, verify.stdout + verify.stderr
