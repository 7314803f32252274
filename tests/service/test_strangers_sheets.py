"""A sheet that a stranger made, or a stranger's journal names: the bench is not held up by it, opens no device for it
and looks for it in the bench's own folder alone."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from meterlink.errors import BadInput
from tests.journal_reader.chains import forge
from tests.service.conftest import Running, bench_at, until
from tests.service.test_right_board import SHEET


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Running]:
    """A bench whose service leads a session and has no terminal, as one that systemd starts."""
    with bench_at(tmp_path / "bench") as running:

        def launch() -> None:
            running.process = subprocess.Popen(
                [sys.executable, "-m", "meterlink", "run", "--dir", str(running.folders.root)],
                stdin=subprocess.DEVNULL,
                stderr=(running.folders.root / "service.log").open("ab"),
                start_new_session=True,
            )

        monkeypatch.setattr(running, "launch", launch)
        running.start()
        yield running


def terminal_of(running: Running) -> int:
    """The device number of the service's terminal, 0: none. Source: proc(5), /proc/pid/stat, field 7."""
    assert running.process is not None
    return int(Path(f"/proc/{running.process.pid}/stat").read_text().rpartition(")")[2].split()[4])


def log(running: Running) -> str:
    return (running.folders.root / "service.log").read_text()


def test_a_key_of_many_parts_does_not_hold_the_bench_up(bench: Running, tmp_path: Path) -> None:
    """520,000 parts in the 1 MiB that a sheet may once have had: nothing was answered any more, nor SIGTERM obeyed."""
    for parts in (20_000, 120_000):
        (tmp_path / "s.toml").write_text('model = "x"\n' + ".".join("a" * parts) + " = 1\n")
        with pytest.raises(BadInput, match=r"s\.toml:2: a key of more than 8 parts"):
            bench.call("job open", job="GC-1", sheet=str(tmp_path / "s.toml"))
    (tmp_path / "s.toml").write_text('model = "x"\n#' + "x" * 300_000)
    with pytest.raises(BadInput, match="has more than 256 KiB"):
        bench.call("job open", job="GC-1", sheet=str(tmp_path / "s.toml"))
    assert bench.stop() == 0


def test_a_terminal_named_as_a_sheet_does_not_become_the_services(bench: Running) -> None:
    """It ended the service, with 0, when it hung up."""
    master, slave = pty.openpty()
    try:
        with pytest.raises(BadInput, match="is no file"):
            bench.call("job open", job="GC-1", sheet=os.ttyname(slave))
        assert terminal_of(bench) == 0
    finally:
        os.close(slave)
        os.close(master)
    assert bench.answers()


@pytest.mark.parametrize("name", ["the terminal", "../../elsewhere.toml", "..", "a\0b"])
def test_a_sheet_that_a_journal_names_is_looked_for_in_its_folder_alone(
    bench: Running, tmp_path: Path, name: str
) -> None:
    (tmp_path / "s.toml").write_text(SHEET)
    (tmp_path / "elsewhere.toml").write_text(SHEET)
    bench.call("job open", job="GC-1", sheet=str(tmp_path / "s.toml"))
    assert bench.stop() == 0
    master, slave = pty.openpty()
    try:
        named = os.ttyname(slave) if name == "the terminal" else name
        forge(bench.folders.journal, lambda r: r.update(sheet=named) if r["kind"] in ("job", "context") else None)
        (bench.folders.journal / "journal.lock").unlink()  # as in a copy
        bench.start()
        until(lambda: "job GC-1 goes on without its sheet" in log(bench), what="the word on the sheet")
        assert "is no name of a sheet that is filed here" in log(bench)
        assert terminal_of(bench) == 0
    finally:
        os.close(slave)
        os.close(master)
    assert bench.answers()


def test_a_sheet_that_is_a_link_is_not_followed(bench: Running, tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(SHEET)
    bench.call("job open", job="GC-1", sheet=str(tmp_path / "s.toml"))
    assert bench.stop() == 0
    (copy,) = bench.folders.sheets.iterdir()
    copy.unlink()
    copy.symlink_to(tmp_path / "s.toml")
    bench.start()
    until(lambda: "job GC-1 goes on without its sheet" in log(bench), what="the word on the sheet")
