"""The commands that talk to a running service: run, status, the pedal's actions, and what is current."""

from __future__ import annotations

import contextlib
import shutil
import signal
import tempfile
from pathlib import Path
from typing import Annotated, Any

import typer

from meterlink.cli.output import Dir, Json, echo, emit, say, table
from meterlink.errors import BadInput
from meterlink.folders import Folders, bench_folder, runtime_folder
from meterlink.service import wire
from meterlink.wording import quantity


def run(
    dir_: Dir = None,
    config: Annotated[Path | None, typer.Option(help="The bench's TOML file.")] = None,
    new_journal: Annotated[
        bool, typer.Option("--new-journal", help="Set the journal aside whole, and begin a new one beside it.")
    ] = False,
) -> None:
    """The service, in the foreground; SIGTERM, Ctrl-C or closing its terminal ends it in order.

    A journal whose newest segment does not hold together, or is not as it was synced, is not gone on with:
    --new-journal keeps it, under another name. (What else was changed, and any change to all of it: journal verify.)

    Example: meterlink run --config bench.toml
    """
    from meterlink.bench.events import Effect
    from meterlink.journal.aside import set_aside
    from meterlink.journal.disk import REAL
    from meterlink.journal.reader import segments
    from meterlink.link.opening import open_link
    from meterlink.service.config import load
    from meterlink.service.loop import Service
    from meterlink.sound import Player

    folders = bench_folder(dir_)
    loaded = load(config or folders.config, folders)

    if folders.journal.is_dir():
        segments(folders.journal)  # a pipe under a segment's name is told as the reading commands tell it
    if new_journal and (aside := set_aside(REAL, folders.journal)):
        say(f"the old journal lies in {aside}: nothing in it was changed")
    place = runtime_folder(folders)
    prefix = f"{folders.socket.stem}-sound-"
    sounds = tempfile.TemporaryDirectory(prefix=prefix, dir=place)
    player = Player(loaded.config.sound, sounds.name, say)

    def line(text: str) -> None:
        with contextlib.suppress(OSError):  # the terminal was closed: the bench goes on without it, and ends in order
            say(text)

    def tell(effect: Effect) -> None:
        player.play(effect)
        line(f"{effect.sound:>14}  {effect.text}")

    service = Service(
        loaded,
        folders,
        open_link,
        tell,
        say=lambda text: line(f"{'':>14}  {text}"),
        sound_problem=lambda: player.problem,
    )
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        if signal.getsignal(number) is not signal.SIG_IGN:  # nohup: a closed terminal shall not end it
            signal.signal(number, lambda n, _: service.stop(signal.Signals(n).name))
    for left in set(place.glob(f"{prefix}*")) - {
        Path(sounds.name)
    }:  # of a service that was killed: this one has the lock
        shutil.rmtree(left, ignore_errors=True)
    say(f"bench {loaded.config.bench}: journal {folders.journal}")
    try:
        service.run()
    finally:
        player.end()
        sounds.cleanup()


def status(dir_: Dir = None, json: Json = False) -> None:
    """Instruments, rates, bad bytes, context, disk, last keep.

    Example: meterlink status
    """
    reply = wire.call(bench_folder(dir_).socket, "status")
    if json:
        emit({k: v for k, v in reply.items() if k != "ok"})
        return
    now, journal = reply["context"], reply["journal"]
    echo(
        f"bench {reply['bench']}: job {now['job'] or '-'}, board {now['board'] or '-'}, "
        f"point {now['point'] or '-'}, stage {now['stage'] or '-'}, {reply['operator']} at the bench"
    )
    table(
        ("instrument", "driver", "port", "state", "readings/s", "frames", "bad", "skipped bytes", "what to do"),
        [
            (
                i["instrument"],
                i["driver"],
                i["port"],
                i["state"],
                f"{i['rate_hz']:.1f}",
                i["frames"],
                i["bad"],
                i["skipped"],
                i["likely"],
            )
            for i in reply["instruments"]
        ],
    )
    echo(
        f"journal {journal['segment']}: {journal['durable_seq']} records on disk"
        + (f"; FAILING: {journal['failing']}" if journal["failing"] else "")
        + (f"; {free / 1e9:.1f} GB free" if (free := reply["disk"]["free_bytes"]) is not None else "")
    )
    for name, one in reply["inputs"].items():
        echo(f"{name}: {one['state']}" + (f": {one['why']}" if one["why"] else ""))
    if reply["sound"]:
        echo(f"SOUND: {reply['sound']}")
    if reply["alarm"]:
        echo(f"ALARM: {reply['alarm']}")
    if keep := reply["last_keep"]:
        echo(f"last keep: {_kept(keep)}")


def _kept(r: dict[str, Any]) -> str:
    value = quantity(r["value"], r["unit"], r["resolution"], r["state"])
    return f"{r['board'] or '-'} {r['point'] or 'free'} {value} {r['verdict'] or ''}".strip()


