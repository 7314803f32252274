"""What every document shows: commands that are there, links and files that exist, no place of one machine."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from tests.docs.pages import EVERY, KNOWN, OURS, ROOT, blocks, shown, split, text

SHOWN = sorted({(name, line) for name in OURS for line in shown(name)})
GROUPS = {name.rpartition(" ")[0] for name in KNOWN if " " in name}


def test_there_is_something_to_look_at() -> None:
    assert len(SHOWN) > 80
    used = {split(line)[0] for _, line in SHOWN if line.removeprefix("meterlink ") not in GROUPS}
    assert set(KNOWN) - used == set(), "a command that no document of ours shows in use"


@pytest.mark.parametrize(("name", "line"), SHOWN, ids=lambda x: x)
def test_a_shown_command_is_understood(name: str, line: str) -> None:
    """Parsed with its real arguments and options by the application itself; nothing is carried out."""
    if line.removeprefix("meterlink ") in GROUPS:
        return
    command, words = split(line)
    if not words and any(p.required for p in KNOWN[command].params):
        return  # running text speaks of the command, not of a use of it
    context = KNOWN[command].make_context(command, list(words))
    assert context.params.keys() >= {p.name for p in KNOWN[command].params if p.expose_value}


def test_what_is_not_understood_is_found() -> None:
    with pytest.raises(KeyError):
        split("meterlink job reopen GC-2611")
    with pytest.raises(Exception, match="--colour"):
        KNOWN["status"].make_context("status", ["--colour"])


@pytest.mark.parametrize("name", EVERY)
def test_links_resolve(name: str) -> None:
    page = text(name)
    for target in re.findall(r"\]\(([^)]+)\)", page):
        if "://" in target:
            continue
        path, _, anchor = target.partition("#")
        file = (ROOT / name).parent / path if path else ROOT / name
        assert file.exists(), f"{name}: {target}"
        if anchor:
            headings = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", h.lower()).replace(" ", "-") for h in headings}, (
                f"{name}: {target}"
            )
    for path in re.findall(r"(?<![\w/])docs/[\w-]+\.(?:md|sh|py|json)", page):
        assert (ROOT / path).is_file(), f"{name}: {path}"


def test_files_that_the_readme_and_the_developers_page_name_exist() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        for path in re.findall(r"`((?:meterlink|tests|drivers|captures|docs)/[\w./-]*)`", text(name)):
            assert (ROOT / path).exists(), f"{name}: {path}"


def test_documents_that_the_source_names_exist() -> None:
    """An error message or a docstring that sends somebody to a document sends them to one that is there."""
    sources = [
        p for folder in ("meterlink", "drivers") for p in (ROOT / folder).rglob("*") if p.suffix in (".py", ".toml")
    ]
    named = {
        (p.relative_to(ROOT), doc)
        for p in sources
        for doc in re.findall(r"docs/[\w-]+(?:\.\w+)+", p.read_text(encoding="utf-8"))
    }
    assert len(named) > 30
    assert not [(p, d) for p, d in named if not (ROOT / d).is_file()]


@pytest.mark.parametrize("name", EVERY)
def test_no_document_names_a_place_of_one_machine(name: str) -> None:
    places = (str(ROOT), str(Path.home()), "/opt/", "/home/", "/tmp/", "/root/")
    assert not [p for p in places if p in text(name)]


def test_the_readme_has_two_commands() -> None:
    """One shows the whole job, one passes the tests; each is a line that can be pasted."""
    demo, tests = blocks("README.md", "sh")
    assert demo.count("\n") == tests.count("\n") == 1
    for line, last in ((demo, ["meterlink", "demo"]), (tests, ["pytest"])):
        *make, run = (shlex.split(part) for part in line.split("&&"))
        assert make[0] == ["python3", "-m", "venv", ".venv"]
        assert [Path(run[0]).name, *run[1:]] == last
    assert text("README.md").count("\n") <= 60
