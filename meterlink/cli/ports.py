"""The command `ports`: what is plugged in, who may open it, which driver answers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Any

import msgspec
import typer

from meterlink.cli.output import Json, echo, emit, say, table
from meterlink.errors import BadInput, LinkLost
from meterlink.ports import Port
from meterlink.registry import Spec

FEW = 4  # drivers that are named one by one


def ports(
    names: Annotated[
        list[str] | None, typer.Argument(metavar="[PORT]...", help="Only these; all that are there when none is named.")
    ] = None,
    probe: Annotated[
        bool, typer.Option("--probe", help="Listen at each line setting and tell whose frames come; sends nothing.")
    ] = False,
    ask: Annotated[
        bool,
        typer.Option("--ask", help="Send the queries of polled drivers to the named ports. A query can move a relay."),
    ] = False,
    json: Json = False,
) -> None:
    """What is plugged in, who may open it, and which driver answers.

    Example: meterlink ports --probe /dev/ttyUSB0
    """
    from meterlink.link.opening import parse
    from meterlink.registry import all_specs

    named = [name for name in names or () if name != "all"]
    if ask and (not named or len(named) != len(names or ())):
        raise BadInput("--ask sends to instruments: name each port that may be asked, as in ports --ask /dev/ttyUSB0")
    for name in named:
        parse(name)
    specs = all_specs()
    if probe or ask:
        _probe(named or list(_audible(_listed(specs))), specs, probe, ask, json)
        return
    chosen = [p for p in _listed(specs) if not named or {p.port, p.stable, p.node} & set(named)]
    if named and not chosen:
        raise LinkLost(f"{', '.join(named)}: not there; see what is there with: meterlink ports")
    if json:
        for port in chosen:
            emit(port)
        return
    if not chosen:
        say("nothing is plugged in: no serial port, no USB device")
        return
    for port in chosen:
        _show(port)


def _show(port: Port) -> None:
    """One port as a block: names are long, and a name that is cut off is none."""
    echo(port.port or f"USB {port.usb}")
    rows = {
        "what": port.what,
        "USB id": port.usb,
        "serial number": port.serial,
        "stable name": port.stable if port.stable != port.port else None,
        "may be opened by": _rights(port),
        "by you": port.access and ("yes" if port.access.mine else f"no: {port.remedy}"),
        "drivers": _drivers(port.drivers),
    }
    for name, value in rows.items():
        if value:
            echo(f"    {name:<16}  {value}")


def _listed(specs: Sequence[Spec]) -> list[Port]:
    from meterlink.ports import found, serial_ports

    try:
        return found(specs)
    except LinkLost as error:
        say(f"USB devices are not listed: {error}")
        return serial_ports(specs)


def _audible(listed: Sequence[Port]) -> Iterator[str]:
    """Ports where something may come without being asked for, each by a name that means it alone."""
    from meterlink.link.opening import parse

    for port in listed:
        scheme = parse(port.port)[0] if port.port else None
        if port.port and scheme != "usbtmc":
            yield port.stable or port.port if scheme == "hid" else port.port


def _probe(names: Sequence[str], specs: Sequence[Spec], listening: bool, asking: bool, json: bool) -> None:
    from meterlink import probe
    from meterlink.link.opening import open_link

    rows: list[Any] = []
    for name in names:
        before = len(rows)
        try:
            if listening:
                say(f"listening on {name} ...")
                rows += probe.listen(name, specs, open_link)
            if asking:
                say(f"asking on {name} ...")
                rows += probe.ask(name, specs, open_link)
        except LinkLost as error:
            say(str(error))
            continue
        if len(rows) == before:
            say(f"{name}: no driver's frames; is the meter on, and its sending switched on?")
    rows.sort(key=lambda h: (h.port, -h.share, -h.frames))
    if json:
        for row in rows:
            emit({**msgspec.to_builtins(row), "share": round(row.share, 4), "sure": row.sure})
        return
    if rows:
        table(
            ("port", "driver", "line", "frames", "bytes in frames", "other bytes", "how sure", "last shown"),
            [(h.port, h.driver, h.line, h.frames, h.taken, h.skipped, h.sure, h.last) for h in rows],
        )


def _rights(port: Port) -> str | None:
    if port.access is None:
        return None
    who = f"{port.access.owner}, group {port.access.group} ({port.access.mode})"
    return ", ".join((who, *port.access.users))


def _drivers(names: Sequence[str]) -> str:
    return ", ".join(names) if len(names) <= FEW else f"any of the {len(names)} serial drivers: --probe tells which"
