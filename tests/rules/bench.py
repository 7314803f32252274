"""A person's act at the bench, and what must be so after it: every act is held against rules.md here.

`Bench.act` is the one way: it says beforehand what must come of it (model.py), lets it happen (rig.py), and looks at
what was heard, at what the journal says (fold.py) and at what the views say.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meterlink.errors import MeterlinkError
from meterlink.journal.reader import entries
from tests.rules import model, world
from tests.rules.commands import words
from tests.rules.fold import HERE, ON, WORKED, Book, Line, State
from tests.rules.model import OWNER, No
from tests.rules.rig import Message, Rig, is_heard

DONE = {"kept", "ok", "not-ok", "short", "stepped", "taken-back", "sheet-done", "passed-over", "confirm"}
REFUSED = {"refused", "no-board", "wrong-function", "confirm", "alarm"}
STEPS = {"keep", "next", "leave out"}  # acts that lead on to the next point


@dataclass
class Done:
    """An act that was recorded."""

    do: str
    by: str
    lead: int
    before: State
    after: State
    undone: bool = False
    undoes: int | None = None


@dataclass
class Hand:
    """A meter's probe. value: what it is on, None where that is open; `on`: it is on something that shows.

    began    the bench as it was when the probe landed
    frames   readings since then
    spent    this contact is kept by itself no more
    unseen   nobody saw this contact begin: the service, or the meter, came while the probe was down
    touched  when it landed or left last; None: not since the service began or the meter came
    """

    function: str = "diode"
    value: str | None = None
    on: bool = False
    began: State | None = None
    frames: int = 0
    spent: bool = False
    unseen: bool = False
    touched: float | None = None
    sent: float = 0.0


class Bench:
    """The bench, the model's view of it, and everybody who acts."""

    def __init__(self, root: Path) -> None:
        self.rig = Rig(root)
        (root / "sheet.toml").write_text(world.sheet_text(), encoding="utf-8")
        self.book = Book(self.rig.folders.journal)
        self.state = State()
        self.done: list[Done] = []
        self.hands = {"red": Hand(), "blue": Hand(function="voltage", value="0.000")}
        self.said: str | None = None  # the meter that is shown large, as the service said last
        try:
            self.rig.start()
            self.begun()
        except BaseException:
            self.rig.close()
            raise

    def open(self) -> None:
        """A job with its sheet, two of its boards counted in, the first on the bench."""
        fields = {"job": world.JOBS[0], "expected": 3, "sheet": str(self.rig.root / "sheet.toml")}
        self.ask("command", "job open", fields, lambda s: model.job_open(s, world.JOBS[0], 3, True))
        for mark in world.BOARDS[:2]:
            self.ask("command", "board receive", {"board": mark}, lambda s, m=mark: model.receive(s, m, None))
        self.ask("key", "board take", {"board": "gc-01"}, lambda s: model.take(s, "gc-01"))

    # -- the service's life

    def begun(self) -> None:
        """A service that has just begun knows what was acknowledged, and nothing of the probes."""
        lines = self.book.new()
        self.same(self.state, lines, "after the start")
        for hand in self.hands.values():
            hand.touched, hand.began = None, None
        for name in self.hands:
            if self.rig.there(name):
                self.meets(name)

    def meets(self, name: str) -> None:
        """The first reading after the service, or the meter, came: a probe that is down landed nobody knows when."""
        hand = self.hands[name]
        hand.began, hand.touched, hand.spent, hand.unseen = None, None, False, hand.on
        self.frame(name)

    # -- devices that go and come (rule 12)

    def unplug(self, name: str) -> None:
        """Told as loudly as any fault, and on every view."""
        self.rig.unplug(name)
        if name in self.hands:
            self.rig.wait_for(name, "lost")
            hand = self.hands[name]
            hand.touched = None
            if not hand.spent:  # what was not kept yet is lifted meanwhile
                hand.on, hand.value = False, world.AIR[hand.function]
        else:
            self.rig.wait_for(name, "lost")
        self.heard_of(name, "refused")
        code, printed = self.rig.command("status")
        told = [line for line in printed.splitlines() if name in line]
        assert code == 0 and told and any("lost" in line for line in told), f"rule 12: the {name} is lost: {printed}"
        self.look()

    def plug(self, name: str) -> None:
        self.rig.plug(name)
        if name in self.hands:
            self.rig.wait_for(name, "open")
            self.meets(name)
        else:
            self.rig.wait_for(name, "open")
            self.heard_of(name, "stepped")
        self.look()

    def heard_of(self, name: str, sound: str) -> None:
        """Of this device, by this sound; once."""
        messages = self.rig.fence()
        self.listen(messages)
        sounds = [(m["sound"], name in m["text"]) for m in messages if m["event"] == "effect"]
        assert (sound, True) in sounds, f"rule 12: what was heard of the {name}: {sounds}"

    # -- an act

    def ask(self, way: str, do: str, fields: dict[str, Any], predict: model.Act, by: str | None = None) -> None:
        """An act by a command or a key."""
        named = {**fields, "by": by} if by else dict(fields)

        def happen() -> bool | None:
            if way == "command":
                code, printed = self.rig.command(*words(do, named, self.rig.root))
                assert printed.strip(), f"rule 10: {do} says nothing"
                return code == 0
            try:
                reply = self.rig.call(do, source="key", **named)
            except MeterlinkError:
                return False
            assert reply["text"], f"rule 10: {do} is answered without a word"
            return None if do == "keep" else True  # a value that is refused is the answer's text

        self.act(do, by, predict, happen)

    def press(self, way: str, action: str) -> None:
        """One of the pedal's three actions."""
        predict = {"keep": self.tapped, "back": model.back, "next": model.next_}[action]
        if way == "pedal":
            self.mute(action, predict, lambda: self.rig.foot(GESTURES[action]))
        else:
            self.ask(way, action, {}, predict)

    def mute(self, do: str, predict: model.Act, happen: Callable[[], None]) -> None:
        """An act that nobody answers but by what is heard."""

        def and_heard() -> None:
            happen()
            self.rig.heard_something()

        self.act(do, None, predict, and_heard)

    def act(self, do: str, by: str | None, predict: model.Act, happen: Callable[[], bool | None]) -> None:
        before = self.state.copy()
        no: No | None = None
        try:
            after = predict(before.copy())
        except No as error:
            after, no = before, error
        ok = happen()
        messages = self.rig.fence()
        self.judge(do, by, before, after, no, messages)
        if ok is not None:
            assert ok == (no is None), f"rule 10: {do} {'was' if ok else 'was not'} done; {no or 'it had to be'}"
        self.look()

    def judge(
        self, do: str, by: str | None, before: State, after: State, no: No | None, messages: list[Message]
    ) -> list[Line]:
        """What was heard and recorded against what had to be."""
        lines = [x for x in self.book.new() if x["kind"] not in ("reading", "instrument")]
        sounds = heard(messages)
        self.listen(messages)
        self.right_place(lines, before)
        self.same(after, lines, f"after {do}" + (f", which had to be refused ({no})" if no else ""))
        said = f"{do} was heard as {sounds or 'silence'}"
        if no is None:
            assert sounds and sounds[0] in DONE, f"rule 10: {said}; it had to be acknowledged"
            assert not set(sounds) & (REFUSED - {"confirm"}), f"rule 10: {said}; nothing was refused"
        else:
            assert not lines, f"{do} was refused and recorded {lines}: {no}"
            assert len(sounds) == 1 and sounds[0] in REFUSED, f"rule 10: {said}; it had to be refused ({no})"
            assert (sounds[0] == "no-board") == no.loud, f"rule 1: {said}, though: {no}"
        stepped = do in STEPS and before.point != after.point and before.place == after.place
        at_end = stepped and after.point is None
        assert ("sheet-done" in sounds) == at_end, f"rule 8: {said}; still to be measured: {model.pending(after)}"
        if at_end:
            assert not model.pending(after), f"rule 8: the sheet is not done: {model.pending(after)} were passed over"
        if lines:
            self.done.append(Done(do, by or before.operator or OWNER, lines[0]["seq"], before, self.state.copy()))
        return lines

    def same(self, wanted: State, lines: list[Line], when: str) -> None:
        """The journal says what the model says; from here on the model has the journal's numbers."""
        found = self.book.state()
        a, b = wanted.shown(), found.shown()
        if a != b:
            raise AssertionError(f"{difference(a, b)} {when}; recorded: {lines}")
        self.state = found

    def listen(self, messages: list[Message]) -> None:
        for m in messages:
            if "meant" in m:
                self.said = m["meant"]

    # -- what must be so at every moment

    def right_place(self, lines: list[Line], before: State) -> None:
        """Rules 1, 3 and 18 on each new keep: the board is on the bench, and its power is not confirmed on."""
        for x in lines:
            if x["kind"] == "kept" and x["moved"] is None:
                assert x["board"] is not None, f"rule 1: kept for no board: {x}"
                assert (x["job"], x["board"]) == before.place, f"rule 1: {before.board} is on the bench: {x}"
                assert before.here is not None and before.here.state in HERE, f"rule 3: that board is elsewhere: {x}"
                assert not (before.powered and x["function"] in world.DEAD), f"rule 18: its power is on: {x}"

    def look(self) -> None:
        """What the views say of it, and the invariants that hold whatever was done."""
        s, shown = self.state, self.rig.state()
        on = [(j, m) for j, job in s.jobs.items() for m, b in job.boards.items() if b.state == ON]
        assert len(on) <= 1, f"rule 2: on the bench at once: {on}"
        assert not on or on == [s.place], f"rule 2: {on} says that it is on the bench, and {s.place} is there"
        if s.board is not None:
            assert s.here is not None and s.here.state in HERE, f"rule 3: {s.board} is elsewhere: {s.here}"
            assert s.jobs[s.job or ""].open, f"rule 4: the job of {s.board} is closed"
        for job in s.jobs.values():
            marks = list(job.boards)
            twice = [(a, b) for i, a in enumerate(marks) for b in marks[:i] if world.same(a, b)]
            assert not twice, f"rule 5: one board under two marks: {twice}"
        now = shown["context"]
        assert (now["job"], now["board"]) == s.place, f"the screen shows {now}, the journal says {s.place}"
        if s.board is not None:
            assert shown["pending"] == model.pending(s), (
                f"rules 8, 9: the screen: {shown['pending']}; due: {model.pending(s)}"
            )
            assert shown["left_out"] == model.left_out(s), f"rule 8: the screen has {shown['left_out']} left out"
            assert shown["point"] is None or shown["point"]["name"] == s.point
        if s.job is not None:
            wrong = model.unexplained(s, s.job)
            assert bool(shown["mismatch"]) == wrong, f"rule 13: {shown['mismatch']!r}; {s.jobs[s.job]}"
        assert shown["meant"] == self.meant(), (
            f"rule 7: {shown['meant']} is shown large, meant is {self.meant()} at {s.point}: {self.hands}"
        )
        self.said = shown["meant"]
        for name in ("pedal", "scanner"):
            state = shown["inputs"][name]["state"]
            assert (state == "open") == self.rig.there(name), f"rule 12: the {name} is {state}"
        for one in shown["instruments"]:
            there = self.rig.there(one["instrument"])
            assert (one["state"] == "open") == there, f"rule 12: {one['instrument']} is {one['state']}"

    def look_closer(self) -> None:
        """`job show` and `board show`: points passed over stay visible (rule 8), an open count too (rule 13)."""
        s = self.state
        for name, job in s.jobs.items():
            code, printed = self.rig.command("job", "show", name, "--json")
            shown = json.loads(printed)
            assert code == 0 and bool(shown["mismatch"]) == model.unexplained(s, name), f"rule 13: job show: {shown}"
            assert sorted(b["board"] for b in shown["boards"]) == sorted(job.boards), (
                f"rule 5: job show: {shown['boards']}"
            )
            for one in shown["boards"]:
                there = s.copy()
                board = job.boards[one["board"]]
                there.job, there.board, there.stage = name, one["board"], "after" if board.worked_on else "before"
                due, left = model.pending(there), model.left_out(there)
                assert (one["state"], one["pending"] or []) == (board.state, due), (
                    f"rule 8: job show: {one}; due: {due}"
                )
                assert (one["left_out"] or []) == left, f"rule 8: job show: {one}; left out: {left}"
                if name == s.job and one["board"] == s.board:
                    code, printed = self.rig.command("board", "show", one["board"], "--job", name)
                    assert code == 0 and all(p in printed for p in [*due, *left]), f"rule 8: board show: {printed}"

    # -- taking back (rule 11)

    def undo(self, way: str, by: str | None) -> None:
        """The last act of this person is taken back, with what it set. Exactly so where nobody did anything since; else
        what others set meanwhile stays, and the records alone are looked at."""
        who = by or self.state.operator or OWNER
        standing = [d for d in self.done if not d.undone and d.undoes is None]
        last = standing[-1] if standing else None
        mine = [d for d in standing if d.by == who]
        before = self.state.copy()
        exact = (
            last is not None
            and last.by == who
            and last.after.shown() == before.shown()
            and last.before.shown() != last.after.shown()
        )
        ok: list[bool] = []

        def happen() -> None:
            fields = {"by": by} if by else {}
            if way == "command":
                ok.append(self.rig.command(*words("undo", fields, self.rig.root))[0] == 0)
                return
            try:
                self.rig.call("undo", source="key", **fields)
                ok.append(True)
            except MeterlinkError:
                ok.append(False)

        if exact and last is not None:
            self.act("undo", by, lambda s: last.before.copy(), happen)
        else:
            happen()
            messages = self.rig.fence()
            self.listen(messages)
            sounds = heard(messages)
            assert sounds == (["taken-back"] if ok[0] else ["refused"]), f"rule 10: undo was heard as {sounds}"
        lines = [x for x in self.book.new() if x["kind"] not in ("reading", "instrument")]
        if not exact:
            self.state = self.book.state()
        if not ok[0]:
            assert not lines
            assert not [d for d in mine if self.stands(d)], f"rule 11: {who} could not take back {mine[-1]}"
            self.look()
            return
        self.taken_back(who, mine)
        self.look()

    def void(self, way: str, of: int, by: str | None) -> None:
        """One record withdrawn by its number, with those that it led."""
        kinds = ("job", "board", "finding", "kept", "left_out")
        x = self.book.lines.get(of)
        led = [seq for seq, y in self.book.lines.items() if y.get("with") == of and y["kind"] in kinds]
        can = x is not None and x["kind"] in kinds and of not in self.book.void
        then = self.book.state(frozenset([of, *led])) if can else self.state
        repair = can and x is not None and x["kind"] == "finding" and x["what"] in WORKED

        def withdrawn(s: State) -> State:
            if not can:
                raise No("there is no such record that stands")
            return model.withdrawn(s, then, repair and x is not None and (x["job"], x["board"]) == s.place)

        self.ask(way, "void", {"of": of, "why": "wrong number"}, withdrawn, by)

    def stands(self, d: Done) -> bool:
        """Something that it recorded of boards and jobs is not withdrawn."""
        kinds = [x for x in self.book.with_(d.lead) if x["kind"] != "context"]
        return any(x["seq"] not in self.book.void for x in kinds)

    def taken_back(self, who: str, mine: list[Done]) -> None:
        """The newest act of this person is withdrawn, all of it, and nothing else; and it stays in the journal."""
        newest = max(seq for seq, x in self.book.lines.items() if x["kind"] == "context")
        of = self.book.lines[newest]["undo"]
        act = next((d for d in mine if d.lead == of), None)
        assert act is not None, f"rule 11: {who} took back record {of}, which is none of his last acts"
        newer = [d for d in mine if d.lead > of and self.stands(d)]
        assert not newer, f"rule 11: {who} took back {act.do}, and had done {newer[-1].do} since"
        for x in self.book.with_(act.lead):
            if x["kind"] not in ("context", "void"):
                assert x["seq"] in self.book.void, f"rule 11: {act.do} was taken back, and {x} stands"
        lead = self.book.lines[newest].get("with") or newest
        theirs = {x["seq"] for x in self.book.with_(act.lead)}
        for x in self.book.with_(lead):
            assert x["kind"] != "void" or x["of"] in theirs, f"rule 11: {x} withdraws what another act recorded"
        act.undone = True
        if self.done and self.done[-1].lead == lead:
            self.done.pop()  # an act of taking back is none that can be taken back
        act.undone = True

    # -- probes

    def meant(self) -> str | None:
        """Rule 7, by the words of docs/technician.md: on the point's function, on something, touched last."""
        point = world.find(self.state.point) if model.sheet_of(self.state) else None

        def rank(name: str) -> tuple[bool, bool, float]:
            hand = self.hands[name]
            touched = float("-inf") if hand.touched is None else hand.touched
            return point is not None and point.function == hand.function, hand.on, touched

        ranked = sorted((rank(n), n) for n in self.hands if self.rig.there(n))
        if len(ranked) > 1 and ranked[-1][0] == ranked[-2][0]:
            return None
        return ranked[-1][1] if ranked else None

    def tapped(self, s: State) -> State:
        """A tap keeps what the meter that is shown large shows; before a point of the other power it confirms."""
        if s.board is None:
            raise No("no board is on the bench", loud=True)
        point = world.find(s.point) if model.sheet_of(s) else None
        if point and point.powered != s.powered:
            return model.power(s, None)
        name = self.said
        if name is None:
            raise No("no meter is meant")
        hand = self.hands[name]
        began = (hand.began or s).copy() if hand.on else s.copy()
        began.stage = s.stage
        value = None if hand.value is None else float(hand.value)
        after = model.keep(s, began, s.point, hand.function, value)
        hand.spent = hand.on
        return after

    def land(self, name: str, function: str, value: str | None) -> None:
        """In the air first, long enough that it is a lift; then on something. Not settled yet."""
        hand = self.hands[name]
        if hand.on or hand.function != function:
            self.lift(name, function)
        hand.on, hand.value = value is not None, value
        self.frame(name)

    def hold(self, name: str) -> None:
        """Still, until it has settled."""
        for _ in range(3):
            self.frame(name)

    def lift(self, name: str, function: str | None = None) -> None:
        """Into the air; there the dial may be turned."""
        hand = self.hands[name]
        hand.on, hand.function = False, function or hand.function
        hand.value = world.AIR[hand.function]
        for _ in range(3):
            self.frame(name, 0.2)

    def frame(self, name: str, dt: float = 0.15) -> None:
        """One reading more, and of the other meter too where it is due: nobody falls silent."""
        for other, hand in self.hands.items():
            if other != name and self.rig.there(other) and self.rig.shared.t - hand.sent > 1.5:
                self._frame(other)
        self._frame(name, dt)

    def _frame(self, name: str, dt: float = 0.15) -> None:
        """One reading: what it leads to is the third of a contact's, a keep or a refusal; else nothing."""
        hand, before = self.hands[name], self.state.copy()
        rig = self.rig
        landed = hand.on and hand.began is None
        if landed:
            hand.began, hand.frames = before, 0
        if not hand.on:
            hand.touched = rig.shared.t + dt if hand.began is not None else hand.touched
            hand.began, hand.spent, hand.unseen = None, False, False
        if landed:
            hand.touched = rig.shared.t + dt
        messages = rig.reading(name, hand.function, hand.value, dt)
        hand.sent = rig.shared.t
        hand.frames += hand.on
        began = hand.began
        wrong = None
        if began is not None:
            point = world.find(began.point) if model.sheet_of(began) else None
            wrong = point is not None and point.function != hand.function
        sounds = heard(messages)
        if landed and wrong and self.meant() == name:
            assert sounds == ["wrong-function"], f"rule 10: a probe on the wrong dial was heard as {sounds}"
        elif began is not None and not wrong and hand.frames == 3 and not hand.spent:
            hand.spent = True
            if hand.unseen:  # it may be the contact that was kept, and the bench has stepped on since
                assert not [x for x in self.book.new() if x["kind"] == "kept"], "rule 1: a contact was kept twice"
                assert sounds in ([], ["refused"]), f"a probe that was down at the start was heard as {sounds}"
                self.listen(messages)
                return
            value = None if hand.value is None else float(hand.value)
            after, no = before, None
            try:
                after = model.keep(before.copy(), began, began.point, hand.function, value)
            except No as error:
                no = error
            lines = self.judge("keep", None, before, after, no, messages)
            assert all(x["instrument"] == name for x in lines if x["kind"] == "kept"), f"rule 7: {lines}"
        else:
            assert not sounds, f"a reading of {name} was heard as {sounds}: {hand}"
        self.listen(messages)

    def awake(self) -> None:
        """Meters send on and on: none has fallen silent, however long people wait."""
        for name, hand in self.hands.items():
            if self.rig.there(name) and self.rig.shared.t - hand.sent > 1.5:
                self.frame(name)

    def end(self) -> None:
        """The end of a run: in order, and the journal holds for the project's reader and for `journal verify`."""
        try:
            if self.rig.pid is not None:
                assert self.rig.stop() == 0
            self.book.new()
            read = {e.seq: e.kind for e in entries(self.rig.folders.journal) if e.kind != "reading"}
            assert read == {seq: x["kind"] for seq, x in self.book.lines.items()}
            code, printed = self.rig.command("journal", "verify")
            assert code == 0, printed
        finally:
            self.rig.close()


