"""`meterlink run` says which instrument is there, which is missing and why, and makes a loss heard."""

from __future__ import annotations

from datetime import datetime, timezone
from pathlib import Path

import pytest

from meterlink import records
from meterlink.demo.technician import Ear
from meterlink.journal.reader import entries
from meterlink.service.attendance import Attendance
from meterlink.service.clock import Moment
from meterlink.service.supervisor import Changed
from tests.service.conftest import Running, bench_at, until

PSU = '[instruments.psu]\ndriver = "ka"\nport = "{}"\n[sound]\non = false\n'


def said(running: Running) -> list[str]:
    return (running.folders.root / "service.log").read_text().splitlines()


def test_found_missing_lost_and_back_are_said(tmp_path: Path) -> None:
    """Cable in and out at a real pseudo-terminal, and the terminal of `meterlink run` read."""
    with bench_at(tmp_path / "bench") as running:
        with running.folders.config.open("a") as file:
            file.write(PSU.format(tmp_path / "no-port"))
        running.start()
        port = running.folders.root / "handheld"

        def line(text: str) -> str | None:
            return next((x for x in said(running) if text in x), None)

        found = until(lambda: line("handheld found: "), what="the meter to be told")
        assert "fs9721" in found and str(port) in found
        missing = until(lambda: line("psu is missing: "), what="the missing one to be told")
        assert "refused" in missing and "no-port" in missing and "not there" in missing
        ear = Ear(running.folders.socket)
        mark = ear.heard
        running.terminal.unplug()
        message = ear.wait(lambda m: m["event"] == "effect", mark, what="the loss to be heard")
        assert message["sound"] == "refused" and message["text"].startswith("handheld is lost: ")
        until(lambda: line("handheld is lost: "), what="the loss to be told")
        running.terminal.plug()
        until(lambda: line("handheld is back: "), what="the return to be told")
        assert running.stop() == 0
        assert sum("psu is missing" in x for x in said(running)) == 1  # it was tried again and again
        assert sum("handheld is lost" in x for x in said(running)) == 1
        events = [e.record for e in entries(running.folders.journal) if isinstance(e.record, records.Instrument)]
        assert [r.event for r in events if r.instrument == "handheld"][-1] == "found"


@pytest.mark.long
@pytest.mark.timeout(60)
def test_a_meter_that_falls_silent_is_heard_and_comes_back(tmp_path: Path) -> None:
    """The cable stays, the meter switches itself off: after five seconds that is as loud as a lost cable."""
    with bench_at(tmp_path / "bench") as running:
        with running.folders.config.open("a") as file:
            file.write("[sound]\non = false\n")
        running.start()
        ear = Ear(running.folders.socket)
        mark = ear.heard
        stream, running.terminal._stream = running.terminal._stream, lambda t: b""
        message = ear.wait(lambda m: m["event"] == "effect", mark, what="the silence to be heard")
        assert (
            message["sound"] == "refused" and "handheld is silent: it fell silent: is the meter off" in message["text"]
        )
        running.terminal._stream = stream
        until(lambda: any("handheld is heard again" in x for x in said(running)), what="the return to be told")


def test_each_is_told_once() -> None:
    now = Moment(0.0, datetime(2026, 11, 26, tzinfo=timezone.utc))

    def told(event: str) -> tuple[str, bool] | None:
        return one.changed(Changed("m", event, "unplugged", now), "fs9721 at port")

    one = Attendance()
    assert told("lost") == ("m is missing: unplugged", True)
    assert told("lost") is None
    assert told("found") == ("m is back: fs9721 at port", True)
    assert one.heard("m") is None
    assert told("silent") == ("m is silent: unplugged", True)
    assert one.heard("m") == "m is heard again" and one.heard("m") is None
    assert told("lost") == ("m is lost: unplugged", True)
    assert told("lost") is None
