"""`meterlink doctor`: what a bench needs of its machine, each with its remedy. Looks only; changes nothing."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from urllib.parse import urlsplit

import msgspec

from meterlink import registry
from meterlink.errors import LinkLost, MeterlinkError, Unreachable
from meterlink.folders import Folders
from meterlink.ports import access
from meterlink.service import wire
from meterlink.service.config import Loaded, load
from meterlink.sound import player_command

REACH_S = 3.0
ROOM_BYTES = 1 << 30  # a busy bench writes about 100 MB a day
RULES = (Path("/etc/udev/rules.d"), Path("/usr/lib/udev/rules.d"), Path("/lib/udev/rules.d"))
FLOPPY_FS = ("nfs", "nfs4", "cifs", "smb3", "fuse.sshfs", "9p")  # where fdatasync or locks promise less


class Finding(msgspec.Struct, frozen=True):
    """One thing looked at. ok None: nothing is wrong, and it is worth knowing."""

    what: str
    ok: bool | None
    found: str
    remedy: str = ""


UNTOLD = Finding("clock", None, "whether it is synchronised is not told here", "compare it with one you trust")


def examine(folders: Folders) -> Iterator[Finding]:
    """Each thing in turn; a look that fails itself is a finding."""
    looks: tuple[Callable[[Folders], Iterator[Finding]], ...] = (
        _configuration,
        _drivers,
        _journal,
        _udev,
        _usb,
        _sound,
        _clock,
        _service,
    )
    for look in looks:
        try:
            yield from look(folders)
        except (OSError, MeterlinkError, subprocess.SubprocessError) as error:
            yield Finding(look.__name__.strip("_"), False, f"could not be looked at: {error}")


def _configuration(folders: Folders) -> Iterator[Finding]:
    if not folders.config.exists():
        yield Finding("configuration", False, f"{folders.config} is not there", "write one: meterlink setup")
        return
    try:
        loaded = load(folders.config, folders)
    except MeterlinkError as error:
        yield Finding("configuration", False, str(error), "correct that line")
        return
    yield Finding("configuration", True, f"{folders.config}, {len(loaded.specs)} instruments")
    yield from _ports(loaded)
    yield from _inputs(loaded, folders)


def _ports(loaded: Loaded) -> Iterator[Finding]:
    named = [(name, one.port) for name, one in loaded.config.instruments.items()]
    for name, port in named:
        path = port.removeprefix("serial:")
        if path.startswith("/"):  # else a USB or network name: tried when it is opened
            yield _path(name, path)


def _path(name: str, path: str) -> Finding:
    seen = access(path)
    if seen is None:
        return Finding(f"port of {name}", False, f"{path} is not there", "plug it in; names: meterlink ports")
    if seen.mine:
        return Finding(f"port of {name}", True, f"{path} may be opened")
    what = f"{path} belongs to {seen.owner}:{seen.group} ({seen.mode})"
    return Finding(f"port of {name}", False, what, f"join group {seen.group}, or the udev rules")


def _inputs(loaded: Loaded, folders: Folders) -> Iterator[Finding]:
    """Pedal and scanner: nothing shows at a glance that one of them is missing, so each is looked for."""
    for name, table in (("pedal", loaded.config.pedal), ("scanner", loaded.config.scanner)):
        if table is None:
            continue
        port = table.port
        if table.kind == "keyboard":
            yield _keyboard(name, port)
        elif port.startswith(("rfc2217://", "tcp:")):
            if not _answers(folders):  # a service has it, and many servers take one connection; it is asked below
                yield _server(name, port)
        else:
            yield _path(name, port.removeprefix("serial:"))


def _answers(folders: Folders) -> bool:
    try:
        wire.call(folders.socket, "status")
    except Unreachable:
        return False
    return True


def _server(name: str, port: str) -> Finding:
    """Whether a terminal server takes a connection."""
    there = urlsplit(port if "://" in port else port.replace(":", "://", 1))
    try:
        socket.create_connection((there.hostname or "", there.port or 0), REACH_S).close()
    except OSError as error:
        return Finding(f"port of {name}", False, f"{port} cannot be reached ({error})", "switch the server on")
    return Finding(f"port of {name}", True, f"{port} takes a connection")


def _keyboard(name: str, port: str) -> Finding:
    """A keyboard-type pedal or scanner: on the bus, and may it be opened?"""
    from meterlink.link.usb import devices, node, parse_id, place, serial_of

    what, wanted = f"port of {name}", parse_id(port)
    try:
        same = [d for d in devices() if (d.idVendor, d.idProduct) == (wanted.vendor, wanted.product)]
    except LinkLost as error:
        return Finding(what, False, f"USB {port} cannot be looked for: {error}", "then plug it in anew")
    fitting = [d for d in same if wanted.which in (None, place(d)) or wanted.which == serial_of(d)]
    if not fitting:
        return Finding(what, False, f"USB {port} is not there", "plug it in; ids: meterlink ports")
    if len(fitting) > 1:
        return Finding(
            what, False, f"USB {port} is there {len(fitting)} times", f"add its place: {port}:{place(same[0])}"
        )
    seen = access(node(fitting[0]))
    if seen and not seen.mine:
        return Finding(what, False, f"{node(fitting[0])} may not be opened", "its udev line: docs/connecting.md")
    return Finding(what, True, f"USB {port} is there")


def _drivers(folders: Folders) -> Iterator[Finding]:
    specs, broken = registry.found(folders.drivers)
    yield Finding("drivers", True, f"{len(specs)} found")
    for one in broken:
        yield Finding("drivers", False, f"{one.origin}: {one.why}", "correct or remove that file")


def _journal(folders: Folders) -> Iterator[Finding]:
    place = next(p for p in (folders.journal, *folders.journal.parents) if p.exists())
    if not os.access(place, os.W_OK | os.X_OK):
        yield Finding("journal folder", False, f"{place} may not be written", "change its owner, or name another --dir")
    else:
        yield Finding("journal folder", True, str(folders.journal))
    free = shutil.disk_usage(place).free
    what = f"{free / 1e9:.1f} GB free"
    yield Finding("disk", free > ROOM_BYTES, what, "" if free > ROOM_BYTES else "make room, or move the journal")
    kind = _file_system(place)
    if kind in FLOPPY_FS:
        yield Finding("file system", False, f"{place} is on {kind}", "keep the journal on a disk of this machine")


def _file_system(place: Path) -> str:
    """The type of the mount that holds a path (/proc/self/mounts, the longest mount point that fits)."""
    best, kind = "", ""
    for line in Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace").splitlines():
        _, mount, what, *_ = line.split()
        mount = mount.encode().decode("unicode_escape")
        if len(mount) > len(best) and (mount == "/" or place.is_relative_to(mount)):
            best, kind = mount, what
    return kind


def _udev(folders: Folders) -> Iterator[Finding]:
    there = [f for folder in RULES if folder.is_dir() for f in folder.glob("*meterlink*.rules")]
    if there:
        yield Finding("udev rules", True, str(there[0]))
    else:
        yield Finding("udev rules", None, "not installed", "for USB meters and pedals: docs/connecting.md")


def _usb(folders: Folders) -> Iterator[Finding]:
    from meterlink.link.usb import devices

    try:
        n = sum(1 for _ in devices())
        yield Finding("libusb", True, f"{n} devices seen")
    except MeterlinkError as error:
        yield Finding("libusb", None, str(error), "only needed for USB HID and USBTMC")


def _sound(folders: Folders) -> Iterator[Finding]:
    command = player_command()
    if command:
        yield Finding("sound", True, f"played by {command[0]}; hear them: meterlink sound")
    else:
        yield Finding("sound", None, "no player", "install alsa-utils or pipewire-bin; the screen can flash instead")
    voice = shutil.which("espeak-ng")
    yield Finding("speech", True if voice else None, voice or "no espeak-ng", "" if voice else "only for speak = true")


def _clock(folders: Folders) -> Iterator[Finding]:
    tool = shutil.which("timedatectl")
    if not tool:
        yield Finding(
            "clock", None, "whether it is synchronised cannot be told here", "compare it with a clock you trust"
        )
        return
    done = subprocess.run(
        [tool, "show", "--property=NTPSynchronized", "--value"], capture_output=True, text=True, timeout=5, check=False
    )
    if done.returncode:
        yield Finding(
            "clock", None, "whether it is synchronised cannot be told here", "compare it with a clock you trust"
        )
    elif done.stdout.strip() == "yes":
        yield Finding("clock", True, "synchronised")
    else:
        yield Finding("clock", False, "not synchronised", "switch it on: timedatectl set-ntp true")


def _service(folders: Folders) -> Iterator[Finding]:
    try:
        reply = wire.call(folders.socket, "status")
    except Unreachable:
        yield Finding("service", None, "not running", "start it: meterlink run")
        return
    yield Finding("service", True, f"running, {reply['journal']['durable_seq']} records on disk")
    for one in reply["instruments"]:
        if one["likely"]:
            yield Finding(f"instrument {one['instrument']}", False, one["likely"], "meterlink status")
    for name, one in reply["inputs"].items():
        if one["state"] == "open":
            yield Finding(name, True, "open")
        else:
            yield Finding(name, False, f"{one['state']}: {one['why']}", f"plug it in; try it: meterlink {name}")
