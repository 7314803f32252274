"""The configurations that the documents show are read by the bench itself; figures and tables are the program's."""

from __future__ import annotations

import configparser
import math
import re
import sys
from itertools import pairwise
from pathlib import Path

import msgspec
import pytest

from meterlink.bench.injection import CAUTIONS, MEASURE_S, OVER, SLACK, SLACK_A, Ceilings, ClearWatch
from meterlink.bench.ledger import STATES, WORKED_ON
from meterlink.bench.nearest import sheet_resistance
from meterlink.bench.off import OFF_S, OFF_TRIES
from meterlink.checkup import ROOM_BYTES
from meterlink.cli.setup import MEANING
from meterlink.folders import bench_folder
from meterlink.inputs.gestures import Timing
from meterlink.inputs.reports import USAGES, name_of
from meterlink.inputs.scans import LONGEST, QUIET_S
from meterlink.inputs.settings import PedalSettings, ScannerLine, ScannerSettings
from meterlink.service.config import Config, Instrument, LineOverride, load
from meterlink.service.doubt import ANSWER_S, REMIND_S
from meterlink.service.injector import SET_UP_S
from meterlink.service.switch import AGAIN_S
from meterlink.settle import Rules
from meterlink.sound import TONES, Settings
from tests.docs.pages import blocks, text

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

NAMES = ("docs/technician.md", "docs/operator.md", "docs/supply.md")
TOMLS = [(name, i) for name in NAMES for i in range(len(blocks(name, "toml")))]


def read(block: str, tmp_path: Path) -> Config:
    folders = bench_folder(tmp_path)
    folders.config.write_text(block, encoding="utf-8")
    return load(folders.config, folders).config


@pytest.mark.parametrize(("name", "i"), TOMLS)
def test_a_shown_configuration_is_read(name: str, i: int, tmp_path: Path) -> None:
    read(blocks(name, "toml")[i], tmp_path)


def test_the_readmes_bench_file_is_read(tmp_path: Path) -> None:
    shown = re.findall(r"^       (\S.*)$", text("README.md"), re.MULTILINE)
    config = read("\n".join(shown), tmp_path)
    assert list(config.instruments) == ["meter"]


def test_every_key_is_explained() -> None:
    """Each key of the configuration stands in a TOML block of the operator's page."""
    page = "\n".join(blocks("docs/operator.md", "toml"))
    shapes = (Config, Instrument, LineOverride, Rules, Settings, Ceilings, Timing, PedalSettings)
    for shape in (*shapes, ScannerSettings, ScannerLine):
        for field in msgspec.structs.fields(shape):
            assert re.search(rf"\b{field.name}\b", page), f"{shape.__name__}.{field.name}"


def test_the_tables_shown_as_defaults_are(tmp_path: Path) -> None:
    (block,) = [b for b in blocks("docs/operator.md", "toml") if "[keep]" in b]
    table = tomllib.loads(block)
    for key, shape in (("keep", Rules), ("sound", Settings), ("supply", Ceilings)):
        assert list(table[key]) == [f.name for f in msgspec.structs.fields(shape)]
    config = read(block, tmp_path)
    assert (config.keep, config.sound, config.supply) == (Rules(), Settings(), Ceilings())


@pytest.mark.parametrize("name", ["docs/technician.md", "docs/operator.md"])
def test_the_pedals_timings_are_published(name: str) -> None:
    timings = [t["pedal"]["timing"] for t in map(tomllib.loads, blocks(name, "toml")) if "timing" in t.get("pedal", {})]
    assert [msgspec.convert(t, Timing) for t in timings] == [Timing()]
    assert set(timings[0]) == {f.name for f in msgspec.structs.fields(Timing)}


def test_the_scanners_table_shows_what_holds_without_it(tmp_path: Path) -> None:
    (block,) = [b for b in blocks("docs/operator.md", "toml") if "[scanner]" in b]
    shown = read(block, tmp_path).scanner
    assert shown == ScannerSettings(kind="serial", port=shown.port if shown else "")
    assert [f.name for f in msgspec.structs.fields(ScannerSettings)] == list(tomllib.loads(block)["scanner"])
    page = " ".join(text("docs/operator.md").split())
    assert f"longer than {LONGEST} bytes" in page and f"suffix within {QUIET_S:g} s" in page


def test_the_unit_is_one_that_notifies() -> None:
    """Type, watchdog: systemd.service(5). That the service notifies is tested in tests/service."""
    (block,) = blocks("docs/operator.md", "ini")
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read_string(block)
    assert unit["Service"]["Type"] == "notify"
    assert int(unit["Service"]["WatchdogSec"]) == 20
    assert unit["Service"]["ExecStart"].endswith("/meterlink run")


def test_keys_are_named_as_the_operators_page_says(tmp_path: Path) -> None:
    """0x65 is the HID usage Keyboard Application (HID Usage Tables, from memory), which has no name here."""
    assert "keys `b`, `f13`, `page-up`, or `0x65`" in " ".join(text("docs/operator.md").split())
    assert {"b", "f13", "page-up"} <= set(USAGES)
    assert name_of(0x65) == "0x65"
    pedal = '[pedal]\nkind = "keyboard"\nport = "1209:0001"\nswitches = { 0x65 = "keep" }\n'
    assert read(pedal, tmp_path).pedal is not None


