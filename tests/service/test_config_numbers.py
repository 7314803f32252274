"""Every number of a bench's file, found in its types: what no bench has is refused in one line with its key."""

from __future__ import annotations

import types
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec
import pytest

from meterlink.bench import injection
from meterlink.errors import BadInput
from meterlink.folders import bench_folder
from meterlink.service.config import Config, load

BARE: dict[str, dict[str, Any]] = {  # what a table needs beside the number that is tried
    "pedal": {"kind": "contact", "port": "/dev/ttyUSB0", "switches": {"CTS": "gestures"}},
    "scanner": {"kind": "serial", "port": "/dev/ttyUSB1"},
    "instruments.meter": {"driver": "fs9721", "port": "/dev/ttyUSB2"},
}
NO_NUMBERS = ["inf", "-inf", "nan", "-1", "-0.001", "1e400", "1" + "0" * 400, "true", '"5"', "[]", "1e30"]


def numbers(shape: Any, at: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    """The paths of all keys that hold a number."""
    for name, hint in get_type_hints(shape, include_extras=True).items():
        for part in parts(hint):
            if part in (int, float):
                yield (*at, name)
            elif isinstance(part, type) and issubclass(part, msgspec.Struct):
                yield from numbers(part, (*at, name))


def parts(hint: Any) -> Iterator[Any]:
    """The plain types in an annotation; those of a table of tables too, whose name is `meter` here."""
    origin = get_origin(hint)
    if origin is Annotated:
        yield from parts(get_args(hint)[0])
    elif origin in (Union, types.UnionType, dict):
        for one in get_args(hint):
            yield from parts(one)
    elif origin not in (Literal, tuple):
        yield hint


KEYS = sorted({tuple(p if p != "instruments" else "instruments.meter" for p in key) for key in numbers(Config)})


def written(key: tuple[str, ...], value: str) -> str:
    tables: dict[str, list[str]] = {}
    *place, last = key
    for i in range(len(place)):
        name = ".".join(place[: i + 1])
        bare = BARE.get(name, {})
        tables[name] = [f"{k} = {toml(v)}" for k, v in bare.items()]
    tables.setdefault(".".join(place), []).append(f"{last} = {value}")
    return "\n".join(line for name, lines in tables.items() for line in (f"[{name}]", *lines))


def toml(value: Any) -> str:
    return "{ CTS = 'gestures' }" if isinstance(value, dict) else f"'{value}'"


def test_the_numbers_are_found() -> None:
    assert ("supply", "max_volts") in KEYS
    assert ("instruments.meter", "line", "baudrate") in KEYS
    assert ("pedal", "timing", "bounce_s") in KEYS
    assert len(KEYS) > 12


@pytest.mark.parametrize("value", NO_NUMBERS, ids=lambda v: v[:8])
@pytest.mark.parametrize("key", KEYS, ids=".".join)
def test_no_number_of_a_bench(tmp_path: Path, key: tuple[str, ...], value: str) -> None:
    folders = bench_folder(tmp_path)
    folders.config.write_text(written(key, value), encoding="utf-8")
    with pytest.raises(BadInput) as refused:
        load(folders.config, folders)
    assert key[-1] in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("key", "most"),
    [
        ("max_volts", injection.HARD_VOLTS),
        ("max_amperes", injection.HARD_AMPERES),
        ("max_watts", injection.HARD_WATTS),
        ("max_hold_s", injection.HARD_HOLD_S),
    ],
)
def test_no_file_raises_a_ceiling_beyond_the_one_in_code(tmp_path: Path, key: str, most: float) -> None:
    folders = bench_folder(tmp_path)
    folders.config.write_text(f"[supply]\n{key} = {most}\n", encoding="utf-8")
    assert getattr(load(folders.config, folders).config.supply, key) == most
    folders.config.write_text(f"[supply]\n{key} = {most + 0.01}\n", encoding="utf-8")
    with pytest.raises(BadInput, match=key):
        load(folders.config, folders)


@pytest.mark.parametrize("name", [r"/dev/tty\u0000USB0", r"/dev/tty\nUSB0", r"\u202e0BSUytt/ved/", ""])
@pytest.mark.parametrize("table", ["instruments.meter", "scanner", "pedal"])
def test_a_port_that_no_system_has(tmp_path: Path, table: str, name: str) -> None:
    folders = bench_folder(tmp_path)
    lines = [f"{k} = {toml(v)}" for k, v in BARE[table].items() if k != "port"]
    folders.config.write_text("\n".join([f"[{table}]", *lines, f'port = "{name}"']), encoding="utf-8")
    with pytest.raises(BadInput, match="port") as refused:
        load(folders.config, folders)
    assert str(refused.value).isprintable()
