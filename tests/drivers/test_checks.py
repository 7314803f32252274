"""Every driver that is found passes every check of the kit; and each check finds what it is for."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest

from meterlink import registry
from meterlink.driver_check import checks, skeleton
from meterlink.link.recording import EXPECTED
from meterlink.registry import Spec
from meterlink.testing import check_driver

SPECS = registry.all_specs()


@pytest.mark.parametrize(
    "spec",
    [s if i % 3 == 0 else pytest.param(s, marks=pytest.mark.long) for i, s in enumerate(SPECS)],
    ids=lambda s: s.name,
)
def test_a_bundled_driver_passes(spec: Spec) -> None:
    wrong = [r for r in check_driver(spec, n=100) if r.ok is False]
    assert not wrong


@pytest.mark.full
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("spec", SPECS, ids=lambda s: s.name)
def test_a_million_random_bytes_and_a_hundred_thousand_damaged_frames(spec: Spec) -> None:
    """Issue 3: n damaged frames each way, and 10 n random bytes."""
    wrong = [r for r in check_driver(spec, n=100_000) if r.ok is False]
    assert not wrong


def test_no_bundled_driver_was_passed_over() -> None:
    assert [one for one in registry.broken() if one.origin.startswith("bundled")] == []


@pytest.fixture
def spoil(tmp_path: Path) -> Callable[..., set[str]]:
    """The failed checks of a skeleton whose text was changed."""

    def spoilt(*changes: tuple[str, str], **patches: Any) -> set[str]:
        skeleton.write("made", tmp_path)
        file = tmp_path / "made.py"
        text = file.read_text()
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new)
        file.write_text(text)
        spec = registry.from_file(file)
        for name, value in patches.items():
            setattr(spec.module, name, value)
        return {r.name for r in check_driver(spec, n=200) if r.ok is False}

    return spoilt


def test_the_skeleton_passes(spoil: Callable[..., set[str]]) -> None:
    assert spoil() == set()


@pytest.mark.parametrize(
    ("changes", "found"),
    [
        ([('    published="sheet made (made up)",\n', '    published="",\n')], "INFO is complete"),
        ([("from decimal import Decimal\n", "import time\nfrom decimal import Decimal\n")], "It imports"),
        ([("from decimal import Decimal\n", "import http.client\nfrom decimal import Decimal\n")], "It imports"),
        ([('(bool(flags & NEGATIVE), digits', "(not flags & NEGATIVE, digits")], "Recordings decode"),
        ([('3: ("resistance", None, "Ohm")', '3: ("resistance", None, "V")')], "Units fit"),
        ([("flags = OVER if reading.value is None else NEGATIVE * sign", "flags = 0")], "What build makes"),
        ([("or any(rest)", ""), ("Const(i, Nibble), f\"low{i}\" / BitsInteger(4)",
          "Const(i, Nibble), Const(0, Nibble) if i > 8 else f\"low{i}\" / BitsInteger(4)")], "The construct FRAME"),
        ([('raise BadFrame(f"index halves', 'raise ValueError(f"index halves')], "Random bytes"),
        ([('raise BadFrame(f"function', 'raise KeyError(f"function')], "Damaged frames"),
        ([("    rate_hz=2.0,", "    rate_hz=1e6,")], "Time per frame"),
        ([("    rate_hz=2.0,", '    rate_hz=2.0,\n    links=("tcp",),')], "INFO is complete"),
    ],
    ids=lambda v: v if isinstance(v, str) else "",
)  # fmt: skip
def test_a_check_finds_its_fault(spoil: Callable[..., set[str]], changes: list[tuple[str, str]], found: str) -> None:
    assert any(name.startswith(found) for name in spoil(*changes))


FORGETS = '''
class Forgets(FixedFrames):
    """A framer that drops what it held when a piece comes."""

    def feed(self, data):
        self.held.clear()
        return super().feed(data)


'''
LAGS = '''
class Lags(FixedFrames):
    """A framer that gives nothing any more once it has lost a byte."""

    def feed(self, data):
        out = super().feed(data)
        return [] if self.skipped else out


'''


@pytest.mark.parametrize(
    ("framer", "name", "found"),
    [(FORGETS, "Forgets", "However the bytes are cut"), (LAGS, "Lags", "After noise and lost bytes")],
)
def test_a_check_finds_a_bad_framer(spoil: Callable[..., set[str]], framer: str, name: str, found: str) -> None:
    made = spoil(("def Driver(", framer + "def Driver("), ("return FixedFrames(", f"return {name}("))
    assert any(failed.startswith(found) for failed in made)


@pytest.mark.parametrize(
    ("seen", "display", "same"),
    [
        ("12.34 V", "12.34 V", True),
        ("12.34", "12.34 V", True),
        ("12.34v", "12.34 V", True),
        ("12.34", "12.34V", True),
        ("-12.34", "-12.34mV", True),
        ("OL", "OL V", True),
        ("12.3", "12.34 V", False),
        ("12.34", "-12.34V", False),
        ("0", "0L", False),
        ("12.34 mV", "12.34 V", False),
    ],
)
def test_what_a_person_saw_is_that_display(seen: str, display: str, same: bool) -> None:
    """Whether or not the driver's text has a blank before its unit."""
    assert checks.seen_as(seen, display) is same


def test_missing_recordings_are_told(tmp_path: Path) -> None:
    _, recording, expected = skeleton.write("made", tmp_path)
    spec = registry.from_file(tmp_path / "made.py")

    def failed() -> set[str]:
        return {r.name for r in check_driver(spec, n=50) if r.ok is False}

    assert expected == recording.with_suffix(EXPECTED)
    rows = expected.read_text()
    expected.write_text(rows.replace("-5.0", "-5.1"))
    assert "Recordings decode to what is expected" in failed()
    expected.write_text(rows)
    text = recording.read_text()
    recording.write_text(text.replace("= 1234.5 Ohm", "= 1234.6 Ohm"))
    assert "Recordings decode to what is expected" in failed()
    recording.unlink()
    assert failed() == {"Recordings decode to what is expected", "Every function has a recording"}


def test_an_answer_that_is_not_what_build_gives_is_told() -> None:
    """A virtual instrument sends what `answer` gives; of a polled driver build alone would prove nothing of it."""
    meter = registry.find("scpi_meter:34401A").module
    module = types.ModuleType("lies")
    module.__dict__.update(vars(meter))
    module.answer = lambda asked, reading, model=None: meter.answer(asked, reading, model).replace(b"E+0", b"E+1")  # type: ignore[attr-defined]
    wrong = [r for r in check_driver(Spec(module, "test", "34401A"), n=20) if r.ok is False]
    assert [r.name for r in wrong] == ["What build makes decodes to what was asked for"]
    assert "answer is read as" in wrong[0].detail


def test_a_driver_that_raises_anything_is_a_result_not_an_exception() -> None:
    fs9721 = registry.find("fs9721").module
    module = types.ModuleType("raises")
    module.__dict__.update(vars(fs9721))

    def decode(frame: bytes, asked: bytes | None = None, model: str | None = None) -> list[Any]:
        raise RecursionError("too deep")

    module.decode = decode  # type: ignore[attr-defined]
    results = check_driver(Spec(module, "test"), n=50)
    assert any(r.ok is False and "RecursionError" in r.detail for r in results)
    assert all(isinstance(msgspec.to_builtins(r), dict) for r in results)
    assert "raises" not in sys.modules
