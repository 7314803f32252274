"""People at the bench as a state machine: each rule is an act, and bench.py says what must be so after it."""

from __future__ import annotations

import functools
import shutil
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule

from tests.rules import model, world
from tests.rules.bench import GESTURES, Bench
from tests.rules.fold import ON, WORKED

WAYS = st.sampled_from(["key", "command"])
BY = st.sampled_from([None, None, None, "ben"])  # a second person
MARKS = st.sampled_from([m for b in world.BOARDS for m in world.SPELLED[b]])
JOBS = st.sampled_from([None, None, None, *world.JOBS])
NAMED = st.sampled_from([None, None, None, *world.BOARDS, world.NOBODY])
STATES = st.sampled_from(
    ["received", ON, "waiting for a part", "declined", "repaired", "repaired", "handed on", "tested good", "returned"]
)
WHATS = st.sampled_from(["found", "removed", "replaced", "reflowed", "ordered", "note"])
PARTS = st.sampled_from(["C412", "U7"])
TEXTS = st.sampled_from([None, "U7"])
POINTS = st.sampled_from([*world.NAMES, "vin", "+5v", *world.FREE])
SCANS = st.sampled_from(
    [m for b in world.BOARDS for m in world.SPELLED[b]] * 2 + [*world.SLIPS, "b", "1", "undo", "r\tq", "2"]
)
METERS = st.sampled_from(["red", "red", "red", "blue"])
PICK = st.integers(0, 3)
steps = 0  # acts done in this process, by all machines


def act(**given: st.SearchStrategy[Any]) -> Callable[[Callable[..., None]], Any]:
    """A rule: what people do, if anybody is there. What is given is drawn anew for each act."""

    def wrap(does: Callable[..., None]) -> Any:
        @functools.wraps(does)
        def inner(self: People, **drawn: Any) -> None:
            global steps
            if not self.idle:
                steps += 1
                self.bench.awake()
                does(self, **drawn)

        return rule(**given)(inner)

    return wrap


