"""What the state machine found, each by itself; bench.py says after each act what must be so."""

from __future__ import annotations

import pytest

from tests.rules import model, world
from tests.rules.bench import Bench

pytestmark = pytest.mark.long


def test_a_probe_that_stays_down_over_a_kill_is_kept_once(bench: Bench) -> None:
    """The bench has stepped on: the next point would be given the last one's value."""
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    assert [k.point for k in bench.state.here.keeps] == ["VIN"]  # type: ignore[union-attr]
    bench.kill()
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
    bench.kill()
    bench.undo("key", None)
    assert bench.state.place == (world.JOBS[0], "GC-01")
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    assert bench.state.point == "+5V"


def test_a_board_is_not_left_on_the_bench_by_taking_back_what_followed(bench: Bench) -> None:
    """Another person closed the job meanwhile: the board that was there before is back where it was, too."""
    bench.ask("key", "board take", {"board": "GC-02"}, lambda s: model.take(s, "GC-02"))
    bench.ask("command", "job close", {}, lambda s: model.job_close(s, None), by="ben")
    bench.undo("key", None)
    assert bench.state.place == (None, None)
    assert [b.state for b in bench.state.jobs[world.JOBS[0]].boards.values()] == ["received", "received"]


def test_a_board_is_not_put_on_the_bench_by_withdrawing_that_it_left(bench: Bench) -> None:
    """By its number, the record that says where the former board is: another board is on the bench."""
    bench.ask("key", "board take", {"board": "GC-02"}, lambda s: model.take(s, "GC-02"))
    (left,) = [seq for seq, x in bench.book.lines.items() if x.get("event") == "changed"]
    bench.void("command", left, None)
    assert bench.state.place == (world.JOBS[0], "GC-02")
    assert bench.state.jobs[world.JOBS[0]].boards["GC-01"].state == "received"


def test_a_job_whose_opening_is_restored_is_as_closed_as_before(bench: Bench) -> None:
    opened = bench.done[0].lead
    bench.ask("key", "job close", {}, lambda s: model.job_close(s, None))
    bench.void("command", opened, None)
    bench.undo("command", None)
    assert not bench.state.jobs[world.JOBS[0]].open


def test_a_restored_state_is_where_the_board_goes_back_to(bench: Bench) -> None:
    """It waited for a part before it was on the bench; that was withdrawn, and the withdrawal taken back."""
    state, mark = "waiting for a part", "GC-02"
    fields = {"state": state, "board": mark, "text": "U7"}
    bench.ask("key", "board state", fields, lambda s: model.set_state(s, state, mark, None, "U7"))
    waits = bench.done[-1].lead
    bench.ask("key", "board take", {"board": mark}, lambda s: model.take(s, mark))
    bench.void("command", waits, None)
    bench.undo("command", None)
    bench.ask("key", "board take", {"board": "GC-01"}, lambda s: model.take(s, "GC-01"))
    assert bench.state.jobs[world.JOBS[0]].boards[mark].state == state


def test_a_state_that_was_withdrawn_does_not_come_back_over_a_newer_one(bench: Bench) -> None:
    """Taking a withdrawal back writes the record once more; what somebody else recorded meanwhile stays."""
    (taken,) = [seq for seq, x in bench.book.lines.items() if x.get("event") == "taken"]
    bench.void("command", taken, None)
    fields = {"state": "handed on", "board": "GC-01"}
    bench.ask("key", "board state", fields, lambda s: model.set_state(s, "handed on", "GC-01", None, None), by="ben")
    bench.undo("key", None)
    assert bench.state.jobs[world.JOBS[0]].boards["GC-01"].state == "handed on"


def test_a_keep_that_is_restored_does_not_stand_before_a_newer_one(bench: Bench) -> None:
    """A withdrawal taken back: the point's value is the one that was measured last, as it was before."""
    for value in ("1.200", "0.500"):
        bench.ask("key", "point", {"point": "VIN"}, lambda s: model.go(s, "VIN"))
        bench.land("red", "diode", value)
        bench.hold("red")
        bench.lift("red")
    bench.void("key", bench.state.here.keeps[0].seq, None)  # type: ignore[union-attr]
    bench.undo("key", None)
    assert [k.value for k in bench.state.here.keeps] == [1.2, 0.5]  # type: ignore[union-attr]
    assert bench.rig.state()["verdicts"] == {"VIN": "ok"}