def act(folders: Folders, json: bool, do: str, **fields: Any) -> None:
    """Ask the service for something that is recorded, and say what was."""
    reply = wire.call(folders.socket, do, **fields)
    for record in reply["records"]:
        if json:
            emit(record)
    if not json:
        kept = [_kept(r) for r in reply["records"] if r["kind"] == "kept" and not r["moved"]]
        words = kept or reply["text"] or [told for r in reply["records"] if (told := _told(r))]
        echo("; ".join(words or ["done"]))


def _told(r: dict[str, Any]) -> str:
    """What was recorded, in words: a command that takes the current board or job says which that was."""
    words: tuple[str | None, ...]
    match r["kind"]:
        case "context":
            words = (f"at {r['point']}," if r["point"] else None, f"stage {r['stage']}" if r["stage"] else None)
        case "job":
            words = (f"job {r['job']}:", r["state"] if r["event"] == "changed" else r["event"], r["text"])
        case "board":
            words = (f"board {r['board']}:", r["state"] or r["event"], r["text"])
        case "finding":
            words = (f"board {r['board'] or '-'}:", r["what"], r["part"], r["text"])
        case "void":
            words = (f"record {r['of']} is withdrawn:", r["why"])
        case _:
            return ""
    return " ".join(filter(None, words)).rstrip(",")


def keep(dir_: Dir = None, json: Json = False) -> None:
    """Keep what the meter shows now for the current point, and step on (a tap of the pedal).

    Example: meterlink keep
    """
    act(bench_folder(dir_), json, "keep")


def back(dir_: Dir = None, json: Json = False) -> None:
    """Take back the last keep and step back (a double tap).

    Example: meterlink back
    """
    act(bench_folder(dir_), json, "back")


def next_(dir_: Dir = None, json: Json = False) -> None:
    """Step on without a reading (a long press).

    Example: meterlink next
    """
    act(bench_folder(dir_), json, "next")


def undo(
    by: Annotated[str | None, typer.Option(help="Whose last act; default: of who is at the bench.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Take back the last thing that you recorded, with all that it set; again for the one before it.

    Example: meterlink undo
    """
    act(bench_folder(dir_), json, "undo", by=by)


def leave_out(
    points: Annotated[
        list[str] | None, typer.Argument(metavar="POINT...", help="Default: all that are pending.")
    ] = None,
    why: Annotated[str | None, typer.Option(help="The reason; it is recorded.")] = None,
    by: Annotated[str | None, typer.Option(help="Who says so.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Leave points of the sheet out on purpose; one reason may cover all that are left.

    Example: meterlink leave-out U8 J2 --why "connector missing"
    """
    act(bench_folder(dir_), json, "leave out", points=points or None, why=why, by=by)


def move(
    seq: Annotated[int | None, typer.Argument(help="The keep's seq; default: the last one of the board.")] = None,
    point: Annotated[str | None, typer.Option(help="The point that it belongs to.")] = None,
    board: Annotated[str | None, typer.Option(help="The board that it belongs to.")] = None,
    of: Annotated[str | None, typer.Option("--job", help="That board's job; default: the keep's.")] = None,
    by: Annotated[str | None, typer.Option(help="Who says so.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Move a keep to the right point or board, or name a free touch; it is judged anew there.

    Example: meterlink move --point U8
    """
    act(bench_folder(dir_), json, "move", of=seq, point=point, board=board, job=of, by=by)


def who(name: str, dir_: Dir = None, json: Json = False) -> None:
    """Say who is at the bench from now on; it stands in the records.

    Example: meterlink who anna
    """
    act(bench_folder(dir_), json, "who", name=name)


def point(name: str, dir_: Dir = None, json: Json = False) -> None:
    """Go to a test point.

    Example: meterlink point C412
    """
    act(bench_folder(dir_), json, "point", point=name)


def stage(name: Annotated[str, typer.Argument(help="before or after")], dir_: Dir = None, json: Json = False) -> None:
    """Keep for before or after the repair from now on.

    Example: meterlink stage after
    """
    act(bench_folder(dir_), json, "stage", stage=name)


def power(
    state: Annotated[str | None, typer.Argument(metavar="on|off", help="Default: the other of the two.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Confirm that the board's power is on now, or off and its capacitors discharged. Nothing is switched.

    Example: meterlink power on
    """
    if state not in ("on", "off", None):
        raise BadInput(f"power is on or off, not {state!r}")
    act(bench_folder(dir_), json, "power", on=None if state is None else state == "on")


def void(
    seq: Annotated[int, typer.Argument(help="The record's seq.")],
    why: Annotated[str, typer.Option(help="The reason; it is recorded.")],
    by: Annotated[str | None, typer.Option(help="Who says so.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Withdraw an earlier record; it stays in the journal and counts for nothing.

    Example: meterlink void 4711 --why "probe slipped"
    """
    act(bench_folder(dir_), json, "void", of=seq, why=why, by=by)


def add_to(app: typer.Typer) -> None:
    app.command("run")(run)
    app.command("status")(status)
    app.command("keep")(keep)
    app.command("back")(back)
    app.command("next")(next_)
    app.command("undo")(undo)
    app.command("leave-out")(leave_out)
    app.command("move")(move)
    app.command("who")(who)
    app.command("point")(point)
    app.command("stage")(stage)
    app.command("power")(power)
    app.command("void")(void)
