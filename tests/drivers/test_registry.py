"""Drivers are found in three places; a broken one is reported and never raises."""

from __future__ import annotations

import re
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import msgspec
import pytest

from meterlink import registry
from meterlink.driver_check import skeleton
from meterlink.errors import BadInput
from meterlink.reading import Line


def test_the_bundled_ones_are_files_of_the_repository() -> None:
    files = {p.stem for p in (Path(__file__).parents[2] / "drivers").glob("[!_]*.py")}
    assert {s.origin.removeprefix("bundled: ") for s in registry.all_specs()} == files


def test_single_files_of_the_users_folder(tmp_path: Path) -> None:
    skeleton.write("mine", tmp_path)
    (tmp_path / "_tables.py").write_text("raise RuntimeError\n")
    spec = registry.find("mine", tmp_path)
    assert spec.origin == f"file: {tmp_path / 'mine.py'}"
    assert [p.name for p in spec.folders()] == ["captures"]
    assert registry.broken(tmp_path) == []


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("def", "SyntaxError"),
        ("raise SystemExit", "SystemExit"),
        ("1/0", "ZeroDivisionError"),
        ("x = 1", "no INFO, decode, Driver"),
        ("INFO = 1\ndef decode(): ...\ndef Driver(): ...", "no meterlink.driver.Info"),
        ("from meterlink_drivers.fs9721 import *\nfrom meterlink_drivers.fs9721 import INFO", "is there already"),
        (
            "from meterlink_drivers.fs9721 import decode, Driver\nfrom meterlink.driver import Info\n"
            "INFO = Info(name='A b', title='', instruments=(), published='')",
            "lower-case",
        ),
    ],
)
def test_a_broken_file_is_passed_over(tmp_path: Path, text: str, why: str) -> None:
    (tmp_path / "bad.py").write_text(text)
    (one,) = registry.broken(tmp_path)
    assert why in one.why
    assert len(registry.all_specs(tmp_path)) == len(registry.all_specs())
    with pytest.raises(BadInput, match="cannot be loaded"):
        registry.find("bad", tmp_path)


def test_a_broken_file_is_no_other_driver(tmp_path: Path) -> None:
    """The name asked for is only in the path of the folder: there is no driver of that name."""
    folder = tmp_path / "mymeter"
    folder.mkdir()
    (folder / "bad.py").write_text("1/0")
    with pytest.raises(BadInput, match="no driver 'mymeter'"):
        registry.find("mymeter", folder)


def test_entry_points(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    skeleton.write("theirs", tmp_path)
    registry._found.cache_clear()
    monkeypatch.syspath_prepend(str(tmp_path))
    points = [EntryPoint(n, n, registry.GROUP) for n in ("theirs", "of_no_such_module")]
    monkeypatch.setattr(registry, "entry_points", lambda group: points if group == "meterlink.drivers" else [])
    empty = tmp_path / "empty"
    assert registry.find("theirs", empty).origin == "entry point: theirs"
    assert [one.origin for one in registry.broken(empty)] == ["entry point: of_no_such_module"]
    monkeypatch.delitem(sys.modules, "theirs")
    registry._found.cache_clear()


def test_models() -> None:
    spec = registry.find("scpi_meter:handheld")
    assert (spec.name, spec.model, spec.driver().model) == ("scpi_meter:handheld", "handheld", "handheld")
    assert [m.model for m in registry.find("scpi_meter").models()] == ["34401A", "handheld"]
    with pytest.raises(BadInput, match="34401A, handheld"):
        registry.find("scpi_meter:8842A")
    with pytest.raises(BadInput, match="did you mean scpi_meter"):
        registry.find("scpi_metre")


def test_settings_that_a_driver_tells_to_write_are_settings() -> None:
    """`line = { ... }` in wiring or notes is for the bench's file: TOML, and keys and values of a Line."""
    told = {}
    for spec in registry.all_specs():
        for text in re.findall(r"line = \{[^}]*\}", spec.info.wiring + " " + spec.info.notes):
            written = msgspec.toml.decode(text)["line"]
            assert set(written) <= set(Line.__struct_fields__)
            told[spec.name] = msgspec.convert({"baudrate": 1, **written}, Line)
    assert told["hioki"].baudrate == 9600  # DT4250 series: sheet hioki-dt4280, Transport
    assert set(told) >= {"hioki", "poll14"}


@pytest.mark.parametrize(
    "info", ["version=5", "title=None", "instruments='x'", "models=(1,)", "poll_s='2'", "rate_hz=[]", "usb=(1,)"]
)
def test_a_description_of_other_types_is_passed_over_and_told(tmp_path: Path, info: str) -> None:
    """What a driver says of itself is recorded: a version that is a number made a journal that no start took."""
    given = {"name": "'odd'", "title": "'t'", "instruments": "('i',)", "published": "'p'"}
    name, _, value = info.partition("=")
    words = ", ".join(f"{k}={v}" for k, v in {**given, name: value}.items())
    (tmp_path / "odd.py").write_text(
        f"from meterlink.driver import *\nINFO = Info({words})\n"
        "def decode(frame, asked=None, model=None): return []\nclass Driver(FixedFrames): pass\n",
        encoding="utf-8",
    )
    (one,) = registry.broken(tmp_path)
    assert one.name == "odd"
    assert "INFO is not of the contract's types" in one.why
