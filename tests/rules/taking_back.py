"""Taking back (rule 11): the last act of a person with what it set, or one record by its number."""

from __future__ import annotations

from meterlink.errors import MeterlinkError
from tests.rules import model
from tests.rules.acting import Acting, Done, heard
from tests.rules.commands import words
from tests.rules.fold import WORKED, State
from tests.rules.model import OWNER, No


class TakingBack(Acting):
    """Who has acted can take it back, at once and later."""

    def undo(self, way: str, by: str | None) -> None:
        """The last act of this person is taken back, with what it set. Exactly so where nobody did anything since; else
        what others set meanwhile stays, and the records alone are looked at."""
        who = by or self.state.operator or OWNER
        standing = [d for d in self.done if not d.undone and d.undoes is None]
        last = standing[-1] if standing else None
        mine = [d for d in standing if d.of(who)]
        before = self.state.copy()
        exact = (
            last is not None
            and last.of(who)
            and last.after.shown() == before.shown()
            and last.before.shown() != last.after.shown()
            and not any(
                d.undone > last.lead > d.lead for d in self.done
            )  # unseen until now, perhaps: a close lay over it
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
        kinds = [x["seq"] for x in self.book.with_(d.lead) if x["kind"] != "context"]
        return any(seq not in self.book.void for seq in self.book.restored(kinds))

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
        theirs = self.book.restored(x["seq"] for x in self.book.with_(act.lead))
        for x in self.book.with_(lead):
            assert x["kind"] != "void" or x["of"] in theirs, f"rule 11: {x} withdraws what another act recorded"
        act.undone = lead
        if self.done and self.done[-1].lead == lead:
            self.done.pop()  # an act of taking back is none that can be taken back
