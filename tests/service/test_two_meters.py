"""Rule 7 with two meters on their ports: what is shown large is what a tap keeps, and only the meter that is meant
says that its dial is wrong."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from meterlink import registry
from meterlink.demo.technician import Ear
from meterlink.errors import Refused
from meterlink.folders import bench_folder
from meterlink.virtual.handheld import Handheld
from meterlink.virtual.terminal import VirtualTerminal
from tests.docs.test_bench import lift
from tests.service.conftest import CONFIG, Running, until

SHEET = 'model = "m"\n[[point]]\nname = "VIN"\nfunction = "diode"\nlow = 0.4\nhigh = 0.6\n' + (
    '[[point]]\nname = "U7"\nfunction = "diode"\nlow = 0.4\nhigh = 0.6\n'
)
CLIPPED = '[instruments.clipped]\ndriver = "fs9721"\nport = "{port}"\n'


class Two(Running):
    """A bench with a meter in the hand and one that lies clipped on."""

    clipped: Handheld

    def meant(self) -> Any:
        return self.call("status")["meant"]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Two]:
    root = tmp_path / "bench"
    root.mkdir()
    folders, spec = bench_folder(root), registry.find("fs9721")
    held, clipped = (Handheld(spec, random.Random(n), 50.0) for n in (7, 8))
    config = CONFIG.format(port=root / "handheld") + CLIPPED.format(port=root / "clipped")
    folders.config.write_text(config, encoding="utf-8")
    (root / "s.toml").write_text(SHEET, encoding="utf-8")
    with (
        VirtualTerminal(root / "handheld", stream=held.frame, rate_hz=50.0) as terminal,
        VirtualTerminal(root / "clipped", stream=clipped.frame, rate_hz=50.0),
    ):
        two = Two(folders, held, terminal)
        two.clipped = clipped
        held.dial("diode")
        try:
            two.start()
            until(lambda: all(i["frames"] for i in two.call("status")["instruments"]), what="both meters")
            yield two
        finally:
            two.kill()


def test_the_meter_on_the_points_function_is_meant_and_the_other_says_nothing(bench: Two) -> None:
    bench.clipped.dial("voltage")
    bench.call("job open", job="GC-1", sheet=str(bench.folders.root / "s.toml"))
    bench.call("board take", board="GC-01", count_in=True)
    ear = Ear(bench.folders.socket)
    bench.clipped.touch(3.3)  # in contact all the time, on another function than the point's
    ear.wait(lambda m: m.get("instrument") == "clipped" and m["contact"], 0, what="the clip to be seen")
    until(lambda: bench.meant() == "handheld", what="the held meter to be meant")
    bench.handheld.touch(0.5)
    kept = ear.wait(lambda m: m["event"] == "record" and m["record"]["kind"] == "kept", 0, what="the touch")
    assert (kept["record"]["instrument"], kept["record"]["point"]) == ("handheld", "VIN")
    lift(bench, ear)
    kept = bench.call("keep", source="pedal")["records"][0]  # the overload of an open point
    assert (kept["instrument"], kept["state"], kept["point"]) == ("handheld", "over", "U7")
    assert not [m for m in ear._messages if m.get("sound") in ("wrong-function", "moved")]


def test_a_meter_that_is_kept_by_the_pedal_alone_is_kept_by_the_pedal(bench: Two) -> None:
    assert bench.stop() == 0
    text = bench.folders.config.read_text(encoding="utf-8")
    # the last table is the clipped one's
    bench.folders.config.write_text(text + "hands_free = false\n", encoding="utf-8")
    bench.start()
    until(lambda: all(i["frames"] for i in bench.call("status")["instruments"]), what="both meters")
    bench.call("job open", job="GC-1")
    bench.call("board take", board="GC-01", count_in=True)
    ear = Ear(bench.folders.socket)
    bench.clipped.dial("diode")
    bench.clipped.touch(0.5)
    until(lambda: bench.meant() == "clipped", what="it to be meant")
    for _ in range(10):  # twice what the other meter would need
        ear.wait(lambda m: m.get("instrument") == "clipped" and m["contact"], ear.heard, what="its readings")
    assert not [m for m in ear._messages if m.get("instrument") == "clipped" and m["progress"] is not None]
    assert not [m for m in ear._messages if m["event"] == "record" and m["record"]["kind"] == "kept"]
    assert bench.call("keep", source="pedal")["records"][0]["instrument"] == "clipped"


def test_without_a_point_a_tap_keeps_no_clipped_meters_air(bench: Two) -> None:
    bench.call("job open", job="GC-1")
    bench.call("board take", board="GC-01", count_in=True)
    bench.clipped.dial("diode")
    ear = Ear(bench.folders.socket)
    ear.wait(lambda m: m.get("instrument") == "clipped" and m["function"] == "diode", 0, what="the dial")
    assert bench.meant() is None
    with pytest.raises(Refused, match="neither has touched"):
        bench.call("keep")
    bench.handheld.touch(0.5)
    until(lambda: bench.meant() == "handheld", what="the one that touches")
    lift(bench, ear)
    kept = bench.call("keep")["records"][0]
    assert kept["instrument"] == "handheld", "the one that touched last, though both are in the air"
