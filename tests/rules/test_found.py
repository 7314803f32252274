"""What the state machine found, each by itself; bench.py says after each act what must be so."""

from __future__ import annotations

from tests.rules import model, world
from tests.rules.bench import Bench


def test_a_probe_that_stays_down_over_a_kill_is_kept_once(bench: Bench) -> None:
    """The bench has stepped on: the next point would be given the last one's value."""
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    assert [k.point for k in bench.state.here.keeps] == ["VIN"]  # type: ignore[union-attr]
    bench.rig.kill()
    bench.rig.start()
    bench.begun()
    bench.hold("red")
    assert [k.point for k in bench.state.here.keeps] == ["VIN"]  # type: ignore[union-attr]
    bench.lift("red")
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    assert [k.point for k in bench.state.here.keeps] == ["VIN", "+5V"]  # type: ignore[union-attr]


def test_a_tapped_probe_that_stays_down_while_its_meter_is_unplugged_is_kept_once(bench: Bench) -> None:
    bench.land("red", "diode", "0.500")
    bench.press("pedal", "keep")
    bench.unplug("red")
    bench.plug("red")
    bench.hold("red")
    assert [k.point for k in bench.state.here.keeps] == ["VIN"]  # type: ignore[union-attr]


def test_a_job_that_is_open_again_has_its_sheet_after_a_start(bench: Bench) -> None:
    """Only the sheets of open jobs were read at the start."""
    bench.ask("command", "job close", {}, lambda s: model.job_close(s, None))
    bench.rig.kill()
    bench.rig.start()
    bench.begun()
    bench.undo("key", None)
    assert bench.state.place == (world.JOBS[0], "GC-01")
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    assert bench.state.point == "+5V"
