"""What a start makes of the journal it finds: an act that was cut in two by a power cut or a kill, and the state of a
bench as a version before the rules left it. A file in; the journal, the touch and the screen's state out."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from meterlink import records
from meterlink.journal.reader import entries
from meterlink.journal.writer import Writer
from meterlink.service.clock import SystemClock
from tests.docs.test_bench import run
from tests.journal_writer.oracle import lost_note
from tests.service.conftest import Running, bench_at
from tests.service.test_right_board import SHEET, Day


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Running]:
    with bench_at(tmp_path / "bench") as running:
        running.handheld.dial("diode")
        (running.folders.root / "s.toml").write_text(SHEET, encoding="utf-8")
        yield running


def opened(bench: Running) -> None:
    bench.call("job open", job="J1", sheet=str(bench.folders.root / "s.toml"))
    for board in ("GC-01", "GC-02"):
        bench.call("board receive", board=board)
    bench.call("board take", board="GC-01")


def cut_after(bench: Running, last: Callable[[dict[str, Any]], bool]) -> None:
    """The journal ends with the last line of which this is so: what came after it did not reach the disk."""
    segment = max(bench.folders.journal.glob("*.jsonl"))
    lines = segment.read_bytes().splitlines(keepends=True)
    ends = [n for n, line in enumerate(lines, 1) if last(json.loads(line))]
    segment.write_bytes(b"".join(lines[: ends[-1]]))
    lost_note(bench.folders.journal)


def again(bench: Running) -> Day:
    bench.start()
    day = Day(bench)
    day.job = "J1"
    return day


def on_bench(day: Day) -> list[tuple[str, str]]:
    return [(b.job, b.board) for b in day.ledger.on_bench()]


def test_half_a_take_leaves_one_board_on_the_bench(bench: Running) -> None:
    bench.start()
    opened(bench)
    bench.call("board take", board="GC-02")
    bench.kill()
    cut_after(bench, lambda x: x.get("event") == "taken")
    day = again(bench)
    assert on_bench(day) == [("J1", "GC-01")] and day.context["board"] == "GC-01"
    assert day.touch(0.5)["sound"] == "ok"
    assert run("meterlink journal verify", bench.folders.root).exit_code == 0


def test_half_a_state_leaves_no_board_that_is_elsewhere(bench: Running) -> None:
    bench.start()
    opened(bench)
    bench.call("board state", state="handed on")
    bench.kill()
    cut_after(bench, lambda x: x.get("state") == "handed on")
    day = again(bench)
    assert (day.context["board"], on_bench(day)) == (None, [])
    assert day.touch(0.5)["sound"] == "no-board" and day.keeps("GC-01") == []
    day.ask("undo")
    assert day.state("GC-01") != "handed on"


def test_half_a_repair_leads_to_what_was_bad(bench: Running) -> None:
    bench.start()
    opened(bench)
    day = Day(bench)
    day.touch(0.02)  # VIN
    day.ask("find", what="replaced", part="C412")
    bench.kill()
    cut_after(bench, lambda x: x.get("what") == "replaced")
    day = again(bench)
    assert (day.context["stage"], day.context["point"]) == ("after", "VIN")
    assert "replaced C412" in day.ask("undo")
    assert day.context["stage"] == "before"


def test_half_a_job_close_takes_the_board_off(bench: Running) -> None:
    bench.start()
    opened(bench)
    bench.call("job close")
    bench.kill()
    cut_after(bench, lambda x: x.get("event") == "closed")
    day = again(bench)
    assert (day.context["job"], day.context["board"], on_bench(day)) == (None, None, [])


@pytest.mark.parametrize("elsewhere", [False, pytest.param(True, marks=pytest.mark.long)])
def test_a_bench_as_an_older_version_left_it(bench: Running, elsewhere: bool) -> None:
    """Three boards on the bench at once, one of them handed on and still current: versions before the rules did so."""
    writer, now = Writer(bench.folders.journal), SystemClock().now()
    place = records.Context(job="J1", board="GC-01", point=None, sheet=None, source="command", stage="before")
    batch: list[records.Record] = [
        records.Job(job="J1", event="opened", state="open", by="demo"),
        records.Job(job="J2", event="opened", state="open", by="demo"),
        records.Board(job="J1", board="GC-02", event="taken", state="on the bench", by="demo"),
        records.Board(job="J2", board="LX-03", event="taken", state="on the bench", by="demo"),
        records.Board(job="J1", board="GC-01", event="taken", state="on the bench", by="demo"),
        place,
    ]
    if elsewhere:
        batch.append(records.Board(job="J1", board="GC-01", event="changed", state="handed on", by="demo"))
    for record in batch:
        writer.append(record, now.at)
    writer.close()
    day = again(bench)
    assert on_bench(day) == ([] if elsewhere else [("J1", "GC-01")])
    assert day.context["board"] == (None if elsewhere else "GC-01")
    assert day.touch(0.5)["sound"] == ("no-board" if elsewhere else "kept")
    before = day.ledger.last_seq
    bench.stop()
    bench.start()
    new = {e.kind for e in entries(bench.folders.journal, readings=False) if e.seq > before}
    assert "board" not in new and "context" not in new, "said once"


def test_what_a_start_puts_right_is_told(bench: Running) -> None:
    bench.start()
    opened(bench)
    bench.call("board take", board="GC-02")
    bench.kill()
    cut_after(bench, lambda x: x.get("event") == "taken")
    bench.start()
    assert "GC-02 is received again" in (bench.folders.root / "service.log").read_text()
