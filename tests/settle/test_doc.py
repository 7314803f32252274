"""docs/settling.md says what the code does."""

from __future__ import annotations

import doctest
import re
import sys
from pathlib import Path

import msgspec
import pytest

from meterlink.settle import Rules

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

DOC = Path(__file__).parents[2] / "docs" / "settling.md"


def test_examples_run() -> None:
    result = doctest.testfile(str(DOC), module_relative=False)
    assert result.attempted >= 2
    assert result.failed == 0


def test_the_keep_table_is_the_default() -> None:
    (table,) = re.findall(r"```toml\n(.*?)```", DOC.read_text(), re.DOTALL)
    keep = tomllib.loads(table)["keep"]
    assert msgspec.convert(keep, Rules) == Rules()
    assert list(keep) == [f.name for f in msgspec.structs.fields(Rules)]


def test_the_command_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    from tests import touches

    (command,) = re.findall(r"```\n(python -m .*)\n```", DOC.read_text())
    assert command == "python -m tests.touches"
    monkeypatch.setattr(sys, "argv", ["touches", "--touches", "300", "--json"])
    assert touches.main() in (0, 1)
    lines = [msgspec.json.decode(line) for line in capsys.readouterr().out.splitlines()]
    assert [set(line) for line in lines] == [{"figure", "required", "value", "passed"}] * 5
