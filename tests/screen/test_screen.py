"""The screen driven headless over a service that tells what we want, and once over a real one."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from textual.color import Color

from meterlink.errors import Refused, Unreachable
from meterlink.screen.app import DARK, LIGHT, BenchScreen
from meterlink.screen.feed import Socket
from meterlink.screen.pictures import (
    AT_3V3,
    FULL,
    KEEPS,
    LARGE,
    MOMENTS,
    SHEETS,
    SMALL,
    Still,
    kept,
    picture,
    reading,
    state,
)
from tests.screen.told import Bench, Refusing, run, screen, stroke
from tests.service.conftest import bench_at, until

DOCS = Path(__file__).parents[2] / "docs" / "screen"


@pytest.mark.parametrize(("file", "moment", "size", "light", "keys"), SHEETS, ids=[s[0] for s in SHEETS])
def test_pictures_are_up_to_date(
    file: str, moment: str, size: tuple[int, int], light: bool, keys: tuple[str, ...]
) -> None:
    """If this fails: python -m meterlink.screen.pictures docs/screen, and look at what changed."""
    svg, text = asyncio.run(picture(moment, size, light, keys))
    assert text == (DOCS / f"{file}.txt").read_text(encoding="utf-8")
    assert svg.startswith("<svg") and (DOCS / f"{file}.svg").exists()
    assert all(len(line) <= size[0] for line in text.split("\n")) and text.count("\n") == size[1]
    assert "…" not in text, "something was cut"


def test_a_caution_is_whole_at_80_by_24() -> None:
    """It comes before what may be left out, and the point's name gives way to it."""
    text = (DOCS / "confirm.txt").read_text(encoding="utf-8")
    assert "One hand away" in text and "from the board." in text


@pytest.mark.parametrize(("moment", "size"), [("alarm", (100, 30)), ("confirm", LARGE), ("feeding", (200, 60))])
def test_what_matters_is_there_in_every_size(moment: str, size: tuple[int, int]) -> None:
    async def test() -> None:
        async with screen(*MOMENTS[moment], size=size) as bench:
            await bench.until(lambda: bench.app.view.told, "the effect")
            await bench.tell()
            assert "GC-2611" in bench.text and "board GC-04" in bench.text and "█" in bench.text
            assert {
                "bench": "4/8",
                "confirm": "CONFIRM (o): power is on",
                "feeding": "ANY KEY",
                "alarm": "NOTHING IS KEPT",
            }[moment] in bench.text
            for word in (
                ()
                if moment == "feeding"
                else ("SHORT      2.7 mV  VIN", "OPEN           0L  F1", "ok       435.8 mV  +5V")
            ):
                assert word in bench.text

    run(test)


def test_a_refusal_is_one_line_until_something_happens() -> None:
    async def test() -> None:
        async with screen(service=Refusing(Refused("no meter has shown\nanything for 3 s"))) as bench:
            await bench.press("space")
            await bench.until(lambda: "× no meter has shown anything for 3 s" in bench.text)
            await bench.tell({"event": "effect", "sound": "ok", "text": "+3V3 ok"})
            assert "× no meter" not in bench.text and "√ OK  +3V3 ok" in bench.text

    run(test)


class Coming(Still):
    """A service that is not there, then is, then ends, and is there again."""

    def __init__(self) -> None:
        super().__init__(*AT_3V3)
        self.tries = 0

    def watch(self) -> Iterator[dict[str, Any]]:
        self.tries += 1
        if self.tries == 1:
            raise Unreachable("the service of this bench does not answer: start it (meterlink run)")
        if self.tries == 2:
            yield from self.messages
            return
        yield from super().watch()


def test_it_attaches_again_by_itself_and_says_when_it_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meterlink.screen.feed.AGAIN_S", 0.05)

    async def test() -> None:
        service, whys = Coming(), []
        app = BenchScreen(service, now=lambda: 0.0)
        gone = app._feed._gone
        app._feed._gone = lambda why: (whys.append(why), gone(why))[1]
        async with app.run_test(size=SMALL) as pilot:
            bench = Bench(app, service, pilot)
            await bench.until(lambda: whys, "no service")
            await bench.until(lambda: service.tries == 3 and app.view.attached, "the second attaching")
            assert whys == [
                "the service of this bench does not answer: start it (meterlink run)",
                "the service has ended",
            ]
            app._gone(whys[0])
            await bench.tell()
            assert "NOT ATTACHED" in bench.text and "nothing kept" not in bench.text
            assert whys[0] in " ".join(bench.text.replace("│", " ").split())
        service.end()

    run(test)


def test_light_and_dark_are_readable() -> None:
    """Contrast of at least 4.5 to 1 for every colour of text: WCAG 2.2, criterion 1.4.3 (level AA)."""
    for theme in (DARK, LIGHT):
        ground = Color.parse(theme.background or "")
        texts = (theme.foreground, theme.success, theme.warning, theme.error, theme.variables["quiet"])
        for text in texts:
            a, b = sorted((luminance(Color.parse(text or "")), luminance(ground)))
            assert (b + 0.05) / (a + 0.05) >= 4.5, (theme.name, text)


