"""The bench core as a pure machine: events in, records and effects out, and what it must never do."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink import records
from meterlink.bench import events as e
from meterlink.bench import sheet as sheets
from meterlink.bench.core import Bench
from meterlink.bench.ledger import STATES, Ledger
from meterlink.bench.verdict import band_for
from meterlink.errors import BadInput, MeterlinkError, Refused
from meterlink.reading import Reading
from meterlink.settle import Rules

SHEET = """
model = "IC-8 rev C"
[[point]]
name = "VIN"
function = "diode"
low = 0.42
high = 0.62
[[point]]
name = "U7"
function = "diode"
low = 0.50
high = 0.72
[[point]]
name = "+3V3 on"
function = "voltage"
coupling = "dc"
powered = true
low = 3.135
high = 3.465
"""


class World:
    """A bench with its journal as a list; what `handle` gives is on the disk at once, as in the loop."""

    def __init__(self, tmp_path: Path | None = None) -> None:
        self.bench = Bench(
            Ledger(),
            meters=("meter",),
            hands_free=("meter",),
            rules=Rules(),
            accuracy=lambda name, reading: None,
            bands=lambda model, point: band_for(point, None),
        )
        self.seq = 0
        self.t = 0.0
        self.log: list[tuple[int, Any]] = []
        self.sounds: list[str] = []
        if tmp_path is not None:
            path = tmp_path / "sheet.toml"
            path.write_text(SHEET)
            sheet = sheets.load(path)
            self.do(e.OpenJob(job="GC-2611", by="demo", sheet=sheet, sheet_name="sheet.toml", expected=14))
            self.do(e.TakeBoard("GC-01", "demo", "pedal", count_in=True))

    def do(self, event: e.Event) -> list[Any]:
        outcome = self.bench.handle(event, self.seq + 1)
        for record in outcome.records:
            self.seq += 1
            self.log.append((self.seq, record))
            self.bench.apply(self.seq, "2026-11-25T00:00:00.000000Z", record)
        self.sounds += [x.sound for x in outcome.effects]
        return list(outcome.records)

    def hear(self, value: str | None, function: str = "diode", n: int = 1, **more: Any) -> list[Any]:
        out = []
        for _ in range(n):
            self.t += 0.25
            unit = {"diode": "V", "voltage": "V", "resistance": "Ohm"}[function]
            reading = Reading(
                function=function,
                coupling="dc" if function == "voltage" else None,
                value=None if value is None else Decimal(value),
                unit=unit,
                resolution=Decimal("0.001"),
                state="over" if value is None else "ok",
                **more,
            )
            out += [r for r in self.do(e.Heard("meter", reading, self.t)) if not isinstance(r, records.Reading)]
        return out

    def touch(self, value: str, function: str = "diode") -> list[Any]:
        air = None if function != "voltage" else "0.001"
        return self.hear(air, function, 3) + self.hear(value, function, 6) + self.hear(air, function, 3)

    @property
    def kept(self) -> list[records.Kept]:
        return [r for _, r in self.log if isinstance(r, records.Kept)]

    def tap(self) -> list[Any]:
        return self.do(e.Press("keep", "pedal", self.t))


def test_hands_free_down_the_sheet(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.touch("0.523")
    world.touch("0.601")
    assert [(k.point, k.value, k.verdict, k.by) for k in world.kept] == [
        ("VIN", 0.523, "ok", "settled"),
        ("U7", 0.601, "ok", "settled"),
    ]
    assert world.bench.context.point == "+3V3 on"
    assert "confirm" in world.sounds  # the next point is powered: the bench asks first


def test_a_keep_names_readings_that_are_there_and_follow(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.touch("0.523")
    (kept,) = world.kept
    by_seq = dict(world.log)
    window = [by_seq[s] for s in range(kept.readings[0], kept.readings[1] + 1)]
    values = [r.value for r in window if isinstance(r, records.Reading)]
    assert len(values) == kept.n and set(values) == {0.523} and kept.spread == 0


def test_the_point_is_the_one_where_the_contact_began(tmp_path: Path) -> None:
    """The technician steps on by the pedal while the probe has landed and is not settled yet."""
    world = World(tmp_path)
    world.hear(None, n=3)
    world.hear("0.523", n=1)
    world.do(e.Press("next", "pedal", world.t))
    world.hear("0.523", n=5)
    assert [k.point for k in world.kept] == ["VIN"]
    assert world.bench.context.point == "U7"  # and the step that was made stands


def test_powered_points_ask_first_and_the_tap_confirms(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.touch("0.523")
    world.touch("0.601")
    world.touch("3.300", "voltage")
    assert len(world.kept) == 2 and world.sounds[-1] == "confirm"
    world.tap()
    assert world.bench.context.powered is True and len(world.kept) == 2
    world.touch("3.300", "voltage")
    assert world.kept[-1].point == "+3V3 on" and world.kept[-1].verdict == "ok"
    world.do(e.GoTo("VIN", "key"))
    world.touch("0.523")
    assert len(world.kept) == 3  # power is still said to be on
    world.tap()
    world.touch("0.523")
    assert len(world.kept) == 4


def test_going_to_a_powered_point_asks_too(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.do(e.GoTo("+3V3 on", "command"))
    assert world.sounds[-1] == "confirm"
    world.tap()
    world.do(e.GoTo("VIN", "command"))
    assert world.sounds[-1] == "confirm"


def test_another_function_keeps_nothing_and_says_so(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.touch("100.0", "resistance")
    assert world.kept == [] and "wrong-function" in world.sounds
    with pytest.raises(Refused):
        world.do(e.Press("keep", "command", world.t))
    world.tap()
    assert world.kept == []


def test_tap_keeps_an_overload_and_double_tap_takes_it_back(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.hear(None, n=2)
    world.tap()
    assert (world.kept[0].value, world.kept[0].state, world.kept[0].verdict) == (None, "over", "open")
    assert world.bench.context.point == "U7"
    void, context = world.do(e.Press("back", "pedal", world.t))
    assert context.with_ == world.seq - 1
    assert void.of == next(s for s, r in world.log if isinstance(r, records.Kept))
    assert context.point == "VIN" == world.bench.context.point
    with pytest.raises(Refused, match="no keep"):
        world.do(e.Press("back", "pedal", world.t))


def test_one_contact_is_kept_once_even_when_the_pedal_was_first(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.hear(None, n=3)
    world.hear("0.523", n=1)
    world.tap()
    world.hear("0.523", n=8)
    assert [k.by for k in world.kept] == ["pedal"]


def test_a_held_display_and_a_silent_meter_are_refused(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.hear("0.523", flags=("hold",), n=8)
    assert world.kept == []
    with pytest.raises(Refused, match="held"):
        world.tap()
    world.t += 10
    with pytest.raises(Refused, match="3 s"):
        world.tap()


def test_a_lost_meter_forgets_its_contact(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.hear(None, n=3)
    world.hear("0.523", n=2)
    world.do(e.Gone("meter"))
    with pytest.raises(Refused):
        world.tap()


def test_no_ohms_while_the_supply_is_on(tmp_path: Path) -> None:
    world = World(tmp_path)
    on = Reading(function="voltage", value=Decimal("1.0"), unit="V", channel="1", flags=("on", "cv"))
    world.do(e.Heard("supply", on, world.t))
    world.touch("0.523")
    assert world.kept == [] and "refused" in world.sounds
    off = msgspec.structs.replace(on, value=Decimal(0), flags=("off",))
    world.do(e.Heard("supply", off, world.t))
    world.touch("0.523")
    assert len(world.kept) == 1


def test_after_a_replacement_keeps_are_after(tmp_path: Path) -> None:
    world = World(tmp_path)
    world.touch("0.003")
    assert (world.kept[0].verdict, world.kept[0].stage) == ("short", "before")
    world.do(e.Find(what="replaced", by="demo", part="D3"))
    world.do(e.GoTo("VIN", "key"))
    world.touch("0.523")
    assert (world.kept[1].verdict, world.kept[1].stage) == ("ok", "after")
    world.do(e.TakeBoard("GC-02", "demo", "pedal", count_in=True))
    assert world.bench.context.stage == "before"
    world.do(e.TakeBoard("GC-01", "demo", "pedal", count_in=True))
    assert world.bench.context.stage == "after"
    assert world.bench.context.point == "U7"  # where it goes on


def test_a_sheet_point_that_is_not_there_is_named(tmp_path: Path) -> None:
    world = World(tmp_path)
    with pytest.raises(BadInput, match=r"'X9'.*VIN, U7"):
        world.do(e.GoTo("X9", "command"))


@pytest.mark.parametrize(
    ("event", "word"),
    [
        (e.OpenJob(job="GC-2611", by="x"), "open already"),
        (e.OpenJob(job="", by="x"), "1 to 80"),
        (e.OpenJob(job="a\nb", by="x"), "line break"),
        (e.TakeBoard("GC\u2028", "x", "key"), "line break"),
        (e.TakeBoard("x" * 81, "x", "key"), "1 to 80"),
        (e.TakeBoard("GC-01", "x", "key", "GC-9999"), "not open"),
        (e.SetState("broken", "x"), "no board state"),
        (e.SetState("declined", "x"), "needs a text"),
        (e.SetState("repaired", "x", "GC-77"), "no board GC-77"),
        (e.Find(what="eaten", by="x", part="C1"), "no finding"),
        (e.Find(what="found", by="x"), "needs a part"),
        (e.Withdraw(1, " ", "x"), "needs a reason"),
        (e.Withdraw(10**6, "slip", "x"), "no record 1000000"),
        (e.Withdraw(2, "slip", "x"), "record 2 cannot be withdrawn"),
        (e.ReceiveBoard("GC-01", "x"), "counted already"),
        (e.NoteJob(None, " ", "x"), "empty"),
    ],
)
def test_bad_input_is_one_line_and_records_nothing(tmp_path: Path, event: e.Event, word: str) -> None:
    world = World(tmp_path)
    before = world.seq
    with pytest.raises(MeterlinkError, match=word) as caught:
        world.do(event)
    assert "\n" not in str(caught.value) and world.seq == before


ACTIONS = st.one_of(
    st.sampled_from(["touch", "tap", "back", "next", "bad-touch"]),
    st.sampled_from(["GC-01", "GC-02", "GC-03"]).map(lambda b: ("take", b)),
    st.sampled_from(["VIN", "U7"]).map(lambda p: ("go", p)),
    st.sampled_from(STATES).map(lambda s: ("state", s)),
)


@settings(max_examples=60, deadline=None)
@given(actions=st.lists(ACTIONS, max_size=12))
def test_whatever_is_done_keeps_stand_where_they_were_measured(tmp_path_factory: Any, actions: list[Any]) -> None:
    """Each keep belongs to the job, board and point that were current at its contact or tap; seqs have no hole; the
    ledger is the fold of the records alone."""
    world = World(tmp_path_factory.mktemp("bench"))
    wanted: list[tuple[str | None, str | None]] = []
    for action in actions:
        now = world.bench.context
        before = len(world.kept)
        try:
            if action == "touch":
                world.touch("0.550")
            elif action == "bad-touch":
                world.touch("100.0", "resistance")
            elif action in ("tap", "back", "next"):
                world.hear(None, n=1)
                world.do(e.Press({"tap": "keep"}.get(action, action), "pedal", world.t))
            elif action[0] == "take":
                world.do(e.TakeBoard(action[1], "demo", "pedal", count_in=True))
            elif action[0] == "go":
                world.do(e.GoTo(action[1], "key"))
            else:
                world.do(e.SetState(action[1], "demo", text="why"))
        except MeterlinkError:
            pass
        wanted += [(now.board, now.point)] * (len(world.kept) - before)
    assert [(k.board, k.point) for k in world.kept] == wanted
    assert [s for s, _ in world.log] == list(range(1, world.seq + 1))
    again = Ledger()
    for seq, record in world.log:
        again.apply(seq, "2026-11-25T00:00:00.000000Z", record)
    assert again.context == world.bench.context
    assert {j: again.tally(j) for j in again.jobs} == {j: world.bench.ledger.tally(j) for j in world.bench.ledger.jobs}
