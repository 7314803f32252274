"""A view's parts as text: numbers, verdicts, bands, health. Pure. A state is a mark and a word; colour only repeats it.

Marks are glyphs that a bare text console has too (code page 437), so that no terminal shows a box instead.
"""

from __future__ import annotations

import re
from collections import Counter
from typing import NamedTuple

from meterlink import wording
from meterlink.screen.fold import Message, View

MARKS: dict[str | None, tuple[str, str]] = {
    "ok": ("√", "ok"),
    "low": ("▼", "low"),
    "high": ("▲", "high"),
    "short": ("!!", "SHORT"),
    "open": ("○", "OPEN"),
    "unsure": ("?", "unsure"),
    None: ("·", "kept"),
}
TONES = {"ok": "good", "low": "bad", "high": "bad", "short": "bad", "open": "bad", "unsure": "doubt", None: "plain"}

# What an effect says across a room, and how it feels.
EFFECTS: dict[str, tuple[str, str, str]] = {
    "kept": ("·", "KEPT", "plain"),
    "ok": ("√", "OK", "good"),
    "not-ok": ("▲▼", "NOT OK", "bad"),
    "short": ("!!", "SHORT", "bad"),
    "refused": ("×", "REFUSED", "bad"),
    "no-board": ("×", "NO BOARD", "bad"),
    "wrong-function": ("×", "DIAL", "bad"),
    "moved": ("~", "MOVED", "doubt"),
    "stepped": ("»", "STEP", "plain"),
    "sheet-done": ("√", "DONE", "good"),
    "passed-over": ("«", "PASSED", "doubt"),
    "taken-back": ("«", "BACK", "doubt"),
    "confirm": ("?", "CONFIRM", "doubt"),
    "alarm": ("!!", "ALARM", "bad"),
    "short-cleared": ("√", "CLEARED", "good"),
}
UNITS = {"Ohm": "Ω", "Cel": "°C", "[degF]": "°F", "1": ""}
NUMBER = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)")


def unit(text: str) -> str:
    """A prefixed UCUM unit as it is written on a meter: kOhm is kΩ, uF is µF."""
    if text in UNITS:
        return UNITS[text]
    if text.endswith("Ohm"):
        return text[:-3] + "Ω"
    return "µ" + text[1:] if text.startswith("u") else text


def value(number: float | None, of: str, state: str = "ok", resolution: float | None = None) -> str:
    """A recorded value with its unit, in the digits of the display; an overload is "0L"."""
    if number is None:
        return {"over": "0L", "under": "-0L"}.get(state, state)
    return _written(wording.quantity(number, of, resolution))


def kept(keep: Message) -> str:
    """A keep's value with its unit."""
    return value(keep["value"], keep["unit"], keep["state"], keep.get("resolution"))


def _written(text: str) -> str:
    """Words with the units in them as they are written on a meter."""
    return re.sub(r"(?<=\d) (\S+)", lambda found: f" {unit(found[1])}".rstrip(), text).strip()


def big(message: Message) -> tuple[str, str]:
    """Number and unit of a reading for the big digits, all digits as the meter shows them."""
    text = (message.get("display") or "").strip()
    state = message.get("state")
    number = NUMBER.match(text) if state == "ok" else None
    shown, rest = (number[0], text[number.end() :].strip()) if number else text.partition(" ")[::2]
    base = unit(rest or str(message.get("unit") or ""))
    if state in ("over", "under"):
        return ("-0L" if state == "under" or shown.startswith("-") else "0L"), base
    if state != "ok":
        return "---", base
    if number and (rest or float(shown) == message["value"]):  # without its unit a text may be of thousandths
        return shown.replace("+", ""), base
    shown = wording.quantity(message["value"], message["unit"], message.get("resolution"))
    amount, _, rest = shown.partition(" ")
    return amount[:8].rstrip("."), unit(rest)


def band(band_: Message | None, of: str) -> str:
    """What is expected, in words, with where that comes from."""
    if not band_:
        return "nothing: it is kept without a verdict"
    if inside := wording.band(band_.get("low"), band_.get("high"), of):
        what = _written(inside)
    elif band_.get("expect") == "short" and band_.get("short") is not None:
        what = f"short: at most {value(band_['short'], of)}"
    elif band_.get("expect") == "open" and band_.get("open") is not None:
        what = f"open: at least {value(band_['open'], of)}"
    else:
        what = str(band_.get("expect"))
    few = f", {band_['n']} boards" if band_.get("n") else ""
    return f"{what} ({str(band_.get('from')).split(';')[0]}{few})"  # a limit's own source is in `sheet check`


def settling(message: Message) -> tuple[float, str]:
    """How far this contact is from being kept, 0 to 1, and the word for it."""
    progress = message.get("progress")
    if progress is None:
        return 0.0, "not hands-free: the pedal keeps"
    if not message.get("contact"):
        return 0.0, "probes in the air"
    if progress >= 1.0:
        return 1.0, "settled: lift the probe"
    return float(progress), f"settling {round(100 * progress)} %"


