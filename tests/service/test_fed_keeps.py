"""A keep that was made while a rail was fed stays one wherever it is moved, and a keep made at rest stays that: what it
says depends on when it was measured, not on when it was written. Socket and commands in, and out."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink import records
from meterlink.journal.writer import Writer
from meterlink.service.clock import SystemClock
from tests.docs.test_bench import run
from tests.service.conftest import bench_at
from tests.service.test_right_board import SHEET, Day


def supply(event: str) -> records.Supply:
    return records.Supply(
        instrument="psu", event=event, voltage=1.0, current_limit=1.0, why=None, by="op", job="J1", board="GC-01",
        rail="+3V3", seen="set" if event == "off" else None,
    )  # fmt: skip


def kept(point: str, value: float) -> records.Kept:
    return records.Kept(
        job="J1", board="GC-01", point=point, instrument="handheld", function="diode", coupling=None, value=value,
        unit="V", resolution=0.001, state="ok", readings=(1, 1), n=1, spread=0.0, uncertainty=None, band=None,
        verdict=None, by="command", stage="before",
    )  # fmt: skip


@pytest.fixture
def day(tmp_path: Path) -> Iterator[tuple[Day, int]]:
    """U8 was kept at rest, then, while +3V3 was fed, 0.5 V at L5; the number of this keep."""
    with bench_at(tmp_path / "bench") as bench:
        bench.start()
        (bench.folders.root / "s.toml").write_text(SHEET, encoding="utf-8")
        bench.call("job open", job="J1", sheet=str(bench.folders.root / "s.toml"))
        for board in ("GC-01", "GC-02"):
            bench.call("board receive", board=board)
        bench.call("board take", board="GC-01")
        bench.stop()
        writer, at = Writer(bench.folders.journal), SystemClock().now().at
        seqs = [writer.append(r, at) for r in (kept("U8", 0.5), supply("on"), kept("L5", 0.5), supply("off"))]
        writer.close()
        bench.start()
        day = Day(bench)
        day.job = "J1"
        yield day, seqs[2]


def shown(day: Day, board: str) -> dict[str, str]:
    out = run(f"meterlink board show {board} --json", day.bench.folders.root).output
    return {p["point"]: p["before"] for p in json.loads(out)["points"]}


def test_a_fed_keep_that_is_moved_is_no_value_of_its_new_point(day: tuple[Day, int]) -> None:
    one, fed = day
    assert shown(one, "GC-01") == {"U8": "0.500 V"}
    assert one.ask("move", of=fed, point="VIN") == "L5 of GC-01 moved to VIN of GC-01: kept"
    assert shown(one, "GC-01") == {"U8": "0.500 V"}
    rows = json.loads(run("meterlink job show J1 --json", one.bench.folders.root).output)["boards"]
    assert [b["pending"] for b in rows if b["board"] == "GC-01"] == [["VIN", "+3V3", "C412"]], "U8 alone is measured"
    seq = max(n.seq for n in one.ledger.board("J1", "GC-01").keeps)  # type: ignore[union-attr]
    one.ask("move", of=seq, board="GC-02")
    assert shown(one, "GC-02") == {}


def test_a_fed_keep_that_comes_back_by_undo_is_no_value_either(day: tuple[Day, int]) -> None:
    one, fed = day
    one.ask("void", of=fed, why="slip")
    one.ask("undo")
    assert shown(one, "GC-01") == {"U8": "0.500 V"}


def test_a_fed_keep_gets_another_free_name(day: tuple[Day, int]) -> None:
    one, fed = day
    assert one.ask("move", of=fed, point="L6") == "L5 of GC-01 moved to L6 of GC-01: kept"
    assert [p for p, _ in one.keeps("GC-01")] == ["U8", "L6"]
