"""The checks themselves: each a function from a Tried driver to a Result."""

from __future__ import annotations

import ast
import random
import re
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec
from construct import ConstructError

from meterlink.driver_check.controls import controlled
from meterlink.driver_check.damage import flipped
from meterlink.driver_check.play import built, converse, own_recordings, play, round_asked, same, shapes
from meterlink.driver_check.streams import cuts, damaged, in_step, noise, speed
from meterlink.driver_check.tried import SEED, Failed, Tried
from meterlink.errors import BadInput
from meterlink.framing import Dialogue, Framer
from meterlink.link.recording import EXPECTED, expected
from meterlink.reading import FUNCTIONS, BadFrame, Reading
from meterlink.registry import Spec

ANSWERED = 20  # about so many rounds are answered query by query
NUMBER = re.compile(r"[-+]?[0-9]*\.?[0-9]+(?![0-9.]*l)")  # and not the 0 of 0L
SEEN_S = 2.0  # between what a person saw and the reading of it
# parts of the standard library that do I/O, read a clock or start something
IMPURE = frozenset(
    [
        "asyncio",
        "concurrent",
        "ctypes",
        "datetime",
        "fcntl",
        "glob",
        "http",
        "io",
        "logging",
        "mmap",
        "multiprocessing",
        "os",
        "pathlib",
        "pty",
        "random",
        "secrets",
        "select",
        "selectors",
        "shutil",
        "signal",
        "socket",
        "sqlite3",
        "ssl",
        "subprocess",
        "tempfile",
        "termios",
        "threading",
        "time",
        "urllib",
        "uuid",
    ]
)


class Result(msgspec.Struct, frozen=True):
    """What one check found. ok is None where it does not apply to this driver."""

    name: str
    ok: bool | None
    detail: str


def check_driver(spec: Spec, n: int = 1000) -> list[Result]:
    """Run every check, once for each model.

    Takes   a driver as the registry finds it; n is the number of damaged frames, and a tenth of the random bytes.
    Gives   the results; those of a driver with several models name the model. Whatever a driver raises is a result.
    """
    models = spec.models()
    out = []
    for one in models:
        tried = Tried(one, n)
        for check in CHECKS:
            if one is not models[0] and check in ONCE:
                continue
            result = _run(check, tried)
            name = result.name if len(models) == 1 or check in ONCE else f"{result.name} ({one.model})"
            out.append(msgspec.structs.replace(result, name=name))
    return out


def _run(check: Callable[[Tried], str | None], tried: Tried) -> Result:
    name = (check.__doc__ or check.__name__).splitlines()[0].rstrip(".")
    try:
        detail = check(tried)
    except (Failed, BadInput) as error:
        return Result(name, False, str(error))
    except Exception as error:  # noqa: BLE001 - a stranger's driver may raise anything; that is the finding
        return Result(name, False, f"raised {type(error).__name__}: {error}")
    return Result(name, None, "does not apply: " + _why(tried, check)) if detail is None else Result(name, True, detail)


def _why(tried: Tried, check: Callable[[Tried], str | None]) -> str:
    if check is controlled:
        return "it has no control: it is read, never switched"
    if not tried.trials:
        return f"no recording of {tried.spec.name} and nothing that build makes"
    return "a polled instrument" if tried.polled else "it has no build, or no FRAME"


