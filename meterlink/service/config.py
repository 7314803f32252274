"""The bench's TOML file, checked key by key before anything is opened.

Every error is one line: file, key, what, what to do; nothing has been written by then.
"""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any, Literal, TypeVar, get_args

import msgspec

from meterlink import registry, tomlfile
from meterlink.accuracy import Profile, find_profile
from meterlink.bench.fence import DriverFailed, called
from meterlink.bench.injection import Ceilings
from meterlink.control import Control
from meterlink.errors import BadInput
from meterlink.folders import Folders
from meterlink.inputs.settings import PedalSettings, ScannerSettings
from meterlink.link import opening
from meterlink.reading import BadFrame, Baudrate, Line
from meterlink.settle import Rules
from meterlink.sound import Settings as Sound
from meterlink.tomlfile import KeyPath

S = TypeVar("S", bound=msgspec.Struct)


class LineOverride(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Serial settings of this cable that differ from the driver's; what is absent is the driver's."""

    baudrate: Baudrate | None = None
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


class SealSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The [seal] table: the OpenSSH key that signs at each new segment and at the end of each job."""

    key: str


class Config(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The whole file.

    neighbours  journals of the shop's other benches: a board that is on one of them is not taken here
    """

    bench: str = "bench"
    operator: str | None = None
    instruments: dict[str, Instrument] = {}
    keep: Rules = Rules()
    sound: Sound = Sound()
    supply: Ceilings = Ceilings()
    pedal: PedalSettings | None = None
    scanner: ScannerSettings | None = None
    neighbours: tuple[str, ...] = ()
    seal: SealSettings | None = None


class Loaded(msgspec.Struct, frozen=True):
    """A checked configuration with what it names: specs, lines and accuracy profiles by instrument."""

    config: Config
    sha256: str | None
    specs: dict[str, registry.Spec]
    lines: dict[str, Line | None]
    profiles: dict[str, Profile]
    controls: dict[str, Control]


def load(path: Path, folders: Folders) -> Loaded:
    """Read and check a bench's file, and what it names: drivers, lines, profiles.

    Raises  BadInput, one line FILE:LINE: key: what and what to do.
    """
    if not path.exists():
        raise BadInput(f"{path} is not there: write one (meterlink setup) or name it (--config)")
    file = tomlfile.read(path)
    config = _config(file)
    specs, lines, profiles, controls = {}, {}, {}, {}
    ports = _inputs(config, file)
    for name, one in config.instruments.items():
        at = ("instruments", name)
        if why := name_problem(name):
            raise BadInput(file.problem(at, why))
        try:
            specs[name] = spec = registry.find(one.driver, folders.drivers)
        except BadInput as error:
            raise BadInput(file.problem((*at, "driver"), str(error))) from error
        try:
            opening.parse(one.port)
        except BadInput as error:
            raise BadInput(file.problem((*at, "port"), str(error))) from error
        if one.port in ports:
            what = f"{one.port} is {ports[one.port]}'s already: one instrument a port"
            raise BadInput(file.problem((*at, "port"), what))
        ports[one.port] = name
        if one.control:
            controls[name] = _control(spec, file, (*at, "control"))
        lines[name] = _line(spec.info.line, one.line)
        if one.accuracy is not None:
            try:
                profiles[name] = find_profile(one.accuracy, folders.profiles)
            except BadInput as error:
                raise BadInput(file.problem((*at, "accuracy"), str(error))) from error
    return Loaded(config, hashlib.sha256(file.data).hexdigest(), specs, lines, profiles, controls)


def _inputs(config: Config, file: tomlfile.TomlFile) -> dict[str, str]:
    """Check the pedal's and the scanner's tables; gives whose their ports are."""
    ports: dict[str, str] = {}
    for name, table in (("pedal", config.pedal), ("scanner", config.scanner)):
        if table is None:
            continue
        if problem := table.problem():
            raise BadInput(file.problem((name, problem[0]), problem[1]))
        port = table.port.upper() if table.kind == "keyboard" else table.port
        if port in ports:
            raise BadInput(file.problem((name, "port"), f"{table.port} is the {ports[port]}'s already"))
        ports[port] = name
    return ports


def name_problem(name: str) -> str | None:
    """Why an instrument cannot be called so, or None."""
    good = re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_.-]*", name)
    return None if good else "an instrument's name begins with a letter or digit and has only those and _ . -"


def _config(file: tomlfile.TomlFile) -> Config:
    """Table by table, so that each problem is told with its line."""
    table = dict(file.table)
    instruments = table.pop("instruments", {})
    if not isinstance(instruments, dict):
        raise BadInput(file.problem(("instruments",), "instruments are tables: [instruments.NAME]"))
    each = {name: _table(file, ("instruments", name), one, Instrument) for name, one in instruments.items()}
    return msgspec.structs.replace(_table(file, (), table, Config), instruments=each)


def _table(file: tomlfile.TomlFile, at: KeyPath, table: object, shape: type[S]) -> S:
    try:
        return msgspec.convert(table, shape)
    except msgspec.ValidationError as error:
        what, _, path = str(error).partition(" - at `$")
        key: KeyPath = (*at, *(p for p in path.rstrip("`").split(".") if p))
    unknown = re.search(r"unknown field `([^`]+)`", what)
    if unknown:
        inner: Any = shape
        for part in key[len(at) :]:
            inner = next(f.type for f in msgspec.structs.fields(inner) if f.name == part)
            inner = next((t for t in get_args(inner) if hasattr(t, "__struct_fields__")), inner)
        names = [f.name for f in msgspec.structs.fields(inner)]
        raise BadInput(file.problem((*key, unknown[1]), f"no such key; {tomlfile.nearest(unknown[1], names)}"))
    missing = re.search(r"missing required field `([^`]+)`", what)
    if missing:
        raise BadInput(file.problem((*key, missing[1]), "is missing: add it"))
    raise BadInput(file.problem(key, f"{what[0].lower()}{what[1:]}"))


def _control(spec: registry.Spec, file: tomlfile.TomlFile, at: KeyPath) -> Control:
    make = getattr(spec.module, "control", None)
    if spec.info.kind != "supply" or make is None:
        raise BadInput(file.problem(at, f"{spec.name} is no supply that can be switched; remove the key"))
    try:
        control: Control = called(make, spec.model)
    except (BadFrame, DriverFailed) as error:
        raise BadInput(file.problem(at, str(error))) from error
    return control


def _line(line: Line | None, override: LineOverride | None) -> Line | None:
    if override is None:
        return line
    changed = {k: v for k, v in msgspec.structs.asdict(override).items() if v is not None}
    return msgspec.structs.replace(line, **changed) if line else Line(**{"baudrate": 9600, **changed})
