"""Keys, scans and questions, driven headless: what the service is asked, what is said where nothing is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from meterlink.errors import Refused
from meterlink.screen import asks
from meterlink.screen.dialogs import Confirm, Form
from meterlink.screen.pictures import AT_3V3, JOB, KEEPS, Still, reading, state
from tests.screen.told import run, screen

HERE = {"for_board": "GC-04"}
ON_IT = {**HERE, "board": "GC-04", "job": JOB}
TOLD = state("+3V3", KEEPS, pending=["+3V3", "U7"], left_out=[], mismatch="15 boards counted, 14 said")


def test_the_pedals_actions_reach_the_service_in_order() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.press("space", "backspace", "n", "right")
            await bench.asked(("keep", HERE), ("back", HERE), ("next", HERE), ("next", HERE))
            await bench.rush("n", "space", "u", gap_s=0.03)  # two hands' quick keys keep their order as well
            await bench.asked(("next", HERE), ("keep", HERE), ("undo", HERE))

    run(test)


def test_a_mark_is_typed_on_the_bench_screen_by_its_capital_or_figure() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.press(*"GC-07")
            assert "> GC-07" in bench.text
            await bench.press("enter")
            await bench.asked(("board take", {"board": "GC-07", "job": JOB}))
            await bench.press("1", "n", "space", "escape", "n")
            await bench.asked(("next", HERE))

    run(test)


def test_a_scan_is_one_act_whatever_its_letters_are() -> None:
    async def test() -> None:
        async with screen() as bench:
            for mark in ("ab-12", "sn-3", "GC-07", "gc 07", "q/x?"):
                await bench.rush(*mark, "enter", gap_s=0.03)
                await bench.asked(("scanned", {"text": mark, "source": "scanner"}))
                assert bench.dialog is None

    run(test)


class Strict(Still):
    """A service that knows no board."""

    def call(self, do: str, **fields: Any) -> dict[str, Any]:
        super().call(do, **fields)
        if do == "scanned":
            raise Refused("no such board")
        return {"ok": True, "text": []}


def test_a_scan_that_is_no_board_is_offered_to_be_counted_in() -> None:
    async def test() -> None:
        async with screen(service=Strict(*AT_3V3)) as bench:
            await bench.rush(*"gc-16", "enter")
            await bench.until(lambda: bench.dialog, "the offer")
            assert "gc-16 is not a board of GC-2611" in bench.text
            await bench.rush(*"gc-17", "enter")  # no field is open: it is a scan, and no mark is asked for
            await bench.until(lambda: len(bench.service.asked) == 2)
            assert [do for do, _ in bench.service.asked] == ["scanned", "refused"]
            assert isinstance(bench.dialog, Confirm)
            bench.service.asked.clear()
            await bench.rush(*"ey-3", "enter")
            assert [do for do, _ in bench.service.asked] == ["refused"], "its y is no yes"
            bench.service.asked.clear()
            await bench.press("y")
            await bench.asked(("board take", {"board": "gc-16", "job": JOB, "count_in": True}))
            await bench.rush(*"GC-07", "enter")  # refused for another reason: it is known, and nothing is offered
            await bench.asked(("scanned", {"text": "GC-07", "source": "scanner"}))
            assert bench.dialog is None

    run(test)


def test_an_unknown_mark_makes_no_board_without_a_yes() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.press("b", *"gc-1", "enter")
            assert "gc-1 is not a board of GC-2611" in bench.text and "Like it: GC-10, GC-11" in bench.text
            await bench.press("enter", "space", "escape")
            await bench.asked()
            await bench.press("b", *"gc-16", "enter", "y")
            await bench.asked(("board take", {"board": "gc-16", "job": JOB, "count_in": True}))
            await bench.press("b", *"G c- 07", "enter")  # without regard to case and blanks
            await bench.asked(("board take", {"board": "GC-07", "job": JOB}))

    run(test)


ANSWERS: list[tuple[tuple[str, ...], tuple[str, dict[str, Any]]]] = [
    (("b", *"gc-1", "down", "enter"), ("board take", {"board": "GC-10", "job": JOB})),
    (("b", "down", "enter"), ("board take", {"board": "GC-05", "job": JOB})),
    (("p", *"u8", "enter"), ("point", {**HERE, "point": "U8"})),
    (("p", "5", "enter"), ("point", {**HERE, "point": "U7"})),
    (("p", *"vi", "enter"), ("point", {**HERE, "point": "VIN"})),
    (("p", *"+3v3", "enter"), ("point", {**HERE, "point": "+3V3"})),  # not "+3V3 on", which begins with it
    (("a",), ("stage", {**HERE, "stage": "after"})),
    (("u",), ("undo", HERE)),
    (("f", *"rep", "enter", *"C4", "enter", "enter"), ("find", {**ON_IT, "what": "replaced", "part": "C4"})),
    (("f", "1", "enter", "enter", *"x", "enter"), ("find", {**ON_IT, "what": "found", "text": "x"})),
    (("t", "1", "enter", *"x", "enter"), ("find", {**ON_IT, "what": "note", "text": "x"})),
    (("t", "down", "down", "enter", *"1 x", "enter"), ("job note", {"job": JOB, "text": "1 x"})),
    (("s", *"pai", "enter"), ("board state", {**ON_IT, "state": "repaired"})),
    (("s", *"wai", "enter", *"U3", "enter"), ("board state", {**ON_IT, "state": "waiting for a part", "text": "U3"})),
    (("w", "down", "down", "enter", "1", "enter", *"x", "enter"), ("void", {**HERE, "of": 190, "why": "x"})),
    (("w", *"vin", "enter", *"poi", "enter", *"u7", "enter"), ("move", {**HERE, "of": 190, "point": "U7"})),
    (("w", "3", "enter", *"boa", "enter", *"gc05", "enter"), None),  # type: ignore[list-item]
    (
        ("w", "3", "enter", *"boa", "enter", *"gc-05", "enter"),
        ("move", {**HERE, "of": 171, "board": "GC-05", "job": JOB}),
    ),
    (("m", *"C405", "enter"), ("move", {**HERE, "of": 204, "point": "C405"})),
    (("e", "1", "enter", *"dead", "enter"), ("leave out", {**HERE, "points": ["+3V3", "U7"], "why": "dead"})),
    (("e", *"u7", "enter", *"x", "enter"), ("leave out", {**HERE, "points": ["U7"], "why": "x"})),
    (("h", *"Jo", "enter"), ("who", {"name": "Jo"})),
    (("h", "down", "down", "enter"), ("who", {"name": "Mira"})),
    (("o", "y"), ("power", {**HERE, "on": True})),
]


def test_each_question_asks_the_service_what_it_says() -> None:
    async def test() -> None:
        async with screen(TOLD, *AT_3V3[1:]) as bench:
            for keys, request in ANSWERS:
                await bench.press(*("space" if k == " " else k for k in keys))
                if request is None:
                    assert "no 'gc05' is in the list" in bench.text
                    await bench.press("escape")
                    await bench.asked()
                else:
                    await bench.asked(request)

    run(test)


def test_every_question_is_left_and_takes_no_empty_enter() -> None:
    """Each question's first dialog, as it stands on the screen; all that follow, and every key, are in test_hands."""

    async def test() -> None:
        async with screen(TOLD, *AT_3V3[1:]) as bench:
            for way in (*asks.QUESTIONS, "question_mark"):
                await bench.press(way)
                dialog = bench.dialog
                assert dialog is not None and dialog.title in bench.text
                if "enter" not in type(dialog).leaves and not isinstance(dialog, Form):
                    await bench.press("enter")
                    assert dialog.note and dialog.note in " ".join(bench.text.replace("┃", " ").split())
                await bench.press("escape")
                assert bench.dialog is None and dialog.title not in bench.text
            await bench.press("n")
            await bench.asked(("next", HERE))

    run(test)


