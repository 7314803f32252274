"""Pictures of the screen for the documents: `python -m meterlink.screen.pictures docs/screen` writes SVG and text.

The moments are of the demo's world; the same messages always give the same text, and a test says when it is stale.
"""

from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec

from meterlink.bench import sheet as sheets
from meterlink.bench.verdict import band_for
from meterlink.demo.world import JOB, MARKS, RAIL, SHEET
from meterlink.screen.app import BenchScreen

Message = dict[str, Any]
SMALL, LARGE = (80, 24), (120, 40)


class Still:
    """A service that tells these messages, then nothing more until `end()`; it takes every request."""

    def __init__(self, *messages: Message) -> None:
        self.messages = messages
        self.asked: list[tuple[str, Message]] = []
        self._ending = threading.Event()

    def watch(self) -> Iterator[Message]:
        yield from self.messages
        self.ended()

    def call(self, do: str, **fields: Any) -> Message:
        if do != "status":
            self.asked.append((do, fields))
        return {"ok": True, "text": [], "records": []}

    def ended(self) -> None:
        """Wait until `end()`."""
        self._ending.wait()

    def end(self) -> None:
        """Let the watch end."""
        self._ending.set()


def state(point: str | None, keeps: list[Message], **more: Any) -> Message:
    """The bench of the demo at one point of its sheet, as the service's snapshot tells it."""
    sheet = sheets.load(SHEET)
    names = [p.name for p in sheet.points]
    at = sheet.find(point) if point else None
    band = band_for(at, None) if at else None
    verdicts = {k["point"]: k["verdict"] for k in keeps if k["point"] in names}
    context = {"job": JOB, "board": "GC-04", "point": point, "stage": "before", "powered": False}
    return {
        "event": "state",
        "bench": "demo bench",
        "context": context,
        "points": names,
        "place": names.index(at.name) + 1 if at else None,
        "point": msgspec.to_builtins(at) if at else None,
        "pending": [n for n in names if n not in verdicts],
        "left_out": [],
        "verdicts": verdicts,
        "sheet_counts": {"left out": 0},
        "undo": "+5V 435.8 mV",
        "band": msgspec.to_builtins(band) if band else None,
        "confirm": None,
        "keeps": keeps,
        "board_state": "on the bench",
        "jobs": {JOB: [{"board": m, "state": "on the bench" if m == "GC-04" else "received"} for m in MARKS]},
        "mismatch": None,
        "instruments": [
            {"instrument": n, "state": "open", "why": None, "bad": 0, "losses": 0, "rate_hz": r, "likely": None}
            for n, r in (("handheld", 4.1), ("supply", 3.9))
        ],
        "failing": None,
        "supplies": {
            "supply/1": {"voltage": 0.0, "current": 0.0, "set voltage": 1.0, "set current": 1.5, "flags": ["off"]}
        },
        "injecting": False,
        "alarm": None,
        "meant": "handheld",
        "operator": "Mira",
        "inputs": {"pedal": {"state": "open", "why": None}},
        "sound": None,
        **more,
    }


def kept(seq: int, point: str, value: float | None, unit: str, verdict: str | None) -> Message:
    """A keep as the snapshot tells it."""
    shown = "over" if value is None else "ok"
    return {"seq": seq, "point": point, "value": value, "unit": unit, "state": shown, "verdict": verdict} | {
        "stage": "before"
    }


def reading(function: str, value: float | None, unit: str, display: str, progress: float, **more: Any) -> Message:
    """A reading as the service tells it."""
    return {
        "event": "reading",
        "instrument": "handheld",
        "meant": "handheld",
        "function": function,
        "coupling": None,
        "value": value,
        "unit": unit,
        "state": "over" if value is None else "ok",
        "flags": ["auto"],
        "display": display,
        "channel": None,
        "progress": progress,
        "contact": progress > 0,
        **more,
    }


def feeding() -> Iterator[Message]:
    """A rail that is fed until its short clears."""
    yield {"event": "record", "record": {"kind": "supply", "event": "on"}}
    for i in range(30):
        amperes = round(1.428 - 0.004 * (i % 3), 3) if i < 22 else 0.004
        yield {
            "event": "injection",
            "state": "on",
            "instrument": "supply",
            "rail": RAIL,
            "volts": 1.0,
            "amperes": amperes,
            "watts": amperes,
            "ohms": 1.0 / amperes,
            "wires": 2,
            "mode": "cc" if i < 22 else "cv",
        }
    yield {"event": "effect", "sound": "short-cleared", "text": f"{RAIL}: the short has cleared, 0.004 A now"}


