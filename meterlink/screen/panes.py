"""The parts of the screen: each shows its share of the view. The reading is largest, then where the probe belongs.

What the technician asks with a glance, in this order: what does it show, where am I, is that right, what did the last
ones say, may I go on. Texts that came from outside are never markup.
"""

from __future__ import annotations

from rich.text import Text
from textual.app import RenderResult
from textual.widget import Widget

from meterlink.journal.wording import safe
from meterlink.screen import blocks, words
from meterlink.screen.fold import View

SIGN = "\u2007"  # as wide as "-": a number that changes its sign stays where it is


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
        lines = Text(text, style).wrap(self.app.console, max(10, (width or self.size.width) - 2))
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
            safe(now.get("job") or "no job"),
            f"board {safe(now.get('board') or '-')}",
            safe(state.get("board_state") or ""),
            now.get("stage") or "",
            {True: "power ON", False: "power off", None: ""}[now.get("powered")],
        ]
        left = Text(" " + "  ·  ".join(p for p in parts if p), "bold")
        right = safe(state.get("bench") or "")
        room = self.size.width - left.cell_len - len(right) - 1
        return [left.append(" " * room + right, self.tone("quiet")) if room > 1 else left]


class Alarm(Pane):
    """What cannot be overlooked: reversed, in words, the whole width; nothing else stands there."""

    def lines(self, view: View, t: float) -> list[Text]:
        state, out = view.state, []
        if state.get("failing"):
            out.append(f"!! NOTHING IS KEPT: the journal takes no records: {safe(state['failing'])}")
        if state.get("alarm"):
            out.append(f"!! {safe(state['alarm'])}")
        if state.get("mismatch"):
            out.append(f"!! count: {safe(state['mismatch'])}; look again, or note why (t)")
        self.display = bool(out)
        return [part for line in out for part in self.wrapped(line, "bold", self.app.size.width)]


