"""A disk that is full under a running service: what is refused then is heard, each time; what is acknowledged is there.

The limit on the size of a file (RLIMIT_FSIZE of the real process) stands in for the disk, the clock stands."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from meterlink.errors import MeterlinkError, Refused
from meterlink.journal.reader import entries
from meterlink.service.scribe import LATER_S
from tests.rules.bench import GESTURES
from tests.rules.rig import Rig
from tests.service.test_right_board import SHEET


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    try:
        (tmp_path / "sheet.toml").write_text(SHEET, encoding="utf-8")
        rig.start()
        rig.call("job open", job="J1", sheet=str(tmp_path / "sheet.toml"))
        for board in ("GC-01", "GC-02"):
            rig.call("board receive", board=board)
        rig.call("board take", board="GC-01")
        yield rig
    finally:
        rig.close()


@contextmanager
def full(rig: Rig) -> Iterator[None]:
    """No file grows."""
    assert rig.pid is not None
    before = resource.prlimit(rig.pid, resource.RLIMIT_FSIZE)
    most = max(p.stat().st_size for p in rig.folders.journal.glob("*.jsonl"))
    resource.prlimit(rig.pid, resource.RLIMIT_FSIZE, (most, before[1]))
    try:
        yield
    finally:
        resource.prlimit(rig.pid, resource.RLIMIT_FSIZE, before)


def land(rig: Rig) -> list[str]:
    """In the air, then on something until it has settled; gives what was heard."""
    out = []
    for value in (None, None, None, *["0.500"] * 4):
        out += [m["sound"] for m in rig.reading("red", "diode", value, 0.15) if m["event"] == "effect"]
    return out


def sounds(rig: Rig) -> list[str]:
    return [m["sound"] for m in rig.fence() if m["event"] == "effect"]


@pytest.mark.parametrize("way", ["scan", "next", "back", "keep"])
def test_what_the_full_disk_refuses_is_heard_each_time(rig: Rig, way: str) -> None:
    land(rig)
    rig.fence()
    with full(rig):
        with pytest.raises(Refused):
            rig.call("job note", text="x")
        assert sounds(rig) == ["alarm"]
        for _ in range(2):
            if way == "scan":
                rig.scan("GC-02")
                rig.heard_something()
            else:
                rig.foot(GESTURES[way])
            assert sounds(rig), f"{way} was met with silence"
        for _ in range(2):
            with pytest.raises(MeterlinkError):
                rig.call("find", what="found", part="C1")
            assert sounds(rig), "a command was met with silence"


def test_touches_while_the_disk_is_full_are_heard_and_keep_nothing(rig: Rig) -> None:
    with full(rig):
        with pytest.raises(Refused):
            rig.call("job note", text="x")
        rig.fence()
        for _ in range(2):
            assert land(rig) == ["refused"]
    rig.shared.t += LATER_S
    heard = [m["text"] for m in rig.reading("red", "diode", "0.500", 0.15) + rig.fence() if m["event"] == "effect"]
    assert heard == ["the journal takes records again"]
    for _ in range(4):  # the probe is still down: its readings were lost
        assert "ok" not in [m.get("sound") for m in rig.reading("red", "diode", "0.500", 0.15)]
    assert land(rig) == ["ok"]
    kept = [e.record for e in entries(rig.folders.journal) if e.kind == "kept"]
    assert [k.point for k in kept] == ["VIN"]
    assert rig.command("journal", "verify")[0] == 0


def test_the_first_act_that_the_disk_takes_again_is_one_act(rig: Rig) -> None:
    """Gaps come first: the numbers that the act was decided with are theirs."""
    for _ in range(10):  # the act is sooner than the look that is due, most times
        with full(rig):
            with pytest.raises(Refused):
                rig.call("job note", text="x")
            rig.reading("red", "diode", None, 0.01)
        rig.shared.t += LATER_S
        rig.call("find", what="replaced", part="C1")
        rig.call("undo")
    lines = {e.seq: e for e in entries(rig.folders.journal)}
    for e in lines.values():
        lead = getattr(e.record, "with_", None)
        assert lead is None or lines[lead].kind not in ("gap", "reading"), (
            f"{e.seq} goes with {lines[lead].kind} {lead}"
        )
