"""While a rail is fed: the cautions, a yes, and every key means off."""

from __future__ import annotations

from meterlink.bench.injection import CAUTIONS
from meterlink.errors import Refused, Unreachable
from meterlink.screen.pictures import feeding, state
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


def test_an_end_that_nobody_has_seen_off_is_never_shown_as_off() -> None:
    async def test() -> None:
        async with screen() as bench:
            ended = {"event": "injection", "state": "ended", "instrument": "supply", "rail": "+3V3", "energy_j": 0.4}
            await bench.tell(*feeding(), {**ended, "why": "the supply does not answer", "off": False})
            assert "the supply is off" not in bench.text
            assert "OFF NOT CONFIRMED, do it by hand" in bench.text
            await bench.tell(*feeding(), {**ended, "why": "the pedal", "off": True})
            assert "the supply is off" in bench.text

    run(test)


def test_a_service_that_went_while_a_rail_was_fed_is_said_until_it_is_back() -> None:
    """Any key is off, says the screen while a rail is fed: so a key is what a person presses first when it is gone."""

    async def test() -> None:
        async with screen(service=Refusing(Unreachable("the service of this bench does not answer"))) as bench:
            await bench.tell(*feeding())
            bench.app._gone("the service has ended")
            await bench.tell()
            bench.app._now = lambda: 10.0  # the moment is over in which keys do nothing
            await bench.press("space")
            await bench.until(lambda: "× the service of this bench does not answer" in bench.text)
            assert "while a rail was fed: look at the supply, switch it off by hand" in " ".join(bench.text.split())
            await bench.tell(state("+3V3", []))
            assert "while a rail was fed" not in bench.text

    run(test)
