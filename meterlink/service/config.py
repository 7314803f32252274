"""The bench's TOML file, checked key by key before anything is opened.

Every error is one line: file, key, what, what to do; nothing has been written by then.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import sys
from pathlib import Path
from typing import Any, Literal

import msgspec

from meterlink import registry
from meterlink.accuracy import Profile, find_profile
from meterlink.bench.injection import Ceilings
from meterlink.control import Control
from meterlink.errors import BadInput
from meterlink.folders import Folders
from meterlink.reading import BadFrame, Line
from meterlink.settle import Rules
from meterlink.sound import Settings as Sound

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib


class LineOverride(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Serial settings of this cable that differ from the driver's; what is absent is the driver's."""

    baudrate: int | None = None
    bytesize: Literal[5, 6, 7, 8] | None = None
    parity: Literal["N", "E", "O"] | None = None
    stopbits: Literal[1, 2] | None = None
    dtr: bool | None = None
    rts: bool | None = None


class Instrument(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One [instruments.NAME] table.

    hands_free  contacts of this meter are kept by themselves (a supply never is)
    control     a supply that `supply inject` may switch; without it nothing that changes it is ever sent
    """

    driver: str
    port: str
    accuracy: str | None = None
    line: LineOverride | None = None
    hands_free: bool = True
    control: bool = False


class Config(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The whole file."""

    bench: str = "bench"
    operator: str | None = None
    instruments: dict[str, Instrument] = {}
    keep: Rules = Rules()
    sound: Sound = Sound()
    supply: Ceilings = Ceilings()


class Loaded(msgspec.Struct, frozen=True):
    """A checked configuration with what it names: specs, lines and accuracy profiles by instrument."""

    config: Config
    sha256: str | None
    specs: dict[str, registry.Spec]
    lines: dict[str, Line | None]
    profiles: dict[str, Profile]
    controls: dict[str, Control]


def load(file: Path, folders: Folders) -> Loaded:
    """Read and check a bench's file.

    Raises  BadInput naming the file and the line or key, and what to do.
    """
    try:
        data = file.read_bytes()
    except FileNotFoundError as error:
        raise BadInput(f"{file} is not there: write one (meterlink setup) or name it (--config)") from error
    except OSError as error:
        raise BadInput(f"{file} cannot be read: {error.strerror}") from error
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except UnicodeDecodeError as error:
        raise BadInput(f"{file}: not UTF-8 at byte {error.start}: save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise BadInput(f"{file}: {error}") from error
    return check(parse(table, file), hashlib.sha256(data).hexdigest(), folders, str(file))


def parse(table: dict[str, Any], file: Path | str) -> Config:
    """A Config from a TOML table. Raises BadInput with the key, and the nearest key there is."""
    try:
        return msgspec.convert(table, Config)
    except msgspec.ValidationError as error:
        raise BadInput(f"{file}: {_say(str(error))}") from error


def check(config: Config, sha256: str | None, folders: Folders, where: str) -> Loaded:
    """Resolve what the configuration names: drivers, lines, profiles. Raises BadInput."""
    specs, lines, profiles, controls = {}, {}, {}, {}
    ports: dict[str, str] = {}
    for name, one in config.instruments.items():
        key = f"{where}: instruments.{name}"
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*", name):
            raise BadInput(f"{key}: an instrument's name has letters, digits, _ . - only")
        try:
            specs[name] = spec = registry.find(one.driver)
        except BadInput as error:
            raise BadInput(f"{key}.driver: {error}") from error
        if one.port in ports:
            raise BadInput(f"{key}.port: {one.port} is {ports[one.port]}'s already: one instrument a port")
        ports[one.port] = name
        if one.control:
            controls[name] = _control(spec, key)
        lines[name] = _line(spec.info.line, one.line)
        if one.accuracy is not None:
            try:
                profiles[name] = find_profile(one.accuracy, folders.profiles)
            except BadInput as error:
                raise BadInput(f"{key}.accuracy: {error}") from error
    return Loaded(config, sha256, specs, lines, profiles, controls)


def _control(spec: registry.Spec, key: str) -> Control:
    make = getattr(spec.module, "control", None)
    if spec.info.kind != "supply" or make is None:
        raise BadInput(f"{key}.control: {spec.name} is no supply that can be switched; remove the key")
    try:
        control: Control = make(spec.model)
    except BadFrame as error:
        raise BadInput(f"{key}.control: {error}") from error
    return control


def _line(line: Line | None, override: LineOverride | None) -> Line | None:
    if override is None:
        return line
    changed = {k: v for k, v in msgspec.structs.asdict(override).items() if v is not None}
    return msgspec.structs.replace(line, **changed) if line else Line(**{"baudrate": 9600, **changed})


_KEYS: dict[str, type[msgspec.Struct]] = {
    "": Config,
    "instruments[...]": Instrument,
    "instruments[...].line": LineOverride,
    "keep": Rules,
    "sound": Sound,
    "supply": Ceilings,
}


def _say(message: str) -> str:
    """msgspec's message with the key first and, for an unknown key, the nearest one there is."""
    what, _, path = message.partition(" - at `")
    path = path.rstrip("`").removeprefix("$").removeprefix(".")
    unknown = re.search(r"unknown field `([^`]+)`", what)
    if not unknown:
        return f"{path or 'the file'}: {what[0].lower()}{what[1:]}"
    fields = [f.name for f in msgspec.structs.fields(_KEYS[path])] if path in _KEYS else []
    near = difflib.get_close_matches(unknown[1], fields, 1)
    hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(fields)}" if fields else "remove it"
    return f"{path + '.' if path else ''}{unknown[1]}: no such key; {hint}"
