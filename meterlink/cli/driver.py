"""Drivers on the command line: list, show, decode, check, new, record."""

from __future__ import annotations

import re
import shlex
import sys
import time
from datetime import datetime, timezone
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from meterlink import registry
from meterlink.cli.output import Json, echo, emit, say, table
from meterlink.errors import BadInput, CheckFailed
from meterlink.folders import bench_folder
from meterlink.reading import BadFrame, Line, Reading
from meterlink.records import double
from meterlink.wholefile import not_written

app = typer.Typer(help="Drivers: the instruments that are known, and the kit for new ones.", no_args_is_help=True)

Name = Annotated[
    str,
    typer.Argument(metavar="NAME|FILE", help="A driver's name, with a model where it has some: ka:V2.0; or its file."),
]


def _find(name: str) -> registry.Spec:
    """The driver of that name, or the one in a file that is being written; ":MODEL" behind either.

    Raises  BadInput for none, one that cannot be loaded, or a model that it has not.
    """
    in_file = re.fullmatch(r"(.+\.py)(?::(.*))?", name)
    if in_file is None:
        return registry.find(name, bench_folder().drivers)
    spec, model = registry.from_file(Path(in_file[1])), in_file[2]
    if not model:
        return spec
    for one in spec.models():
        if one.model == model:
            return one
    raise BadInput(f"driver {spec.name} has no model {model!r}; it has: {', '.join(spec.info.models) or 'none'}")


@app.command("list")
def list_(json: Json = False) -> None:
    """List every driver with its instruments and where its protocol is published.

    Example: meterlink driver list
    """
    folder = bench_folder().drivers
    specs = registry.all_specs(folder)
    for one in registry.broken(folder):
        say(f"passed over: {one.origin}: {one.why}")
    if json:
        for spec in specs:
            emit(_about(spec))
        return
    rows = [(s.name, s.info.kind, ", ".join(s.info.instruments), s.info.published, s.info.sure) for s in specs]
    table(("driver", "kind", "instruments", "published in", "how sure"), rows)


@app.command()
def show(name: Name, json: Json = False) -> None:
    """Show how an instrument is wired, its settings, its models, and the source of its tables.

    Example: meterlink driver show fs9721
    """
    spec = _find(name)
    about = _about(spec)
    if json:
        emit(about)
        return
    for key, value in about.items():
        if value not in (None, "", [], ()):
            echo(f"{key.replace('_', ' '):<14} {_plain(value)}")


def _about(spec: registry.Spec) -> dict[str, Any]:
    info = spec.info
    return {
        "name": spec.name,
        "title": info.title,
        "kind": info.kind,
        "instruments": list(info.instruments),
        "published": info.published,
        "sure": info.sure,
        "notes": info.notes,
        "wiring": info.wiring,
        "line": None if info.line is None else msgspec.to_builtins(info.line),
        "usb": [f"{u.vendor:04x}:{u.product:04x}" for u in info.usb],
        "links": list(info.links),
        "sends": "by itself" if info.poll_s is None else f"when asked, every {info.poll_s:g} s",
        "rate_hz": info.rate_hz,
        "frame_length": info.frame_length,
        "models": list(info.models),
        "version": info.version,
        "origin": spec.origin,
    }


def _plain(value: object) -> str:
    if isinstance(value, dict):
        line = msgspec.convert(value, Line)
        pins = f"DTR {'on' if line.dtr else 'off'}, RTS {'on' if line.rts else 'off'}"
        return f"{line.baudrate} baud {line.bytesize}{line.parity}{line.stopbits}, {pins}"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


@app.command()
def decode(
    name: Name,
    model: Annotated[
        str | None, typer.Option(help="The model, where the same bytes mean something else by model.")
    ] = None,
) -> None:
    """Decode hex frames from stdin, one a line; one JSON line for each on stdout.

    A line is the frame's bytes in hex, blanks are free; of a polled instrument ASKED : FRAME, where the meaning hangs
    on what was asked. The answer is {"readings":[...]} in the journal's names, or {"error":"..."}.

    Example: echo 17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0 | meterlink driver decode fs9721
    """
    spec = _find(f"{name}:{model}" if model else name)
    for data in sys.stdin.buffer:
        text = data.decode("latin-1").strip()
        if text:
            emit(_decoded(spec, text))


def _decoded(spec: registry.Spec, text: str) -> dict[str, Any]:
    asked_hex, colon, frame_hex = text.rpartition(":")
    try:
        frame, asked = bytes.fromhex(frame_hex), bytes.fromhex(asked_hex) if colon else None
    except ValueError:
        return {"error": f"no bytes in hex: {text[:80]!r}"}
    try:
        readings = spec.decode(frame, asked)
    except BadFrame as error:
        return {"error": str(error)}
    except Exception as error:  # noqa: BLE001 - a stranger's driver may raise anything; no traceback reaches a user
        return {"error": f"driver {spec.name} raised {type(error).__name__}: {error}; run meterlink driver check"}
    return {"readings": [_fields(r, frame, asked) for r in readings]}


