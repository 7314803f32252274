"""Requests that nobody means and somebody sends: a pipe for a sheet, names and marks that nobody sees, texts without
end, a job that is closed. Whole or not at all, and nobody else waits. One service serves all."""

from __future__ import annotations

import os
import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from meterlink.errors import BadInput, MeterlinkError, Refused
from meterlink.service import sockets, wire
from meterlink.service.sockets import MOST
from tests.injection.faults import Set, bench_of
from tests.program import meterlink
from tests.service.conftest import Running, bench_at, until
from tests.service.test_right_board import Day


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with bench_at(tmp_path_factory.mktemp("odd") / "bench") as running:
        running.start()
        running.handheld.dial("diode")
        yield running


@pytest.fixture
def day(service: Running) -> Iterator[Day]:
    yield Day(service)
    assert service.call("status")["journal"]["failing"] is None


def test_a_keep_of_a_closed_job_is_not_moved(day: Day) -> None:
    job = day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    day.touch(0.5)
    seq = day.bench.call("status")["last_keep"]["seq"]
    day.ask("job close", job=job)
    with pytest.raises(BadInput):
        day.ask("move", of=seq, point="U8")


@pytest.mark.parametrize("by", ["anna\x1b[2J", "a\nb", "x" * 5000, "  "])
def test_a_name_that_no_record_should_hold_is_refused(day: Day, by: str) -> None:
    day.open("GC-01")
    with pytest.raises(BadInput):
        day.ask("job note", text="x", by=by)


def test_records_of_one_act_are_all_written_or_none(day: Day) -> None:
    job = day.open("GC-01", "GC-02")
    with suppress(BadInput):
        day.ask("board state", state="waiting for a part", board="GC-01", text="x" * 600_000)
    day.ask("board take", board="GC-01")
    with suppress(MeterlinkError):
        day.ask("board take", board="GC-02", by="y" * 460_000)
    day.ask("job note", text="go on")
    assert [b.board for b in day.ledger.on_bench() if b.job == job] == [day.context["board"]]


def test_a_sheet_that_is_no_file_does_not_hold_the_bench_up(day: Day, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "s.toml")
    with pytest.raises(BadInput):
        day.ask("job open", job="F-1", sheet=str(tmp_path / "s.toml"))


@pytest.mark.parametrize("mark", ["\u200b", "\u00ad \ufeff"])
def test_a_mark_that_nobody_sees_is_no_mark(day: Day, mark: str) -> None:
    day.open("GC-01")
    with pytest.raises(BadInput):
        day.ask("board receive", board=mark)


def test_marks_that_look_the_same_are_the_same(day: Day) -> None:
    day.open("GC-01")
    day.ask("board take", board="\u200bGC\u00ad-01\ufeff")
    assert day.context["board"] == "GC-01"


def test_many_who_come_at_once_are_all_let_in(day: Day) -> None:
    """A full backlog of a Unix socket refuses at once: a command said that no service runs."""
    day.open("GC-01")
    come = [socket.socket(socket.AF_UNIX) for _ in range(60)]
    try:
        for one in come:
            one.settimeout(20.0)
            one.connect(str(day.bench.folders.socket))
        for one in come:
            one.sendall(b'{"do":"status"}\n')
        assert all(one.recv(10).startswith(b'{"ok":true') for one in come)
    finally:
        for one in come:
            one.close()


def test_peers_that_stay_take_no_descriptor_that_a_meter_needs(day: Day) -> None:
    """A thousand that stay left the service without descriptors: no segment, no port, and a loop without a pause."""
    assert day.bench.process is not None
    held = Path(f"/proc/{day.bench.process.pid}/fd")
    before, come = len(list(held.iterdir())), []
    try:
        for _ in range(MOST + 100):
            come.append(socket.socket(socket.AF_UNIX))
            come[-1].settimeout(20.0)
            come[-1].connect(str(day.bench.folders.socket))
            with suppress(BrokenPipeError):
                come[-1].sendall(b"[]\n")
            try:
                answered = come[-1].recv(1000)
            except ConnectionResetError:
                answered = b""
        assert b"too many talk to this bench at once" in answered, "the last is told so, and let go"
        assert len(list(held.iterdir())) <= before + MOST
        come[0].sendall(b'{"do":"status"}\n')
        assert come[0].recv(10).startswith(b'{"ok":true')
    finally:
        for one in come:
            one.close()

    until(lambda: is_answered(day.bench), what="the service to answer again")


def processor_s(pid: int) -> float:
    """Seconds of processor time that a process took so far (proc(5), stat: utime and stime)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


@pytest.mark.long
def test_beside_a_crowd_that_says_nothing_a_meter_comes_back_and_commands_are_answered_again(tmp_path: Path) -> None:
    """1,500 half-open connections: beyond the bound each is told so, the silent ones are let go, nothing spins."""
    with bench_at(tmp_path / "bench") as bench:
        bench.start()
        crowd: list[socket.socket] = []
        try:
            for _ in range(1500):
                crowd.append(socket.socket(socket.AF_UNIX))
                crowd[-1].connect(str(bench.folders.socket))  # waits where too many are waiting to be let in
            crowd[-1].settimeout(20.0)
            assert b"too many" in crowd[-1].recv(200)
            bench.terminal.unplug()
            until(lambda: "handheld is lost" in log(bench), what="the loss to be told")
            bench.terminal.plug()
            until(lambda: "handheld is back" in log(bench), what="the meter to be found again")
            assert bench.process is not None
            before, began = processor_s(bench.process.pid), time.monotonic()
            time.sleep(2.0)
            assert processor_s(bench.process.pid) - before < 0.6 * (time.monotonic() - began), "it spins"
            until(lambda: is_answered(bench), what="the silent ones to be let go")
        finally:
            for one in crowd:
                one.close()
        assert bench.stop() == 0


def is_answered(bench: Running) -> bool:
    with suppress(MeterlinkError, OSError):
        return bool(bench.call("status")["ok"])
    return False


def log(bench: Running) -> str:
    return (bench.folders.root / "service.log").read_text()


def test_every_command_that_is_one_too_many_is_told_so(tmp_path: Path) -> None:
    """Whoever is let go before its request is read says why, and not that all is well."""
    with bench_of(tmp_path, Set("s")) as bench:
        crowd = [socket.socket(socket.AF_UNIX) for _ in range(MOST)]
        try:
            for one in crowd:
                one.connect(str(bench.folders.socket))
                one.sendall(b"[]\n")
                assert b"not a request" in one.recv(200)
            for words in (("status",), ("job", "note", "x"), ("keep",), ("supply", "off")):
                for _ in range(10):
                    done = meterlink(*words, "--dir", str(tmp_path))
                    assert done.returncode == 4
                    assert "too many talk to this bench at once" in done.stderr
            with pytest.raises(Refused, match="too many"):
                next(wire.watch(bench.folders.socket))
        finally:
            for one in crowd:
                one.close()


def test_an_off_waits_for_nobody_who_says_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """All places taken by peers that stay and say nothing: the oldest of them goes for whoever comes."""
    monkeypatch.setattr(sockets._Handler, "timeout", 600.0)
    with bench_of(tmp_path, Set("s")) as bench:
        crowd = [socket.socket(socket.AF_UNIX) for _ in range(MOST)]
        try:
            for one in crowd:
                one.connect(str(bench.folders.socket))
            until(lambda: meterlink("supply", "off", "--dir", str(tmp_path)).returncode == 0, what="the off")
            crowd[0].settimeout(20.0)
            assert b"too many" in crowd[0].recv(200) and crowd[0].recv(1) == b""
        finally:
            for one in crowd:
                one.close()
