"""While a rail is fed: the cautions, a yes, and every key means off."""

from __future__ import annotations

from meterlink.bench.injection import CAUTIONS
from meterlink.errors import Refused, Unreachable
from meterlink.screen.pictures import (
    feeding,
)
from tests.screen.told import Refusing, run, screen

ORDER = {"rail": "+3V3", "volts": 1.0, "amperes": 1.5, "hold_s": 10.0, "nominal": None, "confirm": True}
ORDER |= {"for_board": "GC-04"}
FORM = ("i", "enter", *"1", "enter", *"1.5", "enter", "enter", "enter")


def test_injecting_shows_the_cautions_and_wants_a_y() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.press(*FORM)
            shown = " ".join(bench.text.replace("┃", " ").split())
            await bench.press("enter", "space")
            await bench.asked()
            assert not bench.app.view.injecting
            for words in CAUTIONS.split(";"):
                assert words.split()[-1] in shown
            await bench.press("y")
            await bench.asked(("supply inject", ORDER))
            assert bench.app.view.injecting  # from the asking on

    run(test)


def test_while_a_rail_is_fed_any_key_is_off_and_nothing_else() -> None:
    async def test() -> None:
        async with screen() as bench:
            for i, key in enumerate(("space", "q", "ctrl+c", "b", "escape", "f5", "G", "y", "enter", "z", "ctrl+q")):
                bench.app._now = lambda i=i: 10.0 * i
                await bench.tell(*feeding())
                await bench.press(key)
                await bench.asked(("supply off", {}))
                ended = {"why": f"key {i}", "off": True, "energy_j": 0.4, "instrument": "supply", "rail": "+3V3"}
                await bench.tell({"event": "injection", "state": "ended", **ended})
                assert f"ended: key {i}; 0.40 J" in bench.text
                await bench.press("space")  # the same press once more, by a hand that was too quick
                await bench.asked()
                assert bench.dialog is None and not bench.app._exit

    run(test)


def test_a_question_gives_way_to_an_injection_that_a_command_began() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.press("f")
            await bench.tell(*feeding())
            await bench.until(lambda: bench.dialog is None, "the question to give way")
            await bench.press("y")
            await bench.asked(("supply off", {}))

    run(test)


def test_an_injection_that_was_refused_leaves_the_keys_as_they_were() -> None:
    async def test() -> None:
        async with screen(service=Refusing(Refused("5 W is above this bench's ceiling"))) as bench:
            await bench.press(*FORM, "y")
            await bench.until(lambda: "above this bench's ceiling" in bench.text)
            assert not bench.app.view.injecting

    run(test)


def test_an_off_that_does_not_reach_the_service_says_so() -> None:
    async def test() -> None:
        async with screen(service=Refusing(Unreachable("the service does not answer"))) as bench:
            await bench.tell(*feeding())
            await bench.press("space")
            await bench.until(lambda: "SUPPLY NOT SWITCHED OFF, do it by hand" in bench.text)

    run(test)
