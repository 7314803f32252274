"""The one place where errors become a line and an exit code."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from meterlink import errors
from meterlink.cli import main
from meterlink.cli.output import table
from meterlink.exits import CLASS, EXIT, error_of, exit_code


@pytest.mark.parametrize("cls", EXIT)
def test_every_class_has_its_code_and_comes_back(cls: type[errors.MeterlinkError]) -> None:
    code = exit_code(cls("x"))
    assert 1 <= code <= 4
    assert isinstance(error_of(code, "x"), CLASS[code]) and str(error_of(code, "x")) == "x"


def run(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> Any:
    def command(first: str | None) -> Any:
        def call(**_: Any) -> None:
            raise error

        return call

    monkeypatch.setattr(main, "command", command)
    with pytest.raises(SystemExit) as ended:
        main.main()
    return ended.value.code


def test_an_error_is_one_line(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(monkeypatch, errors.Refused("a\nb")) == 4
    assert capsys.readouterr().err == "meterlink: a b\n"


def test_a_fault_of_our_own_is_one_line_and_a_file(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, ZeroDivisionError("oops")) == 70
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "Traceback" not in said
    file = Path(re.search(r"send us (\S+)", said)[1])  # type: ignore[index]
    assert "ZeroDivisionError: oops" in file.read_text()
    file.unlink()


def command(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    more.setdefault("stdout", subprocess.PIPE)
    return subprocess.run(
        [sys.executable, "-m", "meterlink", *arguments], stderr=subprocess.PIPE, text=True, timeout=60, **more
    )


FULL = pytest.mark.skipif(not Path("/dev/full").is_char_device(), reason="no /dev/full here")


@FULL
@pytest.mark.parametrize("arguments", [("driver", "list"), ("driver", "list", "--json"), ("--help",)])
def test_an_output_that_is_full_is_refused_in_one_line(arguments: tuple[str, ...]) -> None:
    """full(4): every write to /dev/full fails as on a full disk. Table, JSON lines and help print by three ways."""
    with Path("/dev/full").open("w") as full:
        done = command(*arguments, stdout=full)
    assert done.returncode == 4
    assert done.stderr.startswith("meterlink: the output cannot be written") and done.stderr.count("\n") == 1


@pytest.mark.parametrize("arguments", [("driver", "list"), ("driver", "list", "--json"), ("driver", "show", "fs9721")])
def test_a_reader_that_goes_is_no_error(arguments: tuple[str, ...]) -> None:
    """As in `meterlink driver list | head -1`: exit 1 would say that a check found something wrong."""
    read, write = os.pipe()
    os.close(read)
    try:
        done = command(*arguments, stdout=write)
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("arguments", [(), ("job",)])
def test_no_command_shows_the_help_and_nothing_else(arguments: tuple[str, ...]) -> None:
    done = command(*arguments)
    assert done.returncode == 2 and "Usage:" in done.stdout + done.stderr
    assert "(see --help)" not in done.stderr


def test_a_terminal_without_utf_8_gets_the_table_all_the_same() -> None:
    done = command("driver", "list", env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert (done.returncode, done.stderr) == (0, "") and "fs9721" in done.stdout


def test_a_file_in_the_way_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    for place in ("file", "file/below"):
        done = command("demo", "--quick", "--dir", str(tmp_path / place))
        assert done.returncode == 2
        assert done.stderr.startswith(f"meterlink: {tmp_path}") and done.stderr.count("\n") == 1


def test_a_question_without_an_answer_is_wrong_usage(tmp_path: Path) -> None:
    done = command("setup", "--dir", str(tmp_path), stdin=subprocess.DEVNULL)
    assert done.returncode == 2 and "call this in a terminal" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_narrow_terminal_cuts_nothing_off(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "30")
    monkeypatch.setenv("FORCE_COLOR", "1")  # rich takes the output for a terminal then
    table(("mark", "since"), [("GC-" + "0123456789" * 3, "2026-11-25 13:52")])
    shown = re.sub(r"\x1b\[[0-9;]*m", "", capsys.readouterr().out)
    assert "\u2026" not in shown
    column = "".join(line.split()[0] for line in shown.splitlines() if line.strip())
    assert "GC-" + "0123456789" * 3 in column


def test_a_piped_table_has_no_blanks_at_its_ends(capsys: pytest.CaptureFixture[str]) -> None:
    table(("board", "text"), [("GC-01", "x" * 40), ("GC-02", None)])
    assert all(line == line.rstrip() for line in capsys.readouterr().out.splitlines())
