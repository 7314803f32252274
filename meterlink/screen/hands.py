"""What comes from the keyboard, done one key after another: a scan, a key of the bench screen, or one of a question.

No key goes to a widget, and what a key opens has the next key: keys keep their order however fast they come.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from meterlink.screen import asks, fold
from meterlink.screen.dialogs import Dialog, Given
from meterlink.screen.keys import Act, Broken, Recogniser, Scan, Stroke

PRESSES = {"space": "keep", "backspace": "back", "n": "next", "right": "next"}


class Screen(Protocol):
    """The bench screen, as its keys need it."""

    view: fold.View

    def send(self, do: str, **fields: Any) -> None: ...
    def inject(self, order: dict[str, Any]) -> None: ...
    def off(self) -> None: ...
    def scan(self, mark: str) -> None: ...
    def refuse_aloud(self, why: str) -> None: ...


class Hands:
    """One keyboard on one screen. `commands` are the keys that are the program's own."""

    def __init__(self, screen: Screen, commands: dict[str, Callable[[], None]]) -> None:
        self.keyboard = Recogniser()
        self.dialog: Dialog | None = None
        self.asked_of = screen.view  # as it was when the question began
        self._screen = screen
        self._commands = commands
        self._question: asks.Question | None = None
        self._t = 0.0  # of the latest key

    # -- what comes

    def key(self, key: str, character: str | None, t: float) -> None:
        """One key at second t."""
        self.do_all(self.keyboard.due(t))
        self._t = t
        for name in ("escape", key[4:]) if key.startswith("alt+") else (key,):
            # a terminal sends escape and then a letter, quickly, as one key
            field = self.dialog is not None and self.dialog.writes
            self.do_all(self.keyboard.key(Stroke(name, None if name == "escape" else character), t, field))

    def quiet(self) -> None:
        """No key has come for a while."""
        self.do_all(self.keyboard.rest())

    def paste(self, text: str, t: float) -> None:
        """Pasted text is typed, a line's end is Enter; it is for fields, and ends with their question."""
        self.do_all(self.keyboard.rest())
        self._t = t
        for c in text.replace("\r\n", "\n"):
            if self.dialog is None or not self.dialog.writes:
                self._screen.refuse_aloud("pasted text is for the fields of a question: the rest of it is left out")
                return
            self._key(Stroke("enter") if c in "\r\n" else Stroke(c, c))

    # -- what it is

    def do_all(self, acts: list[Act]) -> None:
        """Do them in their order."""
        for act in acts:
            match act:
                case _ if self._screen.view.injecting:
                    self._screen.off()
                case Stroke():
                    self._key(act)
                case Broken(text):
                    self._screen.refuse_aloud(
                        f"{text!r} came faster than hands type and is no scan: nothing of it is done"
                    )
                case Scan(text):
                    self._scan(text.strip())

    def _key(self, stroke: Stroke) -> None:
        view = self._screen.view
        if self.dialog is not None:
            self._answered(self.dialog.key(stroke, self._t))
        elif stroke.key in PRESSES:
            self._screen.send(PRESSES[stroke.key], **asks.here(view))
        elif stroke.key in asks.QUESTIONS:
            self.begin(asks.QUESTIONS[stroke.key](view))
        elif stroke.key in self._commands:
            self._commands[stroke.key]()
        elif stroke.types.isdigit() or stroke.types.isupper():
            self.begin(asks.board(view))  # a mark that is typed on the bench screen
            self._key(stroke)

    def _scan(self, mark: str) -> None:
        if self.dialog is None:
            self._screen.scan(mark)
        elif self.dialog.mark:
            self._answered(self.dialog.scan(mark, self._t))
        else:
            self._screen.refuse_aloud(f"scan {mark}: this question asks for no mark; it stands as it was")

    # -- questions, one at a time

    def begin(self, question: asks.Question) -> None:
        """Ask this."""
        self._question, self.asked_of = question, self._screen.view
        self._go_on(None)

    def show(self, dialog: Dialog) -> None:
        """Show this, with nothing to ask after it."""
        self._question, self.asked_of, self.dialog = None, self._screen.view, dialog

    def close(self) -> None:
        """Leave what is asked."""
        self._question = self.dialog = None

    def _answered(self, given: Given | None) -> None:
        if given is not None:
            self.dialog = None
            self._go_on(given.value)

    def _go_on(self, answer: Any) -> None:
        """To the question's next dialog, or its end."""
        while self._question is not None:
            try:
                step, answer = self._question.send(answer), None
            except StopIteration:
                self.close()
                return
            match step:
                case Dialog():
                    step.since = self._t
                    self.dialog = step
                    return
                case asks.Ask(do, fields):
                    self._screen.send(do, **fields)
                case asks.Inject(order):
                    self.close()
                    self._screen.inject(order)
                case asks.Refuse(why):
                    self._screen.refuse_aloud(why)
