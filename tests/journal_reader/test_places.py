"""Where the bench stood: what readings and keeps say of it is held against the contexts; a keep may stand elsewhere
than its readings only as the one that it names."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from msgspec.structs import replace

from meterlink import records
from meterlink.journal import places
from meterlink.journal.proofs import RING
from meterlink.journal.reader import segments
from meterlink.journal.summary import summary
from meterlink.registry import find
from tests.journal_reader.chains import all_records, append, check, forge
from tests.journal_reader.generate import GOOD_OHM, JOB, SHEET, Maker, World
from tests.program import meterlink

SCRIPT = Path(__file__).parents[2] / "docs" / "check-journal.py"


def by_the_page(folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-I", SCRIPT, folder], capture_output=True, text=True, check=False)


def at_the_bench(folder: Path) -> tuple[World, records.Kept, int]:
    """A board at work, its keep of +3V3, and that record's number."""
    world = World(Maker(folder))
    world.begin()
    world.open_job()
    world.add(context("GC-01"))
    seq = world.touch("GC-01", "+3V3", GOOD_OHM["+3V3"])
    world.maker.save()
    row = next(r for r in all_records(folder) if r["seq"] == seq)
    kept = records.decode(encoded(row)).record
    assert isinstance(kept, records.Kept)
    return world, kept, seq


def encoded(row: dict[str, Any]) -> bytes:
    return json.dumps(row, separators=(",", ":")).encode()


def context(board: str) -> records.Context:
    return records.Context(job=JOB, board=board, point="+3V3", sheet=SHEET, source="sheet", stage="before")


def corrected_later(folder: Path) -> int:
    """A keep is taken back, brought back, and moved, each after thousands of readings. Gives the first one's number."""
    world, kept, first = at_the_bench(folder)
    of = first
    for board in ("GC-01", "GC-02"):
        world.add(records.Void(of=of, why="taken back", by="pedal"))
        world.readings([None] * (RING + 10), "GC-01", "+3V3")
        of = world.add(replace(kept, board=board, moved=of))
    world.end()
    return first


def test_a_keep_that_is_corrected_long_after_is_no_fault(tmp_path: Path) -> None:
    corrected_later(tmp_path)
    report = check(tmp_path)
    assert report.ok, report.faults
    assert (report.keeps_checked, report.keeps_unchecked) == (3, {})
    done = by_the_page(tmp_path)
    assert done.returncode == 0 and "3 keeps that follow" in done.stdout, done.stderr


@pytest.mark.parametrize(
    "change",
    [
        {"value": 268.0},
        {"n": 99},
        {"by": "pedal"},
        {"readings": [1, 2]},
        {"instrument": "psu"},
        {"moved": 1},
        {"moved": 10**6},
        {"moved": None},
    ],
    ids=lambda change: " ".join(change),
)
def test_it_says_nothing_else_than_the_one_it_stands_for(tmp_path: Path, change: dict[str, Any]) -> None:
    corrected_later(tmp_path)
    last = [r["seq"] for r in all_records(tmp_path) if r["kind"] == "kept"][-1]
    forge(tmp_path, lambda r: r.update(change) if r["seq"] == last else None)
    report = check(tmp_path)
    assert [f.line for f in report.faults] == [last]
    assert by_the_page(tmp_path).returncode == 1


def test_one_that_still_stands_has_no_other_in_its_place(tmp_path: Path) -> None:
    world, kept, seq = at_the_bench(tmp_path)
    world.add(replace(kept, board="GC-02", moved=seq))
    world.end()
    (fault,) = check(tmp_path).faults
    assert f"record {seq}, which is not withdrawn" in fault.reason
    assert by_the_page(tmp_path).returncode == 1


def test_a_keep_led_to_readings_of_long_ago(tmp_path: Path) -> None:
    world, kept, _ = at_the_bench(tmp_path)
    world.readings([None] * (RING + 10), "GC-01", "+3V3")
    world.add(kept)
    world.end()
    (fault,) = check(tmp_path).faults
    assert f"more than {RING} readings of 'dmm' before it" in fault.reason
    assert by_the_page(tmp_path).returncode == 1


def test_keeps_of_another_board_than_the_one_on_the_bench(tmp_path: Path) -> None:
    """Board and readings agree with each other, and the bench stood elsewhere."""
    world, _, seq = at_the_bench(tmp_path)
    world.end()
    forge(tmp_path, lambda r: r.update(board="GC-02") if r["kind"] in ("kept", "reading") else None)
    report = check(tmp_path)
    assert report.fault_count == len([r for r in all_records(tmp_path) if r["kind"] in ("kept", "reading")])
    assert "board GC-02, point +3V3, the bench stood at job GC-2611, board GC-01" in report.faults[0].reason
    assert by_the_page(tmp_path).returncode == 1
    assert seq > 1


def test_files_that_begin_in_the_middle_say_what_they_cannot_know(tmp_path: Path) -> None:
    """The keep that is named lies in a segment that was not given; so does the context before the first one."""
    world, kept, seq = at_the_bench(tmp_path)
    world.add(records.Void(of=seq, why="taken back", by="pedal"))
    world.maker.save()
    world.maker.wait(86400)
    world.readings([None], "GC-01", "+3V3")
    world.add(replace(kept, moved=seq))
    world.end()
    report = check(tmp_path)
    assert report.ok, report.faults
    done = meterlink("journal", "verify", str(segments(tmp_path)[-1]))
    assert done.returncode == 0, done.stdout
    assert "the keeps in whose place they stand lie too far back" in done.stdout


