"""The service as its users meet it: by socket, by signal, by cable, by a second one that must not start."""

from __future__ import annotations

import json
import socket
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from meterlink import records
from meterlink.errors import BadInput, Refused, Unreachable
from meterlink.folders import bench_folder
from meterlink.journal.reader import entries
from meterlink.service import wire
from tests.program import meterlink
from tests.service.conftest import Running, bench_at, until


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "meterlink", *words], capture_output=True, text=True, timeout=60, check=False
    )


def kinds(running: Running) -> list[str]:
    return [x.kind for x in entries(running.folders.journal) if x.kind != "reading"]


def test_a_morning(bench: Running) -> None:
    """Job, board, hands-free keep, tap, take back, stop: what was acknowledged is in the journal in order."""
    bench.call("job open", job="GC-2611", model="IC-8 rev C", expected=14)
    bench.call("board take", board="GC-01", count_in=True)
    bench.call("point", point="VIN")
    bench.handheld.touch(0.523)
    keep = until(lambda: bench.call("status")["last_keep"], what="the touch to be kept")
    assert (keep["board"], keep["point"], keep["by"]) == ("GC-01", "VIN", "settled")
    assert keep["value"] == pytest.approx(0.523, abs=0.0025)
    bench.handheld.lift()
    reply = bench.call("keep", source="pedal")
    assert reply["records"][0]["kind"] == "kept"
    assert bench.call("back")["records"][0]["of"] == reply["records"][0]["seq"]
    assert bench.stop() == 0
    assert kinds(bench)[-1] == "stop"
    with pytest.raises(Unreachable, match="meterlink run"):
        bench.call("status")


def test_what_is_refused_comes_back_as_its_class(bench: Running) -> None:
    with pytest.raises(BadInput, match="no job is current"):
        bench.call("board take", board="GC-01", count_in=True)
    with pytest.raises(BadInput, match="does not know"):
        bench.call("dance")
    with pytest.raises(Refused, match="no next point"):
        bench.call("next")
    with pytest.raises(BadInput, match="whole number"):
        bench.call("job open", job="J", expected="many")


def test_bytes_that_are_no_request(bench: Running) -> None:
    """Each gets one line back; the service lives on."""
    with wire.connected(bench.folders.socket, 10.0) as sock, sock.makefile("rb") as lines:
        for bad in (b"{", b"[]", b'{"do": 1}', b"\xff\xfe", b"null", b'{"do":"keep"}{'):
            sock.sendall(bad + b"\n")
            assert json.loads(lines.readline())["code"] == 2
        sock.sendall(b'{"do":"status"}\n')
        assert json.loads(lines.readline())["ok"]
    with wire.connected(bench.folders.socket, 10.0) as sock:
        try:
            sock.sendall(b"x" * (wire.LONGEST + 10))
            told = sock.recv(10)
        except (ConnectionResetError, BrokenPipeError):
            told = b""
        assert told == b""  # dropped without a word
    assert bench.call("status")["ok"]


def test_the_socket_is_its_owners_alone(bench: Running) -> None:
    assert stat.S_IMODE(bench.folders.socket.stat().st_mode) == 0o600


def test_a_second_service_on_the_same_journal_is_refused(bench: Running) -> None:
    done = run("run", "--dir", str(bench.folders.root))
    assert done.returncode == 4
    assert done.stderr.count("\n") <= 2 and "is being written by process" in done.stderr
    assert str(bench.process.pid if bench.process else "") in done.stderr
    assert bench.call("status")["ok"]


def test_a_meter_that_is_unplugged_comes_back_by_itself(bench: Running) -> None:
    bench.terminal.unplug()
    until(lambda: bench.call("status")["instruments"][0]["state"] == "lost", what="the loss to be seen")
    before = bench.call("status")["instruments"][0]["readings"]
    bench.terminal.plug()
    until(lambda: bench.call("status")["instruments"][0]["readings"] > before, what="readings to come again")
    bench.stop()
    events = [x.record.event for x in entries(bench.folders.journal) if isinstance(x.record, records.Instrument)]
    assert events == ["found", "lost", "found"]


def test_noise_is_counted_and_told(tmp_path: Path) -> None:
    """Bytes that fit no frame: counted, and the likely cause named."""
    with bench_at(tmp_path / "bench") as running:
        running.terminal.unplug()
        running.terminal._stream = lambda t: b"\x55\xaa\x00"
        running.terminal.plug()
        running.launch()

        def likely() -> Any:
            try:
                one = running.call("status")["instruments"][0]
            except Unreachable:
                return None
            return one if one["skipped"] > 100 else None

        one = until(likely, what="noise to be counted")
        assert one["frames"] == 0 and "no frame fits" in one["likely"]


def test_the_context_goes_on_after_a_stop(bench: Running) -> None:
    bench.call("job open", job="GC-2611")
    bench.call("board take", board="GC-07", count_in=True)
    bench.stop()
    bench.start()
    assert bench.call("status")["context"]["board"] == "GC-07"