class Reading(Pane):
    """The current reading, as large as the width allows, with unit, function and how far it has settled."""

    def lines(self, view: View, t: float) -> list[Text]:
        found = view.meter(t)
        wide, tall = self._pixel()
        if found is None:
            head = Text(" no meter is heard", self.tone("doubt"))
            number, unit, tail = "---", "", Text()
            if view.attached and view.shown:
                silent = t - max(s.t for s in view.shown.values())
                head = Text(f" no reading for {silent:.0f} s", self.tone("bad"))
        else:
            name, shown = found
            m = shown.message
            function = " ".join(p for p in (m["function"], m["coupling"]) if p)
            head = Text(f" {function}", "bold").append(f"   {safe(name)}", self.tone("quiet"))
            if m["flags"]:
                head.append("   " + " ".join(f.upper() for f in m["flags"]), "bold")
            head.append_text(self._wrong(view, m["function"], m["coupling"]))
            number, unit = words.big(m)
            part, word = words.settling(m)
            tail = Text(" " + blocks.bar(part, self.size.width // 2) + "  ")
            tail.append(word, self.tone("good" if part >= 1 else "plain"))
        return [head, *self._digits(number, unit, wide, tall), tail]

    def _wrong(self, view: View, function: str, coupling: str | None) -> Text:
        point = view.state.get("point")
        if not point or view.injecting:
            return Text()
        other = coupling and point["coupling"] and coupling != point["coupling"]
        if function == point["function"] and not other:
            return Text()
        wanted = " ".join(p for p in (point["function"], point["coupling"]) if p)
        return Text(f"   × turn the dial to {wanted}", self.tone("bad"))

    def _pixel(self) -> tuple[int, int]:
        """Columns and half rows of a pixel: by the place there is, never by the number, so that nothing jumps."""
        wide = 2 if self.size.width < 100 else 3 if self.size.width < 150 else 4
        room = max(2, self.size.height - 2)
        tall = next((h for h in (6, 5, 4, 3, 2) if blocks.height(h) <= room and h <= wide + 2), 1)
        return wide, tall

    def _digits(self, number: str, unit: str, wide: int, tall: int) -> list[Text]:
        whole = f"{number if number.startswith('-') else SIGN + number} {unit}"
        while wide > 1 and blocks.width(whole, wide) > self.size.width - 2:
            wide -= 1
        out = [Text("  " + line, "bold") for line in blocks.lines(whole, wide, tall)]
        if not blocks.known(unit):
            out[-1].append("  " + unit, "bold")
        return out


class Point(Pane):
    """Where the probe belongs: the point's name, its place in the sheet, what is expected, what to beware of."""

    def lines(self, view: View, t: float) -> list[Text]:
        """What to beware of comes before what may be left out; where it does not fit, the name gives way first."""
        room = max(1, self.size.height)
        for small in (False, True):
            out = [*self._heading(view, view.context.get("point"), small), *self._about(view)]
            if len(out) <= room:
                return out
        out = out[:room]
        out[-1].truncate(max(4, self.size.width - 5))
        out[-1].append(" ...", self.tone("doubt"))
        return out

    def _about(self, view: View) -> list[Text]:
        state, out = view.state, []
        point = state.get("point")
        if view.injecting:
            return self.wrapped("touch points along the rail: volts, kept without a verdict", "bold")
        if state.get("confirm"):
            out += self.wrapped(f"? CONFIRM (o): {safe(state['confirm'])}", self.tone("doubt"))
        if point and point.get("caution"):
            out += self.wrapped(f"! {safe(point['caution'])}", self.tone("doubt"))
        if point:
            out += self.wrapped(f"expect {words.band(state.get('band'), point['unit'])}", "")
            if point.get("where"):
                out += self.wrapped(safe(point["where"]), "bold")
            if point.get("range"):
                out += self.wrapped(f"range {safe(point['range'])}", self.tone("quiet"))
        return out

    def _heading(self, view: View, name: str | None, small: bool) -> list[Text]:
        place, points = view.state.get("place"), view.state.get("points") or []
        if name is None:
            if view.context.get("board") is None:
                words_ = "take a board: b, or scan its mark"
            else:
                words_ = "the sheet is done: p goes to a point, b takes the next board" if points else "free: no sheet"
            return self.wrapped(words_ if view.attached else safe(view.why or ""), "bold")
        where = f"  {place}/{len(points)}" if place else ""
        for size, rows in () if small else ((2, 14), (1, 6)):
            columns = blocks.width(name, size)
            if blocks.known(name) and columns + len(where) + 2 <= self.size.width and self.size.height >= rows:
                out = [Text(" " + line, "bold") for line in blocks.lines(name, size, size)]
                out[-1].append(where, "bold")
                if name != name.upper():
                    out[0].append("  " + safe(name), self.tone("quiet"))
                return out
        return [Text(f" {safe(name)}{where}", "bold reverse")]


class Keeps(Pane):
    """The last keeps with their verdicts; the newest on top. While a rail is fed: what flows."""

    def lines(self, view: View, t: float) -> list[Text]:
        if view.injecting or view.ended or view.cleared:
            return self._feeding(view)
        if not view.attached:
            return []
        keeps = view.state.get("keeps") or []
        out = [Text(" last keeps" if keeps else " nothing kept on this board yet", self.tone("quiet"))]
        for k in keeps[: max(0, self.size.height - 1)]:
            mark, word = words.MARKS.get(k["verdict"], ("?", k["verdict"]))
            line = Text(f" {mark:<2} {word:<6} ", self.tone(words.TONES.get(k["verdict"], "plain")))
            line.append(f"{safe(k['point'] or 'free'):<8.8} ", "bold")
            line.append(f"{words.kept(k):>10}")
            line.append(" while fed" if k.get("fed") else f" {k['stage'] or ''}", self.tone("quiet"))
            out.append(line)
        return out

    def _feeding(self, view: View) -> list[Text]:
        fed, trace = view.feeding, view.trace
        columns = max(8, self.size.width - 18)
        if view.injecting:
            rail = safe((fed or {}).get("rail") or "a rail")
            words_ = f" !! FEEDING {rail}: ANY KEY IS OFF ".ljust(self.size.width)
            out = [Text(words_, f"{self.tone('bad')} reverse")]
        else:
            out = [Text(" the supply is off", "bold")]
        if view.cleared:
            out.append(Text(f" √ SHORT CLEARED  {safe(view.cleared)}", self.tone("good")))
        rows = max(1, min(4, (self.size.height - 4) // 4))
        for label, of in (("volts", "V"), ("amperes", "A"), ("ohms", "Ω"), ("watts", "W")):
            values = [getattr(s, label) for s in trace]
            if not values:
                continue
            real = [v for v in values[-columns:] if v is not None]
            last = "-" if values[-1] is None else f"{values[-1]:.3f}"
            for i, line in enumerate(blocks.plot(values, columns, rows, max(real, default=0.0))):
                out.append(Text(f" {last if i == rows - 1 else '':>8} {of if i == rows - 1 else ' '}  ", "bold"))
                out[-1].append(line)
        if fed:
            out.append(
                Text(f" ohms by {fed.get('wires')} wires, {fed.get('mode') or 'mode not told'}", self.tone("quiet"))
            )
        if view.ended:
            joules = view.ended.get("energy_j") or 0.0
            out += [Text(f" ended: {safe(view.ended['why'])}; {joules:.2f} J")]
        return out


class Health(Pane):
    """Supplies and instruments, a line each: volts and amperes, rate, bad frames, the likely cause of trouble."""

    def lines(self, view: View, t: float) -> list[Text]:
        out = []
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
            out.append(Text(f" {text}", "bold reverse" if on else ""))
        meant = view.meter(t)
        healths = []
        for one in view.state.get("instruments") or []:
            shown = view.shown.get(one["instrument"])
            tone, text = words.health(one, t - shown.t if shown else None)
            if shown and tone != "bad" and meant and meant[0] != one["instrument"]:
                text += f"  {' '.join(words.big(shown.message))}"  # the meters that are not meant show here
            healths.append((tone, text))
        good = [Text(text, self.tone("quiet")) for tone, text in healths if tone == "good"]
        for tone, text in healths:
            if tone != "good":
                out += self.wrapped(text, self.tone(tone))
        return [*out, Text(" ").append_text(Text("    ").join(good))] if good else out


class Word(Pane):
    """The latest word: a mark that is being typed, what was refused, or the last effect."""

    typed: str = ""
    error: str = ""

    def lines(self, view: View, t: float) -> list[Text]:
        if self.typed:
            return [Text(f" board: {safe(self.typed)}_   enter takes it, escape leaves it", "bold reverse")]
        if self.error:
            return [Text(f" × {safe(self.error)}", self.tone("bad"))]
        if view.told is None:
            return [Text()]
        mark, word, tone = words.EFFECTS.get(view.told.sound, ("·", view.told.sound.upper(), "plain"))
        return [Text(f" {mark} {word}  ", self.tone(tone)).append(safe(view.told.text), "bold")]


KEYS = (
    "space keep  backspace back  n next   b board  p point  o power",
    "f finding  t note  s state  a before/after  i inject  x OFF   ? all keys",
)


class Keys(Pane):
    """What the keys do now."""

    def lines(self, view: View, t: float) -> list[Text]:
        if view.injecting:
            return [Text(" ANY KEY SWITCHES THE SUPPLY OFF, and does nothing else", self.tone("bad"))]
        return [Text(f" {line}", self.tone("quiet")) for line in KEYS]


class Flash(Widget):
    """The whole screen in the sound's stead: its word in large letters, for those who do not hear it."""

    def __init__(self) -> None:
        super().__init__(id="flash")
        self._told: tuple[str, str] = ("", "")

    def tell(self, sound: str, text: str) -> None:
        """What it says when it is shown."""
        _, word, _ = words.EFFECTS.get(sound, ("", sound.upper(), "plain"))
        self._told = word, text
        self.refresh()

    def render(self) -> RenderResult:
        word, text = self._told
        wide = 3 if blocks.width(word, 3) < self.size.width - 4 else 2
        large = [line.center(self.size.width) for line in blocks.lines(word, wide, wide)]
        above = max(0, (self.size.height - len(large) - 2) // 2)
        return Text("\n" * above + "\n".join([*large, "", safe(text).center(self.size.width)]), "bold", no_wrap=True)
