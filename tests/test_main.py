"""The one place where errors become a line and an exit code."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from meterlink import errors
from meterlink.cli import main
from meterlink.exits import CLASS, EXIT, error_of, exit_code


@pytest.mark.parametrize("cls", EXIT)
def test_every_class_has_its_code_and_comes_back(cls: type[errors.MeterlinkError]) -> None:
    code = exit_code(cls("x"))
    assert 1 <= code <= 4
    assert isinstance(error_of(code, "x"), CLASS[code]) and str(error_of(code, "x")) == "x"


def run(monkeypatch: pytest.MonkeyPatch, error: BaseException) -> Any:
    def application() -> Any:
        def call(**_: Any) -> None:
            raise error

        return call

    monkeypatch.setattr(main, "application", application)
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
