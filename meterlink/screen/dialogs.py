"""What the screen asks: one of a list (or typed), a few fields, or a yes. Escape leaves each without doing anything."""

from __future__ import annotations

from collections.abc import Sequence
from typing import ClassVar, TypeVar

from rich.text import Text
from textual import on
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical
from textual.content import Content
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

Result = TypeVar("Result")
Choice = tuple[str, str]  # what it gives, what it says


class Dialog(ModalScreen[Result]):
    """A question over the bench screen."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)", "leave")]


class Pick(Dialog["str | None"]):
    """One of a list: arrows and Enter, or typing. Gives the choice, or with `free` any text that was typed.

    Typed text narrows the list; Enter on it takes exactly that text (a reader of bar codes types and sends Enter):
    GC-1 is never taken for GC-10. An arrow key goes into the list.
    """

    BINDINGS: ClassVar[list[BindingType]] = [("down", "move(1)", "down"), ("up", "move(-1)", "up")]

    def __init__(self, title: str, choices: Sequence[Choice], free: str | None = None, at: str | None = None) -> None:
        super().__init__()
        self._asked = title
        self._choices = choices
        self._free = free
        self._at = at
        self._moved = False

    def compose(self) -> ComposeResult:
        with Vertical():
            yield Static(Content(self._asked), classes="title")
            yield Input(placeholder=self._free or "type to narrow the list", compact=True)
            yield OptionList(compact=True, markup=False)
            yield Static(Content("arrows and enter choose, escape leaves"), classes="hint")

    def on_mount(self) -> None:
        self._moved = self._free is None
        self.query_one(OptionList).can_focus = False
        self._fill("")
        names = [value for value, _ in self._choices]
        if self._at in names:
            self.query_one(OptionList).highlighted = names.index(self._at)

    def _fill(self, typed: str) -> None:
        options = self.query_one(OptionList)
        options.clear_options()
        for value, says in self._choices:
            if typed.casefold() in value.casefold():
                options.add_option(Option(Text(says), id=None))
        self._left = [c for c in self._choices if typed.casefold() in c[0].casefold()]
        if self._left:
            options.highlighted = 0

    @on(Input.Changed)
    def _typed(self, event: Input.Changed) -> None:
        self._moved = self._free is None
        self._fill(event.value.strip())

    def action_move(self, step: int) -> None:
        """Into the list, and along it."""
        options = self.query_one(OptionList)
        if self._left:
            first = self._moved or self.query_one(Input).value == ""
            at = options.highlighted or 0
            options.highlighted = (at + (step if first else 0)) % len(self._left)
            self._moved = True

    @on(Input.Submitted)
    def _enter(self, event: Input.Submitted) -> None:
        typed = event.value.strip()
        same = next((v for v, _ in self._choices if v.casefold() == typed.casefold()), None)
        at = self.query_one(OptionList).highlighted
        if (self._moved or not typed) and self._left and at is not None:
            self.dismiss(self._left[at][0])
        elif same is not None:
            self.dismiss(same)
        elif typed and self._free is not None:
            self.dismiss(typed)


class Form(Dialog["dict[str, str] | None"]):
    """A few texts: Enter goes to the next one, and from the last gives them all, stripped; an empty one is left out."""

    BINDINGS: ClassVar[list[BindingType]] = [("down", "app.focus_next", "next"), ("up", "app.focus_previous", "back")]

    def __init__(self, title: str, fields: Sequence[tuple[str, str, str]], warning: str = "") -> None:
        """`fields` are (name, label, what stands there already)."""
        super().__init__()
        self._asked = title
        self._fields = fields
        self._warning = warning

    def compose(self) -> ComposeResult:
        with Vertical():
            yield Static(Content(self._asked), classes="title")
            if self._warning:
                yield Static(Content(self._warning), classes="caution")
            for name, label, value in self._fields:
                with Horizontal(classes="field"):
                    yield Static(Content(label))
                    yield Input(value, id=f"field-{name}", compact=True)
            yield Static(Content("enter: next, then done; escape leaves"), classes="hint")

    @on(Input.Submitted)
    def _enter(self, event: Input.Submitted) -> None:
        inputs = list(self.query(Input))
        at = inputs.index(event.input)
        if at + 1 < len(inputs):
            inputs[at + 1].focus()
            return
        typed = {name: self.query_one(f"#field-{name}", Input).value.strip() for name, _, _ in self._fields}
        self.dismiss({name: value for name, value in typed.items() if value})


class Confirm(Dialog["bool | None"]):
    """A yes that nobody gives by accident: the letter y, neither Enter nor space."""

    BINDINGS: ClassVar[list[BindingType]] = [("y", "dismiss(True)", "yes"), ("n", "dismiss(None)", "no")]

    def __init__(self, title: str, text: str, yes: str) -> None:
        super().__init__()
        self._parts = title, text, yes

    def compose(self) -> ComposeResult:
        title, text, yes = self._parts
        with Vertical():
            yield Static(Content(title), classes="title")
            yield Static(Content(text), classes="caution")
            yield Static(Content(f"y   {yes}\nn   no: leave it"), classes="title")


class Help(Dialog[None]):
    """All keys."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self._text = text

    def compose(self) -> ComposeResult:
        with Vertical():
            yield Static(Content(self._text))
            yield Static(Content("escape closes this"), classes="hint")