def health(one: Message, silent_s: float | None) -> tuple[str, str]:
    """An instrument in a line: its mark and word, rate, bad frames, or what is likely wrong with it."""
    name = one["instrument"]
    counts = f"{one['bad']} bad" + (f", {one['losses']} lost" if one.get("losses") else "")
    if one["state"] != "open":
        return "bad", f"× {name} {one['state']}: {one.get('why') or one.get('likely') or ''}"
    if one.get("likely"):
        return "bad", f"× {name} SILENT: {one['likely']}"
    if silent_s is not None and silent_s > 3:
        return "doubt", f"? {name} nothing for {silent_s:.0f} s, {counts}"
    return ("doubt" if one["bad"] else "good"), f"√ {name} {one['rate_hz']:.1f}/s, {counts}"


def supply(key: str, one: Message) -> tuple[bool, str]:
    """A supply's channel in a line, and whether its output is on."""
    flags = one.get("flags") or []
    on = "off" not in flags and bool({"on", "cv", "cc"} & set(flags))
    word = ("ON" if on else "off" if "off" in flags else "") + (" " + "/".join({"cv", "cc"} & set(flags)) if on else "")
    parts = [key.removesuffix("/1"), word.strip()]
    for name, of in (("voltage", "V"), ("current", "A")):
        if one.get(name) is not None:
            parts.append(f"{one[name]:.3f} {of}")
    if one.get("set voltage") is not None and one.get("set current") is not None:
        parts.append(f"(set {one['set voltage']:g} V {one['set current']:g} A)")
    return on, "  ".join(p for p in parts if p)


class PointState(NamedTuple):
    """A point of the sheet: how far it is, as a mark and a word, and how that feels."""

    name: str
    mark: str
    word: str
    tone: str


def points(view: View) -> list[PointState]:
    """The sheet's points in its order: done with what verdict, left out, the next one, passed over, or still to do."""
    state, now = view.state, view.context.get("point")
    if not view.context.get("board"):
        return []
    pending, out = state.get("pending"), state.get("left_out") or []
    verdicts = dict(state.get("verdicts") or {})
    for k in reversed(state.get("keeps") or []) if "verdicts" not in state else ():
        if k["point"] and k["stage"] == view.context.get("stage"):
            verdicts[k["point"]] = k["verdict"]
    over, found = set(view.passed_over), []
    for name in state.get("points") or []:
        if name in verdicts and (pending is None or name not in pending):
            mark, word = MARKS.get(verdicts[name], ("?", str(verdicts[name])))
            found.append(PointState(name, mark, word, TONES.get(verdicts[name], "plain")))
        elif name in out:
            found.append(PointState(name, "-", "left out", "quiet"))
        elif name in over:
            found.append(PointState(name, "?", "passed over", "doubt"))
        elif name == now:
            found.append(PointState(name, "»", "next", "plain"))
        elif pending is None or name in pending:
            found.append(PointState(name, " ", "to do", ""))
        else:
            found.append(PointState(name, " ", "not now", "quiet"))  # its rule, or the repair, asks for none
    return found


def progress(view: View) -> str:
    """How far the sheet is, in a few words; with all done what it came to."""
    state = view.state
    if "pending" not in state or not state.get("points") or not view.context.get("board"):
        return ""
    if not state["pending"]:
        return "done: " + ", ".join(f"{n} {word}" for word, n in (state.get("sheet_counts") or {}).items() if n)
    over, out = len(view.passed_over), len(state.get("left_out") or [])
    parts = [f"{len(state['pending'])} to do", f"{over} PASSED OVER" if over else "", f"{out} left out" if out else ""]
    return ", ".join(p for p in parts if p)


def jobs(view: View) -> list[str]:
    """How many boards of each open job are where."""
    found = []
    for job, boards in (view.state.get("jobs") or {}).items():
        tally = Counter(b["state"] for b in boards)
        found.append(f"{job}: " + (", ".join(f"{n} {state}" for state, n in tally.items()) or "no board yet"))
    return found


def keep(one: Message) -> str:
    """A keep's verdict and value, in columns."""
    mark, word = MARKS.get(one["verdict"], ("?", str(one["verdict"])))
    return f"{mark:<2} {word:<6} {kept(one):>10}"


def inputs(state: Message) -> list[str]:
    """What is lost of what the hands work with: pedal, scanner, sound; each as loud as a lost meter."""
    out = [
        f"× {name} {one.get('state')}: {one.get('why') or 'look at its plug'}"
        for name, one in sorted((state.get("inputs") or {}).items())
        if one.get("state") != "open"
    ]
    if state.get("sound"):
        out.append(f"× no sound: {state['sound']}")
    return out
