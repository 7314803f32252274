"""What one person takes back while another works on at the same bench, and what is taken back twice. Sockets and a
meter's bytes in; the journal and where the bench stands out. One service serves all; each test has its job."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

import pytest

from meterlink.errors import Refused
from tests.service.conftest import Running, bench_at
from tests.service.test_right_board import Day


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with bench_at(tmp_path_factory.mktemp("two") / "bench") as running:
        running.start()
        running.handheld.dial("diode")
        yield running


@pytest.fixture
def day(service: Running) -> Iterator[Day]:
    yield Day(service)
    assert service.call("status")["journal"]["failing"] is None


def test_undo_of_a_keep_does_not_move_the_point_of_a_board_that_a_colleague_took(day: Day) -> None:
    day.open("GC-01", "GC-02", sheet=True)
    day.ask("board take", board="GC-02")
    day.touch(0.5)  # VIN; led to +3V3
    day.ask("board take", board="GC-01")
    day.touch(0.5)  # VIN; led to +3V3
    day.ask("board take", board="GC-02", by="ben")
    assert day.context["point"] == "+3V3"
    assert day.ask("undo") == "taken back: VIN kept"
    assert day.keeps("GC-01") == []
    assert (day.context["board"], day.context["point"]) == ("GC-02", "+3V3"), "VIN of GC-02 is kept already"


def test_undo_of_a_power_word_leaves_the_word_on_another_board(day: Day) -> None:
    day.open("GC-01", "GC-02")
    day.ask("who", name="anna")
    day.ask("board take", board="GC-01")
    day.ask("power", on=True)
    day.ask("who", name="ben")
    day.ask("board take", board="GC-02")
    day.ask("power", on=True)
    day.ask("undo", by="anna")  # that ben is at the bench, which was anna's word
    with suppress(Refused):
        day.ask("undo", by="anna")
    assert (day.context["board"], day.context["powered"]) == ("GC-02", True)
    day.ask("who", name="demo")


def test_a_board_that_comes_back_by_undo_is_in_the_stage_of_its_findings(day: Day) -> None:
    day.open("GC-01", "GC-02", sheet=True)
    day.ask("board take", board="GC-01")
    day.touch(0.02)  # VIN
    day.ask("board take", board="GC-02")
    day.ask("find", what="replaced", part="C1", board="GC-01", by="ben")
    assert "GC-02" in day.ask("undo")
    assert (day.context["board"], day.context["stage"], day.context["point"]) == ("GC-01", "after", "VIN")


def test_what_an_undo_wrote_once_more_is_taken_back_by_the_next(day: Day) -> None:
    """A withdrawal in error is taken back; the keep stands again, and is the last thing that was recorded."""
    day.open("GC-01", sheet=True)
    day.ask("board take", board="GC-01")
    day.touch(0.5)
    day.touch(0.5)
    day.ask("back")
    day.ask("undo")
    assert [p for p, _ in day.keeps("GC-01")] == ["VIN", "+3V3"]
    assert day.ask("undo") == "taken back: +3V3 kept"
    assert [p for p, _ in day.keeps("GC-01")] == ["VIN"] and day.context["point"] == "+3V3"
    assert day.ask("undo") == "taken back: VIN kept"
    assert day.keeps("GC-01") == [] and day.context["point"] == "VIN"
