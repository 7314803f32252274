"""Finds drivers: the bundled package, entry points, and single files in the user's folder.

A driver that cannot be loaded is reported and passed over; it never stops the service.
"""

from __future__ import annotations

import difflib
import importlib
import pkgutil
import re
from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Any

import msgspec

from meterlink.errors import BadInput
from meterlink.folders import bench_folder
from meterlink.framing import Framer
from meterlink.reading import Info, Reading

GROUP = "meterlink.drivers"
BUNDLED = "meterlink_drivers"
NAME = re.compile(r"[a-z][a-z0-9_]*")


class Spec(msgspec.Struct, frozen=True):
    """A driver as found, with the model it was asked for."""

    module: Any
    origin: str
    model: str | None = None

    @property
    def info(self) -> Info:
        info: Info = self.module.INFO
        return info

    @property
    def name(self) -> str:
        """As a bench and the journal name it: "manson" or "manson:HCS-3102"."""
        return self.info.name if self.model is None else f"{self.info.name}:{self.model}"

    def driver(self) -> Framer:
        """A fresh framer."""
        framer: Framer = self.module.Driver(self.model)
        return framer

    def models(self) -> list[Spec]:
        """This driver once for each of its models; itself where there are none or one was picked."""
        if self.model is not None or not self.info.models:
            return [self]
        return [msgspec.structs.replace(self, model=model) for model in self.info.models]

    def folders(self) -> list[Path]:
        """Where its recordings may lie: captures/ beside its file, or beside the folder of its file."""
        file = getattr(self.module, "__file__", None)
        if file is None:
            return []
        return [p for p in (Path(file).parent / "captures", Path(file).parent.parent / "captures") if p.is_dir()]

    def decode(self, frame: bytes, asked: bytes | None = None) -> list[Reading]:
        """The readings of one frame. Raises BadFrame."""
        readings: list[Reading] = self.module.decode(frame, asked, self.model)
        return readings

    def build(self, reading: Reading | Sequence[Reading]) -> bytes | None:
        """The frame that shows a reading (or several, where a frame holds several); None without an inverse.

        Raises  ValueError for what no frame shows.
        """
        build = getattr(self.module, "build", None)
        return None if build is None else build(reading, self.model)

    def answer(self, asked: bytes, reading: Reading | Sequence[Reading]) -> bytes | None:
        """A polled instrument's reply to one query, or None where the driver has none."""
        answer = getattr(self.module, "answer", None)
        return None if answer is None else answer(asked, reading, self.model)


class Broken(msgspec.Struct, frozen=True):
    """A driver that was passed over, and why; its name is that of its file or entry point."""

    name: str
    origin: str
    why: str


def find(name: str, folder: Path | None = None) -> Spec:
    """The driver of that name; "NAME:MODEL" picks a model.

    Raises  BadInput with the nearest names, or the models there are.
    """
    base, _, model = name.partition(":")
    specs, passed_over = found(folder)
    if base not in specs:
        for one in passed_over:
            if one.name == base:
                raise BadInput(f"driver {base} ({one.origin}) cannot be loaded: {one.why}")
        near = difflib.get_close_matches(base, specs, 3)
        known = f"did you mean {' or '.join(near)}?" if near else f"there are: {', '.join(sorted(specs))}"
        raise BadInput(f"no driver {base!r}; {known}")
    spec = specs[base]
    if not model:
        return spec
    if model not in spec.info.models:
        models = ", ".join(spec.info.models) or "none"
        raise BadInput(f"driver {base} has no model {model!r}; it has: {models}")
    return msgspec.structs.replace(spec, model=model)


def all_specs(folder: Path | None = None) -> list[Spec]:
    """Every driver that was found, by name."""
    return [spec for _, spec in sorted(found(folder)[0].items())]


def broken(folder: Path | None = None) -> list[Broken]:
    """Those that were passed over."""
    return found(folder)[1]


def found(folder: Path | None = None) -> tuple[dict[str, Spec], list[Broken]]:
    """Look in all three places; `folder` holds the user's single files (default: the configuration folder)."""
    files = sorted((folder or bench_folder().drivers).glob("[!_]*.py"))
    return _found(tuple((file, file.stat().st_mtime_ns) for file in files))


@cache
def _found(files: tuple[tuple[Path, int], ...]) -> tuple[dict[str, Spec], list[Broken]]:
    """Cached: an auditor asks for a driver by name, record by record."""
    specs: dict[str, Spec] = {}
    passed_over: list[Broken] = []
    for name, origin, load in _places(file for file, _ in files):
        try:
            spec = Spec(check(load()), origin)
            if spec.info.name in specs:
                raise BadInput(f"a driver {spec.info.name} is there already, from {specs[spec.info.name].origin}")
        except (Exception, SystemExit) as error:  # noqa: BLE001 - whatever a stranger's file does, the others still work
            passed_over.append(Broken(name, origin, f"{type(error).__name__}: {error}"))
        else:
            specs[spec.info.name] = spec
    return specs, passed_over


def _places(files: Iterable[Path]) -> Iterator[tuple[str, str, Any]]:
    package = importlib.import_module(BUNDLED)
    for module in pkgutil.iter_modules(package.__path__):
        if module.name.startswith("_"):
            continue  # tables that drivers share
        path = f"{BUNDLED}.{module.name}"
        yield module.name, f"bundled: {module.name}", lambda path=path: importlib.import_module(path)
    for point in entry_points(group=GROUP):
        yield point.name, f"entry point: {point.value}", point.load
    for file in files:
        yield file.stem, f"file: {file}", lambda file=file: load_file(file)


def from_file(file: Path) -> Spec:
    """The driver in a single file. Raises BadInput for one that cannot be loaded."""
    try:
        return Spec(check(load_file(file)), f"file: {file}")
    except (Exception, SystemExit) as error:
        raise BadInput(f"{file} cannot be loaded: {type(error).__name__}: {error}") from error


def load_file(file: Path) -> ModuleType:
    """The module in a single file; any error of its own code goes up. Nothing is written beside it."""
    module = ModuleType(f"meterlink_driver_{file.stem}")
    module.__file__ = str(file)
    exec(compile(file.read_bytes(), str(file), "exec"), module.__dict__)
    return module


def check(module: Any) -> Any:
    """The module, if it has what the contract asks for. Raises BadInput."""
    missing: Sequence[str] = [n for n in ("INFO", "decode", "Driver") if not hasattr(module, n)]
    if missing:
        raise BadInput(f"no {', '.join(missing)}: see docs/writing-a-driver.md")
    if not isinstance(module.INFO, Info):
        raise BadInput("INFO is no meterlink.driver.Info")
    try:
        msgspec.convert(msgspec.to_builtins(module.INFO), Info)
    except (TypeError, ValueError) as error:
        raise BadInput(f"INFO is not of the contract's types: {error}") from error
    if not NAME.fullmatch(module.INFO.name):
        raise BadInput(f"INFO.name {module.INFO.name!r} is not lower-case letters, digits and underscores")
    return module