def test_a_board_on_another_bench_is_not_taken(bench: Running, tmp_path: Path) -> None:
    """Told at once, and nothing is recorded; when the neighbour has handed it on, it may be taken."""
    bench.call("job open", job="GC-2611")
    bench.call("board take", board="GC-01", count_in=True)
    with bench_at(tmp_path / "second") as second:
        file = second.folders.config
        file.write_text(f'neighbours = ["{bench.folders.journal}"]\n' + file.read_text().replace("test bench", "b 2"))
        second.start()
        second.call("job open", job="GC-2611")
        with pytest.raises(Refused, match="GC-01 is on test bench"):
            second.call("board take", board="GC-01", count_in=True)
        assert second.call("status")["context"]["board"] is None
        bench.call("board state", state="handed on")
        assert second.call("board take", board="GC-01", count_in=True)["ok"]


def test_watchers_see_readings_effects_and_records(bench: Running) -> None:
    watching = wire.watch(bench.folders.socket)
    assert next(watching)["event"] == "state"
    bench.call("job open", job="GC-2611")
    seen = set()
    for message in watching:
        seen.add(message["event"])
        if {"reading", "record", "state"} <= seen:
            break
    bench.call("board take", board="GC-01", count_in=True)
    bench.call("keep")
    effects = (m["sound"] for m in watching if m["event"] == "effect")
    assert next(sound for sound in effects if sound != "stepped") == "not-ok"  # an overload: open


def test_a_watcher_that_does_not_read_never_slows_the_bench(bench: Running) -> None:
    lazy = socket.socket(socket.AF_UNIX)
    lazy.connect(str(bench.folders.socket))
    lazy.sendall(b'{"do":"watch"}\n')
    bench.call("job open", job="GC-2611")
    before = bench.call("status")["journal"]["next_seq"]
    until(lambda: bench.call("status")["journal"]["next_seq"] > before + 50, what="readings to flow")
    lazy.close()


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("bench = 1", "bench"),
        ("[instrumets.m]\ndriver='fs9721'\nport='/dev/x'", "instruments"),
        ("[instruments.m]\ndrvier='fs9721'\nport='/dev/x'", "did you mean driver"),
        ("[instruments.m]\ndriver='fs9712'\nport='/dev/x'", "fs9721"),
        ("[instruments.m]\ndriver='fs9721'", "port"),
        ("[instruments.m]\ndriver='fs9721'\nport='/dev/x'\ncontrol=true", "control"),
        ("[instruments.a]\ndriver='fs9721'\nport='p'\n[instruments.b]\ndriver='fs9721'\nport='p'", "one instrument a"),
        ("[keep]\nwindow = 1", "keep.window"),
        ("[instruments.m]\ndriver='fs9721'\nport='carrier:pigeon'", "no such kind of port"),
        ("[pedal]\nkind='contact'\nport='p'\nswitches={ b = 'keep' }", "bench.toml:4: pedal.switches: no switch"),
        (
            "[pedal]\nkind='keyboard'\nport='/dev/x'\nswitches={ b = 'keep' }",
            "bench.toml:3: pedal.port: /dev/x",
        ),
        ("[scanner]\nkind='serial'\nport='p'\nsuffix=''", "bench.toml:4: scanner.suffix: is empty"),
        ("[scanner]\nkind='serial'\nport='p'\n[scanner.line]\nbaud=9600", "did you mean baudrate"),
        (
            "[pedal]\nkind='keyboard'\nport='1209:000a'\nswitches={ b = 'keep' }\n"
            "[scanner]\nkind='keyboard'\nport='1209:000A'",
            "bench.toml:7: scanner.port: 1209:000A is the pedal's already",
        ),
        (
            "[scanner]\nkind='serial'\nport='p'\n[instruments.m]\ndriver='fs9721'\nport='p'",
            "p is scanner's already: one instrument a port",
        ),
        ("bench = ", "bench.toml:1: not TOML"),
        ("bench = 'x'\n[instruments.m]\ndriver = 'fs9721'\n", "bench.toml:2: instruments.m.port"),
    ],
)
def test_a_wrong_configuration_is_one_line_and_writes_nothing(tmp_path: Path, text: str, word: str) -> None:
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    done = meterlink("run", "--dir", str(tmp_path))
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1 and word in done.stderr and "bench.toml" in done.stderr
    assert not (tmp_path / "journal").exists()


def test_without_a_service(tmp_path: Path) -> None:
    for command in ("status", "keep", "back", "next", "supply show"):
        done = meterlink(*command.split(), "--dir", str(tmp_path))
        assert done.returncode == 3 and done.stderr.count("\n") == 1, command
    assert meterlink("job", "list", "--dir", str(tmp_path)).returncode == 2  # no journal there: name the bench
    assert meterlink("frobnicate").returncode == 2
    assert meterlink("board", "show", "X", "--dir", str(tmp_path)).returncode == 2


def test_a_port_that_is_not_there_is_told_and_tried_again(tmp_path: Path) -> None:
    with bench_at(tmp_path / "bench") as running:
        running.terminal.unplug()
        running.launch()

        def lost() -> Any:
            try:
                return running.call("status")["instruments"][0]["why"]
            except Unreachable:
                return None

        assert "not there" in until(lost)
        running.terminal.plug()
        until(running.answers, what="the meter to be heard")


def test_folders_do_not_collide(tmp_path: Path) -> None:
    assert bench_folder(tmp_path / "a").socket != bench_folder(tmp_path / "b").socket
