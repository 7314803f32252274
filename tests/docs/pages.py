"""The documents as tests read them: fenced blocks, and every `meterlink ...` that they show."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

from meterlink.cli.reference import commands

ROOT = Path(__file__).parents[2]
OURS = ("README.md", "DEVELOPERS.md", *(f"docs/{n}.md" for n in ("technician", "operator", "supply", "commands")))
EVERY = ("README.md", "DEVELOPERS.md", *(f"docs/{p.name}" for p in sorted((ROOT / "docs").glob("*.md"))))
KNOWN: dict[str, Any] = dict(commands())


def text(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def blocks(name: str, kind: str) -> list[str]:
    """The fenced blocks of one kind, in order."""
    return re.findall(rf"^ *```{kind}\n(.*?)^ *```$", text(name), re.DOTALL | re.MULTILINE)


def lines(name: str) -> list[str]:
    """The command lines of the document's `sh` blocks, in order."""
    return [line for block in blocks(name, "sh") for line in block.splitlines()]


def day(name: str) -> list[tuple[str, str]]:
    """The document's `day` block: what somebody does, and what is heard then."""
    (block,) = blocks(name, "day")
    return [(act.strip(), heard.strip()) for act, _, heard in (line.partition("|") for line in block.splitlines())]


def shown(name: str) -> list[str]:
    """Every command line of meterlink that the document shows: in blocks, indented, and in running text."""
    fenced = [ours(line) for line in lines(name)]
    if blocks(name, "day"):
        fenced += [act.removeprefix("$ ") for act, _ in day(name) if act.startswith("$")]
    whole = re.sub(r"^ *```.*?^ *```$", "", text(name), flags=re.DOTALL | re.MULTILINE)
    indented = re.findall(r"^ {4,}(meterlink .*)$", whole, re.MULTILINE) if name != "docs/commands.md" else []
    inline = re.findall(r"`(meterlink [a-z][^`]*)`", whole)
    return [" ".join(x.split()) for x in (*fenced, *indented, *inline) if x.startswith("meterlink")]


def ours(line: str) -> str:
    """The part of a pipeline that is meterlink's; other lines as they are."""
    return next((part for part in line.split(" | ") if part.startswith("meterlink")), line)


def split(line: str) -> tuple[str, list[str]]:
    """A command's full name and its words. Raises KeyError for a command that is not there."""
    program, *words = shlex.split(line)
    assert program == "meterlink", line
    for n in (3, 2, 1):
        name = " ".join(words[:n])
        if len(words) >= n and name in KNOWN:
            return name, words[n:]
    raise KeyError(line)
