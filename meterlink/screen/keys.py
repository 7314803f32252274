"""A scanner told from hands: keys and their times in, what they are out. Pure; rule 6 of the bench.

A scanner types like a keyboard, and its letters are commands of the bench screen: a scan is one act or none. It is
known by the configured prefix, wherever it comes; or by its speed, where no field is open: LEAST characters and more,
GAP_S apart at most, then Enter. So where no field is open a character waits for GAP_S before it acts; keys without
a character, and space, never wait. In a field nothing waits but what begins the prefix.

LEAST characters or more at that speed and no Enter after them are nobody's keys: they are given back as Broken, and
nothing of them is done. Fewer may be two hands' quick keys: they act, in their order.

No source: the figures are the project's own. Hands at 120 words a minute are 100 ms apart, quick pairs 40 ms; scanners
send a character each 1 to 20 ms (common practice).
"""

from __future__ import annotations

import msgspec

GAP_S = 0.035  # between two keys of a scanner, at most
PREFIXED_GAP_S = 0.1  # the same once the prefix begins: a slow line breaks no scan, hands are let go soon
LEAST = 4  # characters of a mark that is known by its speed
ENDS = {"\r": "enter", "\n": "enter", "\t": "tab"}


class Stroke(msgspec.Struct, frozen=True):
    """One key: its name, and the character it types if it types one."""

    key: str
    character: str | None = None

    @property
    def types(self) -> str:
        """The character that it writes, or nothing."""
        return self.character if self.character and self.character.isprintable() else ""


class Scan(msgspec.Struct, frozen=True):
    """What a scanner read."""

    text: str


class Broken(msgspec.Struct, frozen=True):
    """Came as fast as from a scanner and is no scan: nothing of it is done."""

    text: str


Act = Stroke | Scan | Broken


class Recogniser:
    """One keyboard's keys in their order. `prefix` and `suffix` are what the bench's scanner is set to; Enter ends
    every scan."""

    def __init__(self) -> None:
        self.prefix = self.suffix = ""
        self._held: list[Stroke] = []
        self._at_s = 0.0
        self._field = False
        self._prefixed = False

    def set_to(self, prefix: str, suffix: str) -> None:
        """What the bench's scanner sends before and after a mark."""
        self.prefix, self.suffix = prefix, suffix

    @property
    def holds_s(self) -> float | None:
        """How long what is held waits for the next key; None where nothing is held."""
        if not self._held:
            return None
        begun = self._prefixed or (bool(self.prefix) and self.prefix.startswith(_text(self._held)))
        return PREFIXED_GAP_S if begun else GAP_S

    def due(self, t: float) -> list[Act]:
        """What is no longer held at second t. Ask before each key: what it gives may open or close a field."""
        wait = self.holds_s
        return self.rest() if wait is not None and t - self._at_s > wait else []

    def rest(self) -> list[Act]:
        """No more comes: what is held is hands', or broken."""
        held, prefixed = self._take()
        if held and not self._field and (prefixed or len(held) >= LEAST):
            return [Broken(_text(held))]
        return list(held)

    def drop(self) -> None:
        """Forget what is held."""
        self._take()

    def key(self, stroke: Stroke, t: float, field: bool) -> list[Act]:
        """One more key at second t; `field` says that it would be written into a field."""
        out = self.due(t)
        self._at_s = t
        if self._prefixed:
            return [*out, *self._scanning(stroke)]
        if not self._held:
            self._field = field
        if self.prefix and self._begins(stroke):
            self._held.append(stroke)
            self._prefixed = _text(self._held) == self.prefix
            return out
        if field:
            out += self.rest()
            return [*out, *self.key(stroke, t, field)] if self._starts(stroke) else [*out, stroke]
        if stroke.types and (self._held or stroke.types != " "):
            self._held.append(stroke)
            return out
        if self._ends(stroke) and len(self._held) >= LEAST:
            return [*out, Scan(_text(self._take()[0]))]
        return [*out, *self.rest(), stroke]

    def _scanning(self, stroke: Stroke) -> list[Act]:
        """After the prefix: all that is typed is the mark's, until its end."""
        if not self._ends(stroke) and not stroke.types:
            return [*self.rest(), stroke]
        text = _text(self._held)[len(self.prefix) :]
        if not self._ends(stroke):
            self._held.append(stroke)
            text += stroke.types
            if not (self.suffix.isprintable() and self.suffix and text.endswith(self.suffix)):
                return []
            text = text.removesuffix(self.suffix)
        self._take()
        return [Scan(text)]

    def _ends(self, stroke: Stroke) -> bool:
        return stroke.key == "enter" or stroke.key == ENDS.get(self.suffix)

    def _begins(self, stroke: Stroke) -> bool:
        """Whether what is held and this key are the prefix, or its beginning."""
        return self.prefix.startswith(_text([*self._held, stroke])) and bool(stroke.character)

    def _starts(self, stroke: Stroke) -> bool:
        return bool(self.prefix) and stroke.character == self.prefix[0]

    def _take(self) -> tuple[list[Stroke], bool]:
        held, self._held = self._held, []
        prefixed, self._prefixed = self._prefixed, False
        return held, prefixed


def _text(strokes: list[Stroke]) -> str:
    return "".join(s.character or "" for s in strokes)
