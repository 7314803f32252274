"""docs/supply.md, carried out on the demo's bench: virtual supply, virtual meter, real service."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
from collections.abc import Iterator
from decimal import Decimal
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from meterlink.bench.injection import ClearWatch
from meterlink.cli.main import application
from meterlink.demo.play import Bench, running
from meterlink.demo.technician import is_ended, is_flowing, is_kept, is_sound
from meterlink.demo.world import ALONG, SHEET
from meterlink.errors import MeterlinkError
from meterlink.exits import exit_code
from meterlink.folders import bench_folder
from meterlink.virtual.supply import Load
from tests.docs.pages import lines, text

SHORTED, HEALTHY = Load(rail_ohm=Decimal("0.7")), Load(rail_ohm=Decimal(268))


@pytest.fixture(scope="module")
def running_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    with running(bench_folder(tmp_path_factory.mktemp("supply")), 40.0, lambda _: None) as bench:
        yield bench


JOBS = count(2611)


@pytest.fixture
def bench(running_bench: Bench) -> Bench:
    """The bench with a job of the test's own: what another test confirmed or measured is not of its board."""
    running_bench.do("job open", job=f"GC-{next(JOBS)}", sheet=str(SHEET))
    running_bench.do("board take", board="GC-04", count_in=True)
    running_bench.supply.load = HEALTHY
    return running_bench