KEEPS = [
    kept(204, "+5V", 0.4358, "V", "ok"),
    kept(190, "VIN", 0.0027, "V", "short"),
    kept(171, "F1", None, "Ohm", "open"),
]
AT_3V3 = (state("+3V3", KEEPS), reading("resistance", 268.0, "Ohm", "268.0 Ohm", 0.6))
FULL = "no space is left on the disk; free some, it goes on by itself"
MOMENTS: dict[str, tuple[Message, ...]] = {
    "bench": (*AT_3V3, {"event": "effect", "sound": "ok", "text": "+5V ok"}),
    "confirm": (
        state("+3V3 on", KEEPS, confirm="power is on"),
        reading("resistance", None, "Ohm", "0L MOhm", 0.0),
        {"event": "effect", "sound": "confirm", "text": "before +3V3 on: confirm that power is on"},
    ),
    "passed": (
        state(
            "J2",
            [kept(233, "U8", 0.6179, "V", "ok"), *KEEPS],
            pending=["+3V3", "J2", "+3V3 on"],
            left_out=["U7"],
            undo="U8 617.9 mV",
            inputs={"pedal": {"state": "lost", "why": "its adapter was unplugged"}},
        ),
        reading("diode", 0.583, "V", "0.583 V", 1.0),
        {"event": "effect", "sound": "stepped", "text": "U7 left out"},
        {"event": "effect", "sound": "ok", "text": "U8 ok"},
    ),
    "no-board": (
        state(None, [], board_state=None, undo=None, pending=[]) | {"context": {"job": JOB, "board": None}},
        reading("diode", 0.5223, "V", "0.5223 V", 1.0),
        {"event": "effect", "sound": "no-board", "text": "nothing is kept: no board is on the bench"},
    ),
    "feeding": (state("C412", KEEPS), reading("voltage", 0.893, "V", "0.893 V", 1.0, coupling="dc"), *feeding()),
    "alarm": (
        state("+3V3", KEEPS, failing=FULL, mismatch="15 boards counted, 14 said"),
        *AT_3V3[1:],
        {"event": "effect", "sound": "alarm", "text": f"nothing is kept: {FULL}"},
    ),
}


async def picture(name: str, size: tuple[int, int], light: bool = False, keys: tuple[str, ...] = ()) -> tuple[str, str]:
    """One moment as (SVG, text)."""
    service = Still(*MOMENTS[name])
    app = BenchScreen(service, light=light, now=lambda: 0.0)
    async with app.run_test(size=size) as pilot:
        while app.view.told is None:
            await pilot.pause(0.01)
        await pilot.press(*keys)
        await pilot.pause(0.2)
        app.paint()
        await pilot.pause()
        svg = app.export_screenshot(title="meterlink screen")
        text = app_text(app)
        service.end()
    return svg, text


def app_text(app: BenchScreen) -> str:
    """What stands on the screen, as lines of text."""
    strips = app.screen._compositor.render_strips(app.size)
    return "\n".join(strip.text.rstrip() for strip in strips) + "\n"


SHEETS = (
    ("bench", "bench", SMALL, False, ()),
    ("bench-light", "bench", SMALL, True, ()),
    ("bench-large", "bench", LARGE, False, ()),
    ("confirm", "confirm", SMALL, False, ()),
    ("feeding", "feeding", SMALL, False, ()),
    ("alarm", "alarm", SMALL, False, ()),
    ("boards", "bench", SMALL, False, ("b",)),
    ("passed", "passed", SMALL, False, ()),
    ("passed-large", "passed", LARGE, False, ()),
    ("points", "passed", SMALL, False, ("p",)),
    ("no-board", "no-board", SMALL, False, ()),
    ("keys", "bench", SMALL, False, ("question_mark",)),
)


def main(folder: Path) -> None:
    """Write every picture."""
    folder.mkdir(parents=True, exist_ok=True)
    for file, moment, size, light, keys in SHEETS:
        svg, text = asyncio.run(picture(moment, size, light, keys))
        (folder / f"{file}.svg").write_text(svg, encoding="utf-8")
        (folder / f"{file}.txt").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
