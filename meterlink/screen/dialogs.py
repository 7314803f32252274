"""What the screen asks: one of a list (or typed), a few fields, or a yes. Pure: a key in, an answer or none out.

These are no widgets of textual on purpose: a widget gets its keys through a queue of its own and its focus some time
later, so that keys that come fast land in the field before. Here each key is done before the next one is looked at.

Invariant: a key of `leaves` ends a dialog with None and nothing is done; an Enter with nothing typed takes nothing, and
says so in the dialog, which stays open.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, ClassVar

import msgspec

from meterlink.screen.keys import Stroke
from meterlink.visible import visible

NOTHING = "nothing typed: nothing is taken"
READ_S = 0.2  # a yes counts from then on: what came in one go with the answers before it has not read the question


class Given(msgspec.Struct, frozen=True):
    """The dialog is over: its answer, None where it was left."""

    value: Any


class Line(msgspec.Struct, frozen=True):
    """One line to show: its text, how it feels (a tone of the panes, or title, chosen, hint), where a cursor stands."""

    text: str
    tone: str = ""
    cursor: int | None = None


class Row(msgspec.Struct, frozen=True):
    """One of a list: what it gives, what is typed for it, what it says, and how that feels."""

    value: Any
    name: str
    says: str
    tone: str = ""


def plain(text: str) -> str:
    """A name as names are compared: without regard to case and blanks."""
    return "".join(text.split()).casefold()


class Field:
    """A line of text that is being typed; what is offered in it is replaced by the first letter, or edited."""

    def __init__(self, text: str = "", offered: bool = False) -> None:
        self.text = text
        self.at = len(text)
        self._offered = offered

    def key(self, stroke: Stroke) -> bool:
        """Whether this key belongs to a field; then it is done."""
        if self._offered and stroke.types:
            self.text, self.at = "", 0
        taken = self._done(stroke)
        self._offered = self._offered and not taken
        return taken

    def _done(self, stroke: Stroke) -> bool:
        match stroke.key:
            case "left":
                self.at = max(0, self.at - 1)
            case "right":
                self.at = min(len(self.text), self.at + 1)
            case "home" | "ctrl+a":
                self.at = 0
            case "end" | "ctrl+e":
                self.at = len(self.text)
            case "backspace" | "ctrl+h":
                self._replace(max(0, self.at - 1), self.at, "")
            case "delete":
                self._replace(self.at, self.at + 1, "")
            case "ctrl+u":
                self._replace(0, self.at, "")
            case _ if stroke.types:
                self._replace(self.at, self.at, stroke.types)
            case _:
                return False
        return True

    def _replace(self, first: int, end: int, text: str) -> None:
        self.text = self.text[:first] + text + self.text[end:]
        self.at = first + len(text)

    def line(self, label: str, width: int, active: bool) -> Line:
        """As it is shown, with what stands around the cursor where it is longer than the room."""
        room = max(8, width - len(label) - 1)
        first = max(0, self.at - room + 1)
        return Line(
            label + visible(self.text[first : first + room]),
            "field" if active else "",
            len(label) + len(visible(self.text[first : self.at])) if active else None,
        )


class Dialog:
    """A question over the bench screen. `writes` says that keys are written into it, `mark` that it takes a scan."""

    leaves: ClassVar[tuple[str, ...]] = ("escape", "ctrl+c")
    writes: ClassVar[bool] = True
    mark = False

    def __init__(self, title: str, text: str = "") -> None:
        self.title = title
        self.text = text  # what is to be read before it is answered
        self.note = ""  # why the last Enter took nothing
        self.since = 0.0  # when it was asked

    def key(self, stroke: Stroke, t: float) -> Given | None:
        """Do one key, pressed at second t."""
        if stroke.key in self.leaves:
            return Given(None)
        self.note = ""
        return self._key(stroke, t)

    def scan(self, text: str, t: float) -> Given | None:
        """Take what a scanner read; only where `mark` says so."""
        raise NotImplementedError

    def lines(self, width: int, height: int) -> list[Line]:
        """As it is shown."""
        text = [Line(self.text, "doubt")] if self.text else []
        note = [Line(f"× {self.note}", "bad")] if self.note else []
        body = self._lines(width, height - 2 - len(note) - _rows(self.title, width) - _rows(self.text, width))
        return [Line(self.title, "title"), *text, *body, *note, Line(self._hint(), "quiet")]

    def _key(self, stroke: Stroke, t: float) -> Given | None:
        raise NotImplementedError

    def _lines(self, width: int, height: int) -> list[Line]:
        raise NotImplementedError

    def _hint(self) -> str:
        return "escape leaves"


def _rows(text: str, width: int) -> int:
    return sum(-(-len(line) // max(1, width)) for line in text.split("\n")) if text else 0


class Pick(Dialog):
    """One of a list. Typing narrows it. Enter takes the row that is typed in full, or by its number, or whose name
    alone begins with (or else holds) what is typed; after an arrow key the row that is marked.

    `free` says what else may be typed, and stands in the field; with `exact` Enter takes a row typed in full, or the
    text as it stands: GC-1 is never taken for GC-10.
    """

    def __init__(
        self,
        title: str,
        rows: Sequence[Row],
        *,
        free: str = "",
        exact: bool = False,
        mark: bool = False,
        at: object = None,
        text: str = "",
    ) -> None:
        super().__init__(title, text)
        self.rows = rows
        self.mark = mark
        self.scanned = False
        self._free = free
        self._exact = exact
        self._at = next((i for i, r in enumerate(rows) if at is not None and r.value == at), None)
        self._field = Field()
        self._chosen: int | None = None  # by arrow keys, in what is left

    def _key(self, stroke: Stroke, t: float) -> Given | None:
        if stroke.key in ("down", "up"):
            self._move(1 if stroke.key == "down" else -1)
        elif stroke.key == "enter":
            return self._enter()
        elif self._field.key(stroke):
            self._chosen = None
        return None

    def scan(self, text: str, t: float) -> Given | None:
        self._field, self._chosen, self.scanned = Field(text), None, True
        return self._enter()

    def _left(self) -> list[tuple[int, Row]]:
        typed = plain(self._field.text)
        return [
            (i, row)
            for i, row in enumerate(self.rows)
            if typed in plain(row.name) or (not self._exact and str(i + 1) == typed)
        ]

    def _target(self) -> Row | str:
        """The row that Enter takes, or why there is none."""
        left, typed = self._left(), plain(self._field.text)
        if self._chosen is not None:
            return left[self._chosen][1]
        if not typed:
            return f"{NOTHING}; type, or choose with the arrow keys"
        if same := [row for _, row in left if plain(row.name) == typed]:
            return same[0] if len(same) == 1 else f"{len(same)} are called {self._field.text.strip()!r}: use the arrows"
        if self._exact:
            return f"no {self._field.text.strip()!r} is in the list"
        if number := [row for i, row in left if str(i + 1) == typed]:
            return number[0]
        for few in ([row for _, row in left if plain(row.name).startswith(typed)], [row for _, row in left]):
            if len(few) == 1:
                return few[0]
            if few:
                return f"{len(few)} of the list fit {self._field.text.strip()!r}: type more, or use the arrow keys"
        return f"nothing in the list fits {self._field.text.strip()!r}"

    def _enter(self) -> Given | None:
        target = self._target()
        if isinstance(target, Row):
            return Given(target.value)
        typed = self._field.text.strip()
        if self._free and typed and (self._exact or not self._left()):
            return Given(typed)
        self.note = target
        return None

    def _move(self, step: int) -> None:
        left = self._left()
        if not left:
            return
        if self._chosen is not None:
            self._chosen = (self._chosen + step) % len(left)
        elif self._at is not None and not self._field.text.strip():
            self._chosen = (self._at + step) % len(left)
        else:
            self._chosen = 0 if step > 0 else len(left) - 1

    def _lines(self, width: int, height: int) -> list[Line]:
        left, target = self._left(), self._target()
        field = self._field.line("> ", width, True)
        if not self._field.text:
            field = Line(f"> {self._free or 'type a name or a number'}", "hint", 2)
        room = max(3, height - 1)
        marked = next((n for n, (i, r) in enumerate(left) if r is target), None)
        middle = marked if marked is not None else self._at if self._at is not None and not self._field.text else 0
        first = max(0, min(middle - room // 2, len(left) - room))
        out = [field]
        for n, (i, row) in enumerate(left[first : first + room], first):
            number = "" if self._exact else f"{i + 1:>2}  "
            here = "»" if i == self._at else " "
            out.append(Line(f"{here}{number}{row.says}", "chosen" if n == marked else row.tone))
        if first > 0:
            out[1] = Line(f"  ... {first + 1} above", "quiet")
        if first + room < len(left):
            out[-1] = Line(f"  ... {len(left) - first - room + 1} more", "quiet")
        return out

    def _hint(self) -> str:
        return "arrows choose, enter takes what is marked, escape leaves"


class Form(Dialog):
    """A few texts: Enter goes to the next one, and from the last gives them all, stripped; an empty one is left out.

    `fields` are (name, label, what stands there already); `check` says why what was given will not do.
    """

    def __init__(
        self,
        title: str,
        fields: Sequence[tuple[str, str, str]],
        text: str = "",
        check: Callable[[dict[str, str]], str | None] = lambda given: None,
    ) -> None:
        super().__init__(title, text)
        self._names = [name for name, _, _ in fields]
        self._labels = [label for _, label, _ in fields]
        self._fields = [Field(text, offered=True) for _, _, text in fields]
        self._check = check
        self._at = 0
        self._typed = False

    def _key(self, stroke: Stroke, t: float) -> Given | None:
        if stroke.key == "enter" and self._at == len(self._fields) - 1:
            return self._enter()
        if stroke.key in ("enter", "down", "tab"):
            self._at = min(self._at + 1, len(self._fields) - 1)
        elif stroke.key in ("up", "shift+tab"):
            self._at = max(self._at - 1, 0)
        elif self._fields[self._at].key(stroke):
            self._typed = True
        return None

    def _enter(self) -> Given | None:
        texts = {name: field.text.strip() for name, field in zip(self._names, self._fields, strict=True)}
        given = {name: text for name, text in texts.items() if text}
        self.note = (NOTHING if not self._typed or not given else self._check(given)) or ""
        return None if self.note else Given(given)

    def _lines(self, width: int, height: int) -> list[Line]:
        wide = max(len(label) for label in self._labels) + 2
        return [
            field.line(label.ljust(wide), width, i == self._at)
            for i, (label, field) in enumerate(zip(self._labels, self._fields, strict=True))
        ]

    def _hint(self) -> str:
        return "enter: next, then done; escape leaves"


class Confirm(Dialog):
    """A yes that nobody gives by accident: the letter y, neither Enter nor space, and not in one go with what was typed
    before it."""

    leaves: ClassVar[tuple[str, ...]] = ("escape", "ctrl+c", "n")
    writes: ClassVar[bool] = False

    def __init__(self, title: str, text: str, yes: str) -> None:
        super().__init__(title, text)
        self._yes = yes

    def _key(self, stroke: Stroke, t: float) -> Given | None:
        if stroke.key == "y" and t - self.since >= READ_S:
            return Given(True)
        self.note = "read it first" if stroke.key == "y" else "only y is a yes, n leaves"
        return None

    def _lines(self, width: int, height: int) -> list[Line]:
        return [Line(f"y   {self._yes}", "title"), Line("n   no: leave it", "title")]


class Help(Dialog):
    """All keys."""

    leaves: ClassVar[tuple[str, ...]] = ("escape", "ctrl+c", "enter", "space", "q", "question_mark")
    writes: ClassVar[bool] = False

    def __init__(self, keys: str) -> None:
        super().__init__("the keys")
        self._keys = keys

    def _key(self, stroke: Stroke, t: float) -> Given | None:
        return None

    def _lines(self, width: int, height: int) -> list[Line]:
        return [Line(line) for line in self._keys.splitlines()]
