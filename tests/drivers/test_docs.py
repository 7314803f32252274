"""The commands of docs/writing-a-driver.md and docs/recordings.md, run as they stand there."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from meterlink.link.recording import expected, parse
from meterlink.virtual.terminal import VirtualTerminal

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "docs" / "writing-a-driver.md").read_text("utf-8")
FORMAT = (ROOT / "docs" / "recordings.md").read_text("utf-8")


def blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.+?)\n```$", text, re.S | re.M)


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Every `sh` block run in order, in one folder that has captures/ as a checkout has; output by block."""
    folder = tmp_path_factory.mktemp("guide")
    (folder / "captures").symlink_to(ROOT / "captures")
    programs = folder / "bin"
    programs.mkdir()
    script = programs / "meterlink"
    script.write_text(f'#!/bin/sh\nexec "{sys.executable}" -m meterlink "$@"\n')
    script.chmod(0o755)
    places = {name: str(folder / name) for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_RUNTIME_DIR")}
    path = f"{programs}{os.pathsep}{os.environ['PATH']}"
    env = {**os.environ, **places, "PATH": path, "PYTHONPATH": str(ROOT), "COLUMNS": "200"}
    out = {}
    for block in blocks(GUIDE, "sh"):
        run = subprocess.run(
            ["sh", "-e", "-c", block], cwd=folder, env=env, text=True, capture_output=True, stdin=subprocess.DEVNULL
        )
        assert run.returncode == 0, f"{block}\n{run.stdout}{run.stderr}"
        out[block] = run.stdout
    out["folder"] = str(folder)
    return out


def of(outputs: dict[str, str], part: str) -> str:
    return next(text for block, text in outputs.items() if part in block)


def test_every_command_of_the_guide_runs(outputs: dict[str, str]) -> None:
    assert len(outputs) - 1 == len(blocks(GUIDE, "sh")) >= 5


def test_the_decoded_frame_is_the_one_printed(outputs: dict[str, str]) -> None:
    (printed,) = blocks(GUIDE, "json")
    assert json.loads(of(outputs, "driver decode")) == json.loads(printed)


def test_the_new_driver_passes_its_checks(outputs: dict[str, str]) -> None:
    checked = of(outputs, "driver new mymeter")
    assert "work/mymeter.py" in checked
    assert "WRONG" not in checked
    assert checked.count("good") >= 10


def test_the_new_driver_is_one_file_and_recordings(outputs: dict[str, str]) -> None:
    work = Path(outputs["folder"]) / "work"
    files = sorted(str(p.relative_to(work)) for p in work.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    assert files == ["captures/mymeter/example.expected.jsonl", "captures/mymeter/example.rec", "mymeter.py"]


def test_what_was_recorded_again_is_the_recording(outputs: dict[str, str]) -> None:
    again = parse((Path(outputs["folder"]) / "again.rec").read_text())
    assert again.received == parse((ROOT / "captures/fs9721/voltage-dc.rec").read_text()).received
    assert again.driver == "fs9721"


@pytest.mark.long
def test_the_new_driver_works_where_a_pull_request_puts_it(outputs: dict[str, str], tmp_path: Path) -> None:
    """drivers/NAME.py with its recordings in captures/NAME/: the checks pass there as well."""
    work = Path(outputs["folder"]) / "work"
    (tmp_path / "drivers").mkdir()
    shutil.copy(work / "mymeter.py", tmp_path / "drivers")
    shutil.copytree(work / "captures", tmp_path / "captures")
    run = subprocess.run(
        [sys.executable, "-m", "meterlink", "driver", "check", str(tmp_path / "drivers" / "mymeter.py")],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert run.returncode == 0, run.stdout + run.stderr


@pytest.mark.long
def test_the_new_driver_runs_live(outputs: dict[str, str], tmp_path: Path) -> None:
    """Section 6: its bench folder and file, the service, status, keep, verify; a meter on a pseudo-terminal."""
    bench = Path(outputs["folder"]) / "trial"
    (toml,) = blocks(GUIDE, "toml")
    assert "/dev/ttyUSB0" in toml
    (bench / "bench.toml").write_text(toml.replace("/dev/ttyUSB0", str(tmp_path / "meter")))
    air, touched = (bytes.fromhex(f"11 20 3{d} 40 50 60 73 8{d and 1} 90 A0 B0 C0 D0 E0") for d in (0, 5))  # 0, -5 V
    shown = [air]
    env = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)}

    def run(*args: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "meterlink", *args, "--dir", str(bench)]
        return subprocess.run(command, cwd=ROOT, env=env, text=True, capture_output=True, timeout=30)

    with VirtualTerminal(tmp_path / "meter", stream=lambda _: shown[0], rate_hz=10):
        work = str(Path(outputs["folder"]) / "work")
        service = [sys.executable, "-m", "meterlink", "--drivers", work, "run", "--dir", str(bench)]
        with subprocess.Popen(service, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as live:
            try:
                deadline = time.monotonic() + 30
                while run("job", "open", "TRIAL").returncode and time.monotonic() < deadline:
                    pass  # the service is starting
                assert run("board", "take", "T-1", "--count-in").returncode == 0
                shown[0] = touched
                while (kept := run("keep")).returncode and time.monotonic() < deadline:
                    pass  # no reading has come yet
                assert re.search(r"-5(\.0+)? V", kept.stdout), kept
                status = run("status").stdout
                assert "mymeter" in status
                assert "open" in status
            finally:
                live.terminate()
                live.wait(timeout=30)
    assert run("journal", "verify").returncode == 0


@pytest.mark.parametrize("text", [GUIDE, FORMAT], ids=["writing-a-driver", "recordings"])
def test_the_files_that_are_named_are_there(text: str) -> None:
    named = re.findall(r"(?:captures|drivers|tests|udev)/[\w/-]+\.(?:rec|py|rules)\b", text.replace("work/", "work:"))
    named = [name for name in named if "mymeter" not in name]
    assert named
    assert [name for name in named if not (ROOT / name).is_file()] == []


def test_the_commands_of_the_pull_request(outputs: dict[str, str], tmp_path: Path) -> None:
    """The lines that move and add, in a repository of their own, with what was written in work/."""
    folder = tmp_path / "checkout"
    shutil.copytree(Path(outputs["folder"]) / "work", folder / "work")
    for name in ("drivers", "captures", "docs"):
        (folder / name).mkdir()
    for name in ("drivers.md", "wrong-values.md"):
        (folder / "docs" / name).touch()
    subprocess.run(["git", "init", "-q", str(folder)], check=True)
    shutil.copyfile(ROOT / ".gitignore", folder / ".git/info/exclude")
    lines = [line.strip() for line in GUIDE.splitlines() if re.match(r"    (git|mv) ", line)]
    assert len(lines) == 2
    for line in lines:
        subprocess.run(["sh", "-ec", line], cwd=folder, check=True, capture_output=True)
    staged = subprocess.run(["git", "status", "--short"], cwd=folder, text=True, capture_output=True).stdout.split()[
        1::2
    ]
    assert staged == [
        "captures/mymeter/example.expected.jsonl",
        "captures/mymeter/example.rec",
        "docs/drivers.md",
        "docs/wrong-values.md",
        "drivers/mymeter.py",
    ]


def test_the_example_recording_of_the_format_is_one(tmp_path: Path) -> None:
    (text,) = blocks(FORMAT, "text")
    assert [e.way for e in parse(text).events] == ["<", "<", "="]
    (row,) = blocks(FORMAT, "json")
    (tmp_path / "a.expected.jsonl").write_text(row + "\n")
    assert expected(tmp_path / "a.rec")[0]["value"] == 12.34