def test_escape_and_a_letter_in_one_write_leave_the_question_and_do_the_letter() -> None:
    """A terminal's parser makes one key of it: alt and the letter."""

    async def test() -> None:
        async with screen() as bench:
            await bench.press("f", "alt+n")
            await bench.asked(("next", HERE))

    run(test)


def test_a_question_stays_with_the_board_it_was_asked_of() -> None:
    async def test() -> None:
        async with screen(TOLD, *AT_3V3[1:]) as bench:
            await bench.press("f")
            assert "GC-04: what was found or done?" in bench.text
            scanned = state("+3V3", [])
            scanned["context"]["board"] = "GC-05"
            await bench.tell(scanned)
            assert "on the bench now: GC-05; this was asked of GC-04" in bench.text
            await bench.press(*"fou", "enter", *"C4", "enter", "enter")
            await bench.asked(("find", {**ON_IT, "what": "found", "part": "C4"}))
            await bench.press("n")
            await bench.asked(("next", {"for_board": "GC-05"}))

    run(test)


def test_what_several_rows_fit_is_said_in_the_question_which_stays() -> None:
    async def test() -> None:
        async with screen(TOLD, *AT_3V3[1:]) as bench:
            await bench.press("f", *"re", "enter")
            assert "3 of the list fit 're'" in bench.text
            await bench.press(*"p", "enter", *"C4", "enter", "enter")
            await bench.asked(("find", {**ON_IT, "what": "replaced", "part": "C4"}))

    run(test)


@pytest.mark.parametrize("key", sorted(set(asks.QUESTIONS) - {"b", "t", "h"}))
def test_without_a_board_the_screen_says_what_to_do(key: str) -> None:
    told = state(None, [], board_state=None)
    told["context"]["board"] = None

    async def test() -> None:
        async with screen(told) as bench:
            assert "NO BOARD is on the bench" in bench.text and "done:" not in bench.text
            await bench.press(key)
            await bench.until(lambda: bench.service.asked)
            ((do, fields),) = bench.service.asked
            assert do == "refused" and "scan one, or choose it (b)" in fields["why"] and bench.dialog is None

    run(test)