class People(RuleBasedStateMachine):
    """Everybody who acts at one bench."""

    least = True  # hypothesis begins with its least example, one act over and over: nobody comes to that bench

    def __init__(self) -> None:
        super().__init__()
        self.idle, type(self).least = type(self).least, False
        self._bench: Bench | None = None
        self._root = Path(tempfile.mkdtemp(prefix="meterlink-rules-"))

    @property
    def bench(self) -> Bench:
        """The bench, begun with the first act: with a job and a board of it on the bench."""
        if self._bench is None:
            self._bench = Bench(self._root)
            self._bench.open()
        return self._bench

    def teardown(self) -> None:
        try:
            if self._bench:
                self._bench.end()
        finally:
            shutil.rmtree(self._root, ignore_errors=True)

    # -- probes and feet

    def _wanted(self, b: Bench) -> str:
        point = world.find(b.state.point) if model.sheet_of(b.state) else None
        return point.function if point else "diode"

    @act(pick=PICK, name=METERS, lift=st.booleans())
    def touch(self, pick: int, name: str, lift: bool) -> None:
        """The point's own function; held until it has settled."""
        self._touch(pick, name, lift)

    def _touch(self, pick: int, name: str, lift: bool) -> None:
        b = self.bench
        if b.rig.there(name):
            function = self._wanted(b)
            values = world.VALUES[function]
            b.land(name, function, values[min(pick, len(values) - 1)])
            b.hold(name)
            if lift:
                b.lift(name)
            b.look()

    @act(pick=PICK, name=METERS)
    def touch_again(self, pick: int, name: str) -> None:
        self._touch(pick, name, True)

    @act(pick=PICK, name=METERS, function=st.sampled_from(list(world.VALUES)))
    def land(self, pick: int, name: str, function: str) -> None:
        """On whatever dial; not settled yet."""
        b = self.bench
        if b.rig.there(name):
            values = world.VALUES[function]
            b.land(name, function, values[min(pick, len(values) - 1)])
            b.look()

    @act(name=METERS)
    def hold(self, name: str) -> None:
        b = self.bench
        if b.rig.there(name):
            b.hold(name)
            b.look()

    @act(name=METERS)
    def lift(self, name: str) -> None:
        b = self.bench
        if b.rig.there(name):
            b.lift(name)
            b.look()

    @act(pick=PICK, name=METERS, way=st.sampled_from(["pedal", "key"]))
    def tap_and_stay(self, pick: int, name: str, way: str) -> None:
        """The foot is sooner than the reading settles; the probe stays down."""
        b = self.bench
        if b.rig.there(name) and b.rig.there("pedal"):
            function = self._wanted(b)
            b.land(name, function, world.VALUES[function][min(pick, len(world.VALUES[function]) - 1)])
            b.press(way, "keep")
            b.hold(name)

    @act(
        way=st.sampled_from(["pedal", "pedal", "key", "command"]),
        action=st.sampled_from(["keep", "keep", *GESTURES]),
        bounce=st.booleans(),
    )
    def press(self, way: str, action: str, bounce: bool) -> None:
        b = self.bench
        if way != "pedal" or b.rig.there("pedal"):
            b.press(way, action, bounce)

    @act(
        pick=PICK,
        what=st.sampled_from(["scan", "point", "repair", "state", "power", "next", "undo", "back"]),
        mark=MARKS,
        point=st.sampled_from(world.NAMES),
    )
    def interrupted(self, pick: int, what: str, mark: str, point: str) -> None:
        """A probe lands, and before its reading has settled something else is done."""
        b = self.bench
        if not b.rig.there("red"):
            return
        function = self._wanted(b)
        b.land("red", function, world.VALUES[function][min(pick, len(world.VALUES[function]) - 1)])
        match what:
            case "scan":
                b.ask("key", "board take", {"board": mark}, lambda s: model.take(s, mark))
            case "point" if b.state.board is not None:
                b.ask("key", "point", {"point": point}, lambda s: model.go(s, point))
            case "repair":
                fields = {"what": "replaced", "part": "U7"}
                b.ask("key", "find", fields, lambda s: model.find(s, "replaced", "U7", None, None))
            case "state":
                fields = {"state": "handed on"}
                b.ask("key", "board state", fields, lambda s: model.set_state(s, "handed on", None, None, None))
            case "power":
                b.ask("key", "power", {"on": None}, lambda s: model.power(s, None))
            case "undo":
                b.undo("key", None)
            case "next" | "back":
                b.press("key", what)
            case _:
                pass
        b.hold("red")
        b.look()

    # -- boards and jobs

    @act(text=SCANS, enter_before=st.booleans())
    def scan(self, text: str, enter_before: bool) -> None:
        """One scan, one act, whatever is in it; an Enter with nothing typed takes nothing (rule 6)."""
        b = self.bench
        if b.rig.there("scanner"):
            bad = not text.isprintable()

            def predict(s: model.State) -> model.State:
                if bad:
                    raise model.No("it is no text")
                return model.take(s, text)

            b.mute("board take", predict, lambda: b.rig.scan(("\r" if enter_before else "") + text))

    @act(way=WAYS, mark=MARKS, job=JOBS, count_in=st.booleans(), by=BY)
    def take(self, way: str, mark: str, job: str | None, count_in: bool, by: str | None) -> None:
        fields = {"board": mark, "job": job, "count_in": count_in}
        self._ask(way, "board take", fields, lambda s: model.take(s, mark, job, count_in), by)

    @act(way=WAYS, marks=st.permutations(world.BOARDS[:3]), state=STATES, by=BY)
    def exchange(self, way: str, marks: list[str], state: str, by: str | None) -> None:
        """A board from wherever it was onto the bench, and another in its place."""
        one, other = marks[:2]
        fields = {"state": state, "board": one, "text": "U7"}
        self._ask(way, "board state", fields, lambda s: model.set_state(s, state, one, None, "U7"), by)
        for mark in (one, other):
            self._ask(way, "board take", {"board": mark}, lambda s, m=mark: model.take(s, m), by)

    @act(way=WAYS, mark=st.sampled_from(world.SLIPS), by=BY)
    def slip(self, way: str, mark: str, by: str | None) -> None:
        self._ask(way, "board take", {"board": mark}, lambda s: model.take(s, mark), by)

    @act(way=WAYS, mark=MARKS, job=JOBS, by=BY)
    def receive(self, way: str, mark: str, job: str | None, by: str | None) -> None:
        self._ask(way, "board receive", {"board": mark, "job": job}, lambda s: model.receive(s, mark, job), by)

    @act(way=WAYS, state=STATES, mark=NAMED, job=JOBS, text=TEXTS, by=BY)
    def set_state(
        self, way: str, state: str, mark: str | None, job: str | None, text: str | None, by: str | None
    ) -> None:
        fields = {"state": state, "board": mark, "job": job, "text": text}
        self._ask(way, "board state", fields, lambda s: model.set_state(s, state, mark, job, text), by)

    @act(way=WAYS, what=WHATS, part=PARTS, mark=NAMED, job=JOBS, by=BY)
    def find(self, way: str, what: str, part: str, mark: str | None, job: str | None, by: str | None) -> None:
        fields = {"what": what, "part": part, "board": mark, "job": job}
        self._ask(way, "find", fields, lambda s: model.find(s, what, part, mark, job), by)

    @act(way=WAYS, what=st.sampled_from(WORKED))
    def repair(self, way: str, what: str) -> None:
        self._ask(way, "find", {"what": what, "part": "U7"}, lambda s: model.find(s, what, "U7", None, None))

    @act(way=WAYS, job=st.sampled_from(world.JOBS), expected=st.sampled_from([None, 2, 3, 4]), by=BY)
    def open_job(self, way: str, job: str, expected: int | None, by: str | None) -> None:
        sheet = job == world.JOBS[0]
        fields = {"job": job, "expected": expected, "sheet": str(self._root / "sheet.toml") if sheet else None}
        self._ask(way, "job open", fields, lambda s: model.job_open(s, job, expected, sheet), by)

    @act(way=WAYS, mark=st.sampled_from(world.BOARDS), on=st.integers(0, 1), by=BY)
    def two_jobs(self, way: str, mark: str, on: int, by: str | None) -> None:
        """Both are open, a board of one is on the bench, and the other is closed."""
        one, other = world.JOBS[on], world.JOBS[1 - on]
        for job in (one, other):
            if job not in self.bench.state.jobs or not self.bench.state.jobs[job].open:
                fields = {"job": job}
                self._ask(way, "job open", fields, lambda s, j=job: model.job_open(s, j, None, False), by)
        fields = {"board": mark, "job": one, "count_in": True}
        self._ask(way, "board take", fields, lambda s: model.take(s, mark, one, True))
        self._ask(way, "job close", {"job": other}, lambda s: model.job_close(s, other), by)

    @act(way=WAYS, job=JOBS, by=BY)
    def close_job(self, way: str, job: str | None, by: str | None) -> None:
        self._ask(way, "job close", {"job": job}, lambda s: model.job_close(s, job), by)

    @act(way=WAYS, job=JOBS, count=st.integers(1, 4), by=BY, off_by=st.integers(0, 1))
    def note(self, way: str, job: str | None, count: int, by: str | None, off_by: int) -> None:
        text = f"the crate holds {count}{off_by or ''}, customer told"
        self._ask(way, "job note", {"text": text, "job": job}, lambda s: model.note(s, job, text), by)

    @act(way=WAYS, by=BY)
    def recount(self, way: str, by: str | None) -> None:
        """The count of now is explained; then boards come that were in another crate."""
        s = self.bench.state
        text = f"the crate holds {len(s.jobs[s.job].boards) if s.job else 0}, customer told"
        self._ask(way, "job note", {"text": text}, lambda s: model.note(s, None, text), by)
        for mark in world.BOARDS[2:]:
            self._ask(way, "board receive", {"board": mark}, lambda s, m=mark: model.receive(s, m, None), by)

    # -- where the bench stands

    def _ask(self, way: str, do: str, fields: dict[str, object], predict: model.Act, by: str | None = None) -> None:
        self.bench.ask(way, do, fields, predict, by)

    @act(way=WAYS, name=POINTS)
    def go(self, way: str, name: str) -> None:
        if self.bench.state.board is not None:
            self.bench.ask(way, "point", {"point": name}, lambda s: model.go(s, name))

    @act(way=WAYS, to=st.sampled_from(["before", "after"]))
    def stage(self, way: str, to: str) -> None:
        if self.bench.state.board is not None:
            self.bench.ask(way, "stage", {"stage": to}, lambda s: model.stage(s, to))

    @act(way=WAYS, on=st.sampled_from([None, True, False, False]))
    def power(self, way: str, on: bool | None) -> None:
        self._ask(way, "power", {"on": on}, lambda s: model.power(s, on))

    @act(way=WAYS, name=st.sampled_from(["anna", "ben"]))
    def who(self, way: str, name: str) -> None:
        self._ask(way, "who", {"name": name}, lambda s: model.who(s, name))

    @act(way=WAYS, some=st.sampled_from([None, 1, 2]), by=BY)
    def leave_out(self, way: str, some: int | None, by: str | None) -> None:
        b = self.bench
        points = None if some is None else model.pending(b.state)[-some:] or ["VIN"]
        b.ask(way, "leave out", {"points": points}, lambda s: model.leave(s, points), by)

    @act(way=WAYS)
    def pass_over(self, way: str) -> None:
        """To the sheet's last point that is still to be measured, and on by foot: the others were passed over."""
        b = self.bench
        if b.state.board is not None and (due := model.pending(b.state)):
            last = max(due, key=world.NAMES.index)
            b.ask(way, "point", {"point": last}, lambda s: model.go(s, last))
            b.press(way, "next")

    # -- taking back, and what somebody believes

    @act(way=WAYS, by=BY)
    def undo(self, way: str, by: str | None) -> None:
        self.bench.undo(way, by)

    @act(way=WAYS)
    def undo_at_once(self, way: str) -> None:
        self.bench.undo(way, None)

    @act(way=WAYS, back=st.integers(0, 12), by=BY)
    def void(self, way: str, back: int, by: str | None) -> None:
        b = self.bench
        b.void(way, sorted(b.book.lines)[-min(back, len(b.book.lines)) :][0], by)

    @act(way=WAYS, point=st.sampled_from([None, *world.NAMES]), mark=NAMED, back=st.integers(0, 5), by=BY)
    def move(self, way: str, point: str | None, mark: str | None, back: int, by: str | None) -> None:
        b = self.bench
        seqs = [k.seq for j in b.state.jobs.values() for x in j.boards.values() for k in x.keeps]
        of = None if back == 0 or not seqs else sorted(seqs)[-min(back, len(seqs))]
        fields = {"of": of, "point": point, "board": mark}
        b.ask(way, "move", fields, lambda s: model.move(s, of, point, mark), by)

    @act(way=WAYS, do=st.sampled_from(["board state", "find", "undo", "board take", "keep"]), right=st.booleans())
    def believed(self, do: str, way: str, right: bool) -> None:
        """A view that was drawn a moment ago: it says which board it believes on the bench."""
        b = self.bench
        on = b.state.board
        if on is None or (right and do == "undo"):
            return
        fields: dict[str, object] = {
            "board state": {"state": "repaired"},
            "find": {"what": "found", "part": "U7"},
            "board take": {"board": "GC-02"},
        }.get(do, {})
        predict: Callable[[model.State], model.State] = {
            "board state": lambda s: model.set_state(s, "repaired", None, None, None),
            "find": lambda s: model.find(s, "found", "U7", None, None),
            "board take": lambda s: model.take(s, "GC-02"),
            "keep": b.tapped,
        }.get(do, lambda s: s)

        def held(s: model.State) -> model.State:
            if not right:
                raise model.No("another board is on the bench")
            return predict(s)

        b.ask("key", do, {**fields, "for_board": on if right else "LX-9"}, held)

    @act()
    def look_closer(self) -> None:
        self.bench.look_closer()

    # -- ends and losses

    @act()
    def restart(self) -> None:
        self.bench.restart()

    @act()
    def kill(self) -> None:
        self.bench.kill()

    @act(mark=st.sampled_from(world.BOARDS), do=st.sampled_from(["board take", "find"]))
    def kill_amid(self, mark: str, do: str) -> None:
        if do == "find":
            repair = {"what": "replaced", "part": "U7"}
            self.bench.kill_amid(do, repair, lambda s: model.find(s, "replaced", "U7", None, None))
        else:
            fields = {"board": mark, "count_in": True}
            self.bench.kill_amid(do, fields, lambda s: model.take(s, mark, None, True))

    @act(name=st.sampled_from(["pedal", "scanner", "red", "blue"]))
    def unplug(self, name: str) -> None:
        b = self.bench
        if b.rig.there(name):
            b.unplug(name)

    @act()
    def plug(self) -> None:
        b = self.bench
        for name in ("pedal", "scanner", "red", "blue"):
            if not b.rig.there(name):
                b.plug(name)