def luminance(color: Color) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in color.normalized]
    return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]


def test_the_light_key_changes_the_theme() -> None:
    async def test() -> None:
        async with screen() as bench:
            await bench.press("l")
            assert bench.app.theme == LIGHT.name
            await bench.press("l")
            assert bench.app.theme == DARK.name

    run(test)


def test_without_colour_every_state_is_still_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")

    async def test() -> None:
        async with screen(state("+3V3", KEEPS, failing=FULL)) as bench:
            assert bench.app.no_color
            words = ("√  ok", "!! SHORT", "○  OPEN", "!! NOTHING IS KEPT")
            await bench.until(lambda: all(word in bench.text for word in words), "every word")
            strips = bench.app.screen._compositor.render_strips(bench.app.size)
            for strip in strips:
                for segment in strip.apply_filter(bench.app._filters[-1], Color.parse("black")):
                    for color in (segment.style.color, segment.style.bgcolor) if segment.style else ():
                        r, g, b = color.get_truecolor() if color else (0, 0, 0)
                        assert r == g == b

    run(test)


def test_names_from_outside_are_never_markup() -> None:
    evil = "[red]x[/] [@click=app.quit]"

    async def test() -> None:
        told = state("+3V3", [{**KEEPS[0], "point": "[b]"}], mismatch=evil, failing=evil, bench="[/nope]")
        told["context"] = {**told["context"], "job": evil, "point": evil}
        told["jobs"] = {evil: [{"board": evil, "state": "received"}]}
        async with screen(told, {"event": "effect", "sound": "ok", "text": evil}, size=LARGE) as bench:
            assert bench.text.count(evil) >= 4
            await bench.press("b")
            assert evil in bench.text and bench.dialog

    run(test)


def test_trouble_is_told_in_full_and_a_second_meter_is_shown_small() -> None:
    likely = "no bytes come: is the meter's sending switched on, the cable seated and powered?"
    told = state("VIN", [])
    told["instruments"] = [
        {**told["instruments"][0], "instrument": "bench-meter"},
        {**told["instruments"][0], "instrument": "clamp", "likely": likely},
        told["instruments"][0],
    ]
    other = {**reading("voltage", 3.302, "V", "3.302 V", 0.0), "instrument": "bench-meter"}

    async def test() -> None:
        async with screen(state("VIN", [], instruments=[], supplies={})) as bench:  # they come one after another
            await bench.tell(told, reading("diode", 0.5, "V", "0.500 V", 0.4), other)
            await bench.until(lambda: "bench-meter 4.1/s, 0 bad  3.302 V" in bench.text)
            assert f"× clamp SILENT: {likely}" in " ".join(bench.text.split())
            assert "settling 40 %" in bench.text

    run(test)


@pytest.mark.parametrize("size", [(60, 18), (40, 12)])
def test_a_terminal_that_is_too_small_still_shows_the_reading(size: tuple[int, int]) -> None:
    async def test() -> None:
        async with screen(size=size) as bench:
            await bench.until(lambda: "settling" in bench.text)
            assert "█" in bench.text and "GC-2611" in bench.text

    run(test)


def test_long_names_are_whole_at_80_by_24() -> None:
    point, board, job = "valve driver U7 output, pin 14", "SN-2024-000417-B", "growers' co-operative, autumn"
    told = state("+3V3", [kept(1, point, 0.6, "V", "ok"), kept(2, "J2", 0.5, "V", "unsure")])
    told["points"] = [*told["points"], point]
    told["context"] |= {"point": point, "board": board, "job": job}
    told["jobs"] = {job: [{"board": board, "state": "on the bench"}]}

    async def test() -> None:
        async with screen(told, *AT_3V3[1:]) as bench:
            words = " ".join(bench.text.replace("│", " ").split())
            assert "…" not in bench.text and bench.text.count(point) == 2
            assert job in bench.text and board in bench.text and "by Mira" in words and "ok 0.6 V" in words
            await bench.press("p", *"valve")
            assert point in bench.text and "…" not in bench.text

    run(test)


@pytest.mark.parametrize("size", [SMALL, LARGE])
def test_points_passed_over_and_what_is_lost_are_seen(size: tuple[int, int]) -> None:
    async def test() -> None:
        async with screen(*MOMENTS["passed"], size=size) as bench:
            await bench.tell({"event": "status", "sound": "no sound player is installed", "instruments": []})
            assert "1 PASSED OVER" in bench.text
            assert "× pedal lost: its adapter was unplugged" in bench.text
            assert "× no sound: no sound player is installed" in bench.text
            await bench.press("p")
            assert "passed over" in bench.text and "left out" in bench.text
            if size == LARGE:
                await bench.press("escape")
                assert all(f"{w} " in bench.text for w in ("passed over +3V3", "left out    U7", "next        J2"))

    run(test)


