"""docs/commands.md is generated and not stale; the exit codes that it names are those of the commands."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from meterlink import errors
from meterlink.cli import groups
from meterlink.cli.main import application
from meterlink.cli.reference import EXITS, HEAD, commands, page
from meterlink.exits import EXIT, exit_code
from tests.docs.pages import KNOWN, ours, text

# these open a port, stay open, or are run elsewhere: tests/demo, tests/link, tests/screen, tests/drivers
ELSEWHERE = {"demo", "run", "screen", "setup", "pedal", "scanner", "sound", "ports", "journal follow"}
ELSEWHERE |= {"driver record", "driver check", "driver new"}


def example(name: str) -> str:
    return str(KNOWN[name].help).partition("Example:")[2].strip()


def test_it_is_not_stale() -> None:
    assert text("docs/commands.md") == page(), "python -m meterlink.cli.reference > docs/commands.md"


def test_every_command_has_an_example_of_itself() -> None:
    for name in KNOWN:
        assert f"meterlink {name}" in example(name)


def test_each_first_word_has_its_file() -> None:
    """And none is missing in what is loaded for it alone: the same commands as in the whole."""
    firsts = {name.split()[0] for name in KNOWN}
    assert firsts == {word for names, _ in groups.FILES for word in names}
    for first in firsts:
        part = dict(commands(get_command(application(first))))
        (names,) = [names for names, _ in groups.FILES if first in names]
        assert set(part) == {name for name in KNOWN if name.split()[0] in names}


def test_the_codes_are_those_of_the_errors() -> None:
    assert set(EXITS) <= set(KNOWN)
    for code in {0, 2, *EXIT.values()}:
        assert f"\n| {code} | " in HEAD
    assert exit_code(errors.BadInput("x")) == 2


@pytest.mark.parametrize("name", sorted(set(KNOWN) - ELSEWHERE))
def test_without_a_service_it_ends_with_3_where_the_page_says_so(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each command's own example on an empty folder: what needs the service says so, the others never do."""
    monkeypatch.chdir(tmp_path)
    _, *words = shlex.split(ours(example(name)))
    if any(p.name == "dir_" for p in KNOWN[name].params):
        words += ["--dir", str(tmp_path / "bench")]
    result: Any = CliRunner().invoke(application(words[0]), words, input="")
    error = result.exception
    assert error is None or isinstance(error, errors.MeterlinkError), repr(error)
    code = exit_code(error) if error else 0
    if name != "journal seal":  # asks only while a service has the journal
        assert (code == 3) == (3 in EXITS.get(name, ())), str(error)
    assert code in (0, 2, *EXITS.get(name, ()))
    if error:
        assert "\n" not in str(error)
