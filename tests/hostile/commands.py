"""Every command of the command line with arguments that hurt, found from the command line itself."""

from __future__ import annotations

import inspect
from collections.abc import Iterator
from pathlib import Path
from subprocess import CompletedProcess
from typing import Any

from meterlink.cli.reference import EXITS, commands
from meterlink.visible import hidden
from tests.program import meterlink

KNOWN: dict[str, Any] = dict(commands())
# what runs until somebody ends it, listens to this machine's ports, or plays the whole demo: texts reach it elsewhere
STAYS = {"run", "demo", "screen", "journal follow", "ports", "pedal", "scanner"}
READ = [  # what reads a journal, and asks no service
    name
    for name in KNOWN
    if name.split()[0] in ("journal", "job", "board", "report", "known-good", "sheet")
    and 3 not in EXITS.get(name, ())
    and name not in ("sheet check", "sheet show", "journal follow")
]


def takes(command: Any, name: str) -> str:
    """What an argument or option is: text, number, file, flag, choice."""
    given = inspect.signature(command.callback, eval_str=True).parameters[name].annotation
    spelled = repr(given.__origin__ if hasattr(given, "__metadata__") else given)
    for word, sort in (("Path", "file"), ("bool", "flag"), ("int", "number"), ("float", "number"), ("Rows", "choice")):
        if word in spelled:
            return sort
    assert "str" in spelled, f"{name} takes {spelled}: say here what is given to it"
    return "text"


def lines(name: str, text: str, file: Path, folder: Path) -> Iterator[list[str]]:
    """The command's lines: with what it needs; the same as JSON; with each of the rest by itself; with a text for each
    number; with a file that is not there.

    Takes   a text for all that is a text, a file for all that is one, the bench's folder.
    """
    params = {p.name: p for p in KNOWN[name].params if p.name not in ("help", "dir_")}
    sorts = {n: takes(KNOWN[name], n) for n in params}
    values = {"number": "1", "file": str(file), "choice": "kept", "text": text}
    needed = {n: values[sorts[n]] for n, p in params.items() if p.required}
    ways = [needed]
    ways += [{**needed, n: ""} for n in params if n == "json"]
    ways += [{**needed, n: values[sort]} for n, sort in sorts.items() if n not in needed and sort in values]
    ways += [{n: text if sorts[n] == "number" else v for n, v in needed.items()}]
    ways += [{n: v + text if sorts[n] == "file" else v for n, v in ways[-2].items()}]
    for number, way in enumerate(ways):
        words, behind = name.split(), []
        for n, value in way.items():
            if params[n].param_type_name == "argument":
                behind.append(value)
            elif sorts[n] == "flag":
                words.append(f"--{n}")
            else:
                words += [max(params[n].opts, key=len), str(folder / f"out-{number}") if n == "output" else value]
        if any(p.name == "dir_" for p in KNOWN[name].params):
            words += ["--dir", str(folder)]
        yield [*words, "--", *behind]


def orderly(words: list[str], feed: str = "") -> CompletedProcess[str]:
    """Run it. It ends with a status that the page names, and what stands on both outputs neither acts nor hides."""
    name = next(" ".join(words[:n]) for n in (3, 2, 1) if " ".join(words[:n]) in KNOWN)
    done = meterlink(*words, feed=feed)
    for text in (done.stdout.replace("\r\n", "\n") if "csv" in words else done.stdout, done.stderr):
        found = {f"{ord(c):x}" for c, before in zip(text, " " + text, strict=False) if c != "\n" and hidden(c, before)}
        assert not found, f"{words}: {found} in {text[-2000:]!r}"
    assert done.returncode in (0, 2, 130, *EXITS.get(name, (1,))), f"{words}: {done.returncode}, {done.stderr[-2000:]}"
    assert done.returncode in (0, 130) or done.stderr.startswith("meterlink: ") or "\nmeterlink: " in done.stderr
    assert "Traceback" not in done.stderr
    return done