def test_with_all_done_the_sheet_says_what_it_came_to() -> None:
    told = state(None, KEEPS, pending=[], left_out=["U7"], sheet_counts={"ok": 6, "short": 1, "left out": 1})

    async def test() -> None:
        async with screen(told, *AT_3V3[1:]) as bench:
            assert "the sheet is done" in bench.text and "done: 6 ok, 1 short, 1 left out" in bench.text
            await bench.tell({**told, "pending": ["F1", "J2"]})
            assert "the sheet's end: 2 PASSED OVER" in bench.text and "sheet is done" not in bench.text

    run(test)


def test_an_old_reading_is_no_number() -> None:
    async def test() -> None:
        async with screen(state("VIN", []), reading("diode", 0.5, "V", "0.500 V", 1.0)) as bench:
            assert "settled" in bench.text
            bench.app._now = lambda: 7.0
            await bench.tell()
            assert "no reading for 7 s" in bench.text and "settled" not in bench.text

    run(test)


def test_on_a_real_bench_a_board_is_probed_and_kept_and_the_service_goes_on(tmp_path: Path) -> None:
    sheet = tmp_path / "s.toml"
    sheet.write_text(
        'model = "IC-8 rev C"\n[[point]]\nname = "VIN"\nfunction = "diode"\nlow = 0.4\nhigh = 0.6\n'
        '[[point]]\nname = "U7"\nfunction = "diode"\nlow = 0.4\nhigh = 0.7\n'
    )
    with bench_at(tmp_path / "b", rate_hz=25.0) as service:
        service.start()
        service.call("job open", job="GC-2611", sheet=str(sheet))

        async def test() -> None:
            app = BenchScreen(Socket(service.folders.socket))
            async with app.run_test(size=SMALL) as pilot:
                bench = Bench(app, Still(), pilot)
                await bench.until(lambda: app.view.meter(app._now()), "readings")
                await bench.press("b", *"GC-01", "enter")
                await bench.until(lambda: "is not a board of GC-2611" in bench.text)
                await bench.press("y")
                await bench.until(lambda: app.view.context["board"] == "GC-01", "the board")
                service.handheld.dial("diode")
                service.handheld.touch(0.523)
                await bench.until(lambda: app.view.state["keeps"], "the keep")
                service.handheld.lift()
                await bench.until(lambda: "VIN" in bench.text and app.view.context["point"] == "U7", "the step")
                await bench.press("backspace")
                await bench.until(lambda: not app.view.state["keeps"] and "BACK" in bench.text, "it taken back")
                await bench.press("p", *"U9", "enter")
                assert "nothing in the list fits 'U9'" in bench.text and bench.dialog
                await bench.press(*["backspace"] * 2, "2", "enter")
                await bench.until(lambda: app.view.context["point"] == "U7", "the second point")
                app.post_message(stroke("q"))

        run(test)
        until(lambda: service.call("status")["watchers"] in (0, 1))
        assert service.stop() == 0


def test_with_all_of_it_lost_each_is_named_and_nothing_runs_out_of_80_by_24() -> None:
    gone = (
        "cannot be reached: is it on and in this network, does it speak RFC 2217, and does it serve no one else? ("
        + ("Could not open port rfc2217://192.0.2.7:4001: [Errno 111] Connection refused)")
    )
    lost = [
        {"instrument": name, "state": "lost", "bad": 0, "losses": 1, "rate_hz": 0.0, "why": f"/dev/{name} {gone}"}
        for name in ("meter", "supply")
    ]
    shown = {"supply/1": {"voltage": 0.8, "current": 2.0, "set voltage": 0.8, "set current": 2.0, "flags": ["on"]}}
    inputs = {name: {"state": "lost", "why": f"rfc2217://192.0.2.7:4001 {gone}"} for name in ("pedal", "scanner")}
    told = state("+3V3", KEEPS) | {"inputs": inputs, "instruments": lost, "supplies": shown}
    refused = {"event": "effect", "sound": "refused", "text": f"the scanner is lost: /dev/scanner {gone}"}
    alarm = {"alarm": "supply: OFF COULD NOT BE CONFIRMED (the supply does not answer): switch it off by hand"}

    async def test() -> None:
        for one in (told, told | alarm):
            async with screen(one, refused, size=SMALL) as bench:
                for name in ("meter", "supply", "pedal", "scanner"):
                    assert f"× {name} lost:" in bench.text, bench.text
                assert "f finding" in bench.text and "space keep" in bench.text, bench.text
                assert "▇" not in bench.text and bench.app.screen.max_scroll_y == 0, bench.text
                assert "0.800 V" not in bench.text and "supply  not heard" in bench.text, "an old number is none"

    run(test)