def start(line: str, bench: Bench) -> subprocess.Popen[str]:
    words = [sys.executable, "-m", *shlex.split(line), "--dir", str(bench.folders.root)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def run(line: str, bench: Bench) -> tuple[int, str]:
    """Exit code and everything that it said."""
    _, *words = shlex.split(line)
    result = CliRunner().invoke(application(words[0]), [*words, "--dir", str(bench.folders.root)])
    if isinstance(result.exception, MeterlinkError):
        return exit_code(result.exception), f"{result.output}{result.exception}\n"
    return result.exit_code, result.output


def test_what_is_refused(bench: Bench) -> None:
    """Each ceiling, the nominal voltage, unconfirmed cautions: exit code 4, one line, and nothing was sent."""
    for options, why in (
        ("--volts 5 --amperes 0.5", "above the nominal 3.3 V of +3V3"),
        ("--volts 1 --amperes 2.5", "ceiling of 2 A"),
        ("--volts 3 --amperes 1.5", "ceiling of 3 W"),
        ("--volts 1 --amperes 1 --hold 31", "ceiling of 30 s"),
        ("--volts 1 --amperes 1 --nominal 5", "the sheet says 3.3 V"),
        ("--volts 1 --amperes 1", "Local codes and licensed practice come first"),
    ):
        code, said = run(f"meterlink supply inject +3V3 {options}", bench)
        assert (code, said.count("\n")) == (4, 1), said
        assert why in said
    assert not bench.supply.on


def test_the_page(bench: Bench) -> None:
    """Every command in its order; the first injection runs while points are named and touched, as the page says."""
    bench.supply.load = SHORTED
    first: subprocess.Popen[str] | None = None
    ended = ""
    for line in lines("docs/supply.md"):
        mark = bench.ear.heard
        if line.startswith("meterlink supply inject") and first is None:
            # ten seconds are enough for a hand; five touches of this one may take longer on a busy machine
            first = start(line.replace("--hold 10", "--hold 30"), bench)
            on = bench.ear.wait(is_flowing, mark, what="current to flow")
            assert (round(on["ohms"], 2), on["wires"]) == (0.70, 2)
            bench.handheld.dial("voltage")
            continue
        if line == "meterlink supply off":
            continue  # below: the page's later commands come while it is on
        if line.startswith("meterlink supply inject"):
            bench.supply.load = SHORTED
            again = start(line, bench)
            for _ in range(ClearWatch.FIRST + 1):  # what flows at first is learned from the first looks
                bench.ear.wait(is_flowing, mark, what="current to flow")
                mark = bench.ear.heard
            bench.supply.load = HEALTHY
            bench.ear.wait(is_sound("short-cleared"), mark, what="the short to clear")
            assert run("meterlink supply off", bench)[0] == 0
            assert again.wait(20) == 0
            continue
        code, said = run(line, bench)
        assert code == 0, f"{line}: {said}"
        if line == "meterlink point C412":
            for point, volts in ALONG.items():
                bench.do("point", point=point)
                mark = bench.ear.heard
                bench.handheld.touch(volts)
                bench.ear.wait(is_kept, mark, what=f"{point} to be kept")
                bench.handheld.lift()
                bench.rest(8)
        if line.startswith("meterlink board show"):
            assert_ranked(said)  # before the next touch, which may be kept at the last of these points
            assert "4-wire" in _four_wire(bench)
            mark = bench.ear.heard
            assert run("meterlink supply off", bench)[0] == 0
            bench.ear.wait(is_ended, mark, what="the injection to end")
            assert first is not None
            ended = "".join(first.communicate(timeout=20))
            assert first.returncode == 0
            assert not bench.supply.on
    assert "off: the command" in ended
    assert "(2-wire)" in ended


def _four_wire(bench: Bench) -> str:
    """The meter held on the rail while it is fed: its volts over the supply's amperes."""
    mark = bench.ear.heard
    bench.handheld.touch(0.93)

    def settled(m: dict[str, Any]) -> bool:
        """By four wires, and no longer of a reading that was taken while the probe landed."""
        return m.get("wires") == 4 and abs(m["ohms"] - 0.93 / m["amperes"]) < 0.01

    message = bench.ear.wait(settled, mark, what="ohms by four wires")
    bench.handheld.lift()
    assert abs(message["ohms"] - 0.93 / message["amperes"]) < 0.01
    return f"{message['wires']}-wire"


def assert_ranked(said: str) -> None:
    """The page's table has the points in the order, and with the volts, that `board show` gives."""
    table = [
        row.split()[:2] for row in text("docs/supply.md").splitlines() if row.startswith("    ") and " mV " in row + " "
    ]
    page = [row for row in table if row[0] in ALONG]
    shown = [row.split()[:2] for row in said.splitlines() if " mV " in row]
    assert [p for p, _ in page] == [p for p, _ in shown if p in ALONG]
    for (_, told), (_, got) in zip(page, [row for row in shown if row[0] in ALONG], strict=True):
        assert abs(float(told) - float(got)) <= 0.0011


def test_off_that_nobody_sees_and_a_person_who_does(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The set does not obey: exit code 1 and an alarm, which the page's command ends."""
    by_hand = "meterlink supply off --by-hand --by Ada"
    assert f"    {by_hand}\n" in text("docs/supply.md")
    assert run(by_hand, bench)[0] == 2  # no output is in doubt: there is nothing to say
    bench.supply.output(True)
    monkeypatch.setattr(bench.supply, "output", lambda on: None)
    code, said = run("meterlink supply off", bench)
    assert (code, "OFF COULD NOT BE CONFIRMED" in said) == (1, True)
    assert "OFF COULD NOT BE CONFIRMED" in run("meterlink status", bench)[1] + run("meterlink supply show", bench)[1]
    # as far as the set can say it is on still: it is the person's word that ends the alarm
    assert run(by_hand, bench) == (0, "off by hand, says Ada: supply\n")
    assert bench.do("status")["alarm"] is None
    bench.supply.on = False


def test_an_injection_that_never_began_says_so(bench: Bench) -> None:
    """The output is on already, switched on by hand: nothing is set, exit code 4."""
    bench.supply.output(True)
    try:
        code, said = run("meterlink supply inject +3V3 --volts 1 --amperes 1 --confirm", bench)
    finally:
        bench.supply.output(False)
    assert code == 4
    assert "not switched on: the supply's output is on already" in said


def test_the_reading_only_supply_is_never_switched(tmp_path: Path) -> None:
    """The page's first configuration has no control; its second has."""
    from meterlink.service.config import load
    from tests.docs.pages import blocks

    folders = bench_folder(tmp_path)
    only, may = blocks("docs/supply.md", "toml")
    for block, controls in ((only, []), (may, ["supply"])):
        folders.config.write_text(block, encoding="utf-8")
        assert list(load(folders.config, folders).controls) == controls


def test_show_as_json(bench: Bench) -> None:
    (row,) = [json.loads(line) for line in run("meterlink supply show --json", bench)[1].splitlines()]
    assert row["supply"] == "supply/1"
