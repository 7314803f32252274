"""The frame of the screen: who and where, what cannot be overlooked, health, the last word, the keys, the question.

Each pane shows its share of the view, in which `fold.printable` spelled out what is hidden; what is measured is in
`measuring`. Texts from outside are never markup. Nothing
that matters is cut: what does not fit takes another line.
"""

from __future__ import annotations

from rich.text import Text
from textual.app import RenderResult
from textual.widget import Widget

from meterlink.screen import words
from meterlink.screen.dialogs import Dialog, Line
from meterlink.screen.fold import Told, View
from meterlink.visible import visible


class Pane(Widget):
    """Shows lines made from the view; paints only when they changed."""

    def __init__(self, name: str) -> None:
        super().__init__(id=name)
        self._text = Text()

    def render(self) -> RenderResult:
        return self._text

    def show(self, view: View, t: float) -> None:
        """Take the view as it stands at monotonic second t."""
        text = Text("\n", no_wrap=True, overflow="ellipsis").join(self.lines(view, t))
        if text != self._text or text.spans != self._text.spans:
            taller = text.plain.count("\n") != self._text.plain.count("\n")
            self._text = text
            self.refresh(layout=taller)

    def lines(self, view: View, t: float) -> list[Text]:
        raise NotImplementedError

    def wrapped(self, text: str, style: str, width: int = 0) -> list[Text]:
        """A text as lines of the pane's width, or of this one."""
        return self.wrapped_text(Text(visible(text), style), width)

    def wrapped_text(self, text: Text, width: int = 0) -> list[Text]:
        """The same for a text that has its styles."""
        lines = text.wrap(self.app.console, max(10, (width or self.size.width) - 2))
        return [Text(" ").append_text(line) for line in lines]

    def tone(self, name: str) -> str:
        """The style of a tone in the current theme; a mark and a word always stand beside it."""
        colors = self.app.theme_variables
        return {
            "good": f"bold {colors['success']}",
            "bad": f"bold {colors['error']}",
            "doubt": f"bold {colors['warning']}",
            "quiet": colors["quiet"],
            "plain": "bold",
        }[name]


class Head(Pane):
    """Job, board, stage; and whether the service is there."""

    def lines(self, view: View, t: float) -> list[Text]:
        now, state = view.context, view.state
        if not view.attached:
            said = " NOT ATTACHED: no service is heard; it attaches again by itself".ljust(self.size.width)
            return [Text(said, f"{self.tone('bad')} reverse")]
        parts = [
            now.get("job") or "no job",
            f"board {now['board']}" if now.get("board") else "NO BOARD",
            state.get("board_state") or "",
            now.get("stage") or "",
            {True: "power ON", False: "power off", None: ""}[now.get("powered")],
            f"by {view.operator}" if view.operator else "",
        ]
        left = Text("  ·  ".join(p for p in parts if p), "bold")
        right = state.get("bench") or ""
        room = self.size.width - left.cell_len - len(right) - 2
        if room > 1:
            return [Text(" ").append_text(left).append(" " * room + right, self.tone("quiet"))]
        return self.wrapped_text(Text(" · ".join(p for p in parts if p), "bold"))


class Alarm(Pane):
    """What cannot be overlooked: reversed, in words, the whole width; nothing else stands there."""

    def lines(self, view: View, t: float) -> list[Text]:
        state, out = view.state, []
        if state.get("failing"):
            out.append(f"!! NOTHING IS KEPT: the journal takes no records: {state['failing']}")
        if state.get("alarm"):
            out.append(f"!! {state['alarm']}")
        if state.get("mismatch"):
            out.append(f"!! count: {state['mismatch']}; look again, or note why (t)")
        self.display = bool(out)
        return [part for line in out for part in self.wrapped(line, "bold", self.app.size.width)]


ROOMY = 34  # rows from which on each cause of trouble is shown in full