def heard(messages: list[Message]) -> list[str]:
    """The sounds; a loss that is told again because its reason is another now belongs to no act."""
    return [m["sound"] for m in messages if is_heard(m)]


GESTURES = {"keep": (0.1,), "back": (0.1, 0.1, 0.1), "next": (0.7,)}


def difference(wanted: State, found: State) -> str:
    """Where two states differ, and by whose rule."""
    out = []
    for field, rule in (("job", 4), ("board", 2), ("point", 9), ("stage", 11), ("powered", 11), ("operator", 11)):
        a, b = getattr(wanted, field), getattr(found, field)
        if a != b:
            out.append(f"rule {rule}: the {field} is {b!r} and had to be {a!r}")
    for name in {*wanted.jobs, *found.jobs}:
        j, k = wanted.jobs.get(name), found.jobs.get(name)
        if j is None or k is None:
            out.append(f"rule 11: job {name} is {k} and had to be {j}")
            continue
        for field, rule in (("open", 4), ("expected", 13), ("notes", 13)):
            if getattr(j, field) != getattr(k, field):
                out.append(f"rule {rule}: {field} of {name} is {getattr(k, field)} and had to be {getattr(j, field)}")
        for mark in {*j.boards, *k.boards}:
            a, b = j.boards.get(mark), k.boards.get(mark)
            if a is None or b is None:
                out.append(f"rule 5: board {mark} of {name} is {b} and had to be {a}")
            elif a != b:
                rules = {"states": 2, "keeps": 1, "left": 8, "findings": 11}
                out += [
                    f"rule {n}: {f} of {mark} are {getattr(b, f)} and had to be {getattr(a, f)}"
                    for f, n in rules.items()
                    if getattr(a, f) != getattr(b, f)
                ]
    return "; ".join(out)
