"""First steps on a machine: doctor, setup, and trying pedal, scanner and sound."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, get_args

import typer

from meterlink import registry
from meterlink.bench.events import Effect, SoundName
from meterlink.cli.output import Dir, Json, ask, echo, emit, say, table
from meterlink.errors import BadInput, CheckFailed, LinkLost
from meterlink.folders import bench_folder, make_private

if TYPE_CHECKING:
    from meterlink.inputs.machine import Pedal
    from meterlink.inputs.readers import Reader
    from meterlink.inputs.scans import Scans
    from meterlink.inputs.switches import Switches
    from meterlink.reading import Line

WORDS = {True: "good", False: "WRONG", None: "note"}


def doctor(dir_: Dir = None, json: Json = False) -> None:
    """Permissions, udev, sound, disk, clock: each with its remedy. Exit 1 if something is wrong.

    Example: meterlink doctor
    """
    from meterlink.checkup import examine

    findings = list(examine(bench_folder(dir_)))
    if json:
        for one in findings:
            emit({"what": one.what, "ok": one.ok, "found": one.found, "remedy": one.remedy})
    else:
        table(("", "what", "found", "what to do"), [(WORDS[f.ok], f.what, f.found, f.remedy) for f in findings])
    wrong = [f.what for f in findings if f.ok is False]
    if wrong:
        raise CheckFailed(f"something is wrong with: {', '.join(wrong)}")


def sound(
    name: Annotated[str | None, typer.Argument(help="One sound; default: all, one after another.")] = None,
    dir_: Dir = None,
) -> None:
    """Play the bench's sounds and say what each means.

    Example: meterlink sound short
    """
    from meterlink.service.config import load
    from meterlink.sound import Player, Settings, length_s

    names: tuple[SoundName, ...] = get_args(SoundName)
    if name is not None and name not in names:
        raise BadInput(f"no sound {name!r}; there are: {', '.join(names)}")
    folders = bench_folder(dir_)
    settings = load(folders.config, folders).config.sound if folders.config.exists() else Settings()
    with tempfile.TemporaryDirectory(prefix="meterlink-sound-") as folder:
        player = Player(settings, folder, say)
        for one in names:
            if name not in (None, one):
                continue
            echo(f"{one:<15} {length_s(one):.2f} s  {MEANING[one]}")
            player.play(Effect(one, one))
            time.sleep(length_s(one) + 0.4 if settings.on else 0)
        player.end()


MEANING = {
    "kept": "kept and on disk; there is nothing to hold it against",
    "ok": "kept, and inside its band",
    "not-ok": "kept, but low, high, open or unsure",
    "short": "kept, and it is a short",
    "refused": "not kept, not done: the screen says why",
    "wrong-function": "not kept: the meter is switched to another function than the sheet wants",
    "moved": "the probe settled elsewhere without a lift; tap to keep",
    "stepped": "went on, or something was recorded",
    "taken-back": "the last keep is withdrawn",
    "confirm": "the bench asks: is the power on (or off again)? tap to confirm",
    "alarm": "nothing is kept until this is mended: look at the screen",
    "short-cleared": "while injecting: the current fell away",
    "no-board": "not kept: no board is on the bench; scan or take one",
    "sheet-done": "each point of the sheet is kept, or was left out on purpose",
    "passed-over": "the end of the sheet, and points were passed over: back to the first of them",
}


def pedal(seconds: Annotated[float, typer.Option(help="How long to listen.")] = 20.0, dir_: Dir = None) -> None:
    """Press the pedal and see what the bench makes of it; it is taken from the bench's file.

    Example: meterlink pedal
    """
    from meterlink.inputs.machine import Pedal
    from meterlink.service.config import load

    folders = bench_folder(dir_)
    settings = load(folders.config, folders).config.pedal
    if settings is None:
        raise BadInput(f"{folders.config} has no [pedal] table: docs/technician.md shows one")
    listen(settings.open(), Pedal(settings.switches, settings.rhythm()), seconds)


def scanner(seconds: Annotated[float, typer.Option(help="How long to listen.")] = 20.0, dir_: Dir = None) -> None:
    """Scan a code and see what the bench makes of it; the scanner is taken from the bench's file.

    Example: meterlink scanner
    """
    from meterlink.service.config import load

    folders = bench_folder(dir_)
    settings = load(folders.config, folders).config.scanner
    if settings is None:
        raise BadInput(f"{folders.config} has no [scanner] table: docs/operator.md shows one")
    read_scans(settings.open(), settings.scans(), seconds)


def read_scans(opened: Reader, scans: Scans, seconds: float) -> None:
    """Say each scan as it comes, and what is no scan. The scanner is closed at the end."""
    from meterlink.inputs.scans import Scan

    echo("scan a code now (Ctrl-C ends)")
    end = time.monotonic() + seconds
    try:
        while time.monotonic() < end:
            data = opened.read(0.05)
            for one in scans.feed(data, time.monotonic()):
                echo(f"  -> {one.text}" if isinstance(one, Scan) else f"  refused: {one.why}")
    finally:
        opened.close()


def listen(opened: Switches, acting: Pedal, seconds: float) -> None:
    """Say each switch and each action as it comes. The pedal is closed at the end."""
    from meterlink.inputs.machine import Clash

    echo("press the pedal now: tap, double tap, long press (Ctrl-C ends)")
    end = time.monotonic() + seconds
    try:
        while time.monotonic() < end:
            for name, down in opened.changes(0.02):
                echo(f"  {name} {'pressed' if down else 'released'}")
                out = acting.change(name, down, time.monotonic())
                for told in out:
                    echo(f"  -> {'two at once: neither counts' if isinstance(told, Clash) else told}")
            for told in acting.passed(time.monotonic()):
                echo(f"  -> {told}")
    finally:
        opened.close()


def setup(
    dir_: Dir = None,
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
) -> None:
    """Ask what is plugged in, write a commented bench file, then try meters, pedal and sound.

    Example: meterlink setup
    """
    from meterlink.cli.interview import interview, problem
    from meterlink.service.config import load
    from meterlink.wholefile import whole_file

    folders = bench_folder(dir_)
    if folders.config.exists() and not force:
        raise BadInput(f"{folders.config} is there already: edit it, or write over it with --force")
    text = interview(folders, ask, echo)
    if why := problem(folders, text):
        raise BadInput(f"the answers make no file that loads ({why}): nothing was written")
    make_private(folders.config.parent)
    with whole_file(folders.config) as file:
        file.write(text.encode())
    echo(f"written: {folders.config}")
    loaded = load(folders.config, folders)
    for name, one in loaded.config.instruments.items():
        echo(f"{name}: {hear(loaded.specs[name], one.port, loaded.lines[name])}")
    sound("ok", dir_)
    echo("next: meterlink doctor, then meterlink run")


def hear(spec: registry.Spec, port: str, line: Line | None, limit_s: float = 6.0) -> str:
    """What an instrument shows, or the likely cause why nothing is heard. Sends what the driver asks with."""
    from meterlink.link.opening import open_link
    from meterlink.service.supervisor import Health

    try:
        link = open_link(port, line, spec.info.usb)
    except LinkLost as error:
        return str(error)
    driver, health, end = spec.driver(), Health(state="open"), time.monotonic() + limit_s
    try:
        while time.monotonic() < end:
            if ask := driver.request(time.monotonic()):
                link.write(ask)
            data = link.read(0.05)
            health.bytes += len(data)
            if readings := driver.feed(data):
                return f"heard, it shows {readings[-1].display or readings[-1].state}"
    except LinkLost as error:
        return str(error)
    finally:
        link.close()
    health.frames = driver.frames
    return health.likely(spec.info.poll_s is None, time.monotonic()) or "nothing was heard"


def first_pressed(kind: str, port: str, tell: Callable[[str], None], limit_s: float = 10.0) -> str | None:
    """The switch that is pressed first; None, with a word, when none was or the pedal cannot be opened."""
    from meterlink.inputs.switches import Contacts, Keyboard

    try:
        switches = Contacts(port) if kind == "contact" else Keyboard(port)
    except (LinkLost, BadInput) as error:
        tell(f"  {error}")
        return None
    tell("  press the pedal now")
    end = time.monotonic() + limit_s
    try:
        while time.monotonic() < end:
            for name, down in switches.changes(0.05):
                if down:
                    tell(f"  that is {name}")
                    return name
    except LinkLost as error:
        tell(f"  {error}")
        return None
    finally:
        switches.close()
    tell("  nothing was pressed")
    return None


def add_to(app: typer.Typer) -> None:
    app.command("doctor")(doctor)
    app.command("setup")(setup)
    app.command("pedal")(pedal)
    app.command("scanner")(scanner)
    app.command("sound")(sound)