def test_memory_of_keeps_has_a_bound_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(places, "KEEPS", 2)
    first = corrected_later(tmp_path)
    report = check(tmp_path)
    assert report.ok and not report.keeps_unchecked
    world = World(Maker(tmp_path / "more"))
    world.begin()
    world.open_job()
    world.add(context("GC-01"))
    keeps = [world.touch("GC-01", "+3V3", GOOD_OHM["+3V3"]) for _ in range(4)]
    world.maker.save()
    row = next(r for r in all_records(tmp_path / "more") if r["seq"] == keeps[0])
    kept = records.decode(encoded(row)).record
    assert isinstance(kept, records.Kept)
    world.add(records.Void(of=keeps[0], why="taken back", by="pedal"))
    world.add(replace(kept, moved=keeps[0]))
    world.end()
    report = check(tmp_path / "more")
    assert report.ok and sum(report.keeps_unchecked.values()) == 1 and first
    assert "1 records could not be checked in full" in summary(report, tmp_path)


def test_a_driver_of_another_version_is_said(journal: Path) -> None:
    forge(journal, lambda r: r.update(driver_version="99") if r["kind"] == "instrument" else None)
    report = check(journal)
    assert report.ok
    assert [n for n in report.notes if "driver" in n] == [
        "driver fs9721 is version 1 here, version 99 wrote the journal"
    ]


def test_64_zeros_are_no_head(journal: Path) -> None:
    done = meterlink("journal", "verify", str(journal), "--head", "0" * 64)
    assert done.returncode == 2 and "are the head of none" in done.stderr


def test_a_file_beside_the_segments_is_none_of_them(journal: Path) -> None:
    """An operator's copy, and one that ls does not show."""
    newest = segments(journal)[-1]
    for name in (f"{newest.stem}-copy.jsonl", f".{newest.name}", "a.jsonl"):
        (journal / name).write_bytes(newest.read_bytes())
    assert check(journal).ok
    assert by_the_page(journal).returncode == 0
    chain = subprocess.run(
        ["sh", SCRIPT.with_name("check-chain.sh"), journal], capture_output=True, text=True, check=False
    )
    assert chain.returncode == 0, chain.stdout


@pytest.mark.parametrize("words", [["sh", SCRIPT.with_name("check-chain.sh")], [sys.executable, SCRIPT]])
def test_without_a_folder_the_scripts_ask_for_one(words: list[Any]) -> None:
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode != 0 and "Traceback" not in done.stderr
    assert "FOLDER" in done.stderr or "name the folder" in done.stderr


def test_where_a_later_format_put_the_bench_is_not_guessed(journal: Path) -> None:
    row = next(r for r in all_records(journal) if r["kind"] == "reading")
    elsewhere = {k: v for k, v in {**row, "board": "GC-77"}.items() if k not in ("prev", "seq")}
    start = next(r for r in reversed(all_records(journal)) if r["kind"] == "start")
    newer = {k: v for k, v in {**start, "format": 2}.items() if k not in ("prev", "seq")}
    at = {"at": row["at"]}
    for text in (newer, {**at, "kind": "context", "job": {"now": "an object"}}, {**elsewhere, **at}):
        append(journal, encoded(text)[1:])
    assert check(journal).ok, check(journal).faults


def test_a_keep_that_names_itself_holds_nobody_up(tmp_path: Path) -> None:
    """The service followed it for ever, and so did the views."""
    world, kept, seq = at_the_bench(tmp_path / "journal")
    for event, state in (("received", "received"), ("taken", "on the bench")):
        world.add(records.Board(job=JOB, board="GC-01", event=event, state=state, by="technician"))
    own = world.add(records.Void(of=seq, why="taken back", by="pedal")) + 1
    assert world.add(replace(kept, moved=own)) == own
    world.end()
    shown = meterlink("board", "show", "GC-01", "--dir", str(tmp_path))
    assert shown.returncode == 0 and "+3V3" in shown.stdout
    (fault,) = check(tmp_path / "journal").faults
    assert "is no keep before it" in fault.reason


def test_a_display_whose_last_digit_is_blank_shows_no_number(tmp_path: Path) -> None:
    """The page took "19 " for 19, and called an honest journal wrong."""
    raw = bytes.fromhex("112035435f60708090a0b1c4d0e0")
    (one,) = find("fs9721").decode(raw)
    assert one.state == "blank"
    world = World(Maker(tmp_path))
    world.begin()
    world.add(
        records.Reading(
            instrument="dmm", t=1.0, function=one.function, coupling=one.coupling, value=None, unit=one.unit,
            resolution=records.double(one.resolution), state=one.state, flags=list(one.flags), display=one.display,
            channel=None, job=None, board=None, point=None, raw=raw.hex(),
        )
    )  # fmt: skip
    world.end()
    assert check(tmp_path).ok, check(tmp_path).faults
    assert by_the_page(tmp_path).returncode == 0, by_the_page(tmp_path).stderr