def test_a_prefix_makes_a_scan_of_a_mark_in_any_dialog() -> None:
    told = state("+3V3", KEEPS, scanner={"prefix": "]C", "suffix": "\r"})

    async def test() -> None:
        async with screen(told, *AT_3V3[1:]) as bench:
            await bench.rush(*"]Cx1", "enter", gap_s=0.08)  # slower than by speed, and shorter
            await bench.asked(("scanned", {"text": "x1", "source": "scanner"}))
            await bench.press("b")
            await bench.rush(*"]Cx1", "enter", gap_s=0.08)
            await bench.asked(("scanned", {"text": "x1", "source": "scanner"}))
            await bench.press("s", *"wai", "enter", *"U")
            await bench.rush(*"]CGC-07", "enter")
            await bench.until(lambda: bench.service.asked)
            assert bench.service.asked.pop()[0] == "refused" and "> U" not in bench.text
            await bench.press("3", "enter")
            await bench.asked(("board state", {**ON_IT, "state": "waiting for a part", "text": "U3"}))
            await bench.press("s", *"wai", "enter", *"a ]C b", "enter")  # by hand it is text
            await bench.asked(("board state", {**ON_IT, "state": "waiting for a part", "text": "a ]C b"}))

    run(test)


class Saying(Still):
    """A service that answers in words."""

    def call(self, do: str, **fields: Any) -> dict[str, Any]:
        return {**super().call(do, **fields), "text": ["C4 replaced on GC-04"]}


def test_what_is_recorded_is_acknowledged_by_a_line() -> None:
    async def test() -> None:
        async with screen(service=Saying(*AT_3V3)) as bench:
            await bench.press("f", *"rep", "enter", *"C4", "enter", "enter")
            await bench.until(lambda: "√ C4 replaced on GC-04" in bench.text)
            await bench.tell({"event": "effect", "sound": "stepped", "text": "C4 replaced on GC-04"})
            assert "» STEP  C4 replaced on GC-04" in bench.text and "√ C4" not in bench.text

    run(test)


def test_each_effect_is_seen_in_flash_mode_one_after_another(monkeypatch: pytest.MonkeyPatch) -> None:
    """While a flash is looked at its time stands: a busy machine may be slower than half a second."""

    async def test() -> None:
        async with screen(flash=True) as bench:
            effects = [("short", "VIN short"), ("stepped", "at U7"), ("stepped", "at U7"), ("alarm", "nothing is kept")]
            flash = bench.app._flash
            over: list[tuple[float, Callable[[], None]]] = []
            with monkeypatch.context() as patch:
                patch.setattr(flash, "set_timer", lambda after_s, then: over.append((after_s, then)))
                await bench.tell(*({"event": "effect", "sound": s, "text": t} for s, t in effects))
                for n, text in enumerate(["VIN short", "nothing is kept", "at U7", "at U7"], 1):
                    assert flash.display and text in bench.text and bench.text.count("█") > 40
                    assert len(over) == n and over[-1][0] >= 1 / 3  # WCAG 2.2, criterion 2.3.1
                    over[-1][1]()
                    await bench.tell()
                assert not flash.display
            await bench.tell({"event": "effect", "sound": "short", "text": "VIN short"})
            await bench.until(lambda: not flash.display, "the flash to end by its own timer")
            await bench.press("z")
            await bench.tell({"event": "effect", "sound": "ok", "text": "+5V ok"})
            assert not flash.display and "√ OK  +5V ok" in bench.text

    run(test)


def test_requests_keep_the_order_of_their_keys_while_the_service_is_slow() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.app._order.acquire()
            await bench.press("n", "space", "u")
            assert not bench.service.asked
            bench.app._order.release()
            await bench.asked(("next", HERE), ("keep", HERE), ("undo", HERE))

    run(test)


def test_a_reading_of_a_meter_that_is_not_meant_is_small_and_no_wrong_dial() -> None:
    other = {**reading("voltage", 3.302, "V", "3.302 V", 0.0), "instrument": "clamp", "meant": "handheld"}
    clamp = {**AT_3V3[0]["instruments"][0], "instrument": "clamp"}
    told = {**AT_3V3[0], "instruments": [*AT_3V3[0]["instruments"], clamp]}

    async def test() -> None:
        async with screen(told, *AT_3V3[1:], other) as bench:
            await bench.until(lambda: "3.302 V" in bench.text)
            assert "resistance   handheld" in bench.text and "turn the dial" not in bench.text
            await bench.tell({**other, "meant": None})
            assert "none is meant" in bench.text and "turn the dial" not in bench.text

    run(test)
