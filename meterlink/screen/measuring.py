"""What is measured and where: the reading, the point, the sheet's points, and what was kept.

What the technician asks with a glance, in this order: what does it show, where am I, is that right, what did the last
ones say, what is left. A name is never cut: it takes another line.
"""

from __future__ import annotations

from rich.text import Text

from meterlink.screen import blocks, words
from meterlink.screen.fold import STALE_S, Message, View
from meterlink.screen.panes import Pane, effect

WIDE = 110  # columns from which the points have a column of their own
SIGN = "\u2007"  # as wide as "-": a number that changes its sign stays where it is


class Reading(Pane):
    """The current reading, as large as the width allows, with unit, function and how far it has settled."""

    def lines(self, view: View, t: float) -> list[Text]:
        found = view.meter(t)
        wide, tall = self._pixel()
        if found is None:
            number, unit, tail = "---", "", Text()
            head = self._silent(view, t)
        else:
            name, shown = found
            m = shown.message
            function = " ".join(p for p in (m["function"], m["coupling"]) if p)
            head = Text(f" {function}", "bold").append(f"   {name}", self.tone("quiet"))
            if m["flags"]:
                head.append("   " + " ".join(f.upper() for f in m["flags"]), "bold")
            head.append_text(self._wrong(view, m["function"], m["coupling"]))
            number, unit = words.big(m)
            part, word = words.settling(m)
            tail = Text(" " + blocks.bar(part, self.size.width // 2) + "  ")
            tail.append(word, self.tone("good" if part >= 1 else "plain"))
        return [head, *self._digits(number, unit, wide, tall), tail]

    def _silent(self, view: View, t: float) -> Text:
        """Why there is no reading: a tap would keep none."""
        if not (view.attached and view.shown):
            return Text(" no meter is heard", self.tone("doubt"))
        silent = t - max(s.t for s in view.shown.values())
        if silent <= STALE_S:
            return Text(" a tap keeps none of the meters that are heard: none is meant", self.tone("doubt"))
        return Text(f" no reading for {silent:.0f} s", self.tone("bad"))

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
                return [*out, *self._left(view, room - len(out))]
        out = out[:room]
        out[-1].truncate(max(4, self.size.width - 5))
        out[-1].append(" ...", self.tone("doubt"))
        return out

    def _left(self, view: View, rows: int) -> list[Text]:
        """What is left of the sheet, where the list of points has no column of its own; then of the jobs."""
        out, said = [], words.progress(view)
        if view.injecting:
            return []
        if said and self.app.size.width < WIDE and rows > 0:
            out = point_lines(self, view, rows) if rows >= 5 else [Text(f" {said}", self.tone("quiet"))]
        jobs = [line for text in words.jobs(view) for line in [Text(), *self.wrapped(text, self.tone("quiet"))]]
        return [*out, *jobs][:rows] if len(out) + len(jobs) <= rows else out[:rows]

    def _about(self, view: View) -> list[Text]:
        state, out = view.state, []
        point = state.get("point")
        if view.injecting:
            return self.wrapped("touch points along the rail: volts, kept without a verdict", "bold")
        if state.get("confirm"):
            out += self.wrapped(f"? CONFIRM (o): {state['confirm']}", self.tone("doubt"))
        if point and point.get("caution"):
            out += self.wrapped(f"! {point['caution']}", self.tone("doubt"))
        if point:
            out += self.wrapped(f"expect {words.band(state.get('band'), point['unit'])}", "")
            if point.get("where"):
                out += self.wrapped(point["where"], "bold")
            if point.get("range"):
                out += self.wrapped(f"range {point['range']}", self.tone("quiet"))
        return out

    def _heading(self, view: View, name: str | None, small: bool) -> list[Text]:
        place, points = view.state.get("place"), view.state.get("points") or []
        if not view.attached:
            return self.wrapped(view.why or "", "bold")
        if view.context.get("board") is None:
            return self._no_board(view)
        if name is None:
            over = view.passed_over
            if over:
                return self.wrapped(f"the sheet's end: {len(over)} PASSED OVER, p goes to one", self.tone("doubt"))
            words_ = "the sheet is done: p goes to a point, b takes the next board" if points else "free: no sheet"
            return self.wrapped(words_, "bold")
        where = Text(f"  {place}/{len(points)}" if place else "", "bold")
        if view.passed_over:
            where.append(f"  {len(view.passed_over)} PASSED OVER", self.tone("doubt"))
        for size, rows in () if small else ((2, 14), (1, 6)):
            columns = blocks.width(name, size)
            if blocks.known(name) and columns + where.cell_len + 2 <= self.size.width and self.size.height >= rows:
                out = [Text(" " + line, "bold") for line in blocks.lines(name, size, size)]
                out[-1].append_text(where)
                if name != name.upper():
                    out[0].append("  " + name, self.tone("quiet"))
                return out
        return self.wrapped_text(Text(name, "bold reverse").append_text(where))

    def _no_board(self, view: View) -> list[Text]:
        """Nothing is kept without a board: what to do comes first."""
        do = "NO BOARD is on the bench, nothing is kept: scan one, or choose it (b)"
        if not view.context.get("job") and not view.state.get("jobs"):
            do = "no job is open: meterlink job open JOB, then scan a board or choose it (b)"
        return self.wrapped(do, self.tone("doubt"))


class Points(Pane):
    """The sheet's points in their order, each with a mark and a word: done, left out, still to do, the next."""

    def lines(self, view: View, t: float) -> list[Text]:
        self.display = bool(words.points(view)) and self.app.size.width >= WIDE
        return point_lines(self, view, self.size.height) if self.display else []


def point_lines(pane: Pane, view: View, rows: int) -> list[Text]:
    """The list of points in this many rows, the present one among them."""
    points = words.points(view)
    out = pane.wrapped(words.progress(view) or "points", pane.tone("quiet"))
    now = view.context.get("point")
    at = next((i for i, p in enumerate(points) if p.name == now), 0)
    room = max(1, rows - len(out))
    first = max(0, min(at - room // 2, len(points) - room))
    for p in points[first : first + room]:
        here = "»" if p.name == now and p.mark != "»" else " "
        line = Text(f"{here}{p.mark:<2} {p.word:<11} ", pane.tone(p.tone) if p.tone else "")
        out.append(line.append(p.name, "bold reverse" if p.name == now else "bold"))
    if first + room < len(points):
        out[-1] = Text(f"    ... {len(points) - first - room + 1} more: p", pane.tone("quiet"))
    return out


class Keeps(Pane):
    """The last keeps with their verdicts; the newest on top. While a rail is fed: what flows."""

    def lines(self, view: View, t: float) -> list[Text]:
        if view.injecting or view.ended or view.cleared:
            return self._feeding(view)
        if not view.attached:
            return []
        keeps = view.state.get("keeps") or []
        undo = view.state.get("undo")
        foot = self.wrapped(f"u takes back: {undo}", self.tone("quiet")) if undo else []
        room = max(2, self.size.height - len(foot))
        out = [Text(" last keeps" if keeps else " nothing kept on this board yet", self.tone("quiet"))]
        for k in keeps:
            lines = self._keep(k, view.context.get("stage"))
            if len(out) + len(lines) > room:
                break
            out += lines
        return [*out, *foot, *self._lately(view, self.size.height - len(out) - len(foot))]

    def _lately(self, view: View, rows: int) -> list[Text]:
        """The last effects, the newest on top, where there is room for some."""
        if rows < 4 or not view.lately:
            return []
        out = [Text(), Text(" lately", self.tone("quiet"))]
        for told in reversed(view.lately):
            out += self.wrapped_text(effect(self, told))
        return out[:rows]

    def _keep(self, k: Message, stage: str | None) -> list[Text]:
        """One keep: verdict, value, name; its stage where it is not the present one."""
        line = Text(f" {words.keep(k)}  ", self.tone(words.TONES.get(k["verdict"], "plain")))
        name = Text(k["point"] or "free", "bold")
        if k.get("fed"):
            name.append(" (while fed)", self.tone("quiet"))
        elif k["stage"] and k["stage"] != stage:
            name.append(f" ({k['stage']})", self.tone("quiet"))
        if line.cell_len + name.cell_len <= self.size.width:
            return [line.append_text(name)]
        return [line, *self.wrapped_text(Text("    ").append_text(name))]

    def _feeding(self, view: View) -> list[Text]:
        fed, trace = view.feeding, view.trace
        columns = max(8, self.size.width - 18)
        if view.injecting:
            rail = (fed or {}).get("rail") or "a rail"
            words_ = f" !! FEEDING {rail}: ANY KEY IS OFF ".ljust(self.size.width)
            out = [Text(words_, f"{self.tone('bad')} reverse")]
        elif view.ended and not view.ended["off"]:
            out = self.wrapped("!! OFF NOT CONFIRMED, do it by hand", f"{self.tone('bad')} reverse")
        else:
            out = [Text(" the supply is off", "bold")]
        if view.cleared:
            out += self.wrapped(f"√ SHORT CLEARED  {view.cleared}", self.tone("good"))
        if view.ended:
            joules = view.ended.get("energy_j") or 0.0
            out += self.wrapped(f"ended: {view.ended['why']}; {joules:.2f} J", "")
        how = f" ohms by {fed.get('wires')} wires, {fed.get('mode') or 'mode not told'}" if fed else ""
        rows = max(1, min(4, (self.size.height - len(out) - 1) // 4))
        for label, of in (("volts", "V"), ("amperes", "A"), ("ohms", "Ω"), ("watts", "W")):
            values = [getattr(s, label) for s in trace]
            if not values:
                continue
            real = [v for v in values[-columns:] if v is not None]
            last = "-" if values[-1] is None else f"{values[-1]:.3f}"
            for i, line in enumerate(blocks.plot(values, columns, rows, max(real, default=0.0))):
                out.append(Text(f" {last if i == rows - 1 else '':>8} {of if i == rows - 1 else ' '}  ", "bold"))
                out[-1].append(line)
        return [*out, Text(how, self.tone("quiet"))] if how else out