def _fields(reading: Reading, frame: bytes, asked: bytes | None) -> dict[str, Any]:
    """A reading in the journal's names (docs/journal.md)."""
    return {
        "function": reading.function,
        "coupling": reading.coupling,
        "value": double(reading.value),
        "unit": reading.unit,
        "resolution": double(reading.resolution),
        "state": reading.state,
        "flags": list(reading.flags),
        "display": reading.display,
        "channel": reading.channel,
        "raw": frame.hex(),
        "asked": asked.hex() if asked else None,
    }


@app.command()
def check(
    name: Name,
    json: Json = False,
) -> None:
    """Run every check on a driver: recordings, round trip, cuts, noise, lost bytes, random bytes, time per frame.

    Exit status 1 if one fails. Example: meterlink driver check fs9721
    """
    from meterlink.driver_check import check_driver

    spec = _find(name)
    results = check_driver(spec)
    words = {True: "good", False: "WRONG", None: "-"}
    if json:
        for result in results:
            emit(result)
    else:
        table(("", "check", "result"), [(words[r.ok], r.name, r.detail) for r in results])
    wrong = [r for r in results if r.ok is False]
    if wrong:
        raise CheckFailed(
            f"driver {spec.name}: {len(wrong)} of {len(results)} checks failed; {wrong[0].name}: {wrong[0].detail}"
        )


@app.command()
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="Lower-case letters, digits and underscores.")],
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FOLDER", help="Where to; default: the folder of your drivers.")
    ] = None,
) -> None:
    """Write a driver that passes its checks, of a made-up meter with a recording, to be changed into yours.

    Example: meterlink driver new mymeter
    """
    from meterlink.driver_check import skeleton

    own = bench_folder().drivers
    known = {spec.info.name for spec in registry.all_specs(own)}
    if name in known:
        raise BadInput(f"there is a driver {name} already: choose another name")
    for path in skeleton.write(name, to or own):
        echo(path)
    what = str(to / f"{name}.py") if to else name
    say(f"now: meterlink driver check {shlex.quote(what)}, and docs/writing-a-driver.md")


@app.command()
def record(
    port: Annotated[str, typer.Argument(metavar="PORT", help="As meterlink ports names it.")],
    driver: Annotated[
        str | None, typer.Option(help="A driver, or its file: for the line's settings, and to ask a polled one.")
    ] = None,
    baud: Annotated[int | None, typer.Option(min=50, help="The line's speed, where there is no driver yet.")] = None,
    line: Annotated[str, typer.Option(metavar="8N1", help="Data bits, parity N, E or O, stop bits.")] = "8N1",
    instrument: Annotated[str, typer.Option(help="Maker and model.")] = "unknown",
    seconds: Annotated[float | None, typer.Option(min=0, help="End after so many seconds; default: at q.")] = None,
    every: Annotated[float, typer.Option(min=1, help="Seconds between two questions.")] = 10.0,
    output: Annotated[Path | None, typer.Option("--output", "-o", help="The file to write.", dir_okay=False)] = None,
) -> None:
    """Record an instrument's raw bytes with their timing, and ask in rhythm what is on its display.

    Without --driver, or with a streaming one, nothing is sent. With a polled one it is asked without end: a query can
    change its function, take it off its front panel, and in some instruments move a relay. Take the board off it first.

    Example: meterlink driver record /dev/ttyUSB0 --baud 2400 --instrument "Maker Model"
    """
    from meterlink.cli.record import Session, typed
    from meterlink.link.opening import open_link

    spec = _find(driver) if driver else None
    if spec is None and baud is None and ":" not in port:
        raise BadInput(f"{port}: give --driver, or --baud and --line: which speed does it have?")
    settings = _line(baud, line) if baud else spec.info.line if spec else None
    at = datetime.now(timezone.utc)
    path = output or Path(f"{spec.info.name if spec else 'unknown'}-{at:%Y%m%dT%H%M%SZ}.rec")
    headers = {
        "driver": spec.name if spec else "unknown",
        "instrument": instrument,
        "source": f"recorded from {instrument} on {at:%Y-%m-%d}",
        "line": f"{settings.baudrate} {settings.bytesize}{settings.parity}{settings.stopbits}" if settings else "-",
    }
    link = open_link(port, settings, spec.info.usb if spec else ())
    try:
        with path.open("x", encoding="utf-8") as file:
            file.writelines(f"# {key}: {value}\n" for key, value in headers.items())
            framer = spec.driver() if spec else None
            session = Session(link, file, now=time.monotonic, say=say, answer=typed, driver=framer, every_s=every)
            session.run(seconds)
    except FileExistsError as error:
        raise BadInput(f"{path} is there already: name another file with -o") from error
    except OSError as error:
        raise not_written(path, error, "name another file (-o)") from error
    finally:
        link.close()
    echo(f"{path}: {session.bytes} bytes, {session.seen} displays told")
    if session.bytes == 0:
        say("no byte came: is its sending switched on, the cable seated, the speed right?")


def _line(baud: int, text: str) -> Line:
    try:
        return msgspec.convert(
            {"baudrate": baud, "bytesize": int(text[0]), "parity": text[1].upper(), "stopbits": int(text[2:])}, Line
        )
    except (ValueError, IndexError) as error:
        raise BadInput(f"--line {text}: data bits, parity and stop bits, like 8N1 or 7O1") from error
