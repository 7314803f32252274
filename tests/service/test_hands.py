"""A technician at the whole service: pseudo-terminal in, journal out. Every keep stands where it was measured.

Each board and point shows a value of its own, so the kept value itself says where the probe was. The hands are
seeded; what they meant to do is written down beside the service and held against its journal.
"""

from __future__ import annotations

import random
import sys
import time
from pathlib import Path

import pytest

from meterlink import records
from meterlink.bench.ledger import Ledger
from meterlink.demo.technician import Ear, is_kept
from meterlink.errors import Refused
from meterlink.journal.reader import entries
from tests.service.conftest import Running, bench_at, until

BOARDS = [f"GC-{n:02}" for n in range(1, 6)]
POINTS = [f"P{n:02}" for n in range(1, 11)]
LIFT_S = 0.12  # a few readings of air


def value(board: str, point: str) -> float:
    """All fifty differ by 20 counts or more: more than the tolerance on either side."""
    return round(0.300 + 0.020 * (BOARDS.index(board) * len(POINTS) + POINTS.index(point)), 3)


def sheet(path: Path) -> Path:
    rows = [f'[[point]]\nname = "{p}"\nfunction = "diode"\nlow = 0.2\nhigh = 1.5\n' for p in POINTS]
    path.write_text('model = "IC-8 rev C"\n' + "\n".join(rows), encoding="utf-8")
    return path


def lift(bench: Running, ear: Ear) -> None:
    """Lift until the bench has seen it, and a little longer."""
    mark = ear.heard
    bench.handheld.lift()
    ear.wait(lambda m: m["event"] == "reading" and not m["contact"], mark, what="air on the display")
    time.sleep(LIFT_S)


class Hands:
    """What the technician does, and what should stand in the journal after it."""

    def __init__(self, bench: Running, seed: int) -> None:
        self.bench, self.rng = bench, random.Random(seed)
        self.ear = Ear(bench.folders.socket)
        self.wanted: dict[tuple[str, str], float | None] = {}
        self.touches = 0
        self.latencies: list[float] = []

    @property
    def point(self) -> str | None:
        return self.bench.call("status")["context"]["point"]  # type: ignore[no-any-return]

    def touch(self, board: str, point: str) -> None:
        """Land, perhaps bouncing or charging up, and hold still until the bench is heard."""
        self.touches += 1
        mark = self.ear.heard
        self.bench.handheld.touch(value(board, point), self.rng.choice([0.0, 0.0, 0.02, 0.05]))
        record = self.ear.wait(is_kept, mark, what=f"{point} of {board}")["record"]
        self.ear.wait(lambda m: m["event"] == "effect", mark, what="the sound")
        self.wanted[(board, record["point"])] = value(board, point)
        assert record["point"] == point and record["board"] == board
        self._lift()

    def open(self, board: str, point: str) -> None:
        """An open point: a tap on the overload."""
        self.touches += 1
        self.bench.handheld.touch(None)
        mark = self.ear.heard
        time.sleep(0.06)
        self.bench.call("keep", source="pedal")
        self.ear.wait(is_kept, mark, what="the tap")
        self.wanted[(board, point)] = None
        self._lift()

    def _lift(self) -> None:
        lift(self.bench, self.ear)

    def work(self, board: str) -> None:
        self.bench.call("board take", board=board, source="pedal", count_in=True)
        while (point := self.point) is not None:
            self.touch(board, point) if self.rng.random() < 0.85 else self.open(board, point)
            whim = self.rng.random()
            if whim < 0.08:  # double tap: that was the wrong pad
                self.bench.call("back", source="pedal")
                self.wanted.pop((board, point))
            elif whim < 0.12 and self.point is not None:  # long press: not this one
                self.bench.call("next", source="pedal")


