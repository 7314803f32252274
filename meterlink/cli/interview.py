"""The questions of `meterlink setup`, and the bench's file that the answers make.

Invariant: an answer that the service would refuse is asked for again with the service's own reason (`config.load`), so
that the file loads. Texts are written by a TOML writer; comments stand beside them.
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import tomli_w

from meterlink import probe, registry
from meterlink.errors import BadInput, LinkLost
from meterlink.folders import Folders
from meterlink.link import opening
from meterlink.registry import Spec
from meterlink.service import config

Ask = Callable[..., str]  # (question, default=...) -> the line; without a default an empty one is asked for again
Tell = Callable[[str], None]

HEAD = "# The bench's file; meterlink doctor checks it, docs/operator.md explains every key.\n"
TAIL = """
# A scanner of stickers, taken over for the bench; meterlink scanner tries it.
# [scanner]
# kind = "serial" # or "keyboard" with port = "VVVV:PPPP", and a prefix that the reader is set to send
# port = the scanner's port

[sound]
on = true
volume = 0.6
speak = false # with espeak-ng: value and verdict are spoken
"""
PEDAL = "# A pedal: a foot switch between RTS and CTS of a spare serial adapter, or a keyboard-type USB pedal.\n"
NO_PEDAL = """# [pedal]
# kind = "contact" # or "keyboard" with port = "VVVV:PPPP" and keys like b or f13
# port = the adapter's port
# switches = { CTS = "gestures" } # tap: keep, double tap: back, long press: next
"""


def interview(folders: Folders, ask: Ask, tell: Tell) -> str:
    """The questions and the file they make. `ask(question, default=...)` gives a line."""
    text = HEAD
    text += _accepted(folders, text, tell, partial(_line, "bench", ask, "A name for this bench", "bench 1"))
    text += _accepted(
        folders, text, tell, partial(_line, "operator", ask, "Who works at it (stands in the records)", "")
    )
    plugged = plugged_in(folders)
    for port, what in plugged:
        tell(f"  {port}  {what}")
    if not plugged:
        tell("  nothing is plugged in now: no serial port, no USB device that a driver knows")
    free = [port for port, _ in plugged]
    names: list[str] = []
    while name := _name(ask, tell, names):
        text += _accepted(folders, text, tell, partial(_instrument, folders, name, free, ask, tell))
        names.append(name)
        free = [port for port in free if _toml(port) not in text]
    text += _accepted(folders, text, tell, partial(_pedal, free, ask, tell))
    return text + TAIL


def problem(folders: Folders, text: str) -> str | None:
    """Why the service would refuse this file, or None."""
    with tempfile.TemporaryDirectory(prefix="meterlink-setup-") as folder:
        path = Path(folder) / "bench.toml"
        try:
            path.write_text(text, encoding="utf-8")
            config.load(path, folders)
        except UnicodeEncodeError:
            return "that is not UTF-8 text: write it in UTF-8"
        except BadInput as error:
            return re.sub(r"^.*?bench\.toml:\d+: ", "", str(error))
    return None


def _accepted(folders: Folders, before: str, tell: Tell, block: Callable[[], str]) -> str:
    """A block of the file from its questions, asked again until the service takes the file as far as it goes."""
    while True:
        made = block()
        if (why := problem(folders, before + made)) is None:
            return made
        tell(f"  {why}")


def _line(key: str, ask: Ask, question: str, usual: str) -> str:
    answer = ask(question, default=usual)
    return tomli_w.dumps({key: answer}) if answer else ""


def _toml(text: str) -> str:
    return tomli_w.dumps({"x": text}).partition(" = ")[2].strip()


# -- instruments


def _name(ask: Ask, tell: Tell, names: list[str]) -> str:
    while name := ask("An instrument's short name (empty: no more)", default="" if names else "meter"):
        why = config.name_problem(name) or (f"{name} is there already: give another" if name in names else None)
        if why is None:
            break
        tell(f"  {why}")
    return name


def _instrument(folders: Folders, name: str, free: list[str], ask: Ask, tell: Tell) -> str:
    port = _port(free, ask, tell)
    specs = registry.all_specs(folders.drivers)
    best = _look(port, specs, plugged=port in free, ask=ask, tell=tell)
    while True:
        driver = ask("  its driver (meterlink driver list)", **({"default": best} if best else {}))
        try:
            info = registry.find(driver, folders.drivers).info
            break
        except BadInput as error:
            tell(f"  {error}")
    out = f"\n# {name}: {info.title}\n"
    out += tomli_w.dumps({"instruments": {name: {"driver": driver, "port": port}}})
    if info.wiring:
        out += f"# {info.wiring}\n"
    if info.kind == "supply":
        out += "# control = true # lets `supply inject` switch it; without it the supply is only read\n"
    else:
        out += '# accuracy = "fluke-115-116-117" # or a profile of your own: docs/accuracy.md\n'
    return out


def _port(free: list[str], ask: Ask, tell: Tell) -> str:
    """A name that can be a port; what is plugged in and not used yet is offered, and nothing else."""
    while True:
        port = ask("  its port", **({"default": free[0]} if free else {}))
        try:
            opening.parse(port)
        except BadInput as error:
            tell(f"  {error}")
        else:
            return port


def _look(port: str, specs: list[Spec], *, plugged: bool, ask: Ask, tell: Tell) -> str | None:
    """The driver that answers at a port, if the person wants to look for it."""
    if opening.parse(port)[0] == "recording":
        return None
    found: list[probe.Heard] = []
    streaming = [s for s in specs if s.info.poll_s is None]
    if probe.settings(port, streaming) and _yes("  listen there for its driver? Nothing is sent", plugged, ask):
        found = _tried(port, streaming, probe.listen, tell)
    polled = [s for s in specs if s.info.poll_s is not None]
    question = "  ask there, driver by driver? A query can move a relay"
    if not found and probe.settings(port, polled) and _yes(question, False, ask):
        found = _tried(port, polled, probe.ask, tell)
    for one in found:
        tell(f"  {one.driver}: {one.sure}, {one.frames} frames, it shows {one.last or 'no number'}")
    return found[0].driver if found else None


def _tried(port: str, specs: list[Spec], way: Callable[..., Iterator[probe.Heard]], tell: Tell) -> list[probe.Heard]:
    """What was heard, the likeliest first; the line settings after one that is sure are not tried."""
    found: list[probe.Heard] = []
    try:
        for line, group in probe.settings(port, specs):
            tell(f"  {', '.join(s.name for s in group)}" + (f" at {probe.say(line)}" if line else "") + " ...")
            found += way(port, group, opening.open_link)
            if any(one.sure == "sure" for one in found):
                break
    except LinkLost as error:
        tell(f"  {error}")
    if not found:
        tell("  no driver's frames; is the meter on, and its sending switched on?")
    return sorted(found, key=lambda h: (-h.share, -h.frames))


def _yes(question: str, usual: bool, ask: Ask) -> bool:
    words = {"y": True, "yes": True, "n": False, "no": False}
    while (said := ask(f"{question} (y, n)", default="y" if usual else "n").strip().lower()) not in words:
        pass
    return words[said]


def plugged_in(folders: Folders) -> list[tuple[str, str]]:
    """Ports that are there, each by the name that stays, and what it is."""
    from meterlink.ports import found, serial_ports

    specs = registry.all_specs(folders.drivers)
    try:
        listed = found(specs)
    except LinkLost:
        listed = serial_ports(specs)
    return [(p.stable or p.port, p.what) for p in listed if p.port]


# -- the pedal


KINDS = ("none", "contact", "keyboard")


def _pedal(free: list[str], ask: Ask, tell: Tell) -> str:
    """The [pedal] table: which switch it is, is found by pressing it."""
    from meterlink.cli.setup import first_pressed

    kind = ""
    while kind not in KINDS:
        kind = ask("A pedal: none, contact (on a serial adapter's lines) or keyboard (USB)", default="none")
        if kind not in KINDS:
            tell(f"  {kind!r} is none of them: {', '.join(KINDS)}")
    if kind == "none":
        return "\n" + PEDAL + NO_PEDAL
    offered: dict[str, Any] = {"default": free[0]} if free and kind == "contact" else {}
    port = ask("  its port" if kind == "contact" else "  its USB id, as VVVV:PPPP (meterlink ports)", **offered)
    name = first_pressed(kind, port, tell) or ask("  its switch", default="CTS" if kind == "contact" else "b")
    table = {"pedal": {"kind": kind, "port": port, "switches": {name: "gestures"}}}
    return "\n" + PEDAL + tomli_w.dumps(table) + "# gestures: tap keeps, double tap takes back, long press steps on\n"
