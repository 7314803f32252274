"""The kit tries what a supply's `control` does: each way to be wrong is found; only the used channel is switched on."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest

from meterlink import registry
from meterlink.control import Answer, Control
from meterlink.driver import BadFrame
from meterlink.driver_check.checks import controlled
from meterlink.driver_check.tried import Failed, Tried
from meterlink.errors import BadInput
from meterlink.folders import bench_folder
from meterlink.framing import Query
from meterlink.registry import Spec
from meterlink.service.config import load
from meterlink.testing import check_driver

GOOD: Control = registry.find("ka").module.control()
SWITCHED = [m for spec in registry.all_specs() if hasattr(spec.module, "control") for m in spec.models()]


def spoilt(**changes: Any) -> Spec:
    """The driver ka with another control."""
    module = registry.find("ka").module
    control = changes.pop("control", lambda model=None, channel="1": msgspec.structs.replace(GOOD, **changes))
    return Spec(SimpleNamespace(**{**vars(module), "control": control}), "tests", "V3.0")


def parsed(change: Callable[[bytes, Answer], Any]) -> Callable[[bytes, bytes], Any]:
    return lambda asked, reply: change(asked, GOOD.parse(asked, reply))


def raising(*_: object) -> Any:
    raise KeyError("STATUS")


def always_off(_: bytes, answer: Answer) -> Answer:
    return answer if answer.on is None else msgspec.structs.replace(answer, on=False)


def always_set(_: bytes, answer: Answer) -> Answer:
    right = {"set_voltage": Decimal("1.20"), "set_current": Decimal("0.500")}
    return msgspec.structs.replace(answer, **{k: v for k, v in right.items() if getattr(answer, k) is not None})


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ({"parse": raising}, "KeyError"),
        ({"parse": lambda asked, reply: Answer()}, "on already"),
        ({"parse": lambda asked, reply: None}, "no Answer"),
        ({"parse": parsed(always_off)}, "does not say that its output is on"),
        ({"parse": parsed(always_set)}, "does not take its current"),
        ({"switch": raising}, "KeyError"),
        ({"switch": lambda on: GOOD.switch(True)}, "the same bytes"),
        ({"settings": ()}, "without queries"),
        ({"measured": GOOD.settings}, "does not say what it measures"),
        ({"measured": GOOD.settings + GOOD.measured[1:]}, "does not say what it measures"),
        ({"output_state": GOOD.switch(False)}, "no command is sent"),
        ({"voltage": msgspec.structs.replace(GOOD.voltage, say=raising)}, "KeyError"),
        ({"voltage": msgspec.structs.replace(GOOD.voltage, say=GOOD.current.say)}, "the same bytes"),
        ({"current": msgspec.structs.replace(GOOD.current, say=lambda v: GOOD.current.say(v * 0))}, "the same bytes"),
        ({"voltage": msgspec.structs.replace(GOOD.voltage, say=lambda v: GOOD.settings)}, "no command is sent"),
        ({"measured": (Query(ask=b"FLOW?", take=lambda held: 1), *GOOD.measured)}, "answer says nothing to 'FLOW?'"),
        ({"output_state": (msgspec.structs.replace(GOOD.output_state[0], take=lambda held: 0),)}, "take"),
        ({"control": raising}, "KeyError"),
        ({"control": lambda model=None: {}}, "no Control"),
    ],
)
def test_a_wrong_control_is_found(changes: dict[str, Any], found: str) -> None:
    """As `driver check` tells it: one row that says WRONG, and what."""
    (row,) = [r for r in check_driver(spoilt(**changes), n=20) if r.name.startswith("Control")]
    assert row.ok is False
    assert found in row.detail


def test_a_control_without_answers_is_found() -> None:
    spec = spoilt()
    del spec.module.answer
    with pytest.raises(Failed, match="no answer"):
        controlled(Tried(spec, 10))


@pytest.mark.parametrize("spec", SWITCHED, ids=lambda s: s.name)
def test_each_bundled_supply_is_tried_or_says_why_it_is_only_read(spec: Spec) -> None:
    told = str(controlled(Tried(spec, 10)))
    assert "damaged replies" in told or told.startswith("read, never switched: ")


@pytest.mark.parametrize("name", ["ka:V2.0-dual", "scpi_supply:E364x-dual", "scpi_supply:E3631A"])
def test_what_switches_every_channel_is_only_read(tmp_path: Path, name: str) -> None:
    """Rule 15: the other channels have limits that nobody looked at. A bench's file that asks for it is refused."""
    spec = registry.find(name)
    with pytest.raises(BadFrame, match="every channel"):
        spec.module.control(spec.model)
    folders = bench_folder(tmp_path)
    folders.config.write_text(f'[instruments.supply]\ndriver = "{name}"\nport = "/dev/x"\ncontrol = true\n')
    with pytest.raises(BadInput, match="every channel"):
        load(folders.config, folders)


@pytest.mark.parametrize("spec", SWITCHED, ids=lambda s: s.name)
def test_the_command_that_switches_on_names_its_channel(spec: Spec) -> None:
    """On a set of several channels: no two channels are switched by the same bytes."""
    asks = []
    for channel in "123456789":
        try:
            asks.append(spec.module.control(spec.model, channel).output(True).queries[0].ask)
        except BadFrame:
            continue
    assert len(set(asks)) == len(asks)


def test_a_control_that_cannot_be_made_is_told_with_its_line(tmp_path: Path) -> None:
    folders = msgspec.structs.replace(bench_folder(tmp_path), drivers=tmp_path / "own drivers")
    folders.drivers.mkdir()
    source = Path(registry.find("ka").module.__file__).read_text(encoding="utf-8")
    source = source.replace('name="ka"', 'name="mine"').replace(
        "    this = _model(model)\n    if len(this.on_bits)", "    {}[1]\n    if len(this.on_bits)"
    )
    (folders.drivers / "mine.py").write_text(source, encoding="utf-8")
    folders.config.write_text('[instruments.supply]\ndriver = "mine"\nport = "/dev/x"\ncontrol = true\n')
    with pytest.raises(BadInput, match=r"bench\.toml:4: instruments.supply.control: the driver failed: KeyError"):
        load(folders.config, folders)
