"""An act at the bench, and what must be so after it: every act is held against rules.md here.

`Acting.act` is the one way: it says beforehand what must come of it (model.py), lets it happen (rig.py), and looks at
what was heard, at what the journal says (fold.py) and at what the views say.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from meterlink.errors import MeterlinkError
from tests.rules import model, world
from tests.rules.commands import words
from tests.rules.fold import HERE, Book, Line, State
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
    undone: int = 0  # the record that led its being taken back
    undoes: int | None = None

    def of(self, who: str) -> bool:
        """Whose act it is: saying who is at the bench is of both, so that a slip in the name can be taken back."""
        return who == self.by or (self.before.operator != self.after.operator == who)


class Acting:
    """Whoever acts, on one rig, and what the journal says of it so far.

    done  what was recorded, act by act
    said  the meter that is shown large, as the service said last
    """

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.book = Book(rig.folders.journal)
        self.state = State()
        self.done: list[Done] = []
        self.said: str | None = None

    def look(self) -> None:
        """What the views say, after each act."""
        raise NotImplementedError

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
        stepped = before.point != after.point or do == "leave out"  # it leaves out the last ones from no point as well
        at_end = no is None and do in STEPS and stepped and after.point is None and before.place == after.place
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

    def right_place(self, lines: list[Line], before: State) -> None:
        """Rules 1, 3 and 18 on each new keep: the board is on the bench, and its power is not confirmed on."""
        for x in lines:
            if x["kind"] == "kept" and x["moved"] is None:
                assert x["board"] is not None, f"rule 1: kept for no board: {x}"
                assert (x["job"], x["board"]) == before.place, f"rule 1: {before.board} is on the bench: {x}"
                assert before.here is not None and before.here.state in HERE, f"rule 3: that board is elsewhere: {x}"
                assert not (before.powered and x["function"] in world.DEAD), f"rule 18: its power is on: {x}"


def heard(messages: list[Message]) -> list[str]:
    """The sounds; a loss that is told again because its reason is another now belongs to no act."""
    return [m["sound"] for m in messages if is_heard(m)]


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
