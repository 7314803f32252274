"""The shop's other benches: read beside the loop, never written to, and nothing that is wrong with them hurts."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from meterlink import records
from meterlink.bench.events import Effect
from meterlink.errors import Refused
from meterlink.folders import bench_folder
from meterlink.link.opening import open_link
from meterlink.service import neighbours as room
from meterlink.service import wire
from meterlink.service.config import load
from meterlink.service.loop import Service
from meterlink.service.neighbours import LONGEST_WAIT_S, Neighbours
from tests.journal_reader.generate import Maker
from tests.service.conftest import Running, bench_at, until


def start(bench: str) -> records.Start:
    return records.Start(
        format=1, program="meterlink", version="1", bench=bench, host="h", config_sha256=None, timezone="+0000"
    )


def board(mark: str, state: str | None, event: Any = "taken") -> records.Board:
    return records.Board(job="GC-2611", board=mark, event=event, state=state, by="op")


def told(maker: Maker, *log: records.Record) -> None:
    for record in log:
        maker.add(record)
    maker.save()


Follow = Callable[..., Neighbours]


@pytest.fixture
def follow(tmp_path: Path) -> Iterator[Follow]:
    """Neighbours that follow these folders; ended at the end."""
    made: list[Neighbours] = []

    def make(*folders: Path, read: bool = True) -> Neighbours:
        one = Neighbours(folders, own=tmp_path / "own")
        one.start()
        made.append(one)
        if read:
            until(lambda: not one.unread, what="the journals to be read")
        return one

    yield make
    for one in made:
        one.stop()


@pytest.fixture
def two(tmp_path: Path) -> Maker:
    maker = Maker(tmp_path / "two")
    told(maker, start("bench two"), board("GC-01", "received", "received"), board("GC-01", "on the bench"))
    return maker


def test_a_board_there_is_found_and_let_go(two: Maker, follow: Follow) -> None:
    """As soon as the neighbour's line is in its file: the look-up waits for a look that began after it was asked."""
    shop = follow(two.folder)
    found = shop.elsewhere("GC-2611", "GC-01")
    assert found is not None and found.startswith("board GC-01 is on bench two since 2026-11-25")
    assert shop.elsewhere("GC-2611", "gc-01 ") is not None  # a mark is one without regard to case and blanks
    assert shop.elsewhere("GC-2612", "GC-01") is None
    for state, there in (("handed on", False), ("on the bench", True), ("waiting for a part", False)):
        told(two, board("GC-01", state))
        assert (shop.elsewhere("GC-2611", "GC-01") is not None) == there


def test_a_withdrawal_and_a_new_segment_are_followed(two: Maker, follow: Follow) -> None:
    shop = follow(two.folder)
    told(two, records.Void(of=3, why="slip", by="op"))
    assert shop.elsewhere("GC-2611", "GC-01") is None
    two.wait(86400)
    told(two, start("bench 2b"), board("GC-01", "on the bench"))
    assert "is on bench 2b" in str(shop.elsewhere("GC-2611", "GC-01"))


def test_what_the_neighbours_disk_refused_never_was(two: Maker, follow: Follow) -> None:
    """A line is cut off again and its seq comes a second time: the board is where the second one says."""
    told(two, board("GC-01", "handed on"))
    (path,) = two.folder.glob("*.jsonl")
    size, head, seq = path.stat().st_size, two.head, two.seq
    told(two, board("GC-01", "on the bench"))
    shop = follow(two.folder)
    assert shop.elsewhere("GC-2611", "GC-01") is not None
    os.truncate(path, size)
    two.head, two.seq = head, seq
    told(two, board("GC-02", "on the bench"), start("bench two"))  # as long as what was cut off, and one more
    until(lambda: shop.elsewhere("GC-2611", "GC-02"), what="the second line")
    assert shop.elsewhere("GC-2611", "GC-01") is None


def test_nothing_is_written_into_a_neighbours_folder(two: Maker, follow: Follow) -> None:
    before = {p.name: p.stat().st_mtime_ns for p in [two.folder, *two.folder.iterdir()]}
    shop = follow(two.folder)
    assert shop.elsewhere("GC-2611", "GC-01")
    assert {p.name: p.stat().st_mtime_ns for p in [two.folder, *two.folder.iterdir()]} == before


