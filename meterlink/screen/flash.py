"""Each sound's word over the whole screen, for those who do not hear it: one effect after another, each is seen."""

from __future__ import annotations

from rich.text import Text
from textual.app import RenderResult
from textual.widget import Widget

from meterlink.screen import blocks, words
from meterlink.screen.fold import Told
from meterlink.visible import visible

FLASH_S = 0.5  # each stands this long; WCAG 2.2, criterion 2.3.1: not more than three flashes in any second


class Flash(Widget):
    """What was told, in large letters. While one stands the next waits; then its words change and nothing blinks."""

    def __init__(self) -> None:
        super().__init__(id="flash")
        self._now: Told | None = None
        self._waiting: list[Told] = []

    def tell(self, told: Told) -> None:
        """One effect: an alarm before all that waits."""
        if told.sound == "alarm":
            self._waiting.insert(0, told)
        else:
            self._waiting.append(told)
        if self._now is None:
            self._next()

    def _next(self) -> None:
        self._now = self._waiting.pop(0) if self._waiting else None
        self.display = self._now is not None
        self.refresh()
        if self._now is not None:
            self.set_timer(FLASH_S, self._next)

    def render(self) -> RenderResult:
        if self._now is None:
            return Text()
        _, word, _ = words.EFFECTS.get(self._now.sound, ("", self._now.sound.upper(), "plain"))
        wide = 3 if blocks.width(word, 3) < self.size.width - 4 else 2 if blocks.width(word, 2) < self.size.width else 1
        large = [line.center(self.size.width) for line in blocks.lines(word, wide, wide)]
        text = [
            line.plain.center(self.size.width)
            for line in Text(visible(self._now.text)).wrap(self.app.console, max(10, self.size.width - 2))
        ]
        above = max(0, (self.size.height - len(large) - 1 - len(text)) // 2)
        return Text("\n" * above + "\n".join([*large, "", *text]), "bold", no_wrap=True)