def info(tried: Tried) -> str:
    """INFO is complete."""
    about = tried.spec.info
    for field in ("title", "instruments", "published"):
        if not getattr(about, field):
            raise Failed(f"INFO.{field} is empty")
    if about.sure != "published" and not about.notes:
        raise Failed(f"INFO.sure is {about.sure!r}: INFO.notes must say what is from memory")
    if about.line is None and not about.usb and not about.links:
        raise Failed("INFO has neither line nor usb nor links: how is it connected?")
    if about.links and not tried.polled:
        raise Failed("INFO.links is for an instrument that is asked: set poll_s, or leave links out")
    if about.rate_hz <= 0 or about.silence_s <= 0 or (about.poll_s is not None and about.poll_s <= 0):
        raise Failed("rate_hz, silence_s and poll_s must be above zero")
    driver = tried.spec.driver()
    if not isinstance(driver, Framer):
        raise Failed("Driver() gives no Framer")
    if isinstance(driver, Dialogue) != tried.polled:
        raise Failed("INFO.poll_s is set, and only then, for a Driver that is a Dialogue")
    return f"{len(about.instruments)} instruments, {about.sure}"


def imports(tried: Tried) -> str:
    """It imports the contract, construct and pure parts of the standard library."""
    file = getattr(tried.spec.module, "__file__", None)
    if file is None:
        raise Failed("the module has no file")
    names = set()
    for node in ast.walk(ast.parse(Path(file).read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names.add(node.module)
    allowed = (sys.stdlib_module_names - IMPURE) | {"construct", "meterlink_drivers"}
    wrong = sorted(n for n in names if n.partition(".")[0] not in allowed and n != "meterlink.driver")
    if wrong:
        raise Failed(f"imports {', '.join(wrong)}: a driver does no I/O and reads no clock")
    return ", ".join(sorted(names - {"__future__"}))


def recorded(tried: Tried) -> str | None:
    """Recordings decode to what is expected."""
    if not tried.recordings:
        if tried.spec.model in (None, *tried.spec.info.models[:1]):
            raise Failed(f"no recording with '# driver: {tried.spec.info.name}' in captures/: see docs/recordings.md")
        return None
    readings = 0
    for recording in tried.recordings:
        assert recording.path is not None  # read from files
        rows = expected(recording.path)
        shown = play(tried.spec, recording)
        where = recording.path.with_suffix(EXPECTED).name
        for number, (row, (_, reading)) in enumerate(zip(rows, shown, strict=False), 1):
            for key, want in row.items():
                got = _plain(reading, key)
                if got != (sorted(want) if key == "flags" else want):
                    raise Failed(f"{where}, line {number}: {key} {want!r} is expected, it decodes to {got!r}")
        if len(rows) != len(shown):
            raise Failed(f"{where}: {len(rows)} readings are expected, {len(shown)} came")
        for event in recording.events:
            near = [r.display or "" for at, r in shown if abs(at - event.at) <= SEEN_S]
            if event.way == "=" and not any(seen_as(event.text, display) for display in near):
                raise Failed(f"{recording.path.name}: at {event.at} s {event.text!r} was seen, it decodes to {near}")
        readings += len(rows)
    return f"{len(tried.recordings)} recordings, {readings} readings"


def _plain(reading: Reading, key: str) -> Any:
    value = getattr(reading, key)
    if key in ("value", "resolution"):
        return None if value is None else float(value)
    return sorted(value) if key == "flags" else value


def seen_as(seen: str, display: str) -> bool:
    """Whether a person who saw this saw that display; the unit may be left out, blanks are free."""
    plain, shown = ("".join(text.split()).casefold() for text in (seen, display))
    number = NUMBER.match(shown)
    return plain in (shown, display.split(" ")[0].casefold(), number and number[0])


def covered(tried: Tried) -> str | None:
    """Every function has a recording."""
    if not tried.trials:
        return None
    built_ones = {r.function for shape in shapes(tried.spec) for r in shape}
    models = msgspec.structs.replace(tried.spec, model=None).models()
    heard = {r.function for m in models for recording in own_recordings(m) for _, r in play(m, recording)}
    if missing := built_ones - heard:
        raise Failed(f"no recording shows {', '.join(sorted(missing))}, which SHAPES has")
    return ", ".join(sorted(heard))


def units(tried: Tried) -> str | None:
    """Units fit the functions, and a value stands only where the state is ok."""
    if not tried.trials:
        return None
    for trial in tried.trials:
        for reading in trial.readings:
            if reading.unit not in FUNCTIONS.get(reading.function, (reading.unit,)):
                raise Failed(f"{reading.function} in {reading.unit}: {trial.frame.hex(' ')}")
            if (reading.value is None) == (reading.state == "ok"):
                raise Failed(f"value {reading.value} in state {reading.state}: {trial.frame.hex(' ')}")
            if reading.value is not None and not reading.value.is_finite():
                raise Failed(f"value {reading.value} is no number: {trial.frame.hex(' ')}")
    return f"{len({r.function for t in tried.trials for r in t.readings})} functions"


def round_trip(tried: Tried) -> str | None:
    """What build makes decodes to what was asked for.

    Of a polled instrument the replies of `answer` too, query by query: a virtual instrument gives those.
    """
    wanted = shapes(tried.spec) or [t.readings for t in tried.trials if t.readings]
    if not hasattr(tried.spec.module, "build") or not wanted:
        return None
    asked = round_asked(tried.spec)
    tripped = 0
    for readings in wanted:
        frame = built(tried.spec, readings)
        if frame is None:
            continue
        shown = tried.spec.decode(frame, asked)
        for want in readings:
            if not any(same(want, got) and _alike(want, got) for got in shown):
                raise Failed(f"{_words([want])} was built, {_words(shown)} decoded: {frame.hex(' ')}")
        if hasattr(tried.spec.module, "answer") and tripped % max(1, len(wanted) // ANSWERED) == 0:
            _answers(tried, readings, shown)
        tripped += 1
    if not tripped:
        raise Failed("build shows none of the readings it was asked for")
    return f"{tripped} frames"


def _answers(tried: Tried, readings: Sequence[Reading], shown: Sequence[Reading]) -> None:
    driver = tried.spec.driver()
    one = readings[0] if len(readings) == 1 else readings
    said = list(converse(driver, lambda asked: tried.spec.answer(asked, one) or b"", lambda: driver.frames > 0))
    if len(said) != len(shown) or not all(same(a, b) for a, b in zip(said, shown, strict=True)):
        raise Failed(f"answer is read as {_words(said) or driver.last_bad or 'nothing'}, build as {_words(shown)}")


def _alike(want: Reading, got: Reading) -> bool:
    return (want.resolution in (None, got.resolution)) and set(want.flags) <= set(got.flags)


def _words(readings: Sequence[Reading]) -> str:
    return "; ".join(f"{r.function} {r.coupling} {r.value} {r.unit} {r.state} {' '.join(r.flags)}" for r in readings)


def description(tried: Tried) -> str | None:
    """The construct FRAME parses and builds every frame that decodes.

    A frame that decode takes must be one that the description takes, damaged ones too.
    """
    frame_description = getattr(tried.spec.module, "FRAME", None)
    if frame_description is None or tried.polled or not tried.trials:
        return None
    rng = random.Random(SEED)
    frames = [t.frame for t in tried.trials]
    frames += [flipped(rng.choice(frames), rng) for _ in range(tried.n)]
    agreed = 0
    for frame in frames:
        try:
            tried.spec.decode(frame, None)
        except BadFrame:
            continue
        try:
            back = frame_description.build(frame_description.parse(frame))
        except ConstructError as error:
            raise Failed(
                f"decode takes what FRAME refuses ({' '.join(str(error).split())}): {frame.hex(' ')}"
            ) from error
        if back != frame:
            raise Failed(f"FRAME builds {back.hex(' ')} of {frame.hex(' ')}")
        agreed += 1
    return f"{agreed} frames"


CHECKS: tuple[Callable[[Tried], str | None], ...] = (
    info, imports, recorded, covered, units, round_trip, controlled, description, cuts, in_step, noise, damaged, speed,
)  # fmt: skip
ONCE = (info, imports, covered)  # the same for every model