# -- the technician's page


def sounds() -> dict[str, tuple[str, str]]:
    rows = re.findall(r"^\| `([a-z-]+)` \| ([^|]+) \| ([^|]+) \|$", text("docs/technician.md"), re.MULTILINE)
    return {name: (how.strip(), means.strip()) for name, how, means in rows}


def test_each_sound_is_told_with_its_meaning() -> None:
    assert {name: means for name, (_, means) in sounds().items()} == MEANING


def test_each_sound_is_told_as_it_sounds() -> None:
    """Rising, falling, the count of tones, highest, lowest: as the tones are."""
    pitches = {name: [hertz for hertz, _ in tones if hertz] for name, tones in TONES.items()}
    counts = {"one": 1, "two": 2, "three": 3, "four": 4, "a falling pair, twice": 4, "up and down": 3}
    for name, (how, _) in sounds().items():
        p = pitches[name]
        count = next(n for word, n in counts.items() if how.startswith(word))
        assert len(p) == (8 if "four times" in how else count), name
        rises = all(a < b for a, b in pairwise(p)) and len(p) > 1
        falls = all(a > b for a, b in pairwise(p)) and len(p) > 1
        assert ("rising" in how, "three tones, falling" in how) == (rises, falls), name
    assert pitches["short"] == pitches["short"][:2] * 2
    assert pitches["short"][0] > pitches["short"][1]
    means = {name: sum(p) / len(p) for name, p in pitches.items()}
    assert max(means, key=lambda n: means[n]) == "ok"
    assert "highest" in sounds()["ok"][0]
    assert min(means, key=lambda n: means[n]) == "refused"
    assert "lowest" in sounds()["refused"][0]


def test_the_states_are_all_named() -> None:
    assert ", ".join(STATES) + "." in text("docs/technician.md")
    assert ", ".join(WORKED_ON) + ", " in text("docs/technician.md")


def test_the_pedals_resistor_leaves_enough() -> None:
    """TIA/EIA-232-F (from memory): 5 V at least from a driver, receiver 3 kOhm at least, on above 3 V."""
    left = 5.0 * 3000 / (3000 + 1000)
    assert f"{left:.2f} V of 5 V" in text("docs/technician.md")
    assert left > 3.0


# -- the supply's page


def flat(name: str) -> str:
    return " ".join(text(name).split())


def test_the_cautions_are_those_that_are_confirmed() -> None:
    assert CAUTIONS in flat("docs/supply.md")


def test_the_supplys_figures_are_the_programs() -> None:
    page = flat("docs/supply.md")
    assert f"over-voltage protection at {OVER} times" in page
    assert f"volts above {OVER} times the order (at least {SLACK[0]} V above)" in page
    assert f"amperes above {SLACK_A} times the limit (at least {SLACK[1]} A)" in page
    assert OFF_TRIES == 5 and f"five times or for {OFF_S:g} s" in page
    assert f"again every {REMIND_S:g} s, and off is sent again every {AGAIN_S:g} s" in page
    assert f"could not be confirmed within {ANSWER_S:g} s" in page
    assert f"{SET_UP_S:g} s longer than the hold" in page
    assert MEASURE_S == 0.1 and "each 0.1 s" in page
    assert (ClearWatch.CLEARED, ClearWatch.BACK, ClearWatch.LOOKS, ClearWatch.FIRST) == (0.5, 0.8, 3, 5)
    assert (
        "below half" in page and "above 80 %" in page and "first five looks" in page and "three looks in a row" in page
    )


def test_the_arithmetic_of_the_copper() -> None:
    """By hand from the cited resistivity (IACS), not from the program; and the program agrees."""
    page = text("docs/supply.md")
    square = 1.7241e-8 / 35e-6
    assert math.isclose(square, sheet_resistance(), rel_tol=1e-12)
    figures = [
        f"{square * 1e3:.4f} mOhm per square",
        f"a square drops {1.429 * square * 1e3:.2f} mV",
        f"{0.024 / (1.429 * square):.0f} squares",
        f"(1.5 A: {0.024 / (1.5 * square):.0f} squares)",
        f"2 x 1 mV / sqrt(3) = {2 / math.sqrt(3):.1f} mV",
        f"sqrt(1.2^2 + 1.2^2) = {math.hypot(2 / math.sqrt(3), 2 / math.sqrt(3)):.1f} mV",
        f"{1 + 0.00393 * 40:.2f} times as much",  # 0.00393 /K at 20 Cel, same standard
    ]
    assert [f for f in figures if f not in flat("docs/supply.md")] == []
    assert round(1.6e-3 / (1.429 * square), 1) == 2.3 and "2.3" in page
    assert "1.000 V / 1.429 A = 0.700 Ohm" in flat("docs/supply.md") and round(1 / 1.429, 3) == 0.700
    assert "1.000 V x 1.429 A = 1.43 W" in page and round(1.429, 2) == 1.43


def test_the_day_of_a_busy_bench_fits_what_doctor_asks_for() -> None:
    assert ROOM_BYTES >= 10 * 100e6 and "100 MB a day" in text("docs/operator.md")
