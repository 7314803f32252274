"""The supply: what it shows, feeding a shorted rail, and off."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from meterlink.bench.injection import CAUTIONS
from meterlink.cli.output import Dir, Json, echo, emit, say, table
from meterlink.errors import BadInput, CheckFailed, MeterlinkError, Refused, Unreachable
from meterlink.folders import bench_folder
from meterlink.service import wire

app = typer.Typer(help="The supply: show, inject, off.", no_args_is_help=True)


@app.command()
def show(dir_: Dir = None, json: Json = False) -> None:
    """What the supplies measure and are set to.

    Example: meterlink supply show
    """
    reply = wire.call(bench_folder(dir_).socket, "supply show")
    if json:
        for name, values in reply["supplies"].items():
            emit({"supply": name, **values})
        return
    table(
        ("supply", "volts", "amperes", "set volts", "set amperes", "state"),
        [
            (name, v.get("voltage"), v.get("current"), v.get("set voltage"), v.get("set current"), _words(v))
            for name, v in reply["supplies"].items()
        ],
    )
    if reply["alarm"]:
        say(f"ALARM {reply['alarm']}")


def _words(values: dict[str, Any]) -> str:
    return " ".join(values.get("flags", []))


@app.command(
    help=f"""Feed a shorted rail a low voltage, limited and timed, and tell what flows. Ctrl-C switches off.

    {CAUTIONS}

    Example: meterlink supply inject +3V3 --volts 1 --amperes 1.5 --confirm
    """
)
def inject(
    rail: Annotated[str, typer.Argument(help="The rail that is fed, as the sheet names it.")],
    volts: Annotated[float, typer.Option(help="At most the rail's nominal voltage; well below to start with.")],
    amperes: Annotated[float, typer.Option(help="The current limit.")],
    hold: Annotated[float, typer.Option(help="Seconds; then it is switched off.")] = 10.0,
    nominal: Annotated[float | None, typer.Option(help="The rail's nominal volts where no sheet says.")] = None,
    supply: Annotated[str | None, typer.Option(help="Which supply, where the bench has several.")] = None,
    confirm: Annotated[bool, typer.Option("--confirm", help="The cautions were read and hold for this board.")] = False,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    socket = bench_folder(dir_).socket
    watching = wire.watch(socket)
    if next(watching, None) is None:
        raise Unreachable("the service ended: nothing was switched on")
    fields = {"rail": rail, "volts": volts, "amperes": amperes, "hold_s": hold, "nominal": nominal}
    name = wire.call(socket, "supply inject", **fields, instrument=supply, confirm=confirm)["instrument"]
    try:
        end = _follow(watching, name, json)
    except KeyboardInterrupt:
        wire.call(socket, "supply off", source="key")  # answered when it was seen off; else it raises
        end = _follow(watching, name, json)
    if not end["off"]:
        raise CheckFailed(f"OFF COULD NOT BE CONFIRMED: switch the supply off by hand ({end['why']})")
    if not end["switched_on"]:
        raise Refused(f"not switched on: {end['why']}")
    say(f"off: {end['why']}; {end['energy_j']:.2f} J")


def _follow(watching: Any, name: str, json: bool) -> dict[str, Any]:
    """Tell what flows, until the injection of this supply ends; gives how."""
    for message in watching:
        if message["event"] == "effect" and message["sound"] == "short-cleared":
            say(message["text"])
        if message["event"] != "injection" or message["instrument"] != name:
            continue
        if message["state"] == "ended":
            return dict(message)
        if json:
            emit(message)
        else:
            ohms = "-" if message["ohms"] is None else f"{message['ohms'] * 1000:.0f} mOhm"
            echo(
                f"{message['volts']:6.3f} V {message['amperes']:6.3f} A {message['watts']:6.3f} W "
                f"{ohms:>12} ({message['wires']}-wire) {message['mode'] or ''}"
            )
    raise MeterlinkError("the service ended; its supply is switched off by it, or by its own protection: look at it")


@app.command()
def off(
    by_hand: Annotated[
        bool, typer.Option("--by-hand", help="You switched it off by hand and looked: ends the alarm; it is recorded.")
    ] = False,
    supply: Annotated[str | None, typer.Option(help="With --by-hand: which, where alarms stand for several.")] = None,
    by: Annotated[str | None, typer.Option(help="Who says so.")] = None,
    dir_: Dir = None,
    json: Json = False,
) -> None:
    """Switch off every supply that the bench may switch, and see it off; exit status 1 where that cannot be confirmed.

    Example: meterlink supply off
    """
    if supply is not None and not by_hand:
        raise BadInput("--supply goes with --by-hand: without it every supply is switched off")
    reply = wire.call(bench_folder(dir_).socket, "supply off", by_hand=by_hand, instrument=supply, by=by)
    if json:
        emit({"off": reply["off"]})
    else:
        for line in reply["text"]:
            echo(line)