def test_a_journal_that_takes_long_holds_nothing_up(
    two: Maker, follow: Follow, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While it is read the look-up is back in its time and says so; a board that is there after all is told then."""
    gate = threading.Event()
    real = room.Follower

    class Slow(real):  # type: ignore[valid-type, misc]
        def look(self) -> Iterator[list[bytes]]:
            gate.wait(30)
            yield from super().look()

    monkeypatch.setattr(room, "Follower", Slow)
    shop = follow(two.folder, read=False)
    for mark in ("GC-01", "GC-02"):
        began = time.monotonic()
        assert shop.elsewhere("GC-2611", mark) is None
        assert time.monotonic() - began < LONGEST_WAIT_S + 0.05 <= 0.1 + 0.05
    assert shop.unread == [two.folder]
    shop.doubt("GC-2611", "GC-01")
    assert shop.cleared() is None
    gate.set()
    assert "is on bench two" in until(shop.cleared, what="the doubt to be cleared")
    assert shop.cleared() is None and not shop.unread  # told once


def test_a_slow_one_does_not_hide_a_quick_one(
    two: Maker, tmp_path: Path, follow: Follow, monkeypatch: pytest.MonkeyPatch
) -> None:
    never = threading.Event()
    monkeypatch.setattr(room, "segments", lambda folder: never.wait(30) if folder.name == "stale" else None)
    real = room.Follower

    class Stuck(real):  # type: ignore[valid-type, misc]
        def __init__(self, folder: Path, first_seq: int | None = None) -> None:
            if folder.name == "stale":
                never.wait(30)
            super().__init__(folder, first_seq)

    monkeypatch.setattr(room, "Follower", Stuck)
    (tmp_path / "stale").mkdir()
    shop = follow(tmp_path / "stale", two.folder, read=False)
    until(lambda: shop.elsewhere("GC-2611", "GC-01"), what="the quick one")
    never.set()


def wrong(tmp_path: Path, kind: str) -> Path:
    """A neighbour's folder that is not what it should be."""
    folder = tmp_path / "wrong"
    if kind == "missing":
        return folder
    if kind == "loop":
        folder.symlink_to(folder)
        return folder
    if kind == "file":
        folder.write_text("x")
        return folder
    folder.mkdir()
    segment = folder / "2026-11-25.jsonl"
    match kind:
        case "empty":
            pass
        case "fifo":
            os.mkfifo(segment)
        case "to a fifo":
            os.mkfifo(tmp_path / "pipe")
            segment.symlink_to(tmp_path / "pipe")
        case "to endless zeros":
            segment.symlink_to("/dev/zero")
        case "dangling":
            segment.symlink_to(tmp_path / "nowhere")
        case "folder":
            segment.mkdir()
        case "no record":
            segment.write_bytes(b'{"kind":"board"\nboard \xff\xfe\n{}\n' + b"[" * 5000 + b"\n")
        case "one long line":
            with segment.open("wb") as file:
                file.truncate(40 << 20)
    return folder


@pytest.mark.parametrize(
    "kind",
    ["missing", "loop", "file", "empty", "fifo", "to a fifo", "to endless zeros", "dangling", "folder", "no record",
     "one long line"],
)  # fmt: skip
def test_a_folder_that_is_none_hurts_nothing(two: Maker, tmp_path: Path, follow: Follow, kind: str) -> None:
    """It counts for nothing, its neighbour is followed all the same, and the end waits for neither."""
    shop = follow(wrong(tmp_path, kind), two.folder)
    assert shop.elsewhere("GC-2611", "GC-01") is not None
    assert shop.elsewhere("GC-2611", "GC-02") is None
    began = time.monotonic()
    shop.stop()
    assert time.monotonic() - began < 2.0


def test_one_that_comes_later_is_followed(tmp_path: Path, follow: Follow, monkeypatch: pytest.MonkeyPatch) -> None:
    """Mounted, or first started, after this bench."""
    monkeypatch.setattr(room, "BACK_OFF_S", (0.01, 0.02))
    shop = follow(tmp_path / "two")
    assert shop.elsewhere("GC-2611", "GC-01") is None
    told(Maker(tmp_path / "two"), start("bench two"), board("GC-01", "on the bench"))
    until(lambda: shop.elsewhere("GC-2611", "GC-01"), what="the new journal")


def test_ones_own_journal_is_no_neighbour(tmp_path: Path, follow: Follow) -> None:
    """Named by a symlink too: a board that is on this bench would else never be taken again."""
    told(Maker(tmp_path / "own"), start("bench one"), board("GC-01", "on the bench"))
    (tmp_path / "again").symlink_to(tmp_path / "own")
    shop = follow(tmp_path / "again")
    assert shop.elsewhere("GC-2611", "GC-01") is None


def test_the_service_leaves_its_neighbour_as_it_is(bench: Running, tmp_path: Path) -> None:
    """A real bench beside a real one: refused with the local time, and the other's folder has nothing new."""
    bench.call("job open", job="GC-2611")
    bench.call("board take", board="GC-01", count_in=True)
    with bench_at(tmp_path / "second") as second:
        file = second.folders.config
        file.write_text(f'neighbours = ["{bench.folders.journal}"]\n' + file.read_text().replace("test bench", "b 2"))
        second.start()
        second.call("job open", job="GC-2611")
        before = {p.name for p in bench.folders.journal.iterdir()}
        with pytest.raises(Refused, match=r"GC-01 is on test bench since 2\d{3}-\d\d-\d\d \d\d:\d\d [+-]\d\d:\d\d"):
            second.call("board take", board="GC-01", count_in=True)
        assert {p.name for p in bench.folders.journal.iterdir()} == before
        bench.call("board state", state="handed on")
        assert second.call("board take", board="GC-01", count_in=True)["ok"]  # at once
        assert second.stop() == 0


def test_what_was_taken_before_all_was_read_is_said_and_told_later(
    two: Maker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the service's socket: the board is taken with a word; when the neighbour turns out to have it, it is heard."""
    gate = threading.Event()
    real = room.Follower

    class Slow(real):  # type: ignore[valid-type, misc]
        def look(self) -> Iterator[list[bytes]]:
            gate.wait(30)
            yield from super().look()

    monkeypatch.setattr(room, "Follower", Slow)
    folders = bench_folder(tmp_path / "bench")
    folders.root.mkdir()
    folders.config.write_text(f'neighbours = ["{two.folder}"]\n')
    heard: list[Effect] = []
    service = Service(load(folders.config, folders), folders, open_link, heard.append)
    loop = threading.Thread(target=service.run)
    loop.start()
    try:
        until(folders.socket.exists, what="the socket")
        wire.call(folders.socket, "job open", job="GC-2611")
        began = time.monotonic()
        reply = wire.call(folders.socket, "board take", board="GC-01", count_in=True)
        assert time.monotonic() - began < 1.0
        assert "still being read" in reply["text"][-1]
        gate.set()
        until(lambda: any("is on bench two" in e.text and e.sound == "refused" for e in heard), what="the word")
        assert "still being read" not in str(
            wire.call(folders.socket, "board take", board="GC-03", count_in=True)["text"]
        )
    finally:
        gate.set()
        service.stop("the test ends")
        loop.join(20)
