"""The documents that are made from the drivers are up to date."""

from __future__ import annotations

import re
from contextlib import suppress

import pytest

from meterlink.driver_check.damage import Tally, tally
from meterlink.reading import BadFrame
from meterlink.registry import find
from tests.drivers import tables


def test_the_table_of_drivers_is_up_to_date() -> None:
    assert (tables.DOCS / "drivers.md").read_text("utf-8") == tables.drivers(), f"run {tables.COMMAND}"


def test_the_table_of_wrong_values_names_every_driver() -> None:
    text = (tables.DOCS / "wrong-values.md").read_text("utf-8")
    named = re.findall(r"^\| `(\w+)` \|", text, re.M)
    assert named == [spec.info.name for spec in tables.bundled()], f"run {tables.COMMAND} --wrong"
    assert text.startswith(tables.WRONG)


@pytest.mark.full
@pytest.mark.timeout(3600)
def test_the_table_of_wrong_values_is_up_to_date() -> None:
    assert (tables.DOCS / "wrong-values.md").read_text("utf-8") == tables.wrong(), f"run {tables.COMMAND} --wrong"


def test_shares_in_the_table_are_those_of_a_smaller_run() -> None:
    """A thousand damaged frames of one family come within four standard deviations of the printed share."""
    text = (tables.DOCS / "wrong-values.md").read_text("utf-8")
    row = re.search(r"^\| `fs9721` \| (.+) \|$", text, re.M)
    assert row is not None
    printed = [float(cell.split()[0]) / 100 for cell in row[1].split(" | ")]
    bits, lost = tally(find("fs9721"), 1000, seed=7)
    counted = [k / 1000 for one in (bits, lost) for k in (one.refused, one.same, one.unreadable, one.wrong)]
    for told, found in zip(printed, counted, strict=True):
        assert abs(told - found) <= 4 * (max(told, 0.002) / 1000) ** 0.5
    assert bits.damaged == 1000


@pytest.mark.parametrize(
    ("frame", "outcome"),
    [
        ("27 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0", "refused"),  # an index half
        ("16 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0", "same"),  # the RS232 mark
        ("17 20 35 45 5A 69 7F 82 97 A0 B0 C0 D4 E0", "unreadable"),  # a segment of the 2
        ("17 28 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0", "wrong"),  # the minus sign
    ],
)
def test_a_tally_tells_the_outcomes_apart(frame: str, outcome: str) -> None:
    spec = find("fs9721")
    shown = spec.decode(bytes.fromhex("17 20 35 45 5B 69 7F 82 97 A0 B0 C0 D4 E0"))
    now = []
    with suppress(BadFrame):
        now = spec.decode(bytes.fromhex(frame))
    one = Tally()
    one.add(shown, now)
    assert (getattr(one, outcome), one.damaged) == (1, 1)
