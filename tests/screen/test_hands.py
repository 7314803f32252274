"""Keys to questions and requests, without a screen: every dialog that any key leads to, found by answering them all."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meterlink.screen import asks, fold
from meterlink.screen.dialogs import Confirm, Dialog, Form, Help, Pick
from meterlink.screen.hands import PRESSES, Hands
from meterlink.screen.pictures import KEEPS, state

TOLD = state("+3V3", KEEPS, pending=["+3V3", "U7"], left_out=[], mismatch="15 boards counted, 14 said")
HAND_S = 0.25


class Bench:
    """Stands for the screen: what the keys asked for. An injection that is asked for feeds the rail."""

    def __init__(self, told: dict[str, Any] = TOLD) -> None:
        self.view = fold.take(fold.View(), told, 0.0)
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self.refused: list[str] = []
        self.hands = Hands(self, {"question_mark": lambda: self.hands.show(Help("keys"))})
        self._t = 0.0

    def send(self, do: str, **fields: Any) -> None:
        self.asked.append((do, fields))

    def inject(self, order: dict[str, Any]) -> None:
        self.asked.append(("supply inject", order))
        self.view = fold.ordered(self.view, True)

    def off(self) -> None:
        self.asked.append(("supply off", {}))

    def scan(self, mark: str) -> None:
        self.asked.append(("scanned", {"text": mark}))

    def refuse_aloud(self, why: str) -> None:
        self.refused.append(why)

    def press(self, *keys: str, gap_s: float = HAND_S) -> Bench:
        """These keys, then nothing for a while."""
        self._t += HAND_S
        for key in keys:
            character = {"space": " ", "enter": "\r"}.get(key, key if len(key) == 1 else None)
            self.hands.key(key, character, self._t)
            self._t += gap_s
        self.hands.quiet()
        return self


def after(dialog: Dialog) -> list[list[str]]:
    """Ways to answer it: each row, what may be typed, each field, a yes."""
    if isinstance(dialog, Pick):
        first = 1 if dialog._at is None else len(dialog.rows) - dialog._at
        free = [[*"zz-9", "enter"]] if dialog._free else []
        return [[*["down"] * (first + i), "enter"] for i in range(len(dialog.rows))] + free
    if isinstance(dialog, Form):
        return [[k for _ in dialog._fields for k in ("1", "enter")]]
    return [["y"]] if isinstance(dialog, Confirm) else []


def every_dialog() -> Iterator[tuple[tuple[str, ...], Dialog]]:
    ways = [[key] for key in (*asks.QUESTIONS, "question_mark")]
    while ways:
        way = ways.pop()
        dialog = Bench().press(*way).hands.dialog
        if dialog is not None:
            yield tuple(way), dialog
            ways += [[*way, *more] for more in after(dialog)]


EVERY = list(every_dialog())


def test_every_kind_of_dialog_was_found() -> None:
    assert {way[0] for way, _ in EVERY} == {*asks.QUESTIONS, "question_mark"}
    assert {type(dialog) for _, dialog in EVERY} == {Pick, Form, Confirm, Help}
    assert len({dialog.title for _, dialog in EVERY}) > 25


@pytest.mark.parametrize("way", [way for way, _ in EVERY], ids=" ".join)
def test_every_dialog_is_left_by_every_key_that_leaves_it(way: tuple[str, ...]) -> None:
    for key in type(Bench().press(*way).hands.dialog).leaves:  # type: ignore[union-attr]
        bench = Bench().press(*way)
        assert bench.hands.dialog is not None
        bench.press(key)
        assert bench.hands.dialog is None and not bench.asked and not bench.refused
        bench.press("n")
        assert bench.asked == [("next", {"for_board": "GC-04"})], "the bench screen has its keys again"


@pytest.mark.parametrize("way", [way for way, _ in EVERY], ids=" ".join)
def test_an_enter_with_nothing_typed_takes_nothing_in_any_dialog(way: tuple[str, ...]) -> None:
    bench = Bench().press(*way)
    dialog = bench.hands.dialog
    assert dialog is not None
    bench.press(*["enter"] * 6)
    assert not bench.asked
    if "enter" not in type(dialog).leaves:
        assert bench.hands.dialog is dialog and dialog.note


@pytest.mark.parametrize("way", [way for way, _ in EVERY], ids=" ".join)
def test_a_scan_by_prefix_changes_no_dialog_that_asks_for_no_mark(way: tuple[str, ...]) -> None:
    bench = Bench()
    bench.hands.keyboard.set_to("~", "\r")
    dialog = bench.press(*way).hands.dialog
    assert dialog is not None
    before = dialog.lines(72, 20)
    bench.press(*"~GC-07", "enter", gap_s=0.01)
    if dialog.mark:
        assert not bench.refused and bench.hands.dialog is not dialog
    else:
        assert bench.hands.dialog is dialog and not bench.asked and "GC-07" in bench.refused[0]
        assert dialog.lines(72, 20) == before


@pytest.mark.parametrize("way", [way for way, _ in EVERY], ids=" ".join)
def test_what_any_dialog_leads_to_names_the_board_that_it_was_asked_of(way: tuple[str, ...]) -> None:
    """But for what puts a board on the bench, who is at it, and a job's note."""
    for more in after(Bench().press(*way).hands.dialog or Help("")):
        bench = Bench().press(*way)
        bench.view = fold.take(bench.view, {**TOLD, "context": {**TOLD["context"], "board": "GC-05"}}, 0.0)
        bench.press(*more)
        for do, fields in bench.asked:
            assert fields.get("for_board") == "GC-04" or do in ("board take", "scanned", "who", "job note")
            if do in ("find", "board state"):
                assert fields["board"] == "GC-04" and fields["job"] == "GC-2611"


def test_a_yes_by_scanner_or_script_feeds_no_rail() -> None:
    order = ("i", "enter", "1", "enter", "1", "enter", "enter", "enter")
    for rush in ((*"ey-3", "enter"), ("x", "y", "z", "y"), ("y",)):
        bench = Bench().press(*order[:-1])
        bench.press(order[-1], *rush, gap_s=0.001)
        assert isinstance(bench.hands.dialog, Confirm) and not bench.asked
    bench.press("y")
    assert [do for do, _ in bench.asked] == ["supply inject"]
    bench.press("n")
    assert [do for do, _ in bench.asked] == ["supply inject", "supply off"]


ANY = st.sampled_from(
    ["enter", "escape", "space", "backspace", "down", "up", "tab", "alt+n", *"abefhimnopstuwxyz1 3GC-"]
)


@given(st.lists(st.tuples(ANY, st.sampled_from([0.001, 0.02, 0.3])), max_size=40))
def test_whatever_is_pressed_each_request_is_whole(keys: list[tuple[str, float]]) -> None:
    bench, known = Bench(), {*PRESSES.values(), "scanned", "board take", "point", "find", "job note", "board state"}
    known |= {"void", "move", "leave out", "who", "power", "supply inject", "supply off", "undo", "stage"}
    for key, gap_s in keys:
        bench.press(key, gap_s=gap_s)
    for do, fields in bench.asked:
        assert do in known
        assert all(value not in ("", None) or name in ("nominal",) for name, value in fields.items()), (do, fields)