class Health(Pane):
    """Supplies and instruments, a line each: volts and amperes, rate, bad frames, the likely cause of trouble. In a low
    window trouble that is not alone is a line each: that each is named goes before the whole of one cause."""

    tight = False

    def lines(self, view: View, t: float) -> list[Text]:
        out = []
        lost = {one["instrument"] for one in view.state.get("instruments") or [] if one["state"] != "open"}
        for key, one in sorted((view.state.get("supplies") or {}).items()):
            fed = view.feeding
            if fed and key.startswith(f"{fed['instrument']}/"):  # nothing else is asked of it meanwhile
                one = {
                    **one,
                    "voltage": fed["volts"],
                    "current": fed["amperes"],
                    "flags": ["on", fed.get("mode") or ""],
                }
            on, text = words.supply(key, one)
            if (name := key.rpartition("/")[0]) in lost:  # what it showed last is no number any more
                on, text = False, f"{name}  not heard"
            out.append(Text(f" {text}", "bold reverse" if on else ""))
        meant = view.meter(t)
        healths = []
        for one in view.state.get("instruments") or []:
            shown = view.shown.get(one["instrument"])
            tone, text = words.health(one, t - shown.t if shown else None)
            if shown and tone != "bad" and meant and meant[0] != one["instrument"]:
                text += f"  {' '.join(words.big(shown.message))}"  # the meters that are not meant show here
            healths.append((tone, text))
        troubles = [("bad", text) for text in words.inputs(view.state)] + [h for h in healths if h[0] != "good"]
        alone = len(troubles) < 2 and not view.state.get("alarm")
        self.tight = bool(troubles) and not alone and self.app.size.height < ROOMY
        for tone, text in troubles:
            out += [Text(f" {text}", self.tone(tone))] if self.tight else self.wrapped(text, self.tone(tone))
        line = ""
        for text in (text for tone, text in healths if tone == "good"):
            if line and len(line) + 4 + len(text) > self.size.width - 2:
                out.append(Text(f" {line}", self.tone("quiet")))
                line = ""
            line += f"    {text}" if line else text
        return [*out, Text(f" {line}", self.tone("quiet"))] if line else out


def effect(pane: Pane, told: Told) -> Text:
    """What was heard, in words."""
    mark, word, tone = words.EFFECTS.get(told.sound, ("·", told.sound.upper(), "plain"))
    return Text(f"{mark} {word}  ", pane.tone(tone)).append(told.text, "bold")


class Word(Pane):
    """The last word: what was refused, what a request recorded, or the last effect; two of one act together."""

    error: str = ""
    said: str = ""

    def lines(self, view: View, t: float) -> list[Text]:
        width, lately = self.app.size.width, view.lately
        if self.error:
            return self.wrapped(f"× {self.error}", self.tone("bad"), width)
        if self.said and self.said not in (told.text for told in lately[-3:]):
            return self.wrapped(f"√ {self.said}", "bold", width)
        text = effect(self, lately[-1]) if lately else Text()
        if len(lately) > 1 and lately[-1].t - lately[-2].t < SOON_S:
            both = effect(self, lately[-2]).append("   ").append_text(text)
            text = both if both.cell_len <= width - 2 else text
        return self.wrapped_text(text, width)


SOON_S = 0.2  # effects that come closer are of one act
KEYS = (
    "space keep  backspace back  n next  u undo  b board  p point  o power  ? keys",
    "f finding  t note  s state  a stage  w keeps  m name  e leave out  h who  x OFF",
)


class Keys(Pane):
    """What the keys do now."""

    def lines(self, view: View, t: float) -> list[Text]:
        if view.injecting:
            return [Text(" ANY KEY SWITCHES THE SUPPLY OFF, and does nothing else", self.tone("bad"))]
        return [Text(f" {line}", self.tone("quiet")) for line in KEYS]


class Asked(Pane):
    """The question that is asked, over the bench screen; and whether its board is still on the bench."""

    dialog: Dialog | None = None
    asked_of: View

    def lines(self, view: View, t: float) -> list[Text]:
        self.display = self.dialog is not None
        if self.dialog is None:
            return []
        width = max(20, min(76, self.app.size.width - 4)) - 4
        changed = self._changed(view, width)
        lines = self.dialog.lines(width, self.app.size.height - 4 - len(changed))
        return [*changed, *(part for line in lines for part in self._line(line, width))]

    def _changed(self, view: View, width: int) -> list[Text]:
        then, now = self.asked_of.context.get("board"), view.context.get("board")
        if then == now or not view.attached:
            return []
        text = f"! on the bench now: {now or 'no board'}; this was asked of {then or 'no board'}"
        return Text(text, f"{self.tone('bad')} reverse").wrap(self.app.console, width)[:]

    def _line(self, line: Line, width: int) -> list[Text]:
        style = {"title": "bold", "chosen": "bold reverse", "field": "underline", "hint": self.tone("quiet"), "": ""}
        text = Text(visible(line.text), style[line.tone] if line.tone in style else self.tone(line.tone))
        if line.cursor is None:
            return text.wrap(self.app.console, width)[:] or [Text()]
        text.pad_right(max(0, width - text.cell_len))
        text.stylize("reverse", line.cursor, line.cursor + 1)
        return [text]