def test_a_repair_taken_back_takes_back_the_stage_that_it_set(bench: Bench) -> None:
    """The stage had been set to before again by hand, with an earlier repair on the board."""
    repair = {"what": "replaced", "part": "U7"}
    bench.ask("key", "find", repair, lambda s: model.find(s, "replaced", "U7", None, None))
    bench.ask("key", "stage", {"stage": "before"}, lambda s: model.stage(s, "before"))
    bench.ask("key", "find", repair, lambda s: model.find(s, "replaced", "U7", None, None))
    bench.undo("key", None)
    assert bench.state.stage == "before"


def test_a_withdrawal_taken_back_gives_back_the_state_that_it_withdrew(bench: Bench) -> None:
    """Handed on, withdrawn: the board goes back to where it was. That taken back: it is handed on again."""
    fields = {"state": "handed on"}
    bench.ask("key", "board state", fields, lambda s: model.set_state(s, "handed on", None, None, None))
    bench.void("command", bench.done[-1].lead, None)
    bench.undo("command", None)
    assert bench.state.jobs[world.JOBS[0]].boards["GC-01"].state == "handed on"


def test_a_keep_of_a_closed_job_is_judged_by_its_sheet_after_a_start(bench: Bench) -> None:
    """Moved to a point that is measured in another function: refused, whether the job is open or not."""
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    (keep,) = bench.state.here.keeps  # type: ignore[union-attr]
    bench.ask("command", "job close", {}, lambda s: model.job_close(s, None))
    bench.kill()
    fields = {"of": keep.seq, "point": "OUT"}
    bench.ask("command", "move", fields, lambda s: model.move(s, keep.seq, "OUT", None))


@pytest.mark.parametrize("what", ["keep", "find", "leave out", "job close"])
def test_what_was_withdrawn_and_restored_can_still_be_taken_back(bench: Bench, what: str) -> None:
    """An act, its withdrawal by number, that taken back, and then the act itself."""
    before = bench.state.shown()
    match what:
        case "keep":
            bench.land("red", "diode", "0.500")
            bench.hold("red")
        case "find":
            fields = {"what": "replaced", "part": "U7"}
            bench.ask("key", "find", fields, lambda s: model.find(s, "replaced", "U7", None, None))
        case "leave out":
            bench.ask("key", "leave out", {"points": ["U8"]}, lambda s: model.leave(s, ["U8"]))
        case _:
            bench.ask("key", "job close", {}, lambda s: model.job_close(s, None))
    done = bench.state.shown()
    bench.void("key", bench.done[-1].lead + (what == "job close"), None)
    bench.undo("key", None)
    assert bench.state.shown() == done
    bench.undo("key", None)
    assert bench.state.shown() == before


def test_a_probe_that_was_down_at_the_start_and_is_tapped_is_refused_no_more(bench: Bench) -> None:
    """The foot has kept this contact: that nobody saw it land is no matter then."""
    bench.land("red", "diode", "0.500")
    bench.kill()
    bench.press("pedal", "keep")
    bench.hold("red")
    assert [k.point for k in bench.state.here.keeps] == ["VIN"]  # type: ignore[union-attr]


def test_a_step_from_a_point_that_is_kept_says_where_it_leads(bench: Bench) -> None:
    bench.land("red", "diode", "0.500")
    bench.hold("red")
    bench.lift("red")
    bench.ask("key", "point", {"point": "VIN"}, lambda s: model.go(s, "VIN"))
    bench.press("key", "next")
    assert bench.state.point == "+5V"


def test_a_touch_that_landed_before_the_repair_is_no_value_of_after_it(bench: Bench) -> None:
    """It was taken for the last point of after: the sheet was said to be done, and the point was still due."""
    bench.land("red", "diode", "1.200")
    bench.hold("red")
    bench.lift("red")
    bench.ask("key", "point", {"point": "VIN"}, lambda s: model.go(s, "VIN"))
    bench.land("red", "diode", "0.500")
    fields = {"what": "replaced", "part": "U7"}
    bench.ask("command", "find", fields, lambda s: model.find(s, "replaced", "U7", None, None))
    bench.hold("red")
    assert bench.state.point == "VIN", "what was kept is of before: the point of after is as it was"
