"""Whatever the umask, what a bench writes is its user's alone; somebody else's runtime folder is refused."""

from __future__ import annotations

import os
import shutil
import stat
import tempfile
from pathlib import Path

import pytest

from meterlink.folders import bench_folder
from tests.program import meterlink
from tests.service.conftest import Running, bench_at
from tests.service.test_right_board import SHEET


@pytest.mark.parametrize("umask", [0o000, 0o027])
def test_everything_is_its_users_alone(tmp_path: Path, umask: int, monkeypatch: pytest.MonkeyPatch) -> None:
    short = Path(tempfile.mkdtemp(prefix="m-"))
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(short / "run" / "user"))
    root = tmp_path / "bench"
    before = os.umask(umask)
    try:
        with bench_at(root) as bench:
            (root / "s.toml").write_text(SHEET, encoding="utf-8")
            bench.start()
            work(bench)
            made = [p for top in (tmp_path, short) for p in top.rglob("*")]
            made = [p for p in made if (stat.S_ISREG(p.lstat().st_mode) or p.is_dir()) and p.suffix != ".wav"]
            runtime = bench_folder(root).socket.parent
            ours = [p for p in made if runtime in (p, *p.parents) or p.parent.name in ("journal", "sheets", "reports")]
            ours += [root / name for name in ("journal", "sheets", "reports")]
            assert runtime in ours
            assert len(ours) > 5
            assert {str(p): oct(p.stat().st_mode & 0o077) for p in ours if p.stat().st_mode & 0o077} == {}
            bench.stop()
            bench.start()
    finally:
        os.umask(before)
        shutil.rmtree(short)


def work(bench: Running) -> None:
    root = bench.folders.root
    bench.call("job open", job="J1", sheet=str(root / "s.toml"))
    bench.call("board take", board="GC-01", count_in=True)
    assert meterlink("report", "J1", "--dir", str(root)).returncode == 0


def test_a_runtime_folder_of_another_kind_is_refused_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    (tmp_path / "theirs").mkdir()
    with bench_at(tmp_path / "bench") as bench:
        bench.folders.socket.parent.symlink_to(tmp_path / "theirs")
        said = meterlink("run", "--dir", str(bench.folders.root))
    assert said.returncode == 4
    assert "set XDG_RUNTIME_DIR" in said.stderr
    assert not list((tmp_path / "theirs").iterdir())


def test_a_runtime_folder_that_is_too_long_for_a_socket(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path / ("x" * 100)))
    with bench_at(tmp_path / "bench") as bench:
        said = meterlink("run", "--dir", str(bench.folders.root))
    assert said.returncode == 4
    assert "set XDG_RUNTIME_DIR to a shorter one" in said.stderr
