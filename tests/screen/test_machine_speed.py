"""Scanners, pastes and scripts in a real terminal: all keys in one write.

Rule 6: a scan is one act; fields take keys in order however fast; an Enter with nothing typed takes nothing.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from meterlink.folders import bench_folder
from meterlink.screen.pictures import AT_3V3, JOB, Still, state
from tests.screen.terminal import Terminal, tmux
from tests.screen.told import listening
from tests.service.conftest import until

pytestmark = tmux
Request = tuple[str, dict[str, Any]]
HERE = {"source": "key", "for_board": "GC-04"}
ON_IT = {**HERE, "board": "GC-04", "job": JOB}


@contextmanager
def shown(tmp_path: Path, *messages: dict[str, Any]) -> Iterator[tuple[Terminal, Still]]:
    folders = bench_folder(tmp_path / "b")
    with listening(folders.socket, *(messages or AT_3V3)) as service:
        command = (sys.executable, "-m", "meterlink", "screen", "--dir", str(folders.root))
        terminal = Terminal(tmp_path / "tmux", 80, 24, *command)
        try:
            terminal.shows("settling 60 %" if not messages else "board")
            yield terminal, service
        finally:
            terminal.end()


def asked(service: Still, *requests: Request) -> None:
    """This, and nothing else, since the last look."""
    until(lambda: len(service.asked) >= len(requests), 10, what=f"{requests}, not {service.asked}")
    assert service.asked == list(requests)
    service.asked.clear()


def test_a_mark_in_small_letters_is_a_scan_and_not_one_of_its_letters_a_command(tmp_path: Path) -> None:
    with shown(tmp_path) as (terminal, service):
        for mark in ("ab-12", "sn-3", "gc-07", "GC-08", "x100"):
            terminal.at_once(f"{mark}\r")
            asked(service, ("scanned", {"text": mark, "source": "scanner"}))
        terminal.keys("n")
        asked(service, ("next", HERE))


def test_enter_with_nothing_typed_takes_nothing(tmp_path: Path) -> None:
    with shown(tmp_path) as (terminal, service):
        for key in "bpfswm":
            terminal.at_once(f"{key}\r")
            terminal.shows("nothing typed")
            terminal.keys("Escape")
            until(lambda: "nothing typed" not in terminal.text, 10)
        terminal.keys("n")
        asked(service, ("next", HERE))


def test_a_form_takes_keys_in_order_however_fast(tmp_path: Path) -> None:
    """Seen on a bench: 1, 1.5 and 10 became 11.510 volts."""
    order = {"rail": "+3V3", "volts": 1.0, "amperes": 1.5, "hold_s": 7.0, "nominal": 3.3, "confirm": True}
    with shown(tmp_path) as (terminal, service):
        terminal.keys("i")
        terminal.shows("Feed a shorted rail")
        terminal.at_once("\r1\r1.5\r\x7f\x7f7\r3.3\ry")
        terminal.shows("1 V, at most 1.5 A, 7 s")
        terminal.shows("read it first")  # a yes in one go with the answers has not read the cautions
        assert not service.asked
        until(lambda: service.asked or terminal.keys("y"), 10, every_s=0.3)
        asked(service, ("supply inject", {**HERE, **order}))


QUESTIONS: list[tuple[str, str, str, Any]] = [
    ("b", "Which board?", "gc-11\r", ("board take", {"source": "key", "board": "GC-11", "job": JOB})),
    ("p", "Which point?", "u8\r", ("point", {**HERE, "point": "U8"})),
    ("f", "found or done", "replaced\rC412\r100 nF, 50 V\r", None),
    ("t", "Note on what", "job\rthe crate holds 15\r", ("job note", None)),
    ("s", "Where is it", "waiting\rU3\r", ("board state", {**ON_IT, "state": "waiting for a part", "text": "U3"})),
    ("w", "Which keep", "2\rwith\rslipped\r", ("void", {**HERE, "of": 190, "why": "slipped"})),
    ("h", "Who is at the bench", "Mira\r", ("who", {"source": "key", "name": "Mira"})),
    ("e", "Leave out", "rest\rno power here\r", ("leave out", None)),
    ("m", "belongs to", "C405\r", ("move", {**HERE, "of": 204, "point": "C405"})),
]


@pytest.mark.parametrize(
    ("key", "title", "rest", "request_"),
    [q if q[0] in "bfm" else pytest.param(*q, marks=pytest.mark.long) for q in QUESTIONS],
)
def test_every_question_takes_its_answers_in_one_write(
    tmp_path: Path, key: str, title: str, rest: str, request_: Any
) -> None:
    told = state("+3V3", AT_3V3[0]["keeps"], pending=["+3V3", "U7"], left_out=[])
    whole: dict[str, Request] = {
        "f": ("find", {**ON_IT, "what": "replaced", "part": "C412", "text": "100 nF, 50 V"}),
        "t": ("job note", {"source": "key", "job": JOB, "text": "the crate holds 15"}),
        "e": ("leave out", {**HERE, "points": ["+3V3", "U7"], "why": "no power here"}),
    }
    with shown(tmp_path, told, *AT_3V3[1:]) as (terminal, service):
        terminal.keys(key)
        terminal.shows(title)
        terminal.at_once(rest)
        asked(service, whole.get(key, request_))


def test_a_paste_fills_the_fields_and_ends_with_its_question(tmp_path: Path) -> None:
    with shown(tmp_path) as (terminal, service):
        terminal.keys("f")
        terminal.shows("found or done")
        terminal.paste("found\nC412\nshort\nnn\nq\n")
        why = "pasted text is for the fields of a question: the rest of it is left out"
        found = ("find", {**ON_IT, "what": "found", "part": "C412", "text": "short"})
        asked(service, found, ("refused", {"why": why, "source": "key"}))
        terminal.shows("pasted text is for")
        terminal.paste("nnnn")
        asked(service, ("refused", {"why": why, "source": "key"}))
        terminal.keys("n")
        asked(service, ("next", HERE))


def test_what_came_at_machine_speed_and_is_no_scan_runs_nothing(tmp_path: Path) -> None:
    with shown(tmp_path) as (terminal, service):
        terminal.at_once("nnnnnn")
        until(lambda: service.asked, 10)
        (do, fields), *more = service.asked
        assert do == "refused" and "nnnnnn" in fields["why"] and not more


def test_a_prefix_makes_a_scan_in_a_question_that_asks_for_no_mark(tmp_path: Path) -> None:
    told = state("+3V3", AT_3V3[0]["keeps"], scanner={"prefix": "~", "suffix": "\r"})
    with shown(tmp_path, told, *AT_3V3[1:]) as (terminal, service):
        terminal.keys("t")
        terminal.shows("Note on what")
        terminal.at_once("board\rblue ")
        terminal.shows("blue")
        terminal.at_once("~GC-07\r")
        until(lambda: service.asked, 10)
        (do, fields), *more = service.asked
        assert do == "refused" and "GC-07" in fields["why"] and not more
        service.asked.clear()
        terminal.at_once("wire\r")
        asked(service, ("find", {**ON_IT, "what": "note", "text": "blue wire"}))