@pytest.mark.parametrize(
    "touches",
    [
        10,
        pytest.param(25, marks=pytest.mark.long),
        pytest.param(500, marks=[pytest.mark.full, pytest.mark.timeout(1800)]),
    ],
)
def test_every_keep_is_at_the_right_board_and_point(tmp_path: Path, touches: int) -> None:
    with bench_at(tmp_path / "bench", rate_hz=50.0) as running:
        running.start()
        hands = Hands(running, 2611)
        path = sheet(tmp_path / "sheet.toml")
        for job in range(100):
            running.call("job open", job=f"GC-{2611 + job}", sheet=str(path))
            for board in BOARDS:
                hands.work(board)
                if hands.touches >= touches:
                    break
            if hands.touches >= touches:
                break
            check(running, f"GC-{2611 + job}", hands)
            running.call("job close")
        check(running, f"GC-{2611 + job}", hands)
        running.stop()
    late = sound_after_settled(running, hands)
    sys.stderr.write(
        f"\n{hands.touches} touches, 0 keeps at a wrong board or point; from the last settled reading to the sound "
        f"p50 {late[len(late) // 2] * 1000:.1f} ms, p95 {late[int(len(late) * 0.95)] * 1000:.1f} ms\n"
    )
    assert late[len(late) // 2] < 0.150


def check(running: Running, job: str, hands: Hands) -> None:
    """Standing keeps against what was meant: the same points, each with its own board's and point's value."""
    ledger = Ledger().extend(entries(running.folders.journal, readings=False))
    found = {
        (board.board, n.record.point): n.record.value
        for board in ledger.jobs[job].boards.values()
        for n in ledger.standing(board.keeps)
    }
    assert found.keys() == hands.wanted.keys()
    for where, kept in found.items():
        meant = hands.wanted[where]
        right = (
            kept is None if meant is None else kept == pytest.approx(meant, abs=0.008)
        )  # the neighbours are 0.020 away
        assert right, f"{where}: {kept} was kept, {meant} was meant"
    hands.wanted.clear()


def sound_after_settled(running: Running, hands: Hands) -> list[float]:
    """Seconds from the arrival of the last reading of a keep to the sound as a client hears it, sorted.

    Both are monotonic times of one machine. What the meter's own rate costs is in neither.
    """
    arrived = {x.seq: x.record.t for x in entries(running.folders.journal) if isinstance(x.record, records.Reading)}
    heard = {
        m["record"]["readings"][1]: t
        for m, t in hands.ear.timed
        if m["event"] == "record" and m["record"]["kind"] == "kept" and m["record"]["by"] == "settled"
    }
    return sorted(t - arrived[seq] for seq, t in heard.items())


def test_wrong_function_and_moved_are_heard_and_nothing_is_kept(tmp_path: Path) -> None:
    """The meter is switched in the middle of the sheet; then the probe slides on without a lift."""
    with bench_at(tmp_path / "bench", rate_hz=50.0) as running:
        running.start()
        running.call("job open", job="GC-2611", sheet=str(sheet(tmp_path / "sheet.toml")))
        running.call("board take", board="GC-01", count_in=True)
        ear = Ear(running.folders.socket)
        running.handheld.dial("resistance")
        mark = ear.heard
        running.handheld.touch(100.0)
        ear.wait(lambda m: m["event"] == "effect" and m["sound"] == "wrong-function", mark, what="wrong function")
        with pytest.raises(Refused, match="resistance"):
            running.call("keep")
        lift(running, ear)
        running.handheld.dial("diode")
        mark = ear.heard
        running.handheld.touch(0.5)
        ear.wait(is_kept, mark, what="the first point")
        mark = ear.heard
        running.handheld.touch(0.9)
        ear.wait(lambda m: m["event"] == "effect" and m["sound"] == "moved", mark, what="moved")
        kept = [x for x in entries(running.folders.journal, readings=False) if x.kind == "kept"]
        assert len(kept) == 1
        running.call("keep", source="pedal")  # the pedal may
        until(lambda: len([x for x in entries(running.folders.journal, readings=False) if x.kind == "kept"]) == 2)
