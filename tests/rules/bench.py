"""The bench with its people: probes, devices that go and come, the service's life; what must be so at every moment."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from meterlink.journal.reader import entries
from tests.rules import model, world
from tests.rules.acting import Done, heard
from tests.rules.fold import HERE, ON, State
from tests.rules.model import OWNER, No
from tests.rules.rig import Rig
from tests.rules.taking_back import TakingBack

PAGE = Path(__file__).parents[2] / "docs" / "check-journal.py"
GESTURES = {"keep": (0.1,), "back": (0.1, 0.1, 0.1), "next": (0.7,)}  # seconds that the foot is down and up in turn


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
    heard: bool = False  # since the service began, or the meter came


class Bench(TakingBack):
    """The bench, the model's view of it, and everybody who acts."""

    def __init__(self, root: Path) -> None:
        super().__init__(Rig(root))
        (root / "sheet.toml").write_text(world.sheet_text(), encoding="utf-8")
        self.hands = {"red": Hand(), "blue": Hand(function="voltage", value="0.000")}
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
            hand.touched, hand.began, hand.heard = None, None, False
        for name in self.hands:
            if self.rig.there(name):
                self.meets(name)

    def meets(self, name: str) -> None:
        """The first reading after the service, or the meter, came: a probe that is down landed nobody knows when."""
        hand = self.hands[name]
        hand.began, hand.touched, hand.spent, hand.unseen = None, None, False, hand.on
        self.frame(name)

    def restart(self) -> None:
        """In order."""
        assert self.rig.stop() == 0
        self.rig.start()
        self.begun()
        self.look()

    def kill(self) -> None:
        """As a power cut would: SIGKILL."""
        self.rig.kill()
        self.rig.start()
        self.begun()
        self.look()

    def kill_amid(self, do: str, fields: dict[str, Any], predict: model.Act) -> None:
        """In the midst of an act, before its answer: it is whole in the journal, or not there at all."""
        before = self.state.copy()
        try:
            after = predict(before.copy())
        except No:
            after = before
        self.rig.kill_at(do, fields)
        lines = [x for x in self.book.new() if x["kind"] not in ("reading", "instrument")]
        if lines:
            self.same(after, lines, f"after {do}, and a kill in the midst of it")
            self.done.append(Done(do, before.operator or OWNER, lines[0]["seq"], before, self.state.copy()))
        self.rig.start()
        self.begun()
        self.look()

    # -- devices that go and come (rule 12)

    def unplug(self, name: str) -> None:
        """Told as loudly as any fault, and on every view."""
        self.rig.unplug(name)
        if name in self.hands:
            self.rig.wait_for(name, "lost")
            hand = self.hands[name]
            hand.touched, hand.heard = None, False
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
            self.heard_of(name, "stepped")
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

    def press(self, way: str, action: str, bounce: bool = False) -> None:
        """One of the pedal's three actions."""
        predict = {"keep": self.tapped, "back": model.back, "next": model.next_}[action]
        if way == "pedal":
            self.mute(action, predict, lambda: self.rig.foot(GESTURES[action], bounce))
        else:
            self.ask(way, action, {}, predict)

    # -- what must be so at every moment

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
        code, printed = self.rig.command("status")
        assert code == 0 and f"job {s.job or '-'}, board {s.board or '-'}, " in printed, f"status: {printed}"
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

    # -- probes

    def meant(self) -> str | None:
        """Rule 7, by the words of docs/technician.md: on the point's function, on something, touched last."""
        point = world.find(self.state.point) if model.sheet_of(self.state) else None

        def rank(name: str) -> tuple[bool, bool, float]:
            hand = self.hands[name]
            touched = float("-inf") if hand.touched is None else hand.touched
            return point is not None and point.function == hand.function, hand.on, touched

        ranked = sorted((rank(n), n) for n, hand in self.hands.items() if hand.heard)
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
        hand.sent, hand.heard = rig.shared.t, True
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
        """The end of a run: in order, and the journal holds for the project's reader, for `journal verify`, and for the
        auditor's page."""
        try:
            if self.rig.pid is not None:
                assert self.rig.stop() == 0
            self.book.new()
            read = {e.seq: e.kind for e in entries(self.rig.folders.journal) if e.kind != "reading"}
            assert read == {seq: x["kind"] for seq, x in self.book.lines.items()}
            code, printed = self.rig.command("journal", "verify")
            assert code == 0, printed
            page = subprocess.run(
                [sys.executable, "-I", PAGE, self.rig.folders.journal], capture_output=True, text=True
            )
            assert page.returncode == 0, page.stderr
        finally:
            self.rig.close()
