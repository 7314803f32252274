"""What was seen on a running bench, entered the same way: a driver's error during an injection, and what follows it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from meterlink.errors import CheckFailed
from tests.injection.faults import Fault, Set, bench_of
from tests.service.conftest import until


def broken(site: str, at: int = 12, error: Callable[[], BaseException] = lambda: KeyError("STATUS")) -> Set:
    return Set("supply", (Fault(site, at, error, True),))


def test_an_error_in_parse_leaves_nothing_on_and_an_alarm_that_stays(tmp_path: Path) -> None:
    """The driver can say nothing any more: off is sent all the same, and that it was not seen is an alarm."""
    one = broken("parse")
    with bench_of(tmp_path, one) as bench:
        bench.inject("supply", hold_s=20.0)
        until(lambda: "OFF COULD NOT BE CONFIRMED" in bench.alarm(), what="the alarm")
        assert not one.peer.on
        assert "KeyError" in bench.records("supply")[-1].why
        tries = one.peer.history.count("OUTP 0")
        until(lambda: one.peer.history.count("OUTP 0") > tries, what="it to be tried again")
        assert "OFF COULD NOT BE CONFIRMED" in bench.alarm()
        bench.stop()
        assert isinstance(bench.error, CheckFailed)
