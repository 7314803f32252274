"""docs/technician.md and docs/operator.md, carried out line by line on a real service with a virtual meter."""

from __future__ import annotations

import json
import shlex
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from meterlink.cli.main import application
from meterlink.demo.technician import Ear, is_kept
from meterlink.demo.world import SHEET
from tests.docs.pages import KNOWN, blocks, lines, shown, split
from tests.service.conftest import Running, bench_at
from tests.service.test_hands import lift

DONE = 0


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    """A running bench, for tests that do not mind what others did on it."""
    with bench_of(tmp_path_factory.mktemp("documents")) as running:
        yield running


@pytest.fixture
def new_bench(tmp_path: Path) -> Iterator[Running]:
    """A bench on which nothing was done yet, as a reader of the page has it."""
    with bench_of(tmp_path) as running:
        yield running


@contextmanager
def bench_of(root: Path) -> Iterator[Running]:
    """A running bench with the demo's sheet in its folder; two more names lead to it."""
    with bench_at(root) as running:
        with running.folders.config.open("a", encoding="utf-8") as file:
            file.write("[sound]\non = false\n")
        (root / "ic-8-rev-c.toml").write_bytes(Path(str(SHEET)).read_bytes())
        (root / "benches").mkdir()
        for name in ("one", "two"):
            (root / "benches" / name).symlink_to(root)
        running.start()
        yield running


def run(line: str, root: Path) -> Any:
    """A command line as it stands, on that bench where it names none."""
    command, words = split(line)
    if "--dir" not in words and any(p.name == "dir_" for p in KNOWN[command].params):
        words += ["--dir", str(root)]
    return CliRunner().invoke(application(command.split()[0]), [*command.split(), *words])


def touch(bench: Running, ear: Ear, value: float) -> dict[str, Any]:
    """Touch and hold until it is kept, and lift; gives the kept record."""
    mark = ear.heard
    bench.handheld.touch(value)
    message = ear.wait(is_kept, mark, what="the touch to be kept")
    lift(bench, ear)
    return dict(message["record"])


def test_the_technicians_day(new_bench: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every command of docs/technician.md in its order; the page's 4711 is the seq of a keep."""
    bench, root = new_bench, new_bench.folders.root
    monkeypatch.chdir(root)
    ear = Ear(bench.folders.socket)
    kept: list[dict[str, Any]] = []
    said: dict[str, str] = {}
    for line in lines("docs/technician.md"):
        if line == "meterlink back":
            bench.handheld.dial("diode")
            kept = [touch(bench, ear, value) for value in (0.6, 0.61)]
        result = run(line.replace("4711", str(kept[0]["seq"] if kept else 0)), root)
        assert result.exit_code == DONE, f"{line}: {result.exception} {result.output}"
        said[line] = result.output
    assert [k["point"] for k in kept] == ["U7", "U8"]
    assert "3 boards counted, 2 said" in said["meterlink job show"]
    assert "U8 taken back" in said["meterlink back"]
    assert said["meterlink journal show --board GC-01 --kind kept"].count("[withdrawn") == 1
    assert "removed C412" in said["meterlink board show GC-01"]
    assert bench.call("status")["context"]["job"] is None, "the day ends with the job closed"
    rows = [json.loads(row) for row in run("meterlink board list --json", root).output.splitlines()]
    assert [(r["board"], r["state"], r["by"]) for r in rows] == [
        ("GC-01", "tested good", "colleague"),
        ("GC-02", "declined", "anna"),
        ("GC-03", "received", "demo"),
    ]
    assert (root / "GC-2611.html").stat().st_size > 2000


def test_states_that_need_a_text_say_so(bench: Running) -> None:
    bench.call("job open", job="GC-2612")
    bench.call("board take", board="GC-01", count_in=True)
    for state in ("waiting for a part", "declined"):
        result = run(f"meterlink board state '{state}'", bench.folders.root)
        assert "needs a text" in str(result.exception)


def test_a_powered_point_asks_and_the_first_tap_only_confirms(bench: Running) -> None:
    bench.call("job open", job="GC-2613", sheet=str(SHEET))
    bench.call("board take", board="GC-01", count_in=True)
    bench.call("point", point="+3V3 on")
    ear = Ear(bench.folders.socket)
    bench.handheld.dial("voltage")
    bench.handheld.touch(3.302)
    ear.wait(lambda m: m.get("sound") == "confirm", 0, what="the bench to ask")
    first = bench.call("keep", source="pedal")
    assert [(r["kind"], r.get("powered")) for r in first["records"]] == [("context", True)]
    lift(bench, ear)
    assert touch(bench, ear, 3.302)["point"] == "+3V3 on", "lift and touch again"


def test_the_readmes_ten_lines(new_bench: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """In their order; where a point is to be touched it is. `run` is what runs, `screen` stays open."""
    bench = new_bench
    monkeypatch.chdir(bench.folders.root)
    Path("sheet.toml").write_bytes(Path("ic-8-rev-c.toml").read_bytes())
    ear = Ear(bench.folders.socket)
    ran = []
    for line in shown("README.md"):
        if line.startswith(("meterlink run", "meterlink screen")):
            continue
        if line == "meterlink keep":
            bench.handheld.dial("continuity")
            assert touch(bench, ear, 0.3)["verdict"] == "ok"
            mark = ear.heard
            bench.handheld.dial("diode")
            ear.wait(lambda m: m.get("function") == "diode", mark, what="the dial to be turned")
        result = run(line, bench.folders.root)
        assert result.exit_code == DONE, f"{line}: {result.exception} {result.output}"
        ran.append(line)
    assert len(ran) >= 8


def test_the_operators_commands(bench: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """All but the backup, which has a test of its own. doctor may find this machine's clock unset: exit code 1."""
    monkeypatch.chdir(bench.folders.root)
    for block in blocks("docs/operator.md", "sh"):
        if block.startswith("cp "):
            continue
        for line in block.splitlines():
            result = run(line, bench.folders.root)
            may = (0, 1) if line == "meterlink doctor" else (0,)
            failed = 1 if "something is wrong with" in str(result.exception) else result.exit_code
            assert failed in may, f"{line}: {result.exception} {result.output}"


def test_the_backup(new_bench: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """On the bench stopped: a copy in the middle of a line would end torn, as the page says."""
    bench = new_bench
    bench.call("job open", job="GC-2611")
    assert bench.stop() == 0
    monkeypatch.chdir(bench.folders.root)
    (block,) = [b for b in blocks("docs/operator.md", "sh") if b.startswith("cp ")]
    copy, without_note, *checks = block.splitlines()
    for line in (copy, without_note):
        subprocess.run(shlex.split(line), check=True)
    assert checks
    assert not Path("journal-copy/journal.lock").exists()
    for line in checks:
        result = run(line, bench.folders.root)
        assert result.exit_code == 0, result.output
        assert "head " in result.output
    copied = next(Path("journal-copy").glob("*.jsonl"))
    copied.write_bytes(copied.read_bytes()[:-20])
    torn = run(checks[0], bench.folders.root)
    assert "torn by a power cut" in str(torn.exception)
