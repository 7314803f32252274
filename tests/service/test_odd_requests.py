"""Requests that nobody means and somebody sends: a pipe for a sheet, names and marks that nobody sees, texts without
end, a job that is closed. Whole or not at all, and nobody else waits. One service serves all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from meterlink.errors import BadInput, MeterlinkError
from tests.service.conftest import Running, bench_at
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
